"""The gauge, checked where the ECU holds lambda 1; one bias wherever a reading becomes a lambda."""

import io
import json
from dataclasses import replace

import numpy as np
import pytest

from tests.conftest import EVENING
from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.doubts import check_gauge
from tuninglib.analysis.injector import Asked, ladder_of, outlook
from tuninglib.analysis.logs import BandMixture
from tuninglib.interval import Interval, Measured
from tuninglib.lab.explore import outlook_words
from tuninglib.lab.first_guess import first_guess, known_of, tank_words
from tuninglib.lab.kit import LadderPicture
from tuninglib.report import injector as injector_words
from tuninglib.report import method
from tuninglib.report import mixture as mixture_words
from tuninglib.session.defaults import air_of_runs

READINGS = ["gauge_low", "gauge_high"]


def with_readings(session, change):
    """The session with ``change(row)`` times each of its gauge readings; None: row left out."""
    runs = session.runs.copy()
    factor = runs.apply(change, axis=1).astype(float)
    runs[READINGS] = runs[READINGS].mul(factor, axis=0)
    return replace(session, runs=runs[factor.notna()])


def steady(row):
    return row["state"] != "full"


def by_setup(results):
    return {one.setup: one for one in results.mixtures}


def words_of(results):
    items = mixture_words.sentences(results).items + mixture_words.gauge_sentences(results).items
    return " ".join(sentence for _, sentence in items)


def chances(check):
    return {one.state: one.chance for one in check.states}


def test_the_demo_gauge_is_checked_and_found_right(session, results, demo_folder):
    check = results.gauge_check
    assert (check.code, check.readings, list(chances(check))) == ("applied", 12, ["idle", "cruise"])
    assert min(chances(check).values()) > 0.99
    plain = analyse(with_readings(session, lambda row: np.nan if steady(row) else 1.0))
    before = by_setup(plain)
    truth = json.loads((demo_folder / "truth.json").read_text())["lambda"]
    for name, one in by_setup(results).items():
        # What is stated of the gauge stands: at lambda 1 it is right, elsewhere nothing tells.
        assert one.lambda_.half_width == pytest.approx(before[name].lambda_.half_width, rel=0.01)
        assert one.lambda_.low < truth[name] < one.lambda_.high
    text = words_of(results)
    assert "e10 runs 2.1 % leaner than e5, 0.3 on this gauge" in text
    assert "the gauge has to show 14.7, within about 1 % (common practice)" in text
    assert "The chance that it does so is over 99 % at idle and cruise" in text
    assert "The gauge reads 14.71 there (12 readings)" in text
    assert "at full throttle the gauge is assumed to be off by 0.0 % (−2.0 to 2.0 %)" in text
    assert "Without this check 0.0 ± 2.0 % would be assumed" in text
    assert "with another injector, too" not in text


def test_a_gauge_that_shows_too_lean_everywhere_is_partly_seen_through(session, results):
    """All readings 2 % up: no more than half of that shows at lambda 1, and a leak may be there."""
    off = analyse(with_readings(session, lambda row: 1.02))
    assert off.gauge_check.code == "applied"
    assert 0.003 < off.gauge_check.offset.value < 0.011
    assert off.gauge_check.offset.high > 0.025
    after, before = by_setup(off), by_setup(results)
    change = (1 + off.gauge_check.offset.value) / (1 + results.gauge_check.offset.value)
    assert off.shown_at_lambda_one == pytest.approx(14.7 * (1 + off.gauge_check.offset.value))
    for name in after:
        moved = after[name].lambda_.value / before[name].lambda_.value
        assert moved == pytest.approx(1.02 / change, abs=0.001)
        assert after[name].gauge.value == pytest.approx(1.02 * before[name].gauge.value)


@pytest.fixture(scope="module")
def logged(evening):
    return evening.session


def test_a_log_checks_the_gauge_where_nobody_wrote_idle_and_cruise_down(evening):
    results = evening
    check = results.gauge_check
    assert (check.code, check.readings) == ("applied", 4)
    assert [one.throttle for one in check.states] == [(0.05, 0.2), (0.2, 0.4)]
    assert all(one.state == "part throttle" and one.chance > 0.95 for one in check.states)
    truth = json.loads((EVENING / "truth.json").read_text("utf-8"))["lambda"]
    for one in results.mixtures:
        assert one.lambda_.low < truth[one.setup] < one.lambda_.high
        assert one.lambda_.half_width < 0.021
    text = words_of(results)
    assert "over 99 % at part throttle (5 to 20 %) and part throttle (20 to 40 %)" in text
    assert "(4 means of settled stretches in the log)" in text
    rows = {row[0]: row for row in method.assumptions(results).rows}
    assert rows["Gauge reads too high by"][2] == (
        "4 means of settled stretches in the log where the ECU may hold lambda 1"
    )


def seen_in_log(monkeypatch, session, bands):
    """What the check makes of means (setup, low, lambda, half) of a log."""
    tops = {0.05: 0.2, 0.2: 0.4, 0.4: 0.6, 0.9: 1.0}
    made = tuple(
        BandMixture(setup=name, by="throttle" if low < 1 else "engine speed", low=low,
                    high=tops.get(low, 6000.0), stretches=4, seconds=50.0,
                    lambda_=Interval(value, value - half, value + half))
        for name, low, value, half in bands
    )  # fmt: skip
    monkeypatch.setattr("tuninglib.analysis.doubts.mixture_by_bands", lambda session: made)
    return check_gauge(session, air_of_runs(session))


TWO = ("small_nozzle", "large_nozzle")


def test_only_bands_up_to_four_tenths_of_throttle_are_asked(monkeypatch, logged):
    """Beyond that another mixture may be held than lambda 1."""
    means = [(name, low, 1.0, 0.004) for name in TWO for low in (0.05, 0.2, 0.4, 0.9, 5000.0)]
    found = seen_in_log(monkeypatch, logged, means)
    assert (found.code, found.readings) == ("applied", 4)
    assert {one.throttle for one in found.states} == {(0.05, 0.2), (0.2, 0.4)}
    nothing = seen_in_log(monkeypatch, logged, [(name, 0.4, 1.0, 0.004) for name in TWO])
    assert (nothing.code, nothing.offset) == ("no readings", None)


def test_a_band_in_which_lambda_follows_does_not_count(monkeypatch, logged):
    """The larger injector flows a tenth more."""
    held = [("small_nozzle", 0.05, 1.02, 0.004), ("large_nozzle", 0.05, 1.02, 0.004)]
    follows = [("small_nozzle", 0.2, 1.02, 0.004), ("large_nozzle", 0.2, 0.93, 0.004)]
    found = seen_in_log(monkeypatch, logged, held + follows)
    first, second = found.states
    assert first.chance > 0.9 > 0.05 > second.chance
    alone = seen_in_log(monkeypatch, logged, held)
    assert found.offset.value == pytest.approx(alone.offset.value, abs=0.002)


def test_a_bias_that_is_stated_is_in_what_the_gauge_of_a_log_shows(monkeypatch, logged):
    means = [("small_nozzle", 0.05, 1.012, 0.004), ("large_nozzle", 0.05, 1.008, 0.006)]
    shown = np.exp(np.log([1.012, 1.008]).mean())
    assert seen_in_log(monkeypatch, logged, means).gauge == pytest.approx(14.7 * shown)
    biased = replace(logged, gauge=replace(logged.gauge, accuracy=Measured(0.01, 0.02)))
    again = seen_in_log(monkeypatch, biased, means)
    assert again.gauge == pytest.approx(14.7 * 1.01 * shown)


@pytest.mark.parametrize(("off", "code"), [(1.045, "lean"), (0.955, "rich"), (1.015, "applied")])
def test_a_log_that_stands_off_lambda_one_says_little(monkeypatch, evening, logged, off, code):
    means = [(name, low, off, 0.002) for name in TWO for low in (0.05, 0.2)]
    found = seen_in_log(monkeypatch, logged, means)
    assert found.code == code
    results = replace(evening, gauge_check=found)
    if code != "applied":
        assert abs(found.offset.value) < 0.004
        said = f"at part throttle the gauge reads up to 4.5 % {code}er"
        assert said in words_of(results)


def test_what_says_more_of_the_gauge_is_taken_rows_or_log(monkeypatch, session):
    means = [("big_164", 0.05, 1.02, 0.002), ("big_172", 0.05, 1.02, 0.002)]
    found = seen_in_log(monkeypatch, session, means)
    assert (found.readings, list(chances(found))) == (12, ["idle", "cruise"])


def test_the_sliders_see_through_it_too(session):
    off = analyse(with_readings(session, lambda row: 1.02))
    prospect = next(p for p in off.ladder.prospects if p.injector == "i178")
    one = outlook(
        ladder_of(off.judged, off.ladder),
        Asked(injector="i178", fuel="e5", lowest=0.83, highest=0.9),
    )
    assert one.lambda_.value == pytest.approx(prospect.on("e5").lambda_.value, rel=1e-6)


def test_a_leak_is_suspected_and_next_to_nothing_taken_for_the_gauge(session, results):
    leaky = analyse(with_readings(session, lambda row: 1.05 if steady(row) else 1.0))
    check = leaky.gauge_check
    assert check.code == "lean"
    assert check.elsewhere > 0.99
    assert abs(check.offset.value) < 0.004
    plain = analyse(with_readings(session, lambda row: np.nan if steady(row) else 1.0))
    for name, one in by_setup(leaky).items():
        before = by_setup(plain)[name].lambda_
        assert one.lambda_.value == pytest.approx(before.value, rel=0.004)
        assert one.lambda_.half_width == pytest.approx(before.half_width, rel=0.08)
    text = words_of(leaky)
    assert "at idle and cruise the gauge reads up to 5.1 % leaner. Suspect air that leaks" in text
    for cause in ("exhaust joints", "secondary air", "misfire", "spark plug"):
        assert cause in text
    assert "The chance that it is not the gauge is over 99 %" in text
    assert "exhaust joints" not in words_of(results)


def test_a_leak_at_one_setup_is_named_and_the_others_still_count(session, results):
    leaky = analyse(
        with_readings(
            session, lambda row: 1.05 if steady(row) and row["setup"] == "big_164" else 1.0
        )
    )
    assert leaky.gauge_check.code == "lean"
    assert [one.name for one in leaky.gauge_check.deviations] == ["big_164"]
    assert leaky.gauge_check.offset.value == pytest.approx(
        results.gauge_check.offset.value, abs=0.002
    )
    assert "with big 164 the gauge reads up to 5.4 % leaner" in words_of(leaky)


def test_from_the_gauge_to_a_leak_nothing_jumps(session):
    """The farther off, the likelier a leak; what is taken for the gauge's rises, then falls."""
    off = np.arange(1.0, 1.0501, 0.005)
    found = [
        check_gauge(
            with_readings(session, lambda row, f=f: f if steady(row) else 1.0), air_of_runs(session)
        )
        for f in off
    ]
    assert np.all(np.diff([one.elsewhere for one in found]) > -0.02)
    values = np.array([one.offset.value for one in found])
    assert np.max(np.abs(np.diff(values))) < 0.004
    assert 0.01 < off[values.argmax()] - 1 < 0.03
    assert [one.code for one in found][::10] == ["applied", "lean"]


def test_a_stated_bias_that_the_readings_deny_is_said(session):
    denied = analyse(replace(session, gauge=replace(session.gauge, accuracy=Measured(-0.04, 0.01))))
    assert denied.gauge_check.code == "lean"
    assert denied.gauge_check.deviations[0].off == pytest.approx(1 / 0.96 - 1, abs=0.005)
    text = words_of(denied)
    assert "the gauge, its stated offset taken out, reads up to 4.3 % leaner" in text
    assert "Without this check −4.0 ± 1.0 % would be assumed" in text


def test_a_stated_bias_that_the_readings_bear_out_stands(session):
    """A gauge that shows 4 % too lean, and is known to."""
    stated = replace(session.gauge, accuracy=Measured(0.04, 0.02))
    low = with_readings(replace(session, gauge=stated), lambda row: 1.04)
    found = analyse(low).gauge_check
    assert found.code == "applied"
    assert found.offset.value == pytest.approx(0.0405, abs=0.001)
    assert found.offset.half_width == pytest.approx(0.0208, abs=0.0005)


def test_held_rich_of_lambda_one_is_no_fault_of_the_gauge(session):
    rich = analyse(with_readings(session, lambda row: 0.95 if steady(row) else 1.0))
    assert rich.gauge_check.code == "rich"
    text = words_of(rich)
    assert "at idle and cruise the gauge reads up to 5.0 % richer. Suspect" in text
    assert "a device that alters its signal" in text
    assert "exhaust joints" not in text


def only_of(session, *setups):
    """Idle and cruise of these setups alone."""
    return with_readings(
        session, lambda row: np.nan if steady(row) and row["setup"] not in setups else 1.0
    )


def test_one_setup_leaves_it_open_and_the_reading_that_would_settle_it_is_named(session):
    one = analyse(only_of(session, "stock"))
    assert all(0.5 < chance < 0.9 for chance in chances(one.gauge_check).values())
    asked = "read the gauge at idle with another injector, too, one that differs by a tenth or more"
    assert asked in words_of(one)
    assert asked in str(injector_words.response_sentences(one))
    assert "the chance that the ECU corrects" in str(injector_words.response_sentences(one))
    # It does: with one a tenth larger the question is settled.
    two = analyse(only_of(session, "stock", "big_164", "big_172"))
    assert min(chances(two.gauge_check).values()) > 0.95
    assert "with another injector, too" not in words_of(two)


def test_an_injector_that_grew_with_its_engine_tells_less_than_one_that_grew_alone(session):
    """A seventh more fuel for a seventh more air is lambda 1 by the table of stock, too."""
    few = only_of(session, "big_172")

    def least(reference):
        given = replace(few, about=replace(few.about, reference=reference))
        return min(chances(check_gauge(given, air_of_runs(given))).values())

    assert least("stock") < 0.95 < least("big_150")


def test_what_the_rider_says_of_an_oxygen_sensor_counts(session):
    few = with_readings(only_of(session, "stock"), lambda row: 1.025 if steady(row) else 1.0)
    found = {
        said: check_gauge(
            replace(few, bike=replace(few.bike, oxygen_sensor=said)), air_of_runs(few)
        )
        for said in ("no", "unknown", "yes")
    }
    idle = [chances(found[said])["idle"] for said in ("no", "unknown", "yes")]
    assert idle[0] < 0.15 < idle[1] < 0.9 < idle[2]
    half = [found[said].offset.half_width for said in ("no", "unknown", "yes")]
    assert half[0] < half[1] < half[2]


FLOWS = {"i150": 150, "i164": 164, "i172": 172, "i185": 185}


def test_a_state_that_follows_its_table_does_not_count(session):
    """At cruise lambda goes as the injector does; only idle checks the gauge."""

    def follow(row):
        if row["state"] != "cruise":
            return 1.0
        return 160 / FLOWS[session.setups[row["setup"]].injector]

    some = analyse(with_readings(session, follow))
    found = chances(some.gauge_check)
    assert found["idle"] > 0.95
    assert found["cruise"] < 0.01
    assert "over 99 % at idle and under 1 % at cruise" in words_of(some)
    words = dict(injector_words.response_sentences(some).items)
    assert "the ECU corrects by its oxygen sensor here" in words["Idle"]
    assert "the ECU runs from its fuel table here" in words["Cruise"]


def test_a_table_all_over_leaves_the_gauge_as_it_was_stated(session):
    follows = with_readings(
        session,
        lambda row: 160 / FLOWS[session.setups[row["setup"]].injector] if steady(row) else 1.0,
    )
    found = check_gauge(follows, air_of_runs(session))
    assert max(chances(found).values()) < 0.01
    assert found.offset.half_width == pytest.approx(0.02, rel=0.03)


def test_without_idle_and_cruise_the_report_says_what_they_would_tell(session):
    plain = analyse(with_readings(session, lambda row: np.nan if steady(row) else 1.0))
    assert plain.gauge_check.code == "no readings"
    assert "as nothing was read at idle or cruise" in words_of(plain)


def test_without_a_gauge_there_is_no_word_of_its_check(session):
    silent = analyse(replace(session, gauge=replace(session.gauge, scale=None)))
    assert silent.gauge_check.code == "no readings"
    assert silent.shown_at_lambda_one is None
    assert str(mixture_words.gauge_sentences(silent)) == ""
    assert "Gauge check" not in str(mixture_words.sentences(silent))
    assert "Gauge reads too high by" not in {row[0] for row in method.assumptions(silent).rows}
    asked = {"tank_m3": 0.003, "tank_ethanol": 0.0, "added_m3": 0.003, "added_ethanol": 0.2}
    words = str(tank_words(known_of(silent), wanted_ethanol=0.1, **asked))
    assert "on the same injector it runs 3.9 % leaner, where the ECU does not" in words
    assert "a reading of" not in words


def test_an_excluded_reading_does_not_check_the_gauge(session):
    runs = session.runs.copy()
    runs.loc[runs["state"] == "idle", "exclude"] = "cold"
    assert list(chances(analyse(replace(session, runs=runs)).gauge_check)) == ["cruise"]


# One bias for all.


@pytest.fixture(scope="module")
def biased(session):
    """A gauge that is stated to show 4 % too rich, and no reading that could check it."""
    plain = with_readings(session, lambda row: np.nan if steady(row) else 1.0)
    gauge = replace(session.gauge, accuracy=Measured(-0.04, 0.01))
    return analyse(replace(plain, gauge=gauge))


def test_a_stated_bias_is_in_mixtures_and_ladder_alike(biased, results):
    for name, mixture in by_setup(biased).items():
        setup = biased.session.setups[name]
        assert mixture.lambda_.value == pytest.approx(mixture.gauge.value / 14.7 / 0.96)
        if setup.engine != biased.ladder.engine:
            continue
        prospect = next(p for p in biased.ladder.prospects if p.injector == setup.injector)
        one = prospect.on(setup.fuel)
        assert one.lambda_.value == pytest.approx(mixture.lambda_.value, rel=0.006)
        # The gauge goes on showing what it shows.
        assert mixture.gauge.value == pytest.approx(by_setup(results)[name].gauge.value)


def test_a_stated_bias_is_in_the_curves_and_under_the_sliders(biased):
    curve = next(c for c in biased.ladder.curves if c.fuel == "e10")
    assert np.mean(curve.reading_lambda) == pytest.approx(13.183 / 14.7 / 0.96, rel=1e-3)
    ladder = ladder_of(biased.judged, biased.ladder)
    asked = Asked(injector="i172", fuel="e10", lowest=0.83, highest=0.9, tolerance=0.01)
    one = outlook(ladder, asked)
    assert one.lambda_.value == pytest.approx(13.1 / 14.7 / 0.96, rel=0.02)
    near = np.isclose(ladder.reading_flow_m3_s, one.flow_m3_s)
    assert np.mean(one.reading_lambda[near]) == pytest.approx(13.15 / 14.7 / 0.96, rel=0.01)
    words = str(outlook_words(biased, one, biased.band))
    shown = one.lambda_.value * 14.7 * 0.96
    assert f"the gauge (scale 14.7) would show {shown:.1f} (" in words


def test_a_stated_bias_moves_what_the_gauge_shows_of_the_band(biased):
    asked = {"tank_m3": 0.003, "tank_ethanol": 0.0, "added_m3": 0.003, "added_ethanol": 0.2}
    words = str(tank_words(known_of(biased), wanted_ethanol=0.1, **asked))
    assert f"a reading of {0.865 * 14.7 * 0.96:.1f} becomes" in words


def test_the_axis_of_the_gauge_under_the_sliders_does_too(biased):
    figure = LadderPicture(biased, ladder_of(biased.judged, biased.ladder))._ax.figure
    figure.savefig(io.BytesIO())
    (axis,) = figure.axes[0].child_axes
    assert axis.get_ylim() == pytest.approx(np.array(figure.axes[0].get_ylim()) * 14.7 * 0.96)


def test_the_first_guess_rests_on_the_checked_gauge(results, biased, monkeypatch):
    asked = []
    monkeypatch.setattr(
        "tuninglib.lab.first_guess.guess_words",
        lambda system, change, **more: asked.append(change.gauge_accuracy) or (),
    )
    for one in (results, biased):
        first_guess(one)
    assert asked[0] == pytest.approx(results.gauge_check.offset.half_width)
    assert asked[-1] == pytest.approx(0.01, rel=1e-3)


def test_deviations_come_with_the_farthest_first(demo_folder, tmp_path):
    outing = Outing(demo_folder, tmp_path / "outing")
    for row in outing.rows:
        if row.get("state") in ("idle", "cruise"):
            by = 1.6 if row["setup"] == "big_185" else 1.1
            for end in ("gauge_low", "gauge_high"):
                row[end] = f"{float(row[end]) + by:.1f}"
    check = outing.results().gauge_check
    assert check.code == "lean"
    assert [one.kind for one in check.deviations] == ["state", "state"]
    sizes = [abs(one.off) for one in check.deviations]
    assert sizes == sorted(sizes, reverse=True)
    assert min(sizes) > 0.07
    assert check.readings == 12
