"""A season: what is shared, what is one thing, and the truth of an invented summer."""

import datetime
import json
from collections import Counter
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.conftest import ROOT
from tests.outing import Outing as Session
from tuninglib.analysis.analyse import analyse, results_document
from tuninglib.analysis.records import FuelLimit, Gate, Knock
from tuninglib.analysis.season import (
    Outing,
    _called,
    _forces,
    _gains,
    _pairs,
    bikes_of,
    season_ladder,
    season_of,
    under_one_name,
)
from tuninglib.analysis.season_record import read_document, record_from
from tuninglib.interval import Interval
from tuninglib.session.defaults import Band, air_of_runs
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError

SUMMER = ROOT / "demo_data" / "one_summer"
NAMES = ("1_may", "2_june", "3_july", "4_august")


@pytest.fixture(scope="module")
def reports():
    return {name: analyse(load_session(SUMMER / name)) for name in NAMES}


@pytest.fixture(scope="module")
def outings(reports):
    return tuple(
        Outing(
            folder=name, title=one.session.about.title, date=one.session.about.date,
            record=one.season, runs_checksum=name,
        )
        for name, one in reports.items()
    )  # fmt: skip


@pytest.fixture(scope="module")
def season(outings):
    return season_of(outings)


@pytest.fixture(scope="module")
def truth():
    return json.loads((SUMMER / "truth.json").read_text(encoding="utf-8"))


def changed(outing, **parts):
    return replace(outing, record=replace(outing.record, **parts))


def test_the_summer_is_found_again(season, truth):
    assert [pull.setup for pull in season.pulls] == ["stock", "big_164", "big_172", "big_172_pipe"]
    for pull in season.pulls[1:]:
        assert pull.gain.ratio.low <= truth["gain"][pull.setup] <= pull.gain.ratio.high
        assert pull.gain.verdict == "faster"
    assert season.day_sd.low < 0.015 < season.day_sd.high
    span = season.trend.days
    assert span == 91
    assert season.trend.ratio.low <= span * truth["wear_per_day"] <= season.trend.ratio.high
    read = {(one.engine, one.injector, one.fuel): one for one in season.ladder.mixtures}
    for setup, place in (
        ("stock", ("stock", "i150", "e5")),
        ("big_164", ("big", "i164", "e5")),
        ("big_172", ("big", "i172", "e5")),
    ):
        assert read[place].lambda_.low <= truth["lambda"][setup] <= read[place].lambda_.high
        assert read[place].outings == 2
    assert not read["big", "i185", "e5"].tried
    assert read["big", "i185", "e5"].extrapolated


def test_two_days_that_share_a_setup_say_more_than_two_that_do_not(outings):
    may, june, *_ = outings
    forces = june.record.forces
    only = changed(
        june,
        forces=replace(
            forces,
            setups=forces.setups[1:],
            mean=forces.mean[1:],
            covariance=tuple(row[1:] for row in forces.covariance[1:]),
            own_covariance=tuple(row[1:] for row in forces.own_covariance[1:]),
        ),
    )
    both, apart = season_of((may, june)).pulls[1], season_of((may, only)).pulls[1]
    assert (both.setup, apart.setup) == ("big_164", "big_164")
    assert both.linked
    assert not apart.linked
    assert apart.gain.ratio.half_width > 1.2 * both.gain.ratio.half_width
    # However large: what days differ by is only assumed here.
    assert not apart.gain.told_apart
    assert season_of((may, only)).day_sd_is_assumed


def test_what_is_stated_alike_is_off_alike(outings):
    may, june, *_ = outings
    forces = june.record.forces
    strangers = changed(
        june, forces=replace(forces, unknowns=tuple(f"{key} x" for key in forces.unknowns))
    )
    same, other = (season_of((may, one)) for one in (june, strangers))
    assert same.pulls[0].force_n.half_width > 1.1 * other.pulls[0].force_n.half_width
    shared = set(may.record.forces.unknowns) & set(forces.unknowns)
    assert {key.split(":")[0] for key in shared} == {
        "bike mass ", "rotating mass ", "road load 0", "road load 1", "grade 0", "hill length ",
        "speed factor ", "rider mass ", "rider ",
    }  # fmt: skip
    # As its rows have it: who rode, and what at full throttle; a run that is left out is not one.
    assert june.record.riders == ("tove", "ilmar")
    session = load_session(SUMMER / "2_june")
    runs = session.runs.assign(rider="tove")
    runs.loc[runs.index[0], "exclude"], runs.loc[runs.index[1], "state"] = "rain", "idle"
    count = Counter(runs["setup"].iloc[2:])
    fewer = analyse(replace(session, runs=runs)).season
    assert fewer.riders == ("tove",)
    assert {one.name: one.runs for one in fewer.setups} == {"stock": 0, "big_164": 0} | count


@pytest.mark.slow
def test_another_hill_mass_or_rider_is_another_unknown(tmp_path):
    text = (SUMMER / "1_may" / "session.toml").read_text(encoding="utf-8")
    rows = (SUMMER / "1_may" / "runs.csv").read_text(encoding="utf-8")
    for at, (old, new, names) in enumerate(
        (
            ('length = "400 m', 'length = "390 m', {"grade", "hill length"}),
            ('[bike]\nname = "the quarry lane bike"\nmass = "124', '[bike]\nmass = "125',
             {"bike mass"}),
            ("0.955", "0.965", {"speed factor"}),
            ('[riders.tove]\nmass = "68', '[riders.tove]\nmass = "69', {"rider mass"}),
        )
    ):  # fmt: skip
        folder = tmp_path / str(at)
        folder.mkdir()
        assert old in text
        (folder / "session.toml").write_text(text.replace(old, new), encoding="utf-8")
        (folder / "runs.csv").write_text(rows, encoding="utf-8")
        before = analyse(load_session(SUMMER / "1_may")).season.forces.unknowns
        after = analyse(load_session(folder)).season.forces.unknowns
        gone = {key.split(":")[0].rstrip(" 0123456789") for key in set(before) - set(after)}
        assert gone == names


def test_one_name_for_two_things_is_two_things(outings):
    may, june, *_ = outings
    engines = {
        "stock": replace(june.record.engines["stock"], displacement_m3=2e-4),
        "big": june.record.engines["big"],
    }
    two = (may, changed(june, engines=engines))
    record, later = under_one_name(two)[0][1].record, "stock (2026-06-20)"
    # Wherever a name stands, and only where it is one: both the engine and the setup are "stock".
    assert record.advice.terms.reference == record.forces.setups[0] == later
    assert {cell.engine for cell in record.readings} == {later, "big"}
    assert [one.engine for one in record.setups if one.name == later] == [later]
    assert {(one.engine, one.setup) for one in record.advice.combinations} >= {(later, later)}
    assert record.advice.terms.bigger == june.record.advice.terms.bigger
    season = season_of(two)
    assert {pull.setup for pull in season.pulls} == {
        "stock (2026-05-23)", "stock (2026-06-20)", "big_164",
    }  # fmt: skip
    assert [one.about for one in season.remarks if one.code == "several setups"] == [("stock",)]
    assert {one.engine for one in season.ladder.mixtures} >= {
        "stock (2026-05-23)", "stock (2026-06-20)",
    }  # fmt: skip


def test_other_words_for_the_parts_are_said_and_are_one_setup(outings):
    may, june, *_ = outings
    setups = tuple(replace(one, parts="standard") for one in june.record.setups)
    season = season_of((may, changed(june, setups=setups)))
    assert len(season.pulls) == 2
    remark = next(one for one in season.remarks if one.code == "parts")
    assert remark.about == ("stock", "as it left the factory", "standard")


def test_a_copy_is_counted_once_and_bikes_are_kept_apart(outings, season):
    copy = replace(outings[1], folder="again")
    found = season_of((*outings, copy))
    assert found.pulls == season.pulls
    assert found.remarks[0].code == "copy"
    other = changed(outings[0], bike="the red one")
    assert list(bikes_of((*outings, other))) == ["the quarry lane bike", "the red one"]
    with pytest.raises(ValueError, match="several bikes"):
        season_of((*outings, other))
    nameless = tuple(changed(one, bike="") for one in outings[:2])
    assert season_of(nameless).remarks[0].code == "unnamed"
    assert season_of(nameless).bike == "a bike of 124 kg"
    heavy = changed(nameless[1], bike_mass_kg=131.0)
    assert list(bikes_of((nameless[0], heavy))) == ["a bike of 124 kg", "a bike of 131 kg"]
    heavier = season_of((outings[0], changed(outings[1], bike_mass_kg=131.0)))
    assert next(one for one in heavier.remarks if one.code == "masses").about == (124.0, 131.0)
    three = season_of(
        tuple(
            changed(one, bike_mass_kg=mass)
            for one, mass in zip(outings[:3], (127.0, 131.0, 124.0), strict=True)
        )
    )
    assert next(one for one in three.remarks if one.code == "masses").about == (124.0, 131.0)
    # The reference is told apart from nothing.
    assert three.pulls[0].gain is None
    with pytest.raises(ValueError, match="no outings"):
        season_of(())


def with_advice(outing, terms=(), limits=(), **parts):
    advice = outing.record.advice
    terms, limits = replace(advice.terms, **dict(terms)), replace(advice.limits, **dict(limits))
    return changed(outing, advice=replace(advice, terms=terms, limits=limits, **parts))


def with_knock(outing, setup, level):
    """The outing had that setup knocked on its third run."""
    heard = Knock(setup, 3.0, level)
    own = [
        replace(one, knocks=(*one.knocks, heard)) if one.setup == setup else one
        for one in outing.record.advice.combinations
    ]
    return with_advice(changed(outing, knocks=(heard,)), combinations=tuple(own))


def gates(season):
    return {one.key: one.gate and one.gate.code for one in season.combinations}


def test_a_season_decides_by_the_rule_of_its_reports(outings, season, reports):
    """With the record of one outing alone its plan, gates and chances are those of the report."""
    *_, august = outings
    ridden = {one.key: one for one in season.combinations if one.setup is not None}
    assert {key[3]: one.gate and one.gate.code for key, one in ridden.items()} == {
        "stock": None, "big_164": "lean", "big_172": None, "big_172_pipe": None,
    }  # fmt: skip
    assert season.plan.ride.setup == "big_172_pipe"
    assert [one.setup for one in season.plan.shut] == ["big_164"]
    assert (season.plan.next.code, season.plan.next.injector) == ("buy", "i185")
    assert season.again == ("big_172_pipe", "stock")
    # What the gates compare with is the pooled mixture, and the table has the same chance.
    read = {(one.engine, one.injector, one.fuel): one for one in season.ladder.mixtures}
    lean = ridden["big", "i164", "e5", "big_164"]
    assert lean.gate.value == lean.odds.leaner == read["big", "i164", "e5"].odds.leaner
    for at, results in enumerate(reports.values()):
        alone = season_of(outings[at : at + 1])
        assert alone.plan.ride.setup == results.plan.ride.setup
        assert alone.plan.next.code == results.plan.next.code
        own = {one.key: one.gate and one.gate.code for one in results.combinations}
        ridden = {key: code for key, code in own.items() if key[3] is not None}
        assert ridden.items() <= gates(alone).items()
    shut = {pull.setup: season.shut(pull) for pull in season.pulls}
    assert {name: one and one.gate.code for name, one in shut.items()} == {
        "stock": None, "big_164": "lean", "big_172": None, "big_172_pipe": None,
    }  # fmt: skip
    heard = Counter()
    for own in (own for day in outings for own in day.record.advice.combinations):
        heard[own.key] += own.listened
    found = {one.key: one.listened for one in season.combinations if one.setup is not None}
    assert found.items() <= heard.items()
    # What was ridden on any day is not there once more as what was not; its gate is the table's.
    bare = {one.key[:3] for one in season.combinations if one.setup is None}
    assert not bare & {key[:3] for key in found}
    assert read["big", "i164", "e5"].gate.code == "lean"
    # A lean edge that the rider's last outing moves is moved for all.
    strict = season_of((*outings[:3], with_advice(august, limits={"lean": 1e-9})))
    assert gates(strict)["big", "i172", "e5", "big_172"] == "lean"
    # What a factory delivered is judged by an even chance, as in the report.
    assert gates(strict)["stock", "i150", "e5", "stock"] is None


def test_a_season_measures_what_its_report_would(outings, demo_folder, tmp_path):
    results = Session(demo_folder, tmp_path / "outing").rich_with_one_at_hand("164").results()
    plan = season_of((replace(outings[0], record=results.season),)).plan
    assert (plan.next.code, plan.next.injector) == ("measure flow", "i164")
    assert plan.next == results.plan.next


def test_what_hurt_on_any_day_shuts_and_its_cause_comes_first(outings):
    may, june, july, august = outings
    heard = season_of((may, with_knock(june, "big_164", "light"), july, august))
    assert gates(heard)["big", "i164", "e5", "big_164"] == "knock"
    assert heard.plan.ride.setup == "big_172_pipe"
    loud = season_of((may, june, with_knock(july, "big_172", "heavy"), august))
    # On the fuel that knocked so nothing of that engine is any safer, the pipe neither.
    assert gates(loud)["big", "i172", "e5", "big_172_pipe"] == "knock unexplained"
    assert loud.plan.ride.setup == "stock"
    assert loud.plan.next.code == "find knock"
    assert loud.again == ()
    hot = [
        replace(one, hottest_k=530.0) if one.setup == "big_172" else one
        for one in july.record.advice.combinations
    ]
    warm = season_of((may, june, with_advice(july, combinations=tuple(hot)), august))
    assert gates(warm)["big", "i172", "e5", "big_172"] == "heat"
    climbed = season_of(
        (*outings[:3], with_advice(august, limits={"hot_climbs": ("big_172_pipe",)}))
    )
    assert gates(climbed)["big", "i172", "e5", "big_172_pipe"] == "heat"
    never = FuelLimit(fuel="e5", code="ethanol", value=0.05, limit=0.0, engine="big")
    limited = season_of((*outings[:3], with_advice(august, limits={"fuels": (never,)})))
    assert gates(limited)["big", "i172", "e5", "big_172"] == "ethanol"
    assert gates(limited)["stock", "i150", "e5", "stock"] is None


def test_what_the_last_report_of_a_setup_shuts_is_not_opened(outings):
    may, june, july, august = outings
    lean = Gate("lean", value=0.25, limit=0.1)
    own = [
        replace(one, gate=lean) if one.setup == "big_172_pipe" else one
        for one in august.record.advice.combinations
    ]
    found = season_of((may, june, july, with_advice(august, combinations=tuple(own))))
    assert found.plan.ride.setup == "big_172"
    pipe = next(one for one in found.combinations if one.setup == "big_172_pipe")
    assert (pipe.gate, pipe.gate.value < pipe.odds.leaner) == (lean, False)
    # Ridden again and found in order, it is open: the later report counts.
    earlier = replace(august, date=datetime.date(2026, 7, 1), folder="x", runs_checksum="x")
    earlier = with_advice(earlier, combinations=tuple(own))
    assert season_of((may, june, earlier, august)).plan.ride.setup == "big_172_pipe"


def test_one_outing_more_repeats_what_no_day_links_first(outings):
    apart = season_of((outings[0], outings[3]))
    assert not next(pull for pull in apart.pulls if pull.setup == "big_172").linked
    again, linked = apart.again, {pull.setup: pull.linked for pull in apart.pulls}
    assert again[0] == apart.plan.ride.setup
    assert set(again) <= {one.setup for one in apart.combinations if one.gate is None}
    assert [linked[name] for name in again] == [False, False]


def stronger(outing, by):
    """The outing with the force of every setup but stock's moved by so much, in logarithms."""
    forces = outing.record.forces
    count = len(forces.setups)
    moves = [by * (name != "stock") for name in forces.setups] + [0] * (len(forces.mean) - count)
    mean = tuple(one + more for one, more in zip(forces.mean, moves, strict=True))
    return changed(outing, forces=replace(forces, mean=mean))


def test_what_no_day_links_is_told_apart_from_nothing_however_large(outings):
    may, _, july, _ = outings
    for days, told in (((may, stronger(july, 1.0)), False), (outings, True)):
        pairs = _forces(under_one_name(days)[0])[1]
        gains = _gains("stock", pairs)
        assert gains["stock"] is None
        assert {one.told_apart for one in gains.values() if one} == {told}
        assert {one.over for one in pairs} >= {"stock", "big_164"}


def test_a_bigger_engine_that_shows_no_pull_is_looked_into(outings):
    """Where no injector and no fuel is left to be tried."""
    weak = []
    for one in outings:
        ridden = [own for own in one.record.advice.combinations if own.setup is not None]
        weak.append(
            with_advice(stronger(one, -0.2), combinations=tuple(ridden), terms={"burnt": ("e5",)})
        )
    found = season_of(weak)
    assert (found.plan.next.code, found.plan.next.engine) == ("find power", "big")
    assert found.plan.ride.setup == "stock"


def test_halves_of_the_evidence_are_missing_if_no_day_has_them(outings):
    may, june, *_ = (
        with_advice(one, missing=missing)
        for one, missing in zip(outings, (("gauge", "knock"), ("knock", "speeds"), (), ()),
                                strict=True)
    )  # fmt: skip
    assert season_of((may, june)).plan.missing == ("knock",)


def test_what_stood_beyond_the_gauge_stays_beyond_it_until_it_is_read(outings):
    """One day had it pegged lean; the next rode it without a gauge."""
    days = []
    for one, beyond in zip(outings[1:3], ("lean", ""), strict=True):
        own = [
            replace(c, beyond=beyond, source="unknown", lambda_=None, odds=None, gate=None)
            if c.setup == "big_164" else c
            for c in one.record.advice.combinations
        ]  # fmt: skip
        readings = tuple(r for r in one.record.readings if r.injector != "i164")
        days.append(with_advice(changed(one, readings=readings), combinations=tuple(own)))
    found = next(one for one in season_of(days).combinations if one.setup == "big_164")
    assert (found.gate.code, found.gate.value) == ("lean", None)
    assert (found.source, found.lambda_) == ("unknown", None)
    read = next(one for one in season_of(outings).combinations if one.setup == "big_164")
    assert read.source == "read"


def test_without_speeds_or_readings_there_is_less_and_no_fault(outings):
    silent = tuple(changed(one, forces=None, readings=()) for one in outings)
    season = season_of(silent)
    assert (season.pulls, season.ladder, season.trend, season.day_sd) == ((), None, None, None)
    assert season.day_sd_is_assumed
    one = season_of(outings[:1])
    assert len(one.pulls) == 1
    assert one.trend is None


def test_the_last_outing_says_what_is_wanted_of_a_mixture(outings):
    """Its band, limit, fuels and response; of what is not known the most of any."""
    may, june, *_ = outings
    wide = {"terms": {"band": Band(0.8, 0.95, 0.95)}, "limits": {"lean": 1.0}}
    three = (may, changed(with_advice(may, **wide), response_sd=0.01), with_advice(june, **wide))
    three = tuple(
        replace(one, folder=f"{at}", runs_checksum="", date=datetime.date(2026, 5, 1 + at))
        for at, one in enumerate(three)
    )
    found = season_of(three).ladder
    assert found.band == (0.8, 0.95)
    untried = [one for one in found.mixtures if not one.tried]
    assert {one.fuel for one in untried} == set(june.record.fuels)
    # Injectors that nobody tried are asked for on the engine that was read last.
    assert {one.engine for one in untried} == {june.record.readings[-1].engine}
    narrow = {"terms": {"band": Band(0.7, 0.95, 0.95)}, "limits": {"lean": 0.0}}
    other = (three[0], with_advice(three[1], **narrow), three[2])
    again = season_of(other).ladder
    assert again.band == found.band
    assert [one.odds for one in again.mixtures] == [one.odds for one in found.mixtures]
    # The last one's response counts, and the widest of what the outings say of gauge and engine.
    assert found.response.half_width > 0.05
    for key in ("gauge_sd", "breathing_sd"):
        low, high = (0.001, 0.15)
        some = season_of(
            tuple(
                changed(one, **{key: at}) for one, at in zip(three, (low, high, low), strict=True)
            )
        ).ladder
        most = season_of(tuple(changed(one, **{key: high}) for one in three)).ladder
        least = season_of(tuple(changed(one, **{key: low}) for one in three)).ladder
        widths = [
            sum(one.lambda_.half_width for one in which.mixtures) for which in (least, some, most)
        ]
        assert widths[1] == pytest.approx(widths[2])
        assert widths[0] < 0.95 * widths[2]


def test_a_closed_loop_leaves_no_readings(outings):
    season = season_of((outings[0], changed(outings[1], readings=(), ecu_corrects=True)))
    assert season.ladder.outings == 1
    assert [one.about for one in season.remarks if one.code == "corrects"] == [(1,)]


@pytest.mark.parametrize(
    "name",
    ["june", *(pytest.param(one, marks=pytest.mark.slow) for one in ("demo", "there_and_back"))],
)
def test_the_record_comes_back_from_results_json(reports, tmp_path, demo_folder, name):
    folder = demo_folder if name == "demo" else demo_folder.parent / name
    results = reports["2_june"] if name == "june" else analyse(load_session(folder))
    path = tmp_path / "results.json"
    whole = json.loads(json.dumps(results_document(results)))
    path.write_text(json.dumps(whole), encoding="utf-8")
    assert record_from(read_document(path)["season"]) == results.season
    season = whole["season"]
    wrong = [
        whole | {"title": 3}, whole | {"season": season | {"bike": 3}},
        whole | {"season": season | {"units": None}}, whole | {"season": season | {"riders": "me"}},
        whole | {"season": season | {"day_sd": "0.02"}}, whole | {"season": season | {"more": 1}},
        whole | {"season": season | {"day_sd": float("inf")}},
        whole | {"season": season | {"day_sd": 10**400}},
        whole | {"season": season | {"ecu_corrects": 0}},
        whole | {"season": season | {"fuels": []}},
    ]  # fmt: skip
    for text in ("", "[]", '{"schema": "tuninglib results 3"}', "{", *map(json.dumps, wrong)):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(SessionError, match="make the report again"):
            read_document(path)


def test_days_are_ordered_and_a_gauge_of_readings_is_brought_to_one_air(outings):
    late = replace(outings[0], date=datetime.date(2027, 1, 1))
    assert [one.folder for one in season_of((late, outings[1])).outings] == ["2_june", "1_may"]
    session = load_session(SUMMER / "1_may")
    free = replace(session, bike=replace(session.bike, density_compensation="no"))
    thin = replace(free, weather=replace(free.weather, pressure=replace(
        free.weather.pressure, value=free.weather.pressure.value * 0.95)))  # fmt: skip
    here, there = (analyse(one).season.readings[0].log_mean for one in (free, thin))
    # Thinner air is richer where nothing corrects for it: the same reading is a leaner setup.
    assert there - here == pytest.approx(0.0513, abs=0.001)
    # Brought to 1.225 kg/m3 from that of the readings.
    stated = outings[0].record
    air = air_of_runs(session)["density_kg_m3"].mean()
    assert here == pytest.approx(stated.readings[0].log_mean - np.log(air / 1.225), abs=0.003)


def test_days_in_other_air_tell_what_the_ecu_corrects_for(outings):
    assert season_ladder(outings).air is None, "it is stated"

    def ridden_with(case):
        days = []
        for day, by in zip(outings, (0.0, 0.03, 0.05, 0.02), strict=True):
            # Thinner by so much than the first, for its temperature alone.
            air = tuple((0.0, -by, 0.0, -by) for _ in day.record.readings)
            readings = tuple(
                replace(cell, log_mean=cell.log_mean + own[case])
                for cell, own in zip(day.record.readings, air, strict=True)
            )
            record = replace(day.record, readings=readings, air=air, density_compensation="unknown")
            days.append(replace(day, record=record))
        return season_ladder(days).air

    assert ridden_with(0)["both"] + ridden_with(0)["temperature"] > 0.9
    assert ridden_with(1)["neither"] + ridden_with(1)["pressure"] > 0.9
    # Where all cases come to the same, nothing tells.
    same = [
        changed(day, air=((by,) * 4,) * len(day.record.readings), density_compensation="unknown")
        for day, by in zip(outings, (0.0, 0.1, 0.05, 0.02), strict=True)
    ]  # fmt: skip
    assert season_ladder(same).air is None


def test_a_days_force_is_that_of_its_own_report(season, reports):
    """As the day alone has it, to the width that a normal distribution gives it."""
    shown = {(one.outing, one.setup): one.force_n for one in season.day_forces}
    for at, results in enumerate(reports.values()):
        for pull in results.pulls:
            found = shown[at, pull.setup]
            assert found.value == pytest.approx(pull.force_n.value, rel=0.01)
            assert found.half_width == pytest.approx(pull.force_n.half_width, rel=0.25)
            assert found.low < found.value < found.high


def test_comparisons_are_counted_and_a_link_is_enough_to_tell_apart(outings):
    # Of four setups three with the reference, and six in all.
    pairs = _forces(under_one_name(outings)[0])[1]
    for one in pairs:
        assert one.comparisons == (3 if one.over == "stock" else 6)
        assert one.p_adjusted == min(1.0, one.p_value * one.comparisons)
    two = season_of(outings[:2])
    # Two days that share a setup hardly tell how far days differ, and need not.
    assert two.day_sd_is_assumed
    assert two.pulls[1].linked
    assert two.pulls[1].gain.told_apart
    assert [pull.shared_days for pull in two.pulls[1:]] == [1]
    assert [pull.shared_days for pull in season_of(outings).pulls[1:]] == [1, 0, 0]
    # Of three setups, two comparisons with the reference: told apart below one in forty each.
    for chance, told in ((0.024, True), (0.026, False)):
        log = Interval(0.1, 0.0, 0.2)
        one = SimpleNamespace(log=log, sd=0.05, p_value=chance)
        pooled = SimpleNamespace(contrast=lambda *_, one=one, **__: one)
        first, *_ = _pairs(pooled, ["a", "b", "c"], {"a", "b", "c"})
        assert (first.setup, first.over, first.told_apart) == ("b", "a", told)
    slow = season_of(outings[2:])
    assert slow.pulls[0].setup == "big_164"
    assert {pull.gain.verdict for pull in slow.pulls[1:]} == {"not told apart"}


def test_gains_are_counted_from_what_most_outings_count_from_or_the_first(outings):
    may, june, july, august = outings
    assert [one.record.forces.setups[0] for one in (may, july)] == ["stock", "big_164"]
    assert season_of((may, july)).reference == "stock"
    twice = replace(july, folder="again", runs_checksum="again")
    assert season_of((may, july, twice)).reference == "big_164"
    for one in (season_of((may, july, twice)), season_of((june, july, august))):
        first, *_ = one.pulls
        assert first.setup == one.reference
        assert first.linked
        assert first.gain is None


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        # Half a hundredth of the larger one, either way.
        (1.0, 1.00502, True), (1.00502, 1.0, True), (1.0, 1.0051, False), (1.0051, 1.0, False),
        (0.0, 0.0, True), (0.0, 1e-9, False),
    ],
)  # fmt: skip
def test_what_differs_by_less_than_it_is_known_to_is_the_same(one, other, same):
    names = [(0, "kit", (2.0, one)), (1, "kit", (2.0, other))]
    days = [SimpleNamespace(date=datetime.date(2026, 5, at)) for at in (3, 9)]
    assert (_called(names, days)[1] == []) is same


def test_things_of_one_name_are_called_after_their_days():
    day, later = (SimpleNamespace(date=datetime.date(2026, 5, at)) for at in (3, 9))
    names = [(at, "kit", (content,)) for at, content in enumerate((1.0, 2.0, 3.0, 1.0, 4.0))]
    called, several = _called(names, [day, day, day, later, later])
    assert [called[at, "kit"] for at in range(5)] == [
        "kit (2026-05-03)", "kit (2026-05-03, 2)", "kit (2026-05-03, 3)", "kit (2026-05-03)",
        "kit (2026-05-09)",
    ]  # fmt: skip
    assert several == ["kit"]
    assert _called(names[:1], [day]) == ({(0, "kit"): "kit"}, [])


def test_a_trend_wants_three_days_and_runs_from_first_to_last(outings):
    assert season_of(outings[:2]).trend is None
    three = season_of(outings[:3]).trend
    assert three.days == (outings[2].date - outings[0].date).days
    # On one and the same day again, three outings are two days.
    again = replace(outings[0], folder="again", runs_checksum="again")
    assert season_of((*outings[:2], again)).trend is None


def test_what_a_day_does_to_one_setup_is_taken_as_half_of_what_it_does_to_all(outings):
    doubled = tuple(changed(one, day_sd=2 * one.record.day_sd) for one in outings[:2])
    near, far = season_of(outings[:2]).pulls[1], season_of(doubled).pulls[1]
    assert far.gain.ratio.half_width > 1.05 * near.gain.ratio.half_width
    single = season_of((changed(outings[0], bike=""),))
    assert single.remarks == ()
