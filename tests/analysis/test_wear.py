"""What wears, by upkeep.csv, and the minutes at full throttle since it was looked at."""

import datetime
import math
from dataclasses import replace

import pytest

from tests.conftest import DEMO
from tests.outing import Outing
from tuninglib.analysis.season import Outing as OfSeason
from tuninglib.analysis.season import season_of
from tuninglib.analysis.wear import WearOfDay, wear_of, wear_of_day
from tuninglib.report import page_parts
from tuninglib.report import season as words
from tuninglib.session.load import load_session

CHECKS = """date,distance [km],compression [bar],leak_down [%],exhaust_clearance [mm],oil_added [mL]
2026-05-01,8200,13.1,8,0.11,
2026-05-05,9150,12.0,9,0.10,
2026-05-10,10100,10.8,11,0.09,350
"""
LIMITS = {
    "lowest_compression": "11 bar", "highest_leak_down": "15 %",
    "exhaust_clearance": "0.08 to 0.15 mm", "highest_oil_use": "0.1 mL/km", "check_after": "5 min",
}  # fmt: skip


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """The demo with checks of the engine before it."""
    outing = Outing(DEMO, tmp_path_factory.mktemp("wear") / "outing").key("upkeep", **LIMITS)
    (outing.save() / "upkeep.csv").write_text(CHECKS)
    return load_session(outing.folder)


def outing_of(name, day, record):
    return OfSeason(
        folder=name, title=name, date=datetime.date(2026, 5, day), record=record,
        runs_checksum=name,
    )  # fmt: skip


@pytest.fixture(scope="module")
def season(checked, results):
    """That outing, and one like it a week later without a file."""
    record = replace(results.season, wear=wear_of_day(checked))
    first = outing_of("a", 16, record)
    bare = replace(results.season, wear=wear_of_day(replace(checked, checks=checked.checks[:0])))
    later = outing_of("b", 23, bare)
    return season_of([first, later])


def test_full_throttle_is_counted_from_the_runs(checked):
    # 21 runs of 400 m, from about 48 to 67 km/h as shown; true speeds are 0.955 of that.
    mean = 0.955 * 57.5 / 3.6
    assert wear_of_day(checked).full_throttle_s == pytest.approx(21 * 400 / mean, rel=0.02)
    # A run without speeds is as long as the others; without any, each is at 17 m/s.
    for rows, slowest in ((checked.runs.index[:5], mean), (checked.runs.index, 17.0)):
        runs = checked.runs.copy()
        runs.loc[rows, "shown_exit_m_s"] = math.nan
        count = (runs["state"] == "full").sum()
        found = wear_of_day(replace(checked, runs=runs)).full_throttle_s
        assert found == pytest.approx(count * 400 / slowest, rel=0.02)


def test_the_last_outing_that_states_a_limit_or_an_interval_is_gone_by():
    def day(limits=None, after=None):
        return WearOfDay(checks=(), limits=limits or {}, check_after_s=after, full_throttle_s=1.0)

    one, other = {"plug_gap_m": (0.5, None)}, {"plug_gap_m": (0.6, None)}
    for days, limits, after in (
        ([day(one, 60.0), day(other), day()], other, None), ([day(one), day({}, 30.0)], {}, 30.0),
        ([day()], {}, None),
    ):  # fmt: skip
        found = wear_of([(f"2026-05-0{at}", one) for at, one in enumerate(days, start=1)])
        assert (found.limits, found.check_after_s) == (limits, after)


def test_a_log_that_has_the_throttle_open_longer_counts(evening):
    session = evening.session
    name, trace = next(iter(session.traces.items()))
    channels = trace.channels | {"throttle_ratio": 0.0 * trace.time_s + 1.0}
    open_ = replace(session, traces={name: replace(trace, channels=channels)})
    span = trace.time_s[-1] - trace.time_s[0]
    assert wear_of_day(open_).full_throttle_s == pytest.approx(span)
    assert wear_of_day(session).full_throttle_s < span


def test_what_is_beyond_a_limit_is_said_and_what_is_not(season):
    said = str(words.wear_sentences(season))
    on = "10 May 2026: "
    assert f"compression: {on}10.8 bar, beyond your limit, at least 11.0 bar: see to it" in said
    assert f"Leak-down: {on}11 %, within your limit, at most 15 %." in said
    assert f"clearance: {on}0.090 mm, within your limit, 0.080 to 0.150 mm." in said
    # 350 mL over 950 km.
    assert f"Oil used: {on}0.37 mL/km, beyond your limit, at most 0.10 mL/km" in said


def test_each_measurement_has_its_decimals_and_its_limit_holds_the_limit_itself(season):
    values = {
        "compression_pa": 11e5, "leak_down_ratio": 0.15, "intake_clearance_m": 0.08e-3,
        "exhaust_clearance_m": 0.15e-3, "plug_gap_m": 0.71e-3, "oil_use_m2": 0.1e-9,
    }  # fmt: skip
    first = season.outings[0]
    wear = first.record.wear
    limits = wear.limits | {"plug_gap_m": (0.5e-3, None)}
    wear = replace(wear, checks=(replace(wear.checks[-1], values=values),), limits=limits)
    last = replace(first, record=replace(first.record, wear=wear))
    said = str(words.wear_sentences(replace(season, outings=(last,))))
    for name, text in (
        ("Cranking compression", "11.0 bar, within your limit, at least 11.0 bar."),
        ("Leak-down", "15 %, within your limit, at most 15 %."),
        ("Intake clearance", "0.080 mm; no limit is written under [upkeep]."),
        ("Exhaust clearance", "0.150 mm, within your limit, 0.080 to 0.150 mm."),
        ("Plug gap", "0.71 mm, within your limit, at least 0.50 mm."),
        ("Oil used", "0.10 mL/km, within your limit, at most 0.10 mL/km."),
    ):
        assert f"{name}: 10 May 2026: {text}" in said


def test_the_reminder_counts_outings_after_the_last_check(season, checked):
    each = wear_of_day(checked).full_throttle_s
    assert season.wear.since_s == pytest.approx(2 * each)
    minutes = f"{2 * each / 60:.0f} of 5 minutes since the check of 10 May 2026"
    assert f"{minutes}, by runs and logs: it is time for the next." in str(
        words.wear_sentences(season)
    )
    record = replace(season.outings[1].record, wear=season.outings[0].record.wear)
    late = replace(record.wear, checks=(*record.wear.checks,
        replace(record.wear.checks[-1], date="2026-05-16")))  # fmt: skip
    outings = (season.outings[0], replace(season.outings[1], record=replace(record, wear=late)))
    assert replace(season, outings=outings).wear.since_s == pytest.approx(each)


def test_the_same_checks_in_two_outings_stand_once(season):
    both = [replace(one, record=season.outings[0].record) for one in season.outings]
    assert len(replace(season, outings=tuple(both)).wear.checks) == 3


def test_the_picture_has_what_was_measured_twice(season):
    alt = words.wear_figure(season).alt
    assert "cranking compression 13.1 bar to 10.8 bar" in alt
    assert "oil" not in alt, "it takes two checks to tell one consumption"


def test_the_picture_shows_limits_and_the_odometer(season, monkeypatch):
    drawn = []
    monkeypatch.setattr(page_parts, "_svg", lambda draw, width_in: drawn.append(draw(width_in)))
    picture = words.wear_figure(season)
    assert picture.caption == "3 checks over the distance."
    assert picture.key == "Broken lines: the limits under [upkeep]."
    axes = drawn[0].axes
    limits = ([11.0], [15.0], [0.08, 0.15])
    titles = ("Cranking compression [bar]", "Leak-down [%]", "Exhaust clearance [mm]")
    for ax, title, own in zip(axes, titles, limits, strict=True):
        assert ax.get_title() == title
        broken = [one for one in ax.lines if one.get_linestyle() == "--"]
        assert [one.get_ydata()[0] for one in broken] == pytest.approx(own)
        # From the first check to the last, and a twentieth beside.
        assert ax.get_xlim() == pytest.approx((8200 - 95, 10100 + 95))
        low, high = ax.get_ylim()
        assert low < min(own)
        assert high > max(own)
    assert axes[-1].get_xlabel() == "on the odometer [km]"


def test_without_a_limit_that_is_said(checked, results):
    free = replace(checked, upkeep=type(checked.upkeep)())
    bare = outing_of("a", 16, replace(results.season, wear=wear_of_day(free)))
    said = str(words.wear_sentences(season_of([bare])))
    assert "10 May 2026: 10.8 bar; no limit is written under [upkeep]." in said


def test_without_a_check_the_minutes_are_counted_from_the_start(season):
    alone = replace(season, outings=season.outings[1:])
    said = str(words.wear_sentences(alone))
    assert said.startswith("Full throttle: 9 of 5 minutes and no check yet, by runs and logs: ")


def test_without_a_file_nothing_is_said(results):
    bare = outing_of("a", 16, results.season)
    assert not words.wear_sentences(season_of([bare])).items
