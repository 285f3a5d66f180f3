"""What is known of each combination, counted from the rows by hand; when a run is ended."""

from dataclasses import replace

import pytest

from tests.outing import Outing
from tuninglib.analysis.combinations import combinations_of, stop_limits
from tuninglib.analysis.injector import ladder_of
from tuninglib.report import verdict
from tuninglib.session.edit import write_new_session
from tuninglib.session.load import load_session
from tuninglib.session.read_toml import what_stands


@pytest.fixture(scope="module")
def ridden(demo_folder, tmp_path_factory):
    """The demo, where somebody heard knock twice, once on a run that is left out."""
    outing = Outing(demo_folder, tmp_path_factory.mktemp("combinations") / "outing")
    outing.key("injectors.i150", owned="no").key("injectors.i178", owned="yes")
    one, other, *_ = outing.full("big_172")
    one["knock"], other["knock"], other["exclude"] = "light", "heavy", "fell over"
    outing.full("big_164")[0]["knock"] = ""
    return outing.results(), outing.rows


def test_what_was_heard_and_felt_belongs_to_the_setup_that_was_ridden(ridden):
    results, rows = ridden
    for one in results.combinations:
        own = [row for row in rows if row["setup"] == one.setup and row["state"] == "full"]
        assert one.listened == sum(row["knock"] != "" for row in own)
        heads = [float(row["head_temperature [degC]"]) for row in own]
        assert one.hottest_k == (pytest.approx(max(heads) + 273.15) if heads else None)
        assert {knock.setup for knock in one.knocks} <= {one.setup}
    knocked = {one.setup: len(one.knocks) for one in results.combinations if one.knocks}
    assert set(knocked) >= {"big_172"}


@pytest.mark.parametrize(("on_runs", "on_climbs"), [(480.0, 470.0), (460.0, 470.0)])
def test_who_rides_climbs_is_judged_by_the_hottest_of_runs_and_climbs(back, on_runs, on_climbs):
    session = back.session
    setup = session.climbs["setup"].iloc[0]
    hot = replace(
        session,
        runs=session.runs.assign(head_temperature_k=on_runs),
        climbs=session.climbs.assign(head_temperature_k=on_climbs),
    )
    for riding, expected in (("climbs", max(on_runs, on_climbs)), ("town", on_runs)):
        known = replace(hot, use=replace(session.use, riding=riding))
        own = combinations_of(known, None, back.mixtures, ())
        assert next(one for one in own if one.setup == setup).hottest_k == expected


def test_the_flow_to_look_for_has_the_chances_of_the_fuel_where_they_are_worst(
    demo_folder, tmp_path
):
    outing = Outing(demo_folder, tmp_path / "none")
    outing.without_table("injectors.i178").without_table("injectors.i205")
    results = outing.results()
    wanted = results.plan.flow_wanted
    assert results.plan.next.code == "change fuel"
    assert f"Look for about {60e6 * wanted.flow_m3_s:.0f} cc/min: a" in str(
        verdict.reasons(results)
    )
    listed = Outing(outing.folder, tmp_path / "listed")
    for percent in range(-16, 17, 4):
        flow = f"{wanted.flow_m3_s * (1 + percent / 100) * 6e7:.3f} cc/min"
        listed.key(f"injectors.by {percent}", flow=flow, tolerance="7 %")
    by_name = {}
    for one in listed.results().combinations:
        if one.engine == "big" and one.injector.startswith("by"):
            by_name.setdefault(one.injector, []).append(one)
    own = [one.odds for one in by_name["by 0"]]
    # Of those that may be tried none does less harm by 0.2 %, nor about as little and is likelier.
    harms = {name: sum(one.harm for one in both) / 2 for name, both in by_name.items()
             if all(one.may_be_tried for one in both)}  # fmt: skip
    least = min(harms.values())
    assert len(harms) > 3
    assert harms["by 0"] < least + 0.21
    near = [by_name[name] for name, harm in harms.items() if harm <= least + 0.15]
    assert max(min(one.odds.inside for one in both) for both in near) < wanted.inside + 0.01
    assert [abs(one.leaner - wanted.leaner) > 0.05 for one in own] == [True, False]
    assert wanted.leaner == pytest.approx(max(one.leaner for one in own), abs=0.01)
    assert wanted.inside == pytest.approx(min(one.inside for one in own), abs=0.01)


def test_every_combination_is_there_once(ridden):
    results, _ = ridden
    session = results.session
    keys = [(one.engine, one.injector, one.fuel) for one in results.combinations]
    engines = {setup.engine for setup in session.setups.values()}
    assert len(keys) == len(set(keys)) == len(engines) * len(session.injectors) * len(session.fuels)
    assert [one.setup for one in results.combinations if one.setup] == list(session.setups)
    for one in results.combinations:
        assert one.octane == session.fuels[one.fuel].octane_number
        assert one.compression == session.engines[one.engine].compression
        assert one.flow_m3_s == pytest.approx(session.injectors[one.injector].flow.value)
        assert one.source == ("read" if one.setup else "predicted")


def test_an_injector_is_at_hand_if_it_was_fitted_or_is_said_to_be(ridden):
    owned = {one.injector: one.owned for one in ridden[0].combinations}
    # i150 was fitted and is no longer there; i178 and i205 were not fitted, and one is said to be.
    assert owned == {
        "i150": False, "i164": True, "i172": True, "i185": True, "i178": True, "i205": False,
    }  # fmt: skip


def test_a_setup_of_which_nothing_was_written_down_was_not_ridden(ridden, demo_folder):
    results, _ = ridden
    session = load_session(demo_folder)
    runs = session.runs[session.runs["setup"] != "big_185"]
    silent = replace(session, runs=runs)
    mixtures = [one if one.setup != "big_185" else replace(one, readings=0, pegged=0, lambda_=None)
                for one in results.mixtures]  # fmt: skip
    found = combinations_of(silent, None, mixtures, ())
    assert "big_185" not in {one.setup for one in found}
    # Without a ladder nothing is said of what was not read.
    assert {one.source for one in found if one.setup is None} == {"unknown"}
    assert all(one.lambda_ is None for one in found if one.setup is None)
    unread = [replace(one, lambda_=None, odds=None) for one in results.mixtures]
    fit = ladder_of(results.judged, results.ladder).fit
    sources = {one.setup: one.source for one in combinations_of(session, fit, unread, ())}
    assert (sources["stock"], sources["big_172"]) == ("unknown", "predicted")


# When a run is ended ------------------------------------------------------------------------------


def limits(folder):
    return stop_limits(load_session(folder))


def test_the_edge_is_the_last_step_of_the_gauge_that_is_not_leaner(demo_copy, edit):
    # By hand: 0.90 x 14.7 = 13.23.
    assert limits(demo_copy).reading == pytest.approx(13.2)
    assert not limits(demo_copy).too_lean(13.1, 13.3)
    assert limits(demo_copy).too_lean(13.2, 13.3)
    # A gauge that shows 1 % too much shows 13.36 there.
    edit("session.toml", "highest = 20.0", 'highest = 20.0\naccuracy = "1 +/- 2 %"')
    assert limits(demo_copy).reading == pytest.approx(13.3)


def test_sustained_load_moves_the_edge_to_the_rich_side(demo_copy, edit):
    edit("session.toml", 'riding = "mixed"', 'riding = "motorway"')
    # 0.88 x 14.7 = 12.94.
    assert limits(demo_copy).reading == pytest.approx(12.9)
    assert limits(demo_copy).band.moved


def test_the_heads_limit_is_the_riders_or_the_usual_one(demo_copy, edit):
    assert limits(demo_copy).too_hot(273.15 + 231)
    assert not limits(demo_copy).too_hot(273.15 + 230)
    edit(
        "session.toml", "[engines.stock]", 'highest_head_temperature = "200 degC"\n[engines.stock]'
    )
    assert limits(demo_copy).too_hot(273.15 + 201)
    assert limits(demo_copy).hottest_is_stated


def test_what_a_half_filled_session_has_is_used_and_nothing_is_made_up(tmp_path):
    folder = tmp_path / "fresh"
    write_new_session(folder)
    found = stop_limits(what_stands(folder))
    assert found.band.highest == pytest.approx(0.90)
    assert found.reading is None, "the gauge's scale is not known"
    assert not found.too_lean(14.0, 15.0)
    (folder / "session.toml").write_text("[target\n", encoding="utf-8")
    found = stop_limits(what_stands(folder))
    assert (found.band, found.reading, found.hottest_is_stated) == (None, None, False)
