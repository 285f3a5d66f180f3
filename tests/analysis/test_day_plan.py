"""A day: how many runs, in which order, and what the rows so far say."""

import re
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.outing import Outing
from tuninglib.analysis import day_plan
from tuninglib.analysis.combinations import StopLimits
from tuninglib.analysis.day_plan import (
    Aim,
    Richness,
    SwapTimes,
    combination_of,
    ended_with,
    interim,
    interim_of_folder,
    plan_day,
    rich_to_lean,
    richness_of,
    start_of,
    usual_repeats,
)
from tuninglib.report import heat
from tuninglib.report import verdict as words
from tuninglib.session.edit import write_new_session
from tuninglib.session.load import load_session
from tuninglib.statistics.planning import power_two_setups, run_order

USUAL = {
    "setups": ("a", "b", "c"), "riders": ("x", "y"), "minutes_a_run": 6,
    "swap": SwapTimes(fuel=15, injector=45, engine=200),
}  # fmt: skip


def day(gain=0.10, scatter=0.04, **more):
    return plan_day(Aim(gain=gain, scatter=scatter), **{**USUAL, **more})


def test_the_plan_has_the_power_that_it_promises():
    planned = day()
    effect = np.log(1.10) / 0.04
    alpha = 0.05 / 2
    assert power_two_setups(effect, repeats=planned.repeats, alpha=alpha) >= 0.8
    assert power_two_setups(effect, repeats=planned.repeats - 1, alpha=alpha) < 0.8
    assert planned.visible <= 0.10 < planned.visible_with_one_less
    for visible, repeats in ((planned.visible, 0), (planned.visible_with_one_less, -1)):
        effect = np.log1p(visible) / 0.04
        chance = power_two_setups(effect, repeats=planned.repeats + repeats, setups=3, alpha=alpha)
        assert chance == pytest.approx(0.8, abs=1e-4)
    # Two runs are the fewest from which a scatter shows: there is no plan with one less.
    assert day(gain=3.0).repeats == 2
    assert day(gain=3.0).visible_with_one_less is None
    runs, swaps = len(planned.order.setups), planned.order.swaps
    assert planned.minutes == 6 * runs + 45 * swaps


def test_runs_of_one_setup_on_both_days_tell_more_of_the_other_day():
    known, runs = day(), day().repeats
    assert list(known.across_days) == [0, 2, 4]
    # Two means and what a day does to each, half of what it does to all; and the latter, as far as
    # runs of one setup on both days do not tell it.
    for day_sd, found in (
        (0.05 / 1.96, known), (0.04, plan_day(Aim(gain=0.1, scatter=0.04, day_sd=0.04), **USUAL)),
    ):  # fmt: skip
        for common, half_width in found.across_days.items():
            own, told = (day_sd / 2) ** 2, 1 / day_sd**2
            told += 1 / (0.04**2 / common + own) if common else 0.0
            sd = np.sqrt(2 * (0.04**2 / runs + own) + 2 / told)
            assert half_width == pytest.approx(1.96 * sd, rel=1e-4)


def test_a_plan_starts_with_the_runs_of_the_usual_gain(tmp_path):
    write_new_session(tmp_path / "fresh")
    start = start_of(tmp_path / "fresh")
    for scatter in (0.02, 0.04):
        wanted = day(scatter=scatter, setups=start.setups, gain=0.10).repeats
        assert usual_repeats(replace(start, scatter=scatter)) == wanted
    assert usual_repeats(replace(start, scatter=0.5)) is None
    assert usual_repeats(replace(start, setups=("alone",))) is None


def test_a_hopeless_plan_says_what_to_change():
    with pytest.raises(ValueError, match="compare fewer setups, ask for a larger gain"):
        day(gain=0.01)
    with pytest.raises(ValueError, match="needs at least two setups"):
        day(setups=("a",))


def test_a_session_that_is_not_filled_in_can_be_planned(tmp_path):
    write_new_session(tmp_path / "fresh")
    start = start_of(tmp_path / "fresh")
    assert (start.setups, start.riders) == (("stock", "big"), ("me",))
    assert (start.source, start.scatter) == ("assumed", 0.026)
    assert start.day_sd == pytest.approx(0.05 / 1.96, rel=1e-4)
    path = tmp_path / "fresh" / "session.toml"
    text = re.sub(r"(?m)^units.*\n", "", path.read_text(encoding="utf-8"))
    for units, system in (("us", "us"), ("imperial", "imperial"), ("furlongs", "metric")):
        path.write_text(text.replace("[session]", f'[session]\nunits = "{units}"', 1), "utf-8")
        assert start_of(path.parent).system == system
    # Six minutes a run, three hours to change the engine, half an hour an injector.
    usual = day_plan.usual_day(start)
    assert usual.in_blocks
    assert usual.changes == {"engine": 1, "injector": 0, "fuel": 0}
    assert usual.minutes == 6 * len(usual.order.setups) + 180
    other = day_plan.usual_day(replace(start, parts={}))
    assert other.minutes == 6 * len(other.order.setups) + 30 * other.order.swaps


PARTS = {
    "a": {"engine": "small", "injector": "i1", "fuel": "e5"},
    "b": {"engine": "big", "injector": "i2", "fuel": "e5"},
    "c": {"engine": "big", "injector": "i2", "fuel": "e10"},
}


def test_each_kind_of_change_takes_its_own_time():
    # a b c | c b a and so on: from a to b engine and injector, from b to c the fuel.
    planned = day(parts=PARTS)
    there = [pair for pair in zip(planned.order.setups, planned.order.setups[1:], strict=False)]
    engine = sum({"a"} < {*pair} for pair in there)
    fuel = sum({*pair} in ({"b", "c"}, {"a", "c"}) for pair in there)
    assert engine >= 2
    assert planned.changes == {"engine": engine, "injector": engine, "fuel": fuel}
    assert planned.minutes == 6 * len(planned.order.setups) + 245 * engine + 15 * fuel


def test_in_blocks_the_engine_is_opened_once():
    planned = day(parts=PARTS, in_blocks=True)
    assert planned.in_blocks
    assert planned.changes["engine"] == 1
    engines = [PARTS[name]["engine"] for name in planned.order.setups]
    assert engines == sorted(engines, reverse=True)
    # Inside a block a steady drift cancels as before, between blocks it does not.
    places = {name: [] for name in PARTS}
    for place, name in enumerate(planned.order.setups):
        places[name].append(place)
    means = {name: sum(own) / len(own) for name, own in places.items()}
    assert abs(means["b"] - means["c"]) <= 1.5
    assert planned.order.remaining_drift == pytest.approx(max(means.values()) - means["a"])
    assert not day(parts={"a": PARTS["a"]}, setups=("a", "x"), in_blocks=True).changes["engine"]


def test_the_most_runs_of_a_day_and_what_a_plan_is_called(demo_copy, edit, tmp_path):
    assert len(day(gain=0.0284).order.setups) == 120
    with pytest.raises(ValueError, match="takes more than 120 runs"):
        day(gain=0.028)
    assert start_of(demo_copy).title == "DEMO, INVENTED: Bigger cylinder on the quarry lane"
    write_new_session(tmp_path / "fresh")
    assert start_of(tmp_path / "fresh").title == "fresh"
    # A setup of which nothing is filled in has no fuel yet.
    edit("session.toml", "[setups.stock]", "[setups.bare]\nnote = ''\n\n[setups.stock]")
    start = start_of(demo_copy)
    assert "bare" not in start.fuels
    assert start.fuels["stock"] == "e5"


# From rich to lean --------------------------------------------------------------------------------


NAMES = st.lists(st.sampled_from("abcdefgh"), min_size=2, max_size=6, unique=True)


@st.composite
def known_setups(draw):
    names = draw(NAMES)
    engine = {name: draw(st.sampled_from(("small", "large"))) for name in names}
    return names, Richness(
        engine=engine,
        air_kg_s={name: draw(st.floats(0.01, 0.05)) for name in names},
        home=draw(st.sampled_from(("small", "large", None))),
    )


@pytest.mark.slow
@settings(max_examples=150)
@given(known_setups(), st.sampled_from((0.06, 0.1, 0.2, 0.4)))
def test_a_day_goes_from_rich_to_lean_at_the_price_of_any_other_order(known, gain):
    names, richness = known
    planned = day(setups=names, gain=gain, richness=richness)
    first = list(dict.fromkeys(planned.order.setups))
    assert sorted(first) == sorted(names)
    for engine in ("small", "large"):
        air = [richness.air_kg_s[name] for name in first if richness.engine[name] == engine]
        assert air == sorted(air, reverse=True)
    assert {planned.order.setups.count(name) for name in names} == {planned.repeats}
    as_named = run_order(names, repeats=planned.repeats)
    assert planned.order.swaps == as_named.swaps
    assert planned.order.remaining_drift == pytest.approx(as_named.remaining_drift)
    # Engines are changed once on the way there.
    engines = [richness.engine[name] for name in first]
    assert sum(a != b for a, b in pairwise(engines)) <= 1
    if richness.home in engines:
        assert engines[0] == richness.home


def test_what_nobody_knows_keeps_its_order():
    richness = Richness(engine={"a": "x", "b": "x"}, air_kg_s={"a": 0.01, "b": 0.02})
    assert rich_to_lean(["a", "b"], richness).setups == ("b", "a")
    found = rich_to_lean(["a", "b", "c"], richness)
    assert (found.setups, found.source, found.unknown) == (("a", "b", "c"), "given", ("c",))


def test_a_session_that_was_not_ridden_goes_by_flow_and_fuel(demo_folder):
    richness = richness_of(load_session(demo_folder))
    names = ("big_150", "big_172_e10", "big_164", "big_185", "stock", "big_172")
    found = rich_to_lean(names, richness)
    # By hand: the engine of the reference; then cc/min, and e10 needs less air than e5.
    assert found.setups == ("stock", "big_185", "big_172", "big_172_e10", "big_164", "big_150")
    assert (found.source, found.reference_first) == ("flow", False)


def test_more_pressure_and_more_energy_in_the_fuel_are_richer(demo_copy, edit):
    # 150 cc/min stated at 1 bar are 260 at the bike's 3 bar: the richest of all.
    edit("session.toml", 'flow_pressure = "3 bar"', 'flow_pressure = "1 bar"')
    richness = richness_of(load_session(demo_copy))
    assert rich_to_lean(("big_185", "big_150"), richness).setups == ("big_150", "big_185")
    assert richness.air_kg_s["big_172"] > richness.air_kg_s["big_172_e10"]


def test_what_the_gauge_read_goes_before_what_is_stated(demo_copy, edit):
    # Stated wrongly: smaller than i172, which the readings do not bear out.
    edit("session.toml", 'flow = "185 cc/min"', 'flow = "170 cc/min"')
    start = start_of(demo_copy)
    assert rich_to_lean(("big_172", "big_185"), richness_of(load_session(demo_copy))).setups == (
        "big_172",
        "big_185",
    )
    found = rich_to_lean(("big_172", "big_185"), start.richness)
    assert (found.setups, found.source) == (("big_185", "big_172"), "gauge")


def test_a_reference_that_no_gate_shuts_goes_first_even_on_the_same_engine(demo_copy, edit):
    edit("session.toml", 'reference = "stock"', 'reference = "big_172"')
    start = start_of(demo_copy)
    found = rich_to_lean(start.setups, start.richness)
    assert found.reference_first
    assert found.setups == ("big_172", "big_185", "big_172_e10", "stock")


# While it is ridden -------------------------------------------------------------------------------


def after(folder, rows: int, *, change=("", ""), planned=3):
    """Interim after so many rows of the demo."""
    path = folder / "runs.csv"
    lines = path.read_text(encoding="utf-8").splitlines()[: rows + 1]
    text = "\n".join(lines) + "\n"
    assert change[0] in text
    path.write_text(text.replace(*change, 1), encoding="utf-8")
    return interim_of_folder(folder, planned=planned)[1]


@pytest.mark.slow
def test_a_day_from_its_first_row_on(demo_copy):
    whole = (demo_copy / "runs.csv").read_text(encoding="utf-8")
    codes = []
    # The first of each setup, all that decide something, and the last.
    for rows in (1, 2, 3, 4, 5, 6, 10, 14, 17, 18, 19, 21):
        (demo_copy / "runs.csv").write_text(whole, encoding="utf-8")
        found = after(demo_copy, rows)
        codes.append((found.setup, found.code, found.why))
        assert found.run == rows
        ridden = {name for name, _ in found.to_ride}
        assert not ridden & {name for name, _ in found.closed}
    assert codes[:5] == [
        *[("stock", "go on", "")] * 3,
        ("big_150", "stop", "lean"),
        ("big_150", "stop", "knock"),
    ]
    assert {code for setup, code, _ in codes if setup == "big_185"} == {"go on", "decided"}
    assert codes[-1] == ("stock", "decided", "")


def test_an_early_look_asks_for_more_than_the_report(results, demo_folder):
    """With runs still planned, told apart is not enough: p must be below 0.001."""
    pair = next(p for p in results.road.pairs if {p.setup, p.over} == {"big_185", "big_172"})
    assert pair.p_value > 0.001
    assert results.plan.strength == "decided"
    assert interim(results, 21, planned=3).code == "decided"
    found = interim(results, 21, planned=4)
    assert (found.code, found.to_ride) == ("go on", (("big_185", 1), ("big_172_e10", 1)))
    assert interim_of_folder(demo_folder, planned=3)[1].code == "decided"


def test_more_runs_can_only_change_what_is_not_far_apart():
    """Of what is ridden over the reference, and of all others over it; untimed is open."""
    apart = ("big", "stock", 9e-4), ("other", "big", 1.1e-3), ("other", "stock", 9e-4)
    pairs = [SimpleNamespace(setup=one, over=over, p_value=p) for one, over, p in apart]
    names = "stock", "big", "other", "new"
    pulls = [SimpleNamespace(setup=name) for name in names[:3]]
    for ride, equals, can in (
        ("big", (), ["other", "new"]), ("big", ("other",), ["big", "other", "new"]),
        ("stock", (), ["new"]), ("other", (), ["big", "new"]),
    ):  # fmt: skip
        results = SimpleNamespace(
            plan=SimpleNamespace(ride=SimpleNamespace(setup=ride), equals=equals),
            reference="stock", pulls=pulls, road=SimpleNamespace(pairs=pairs),
        )  # fmt: skip
        assert [name for name in names if day_plan._could_change(results, name)] == can


def test_a_day_is_decided_only_where_no_run_that_is_left_could_change_it(monkeypatch):
    """What is known, what is left, what could change it; and what is done."""
    last = SimpleNamespace(run=7.0, setup="big")
    monkeypatch.setattr(day_plan, "stop_limits", lambda _: None)
    monkeypatch.setattr(day_plan, "_stop", lambda *_: None)
    monkeypatch.setattr(day_plan, "closed_setups", lambda _: {"lean": "why"})
    again = ("big", 2), ("stock", 2)
    for strength, code, runs, left, open_, done in (
        ("decided", "ride", 0, (), "", ("decided", ())),
        ("decided", "ride", 0, (("big", 1),), "", ("decided", ())),
        ("decided", "ride", 0, (("big", 1),), "big", ("go on", (("big", 1),))),
        ("open", "ride", 0, (), "", ("ridden", ())),
        ("open", "ride", 2, (), "", ("ridden", ())),
        ("decided", "ride again", 2, (), "", ("go on", again)),
        ("open", "ride again", 2, (), "", ("go on", again)),
        ("open", "ride again", 0, (), "", ("ridden", ())),
        ("open", "ride again", 2, (("big", 1),), "", ("go on", (("big", 1),))),
    ):
        monkeypatch.setattr(day_plan, "_left", lambda *_, left=left: left)
        monkeypatch.setattr(day_plan, "_could_change", lambda _, name, open_=open_: name == open_)
        step = SimpleNamespace(code=code, runs=runs, setups=("big", "stock"))
        plan = SimpleNamespace(strength=strength, next=step)
        found = interim(SimpleNamespace(runs=[last], judged=None, plan=plan), 7.0, planned=3)
        assert (found.code, found.to_ride, found.closed) == (*done, (("lean", "why"),))


def test_what_a_gate_shuts_may_be_tested_if_it_is_likely_inside_the_band(monkeypatch):
    known = {
        "open": (None, 0.95), "lean": ("lean", 0.901), "edge": ("lean", 0.90),
        "air": ("air", 0.85), "knock": ("knock", 0.85), "unread": ("lean", None),
    }  # fmt: skip

    def of(_, name):
        code, value = known[name]
        gate, lambda_ = code and SimpleNamespace(code=code), value and SimpleNamespace(value=value)
        return SimpleNamespace(gate=gate, lambda_=lambda_)

    monkeypatch.setattr(day_plan, "combination_of", of)
    results = SimpleNamespace(
        session=SimpleNamespace(setups=known), band=SimpleNamespace(highest=0.90)
    )
    assert day_plan.watched_setups(results) == ("edge", "air")
    assert list(day_plan.closed_setups(results)) == ["lean", "knock", "unread"]


def test_a_row_alone_stops_beyond_the_edge_at_full_throttle_or_with_a_hot_head():
    limits = StopLimits(
        band=None, reading=13.2, resolution=0.1, hottest_k=500.0, hottest_is_stated=True,
        liquid=False,
    )  # fmt: skip
    lean, hot = {"why": "lean", "low": 13.1, "high": 13.5}, {"why": "heat", "head_k": 501.0}
    for row, found in (
        (("full", 13.1, 13.5, 501.0), lean), (("full", 13.1, 13.3, None), None),
        (("idle", 13.1, 13.5, None), None), (("idle", 13.1, 13.5, 501.0), hot),
        (("full", None, 13.5, 500.0), None), (("full", 13.5, None, 499.0), None),
    ):  # fmt: skip
        assert day_plan._stop_of_row(*row, limits) == found


@pytest.mark.parametrize(
    ("speed", "others", "middle"),
    [
        (50.0, (40.0, 40.0), None), (50.1, (40.0, 40.0), 40.0), (32.0, (40.0, 40.0), None),
        (31.9, (39.0, 40.0, 90.0), 40.0), (90.0, (40.0,), None), (90.0, (), None),
    ],
)  # fmt: skip
def test_a_speed_a_quarter_off_the_middle_of_two_or_more_is_asked_about(speed, others, middle):
    assert day_plan.far_from(speed, others) == middle


def test_the_richest_comes_first_among_those_to_ride(demo_copy):
    found = after(demo_copy, 3, planned=4)
    names = [name for name, _ in found.to_ride]
    assert names[:2] == ["stock", "big_185"]
    assert [count for _, count in found.to_ride][:2] == [1, 4]


def test_a_run_that_does_not_count_still_stops(demo_copy):
    old = "13,big_172,tove,49,72,12.8,13.1,21,none,184,full,"
    text = (
        (demo_copy / "runs.csv").read_text(encoding="utf-8").replace("state,note", "state,exclude")
    )
    for new, why in (
        ("13,big_172,tove,,,13.9,14.1,21,none,184,full,backed off", "lean"),
        ("13,big_172,tove,,,,,21,light,184,full,backed off", "knock"),
    ):
        (demo_copy / "runs.csv").write_text(text, encoding="utf-8")
        found = after(demo_copy, 13, change=(old, new))
        assert (found.code, found.why) == ("stop", why)


def test_a_setup_that_something_else_shuts_stops_as_soon_as_it_is_ridden(demo_copy, edit):
    edit("session.toml", 'highest_ethanol = "10 %"', 'highest_ethanol = "5 %"')
    found = after(demo_copy, 14)
    assert (found.setup, found.code, found.why) == ("big_172_e10", "stop", "closed")
    assert found.combination.gate.code == "ethanol"
    assert after(demo_copy, 13).code != "stop"


def test_knock_closes_setups_that_were_not_ridden_yet(demo_copy):
    found = after(
        demo_copy,
        10,
        change=(
            "10,big_172,ilmar,47,69,12.9,13.1,21,none",
            "10,big_172,ilmar,47,69,12.9,13.1,21,heavy",
        ),
    )
    # The richest so far: the mixture does not explain it, so the whole engine is shut.
    assert (found.code, found.why) == ("stop", "knock")
    assert set(found.shut) == {"big_150", "big_164", "big_172_e10", "big_185"}


@pytest.mark.parametrize("half", ["gauge", "speed"])
def test_half_of_the_evidence_never_decides(demo_folder, tmp_path, half):
    outing = Outing(demo_folder, tmp_path / "outing").without_columns(half)
    outing.only(lambda row: float(row["run"]) <= 21)
    results, found = interim_of_folder(outing.save(), planned=1)
    assert any(missing.startswith(half) for missing in results.plan.missing)
    assert found.code == "ridden"
    assert "decided" not in words.interim_sentences(results, found, "metric").plain().replace(
        "it is not decided", ""
    )


def test_what_ends_with_a_setup_before_and_after_it_was_ridden(results):
    names = tuple(results.session.setups)
    known = richness_of(results.session, results)
    ended = ended_with("big_164", names, known, results)
    assert set(ended["lean"]) == {"big_150", "big_172_e10"}
    assert "stock" not in ended["knock"]
    assert "big_185" not in ended["knock"]
    # Before a run: by flow and fuel alone; what is not known counts against it.
    before = Richness(
        engine={"a": "big", "b": "big", "c": "big", "d": "small"},
        air_kg_s={"a": 0.02, "b": 0.03, "d": 0.01},
    )
    assert ended_with("a", ("a", "b", "c", "d"), before)["lean"] == ("c",)
    assert ended_with("b", ("a", "b", "c", "d"), before)["knock"] == ("a", "c")
    assert ended_with("new", ("a", "new"), before)["knock"] == ("a",)


def test_a_knock_of_which_nobody_said_how_loud(demo_folder, tmp_path):
    """ "yes" stops as any other knock does, and no level is made up for it."""
    results = Outing(demo_folder, tmp_path / "outing").knock("big_172", "yes", 12).results()
    heard = next(one for one in results.knocks if one.level == "heard")
    assert heat.knock_sentence(heard) == f"knock was heard on run {heard.run:g}"
    found = interim(results, heard.run, planned=3)
    assert (found.code, found.why) == ("stop", "knock")
    assert "Stop: knock was heard on run" in str(words.interim_sentences(results, found, "metric"))


def test_a_setup_that_knocked_before_stops_though_the_last_run_was_quiet(demo_folder, tmp_path):
    outing = Outing(demo_folder, tmp_path / "outing").knock("big_172", "heavy", 10)
    found = interim(outing.results(), 11, planned=9)
    assert (found.code, found.why) == ("stop", "knock")
    assert (found.knock.run, found.knock.level) == (10, "heavy")


def test_a_lean_run_ends_what_is_no_richer_on_its_own_engine_alone(results):
    found = interim(results, 6, planned=9)
    assert (found.why, found.setup) == ("lean", "big_164")
    # Not big_172 and big_185, which are richer, and not stock, which is another engine.
    assert found.shut == ("big_150", "big_172_e10")


def test_the_last_row_of_an_unfinished_session_is_read_by_itself(tmp_path):
    write_new_session(tmp_path / "fresh")
    path = tmp_path / "fresh" / "runs.csv"
    head = path.read_text(encoding="utf-8").rstrip() + ",head_temperature [degC]\n"
    keys = head.splitlines()[-1].split(",")

    def last(**cells):
        named = {key.partition(" [")[0]: "" for key in keys} | {"run": "1", "setup": "stock"}
        path.write_text(head + ",".join((named | cells).values()) + "\n", encoding="utf-8")
        return interim_of_folder(tmp_path / "fresh", planned=3)[1]

    assert last(head_temperature="150").code == "unknown"
    assert (last(head_temperature="260").code, last(head_temperature="260").why) == ("stop", "heat")
    assert last(knock="light").why == "knock"
    assert last(knock="none").code == "unknown"


def test_a_setup_is_known_by_its_own_name_then_by_its_parts(demo_folder, tmp_path):
    """Two setups of the same parts, and one that was never ridden."""
    outing = Outing(demo_folder, tmp_path / "outing")
    outing.setup("twin", like="big_172").setup("unridden", like="big_172_e10", injector="i185")
    outing.full("big_172")[0]["setup"] = "twin"
    results = outing.results()
    for name in ("big_172", "twin"):
        assert combination_of(results, name).setup == name
    one = combination_of(results, "unridden")
    assert (one.setup, one.injector, one.fuel) == (None, "i185", "e10")
    # Named, not ridden: what is known of its parts is what the other one of them showed.
    outing.full("twin")[0]["setup"] = "big_172"
    assert combination_of(outing.results(), "twin").setup == "big_172"
