"""Panels of the lab: what they say, write and refuse, and what all of them have in common."""

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.analysis.test_coast_down import rolled
from tests.analysis.test_injector import change
from tests.conftest import DEMO
from tests.lab.panels import everything, labelled, words
from tests.outing import Outing
from tuninglib import units
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.coast_down import start_of
from tuninglib.analysis.injector import Asked, ladder_of, outlook
from tuninglib.analysis.what_if import Question, answers
from tuninglib.interval import Interval
from tuninglib.lab import explore, first_guess, kit
from tuninglib.lab.coast_down import bench_flow, bench_values_for_session, coast_down
from tuninglib.lab.from_sound import from_sound
from tuninglib.lab.kit import LadderPicture
from tuninglib.lab.plan import plan
from tuninglib.physics.fuels import Octane
from tuninglib.report import injector as injector_words
from tuninglib.report import what_if as what_if_words
from tuninglib.rounding import quantity_text
from tuninglib.session.defaults import band_of
from tuninglib.session.edit import write_values
from tuninglib.session.load import load_session
from tuninglib.session.schema import Target
from tuninglib.session.tables import BENCH_HEADER, parse_falls, parse_volumes
from tuninglib.text_files import SessionError

# What can be moved, typed, chosen and pressed in each panel, a slider from where to where, in which
# steps, and where it starts on the demo; by hand.
LABELS = {
    "air": "injector: i172 | air temperature [°C]: -5 to 35 by 1, 20 | altitude [m]: 0 to 2500 "
    "by 50, 200 | Reset",
    "mixture": "start from injector: i178 | start from fuel: e5 | ethanol in the fuel [% by "
    "volume]: 0 to 85 by 0.5, 4 | band, richest [lambda]: 0.7 to 1.1 by 0.005, 0.83 | band, "
    "leanest [lambda]: 0.7 to 1.1 by 0.005, 0.9 | injector flow on this bike [cc/min]: 135 to "
    "226 by 1, 178 | flow may be off by [±%, 95 of 100]: 0.5 to 20 by 0.5, 7 | Reset | Write "
    "the target band into my session | name of the candidate | Write this injector into my "
    "session, as a candidate",
    "rider": "rider, dressed to ride [kg]: 40 to 140 by 1, 77 | length of the hill [m]: 50 to "
    "1500 by 10, 400 | grade [%]: 0 to 20 by 0.1, 6 | headwind; minus: from behind [km/h]: -29 "
    "to 29 by 1, 0 | Reset",
    "tank": "in the tank now [L]: 0 to 20 by 0.1, 3 | its ethanol [% by volume]: 0 to 100 by "
    "0.5, 4 | poured in [L]: 0 to 20 by 0.1, 3 | its ethanol [% by volume]: 0 to 100 by 0.5, "
    "9.5 | ethanol wanted [% by volume]: 0 to 100 by 0.5, 7 | Reset",
    "guess": "now: injector flow [cc/min]: 50 to 600 by 1, 150 | now: displacement [cc]: 40 to "
    "1000 by 1, 180 | now: lambda read [lambda]: 0.7 to 1.2 by 0.005, 0.87 | now: ethanol [% by "
    "volume]: 0 to 85 by 0.5, 4 | now: fuel pressure [bar]: 1 to 6 by 0.1, 3 | planned: "
    "displacement [cc]: 40 to 1000 by 1, 204 | planned: breathing against now [%]: -25 to 25 by "
    "1, 0 | breathing may be off by [±%, 95 of 100]: 0 to 25 by 1, 10 | planned: target lambda "
    "[lambda]: 0.7 to 1.1 by 0.005, 0.865 | planned: ethanol [% by volume]: 0 to 85 by 0.5, 4 | "
    "planned: fuel pressure [bar]: 1 to 6 by 0.1, 3 | highest engine speed [rpm]: 4000 to 14000 "
    "by 100, 8500 | planned: flow; 0: that called for [cc/min]: 0 to 600 by 1, 0 | now: pulse "
    "at a warm idle [ms]: 1 to 6 by 0.05, 2 | valves per cylinder, my engine: 2 | valves per "
    "cylinder, of a chart: no chart at hand | ethanol of the chart's fuel [% by volume]: 0 to "
    "85 by 0.5, 0 | Reset",
    "kit": "bore as made [mm]: 30 to 110 by 0.1, 60 | stroke [mm]: 30 to 110 by 0.1, 63.5 | "
    "compression as made: 6 to 15 by 0.1, 9.5 | bore of the kit [mm]: 30 to 110 by 0.1, 64 | "
    "dome of the piston, over the old one [cc; minus: a dish]: -20 to 20 by 0.1, 0 | gaskets, "
    "thicker than the old ones by [mm]: -1 to 3 by 0.05, 0 | chamber measured by burette [cc; "
    "0: not measured]: 0 to 100 by 0.1, 0 | highest engine speed [rpm]: 4000 to 14000 by 100, "
    "9000 | octane that the maker asks for: 80 to 102 by 0.5, 91 | its scale: RON | octane of "
    "the fuel: 80 to 112 by 0.5, 95 | its scale: RON | Reset",
    "plan": "gain to be shown [%]: 1 to 40 by 0.5, 10 | scatter from run to run [%]: 0.5 to 12 "
    "by 0.1, 2.1 | setups, commas between: stock, big_172, big_172_e10, big_185 | riders, "
    "commas between: tove, ilmar | one run, back at the start [min]: 2 to 20 by 1, 6 | one "
    "change of fuel [min]: 5 to 120 by 5, 15 | one change of injector [min]: 5 to 180 by 5, 30 "
    "| opening the engine once [min]: 30 to 600 by 30, 180 | the engine is opened: once: each "
    "engine in one block | Reset | Write the run sheet | Write the page for the phone | Write "
    "the checklists",
    "coast-down": "timed falls, one in each row | bike, ready to ride [kg]: 40 to 400 by 1, 124 "
    "| rider, dressed to ride [kg]: 40 to 160 by 1, 68 | air [°C]: -20 to 45 by 1, 20 | air "
    "[hPa]: 600 to 1080 by 1, 989 | true speed over shown speed: 0.85 to 1.05 by 0.005, 0.955 | "
    "which may be off by [±%, 95 of 100]: 0 to 10 by 0.1, 1 | Reset | Keep the rows | Write "
    "these values into my session",
    "sound": "Drop a recording | recording | hear it from [s]: 0 to 120 by 0.5, 0 | for [s]: 0.5 "
    "to 10 by 0.5, 5 | its name in session.toml: recording | each pull in it is a run: not yet "
    "| their numbers in runs.csv | Reset | Take this recording into my session",
    "bench": "caught volumes, one in each row | the beaker is read to [± mL]: 0.05 to 10 by "
    "0.05, 0.5 | density of the test fluid [kg/m³]: 650 to 1000 by 1, 745 | Reset | Keep the "
    "rows | Write these values into my session",
}


def label_of(control) -> str:
    """Its label and what stands there; of a slider its ends and its step, too."""
    if not hasattr(control, "readout"):
        stands = getattr(control, "value", "")
        named = type(stands) is int or (isinstance(stands, str) and stands and "\n" not in stands)
        return control.description + (f": {stands}" if named else "")
    it = control
    return f"{it.description}: {it.min:g} to {it.max:g} by {it.step:g}, {it.value:g}"


def test_every_control_has_a_short_label_with_its_unit(results, demo_folder):
    panels = {
        "air": explore.other_air(results),
        "mixture": explore.mixture(results), "rider": explore.another_rider(results),
        "tank": first_guess.tank(results), "guess": first_guess.first_guess(results),
        "kit": first_guess.compression(), "plan": plan(demo_folder),
        "coast-down": coast_down(demo_folder), "bench": bench_flow(demo_folder),
        "sound": from_sound(demo_folder),
    }  # fmt: skip
    for name, panel in panels.items():
        controls = [w for w in everything(panel) if getattr(w, "description", "")]
        assert " | ".join(map(label_of, controls)) == LABELS[name]
    found = [w for panel in panels.values() for w in everything(panel)]
    hints = {getattr(one, what, "") for one in found for what in ("tooltip", "placeholder")}
    assert {"for example i178; letters, digits, _", "3, or 1, 2, 4"} < hints
    # What is typed or moved is answered when it is finished, not at its first digit.
    later = {one.description for one in found if getattr(one, "continuous_update", True) is False}
    assert later == {
        "timed falls, one in each row", "caught volumes, one in each row", "hear it from [s]",
        "for [s]", "its name in session.toml", "their numbers in runs.csv",
    }  # fmt: skip
    assert "Put every control back to where it started" in hints
    assert "grade: arrow keys move it; click the number to type one" in hints
    assert "Writes run_sheet.html, to print, into the outing's folder" in hints
    opened = labelled(panels["plan"], "the engine is opened").options
    assert opened == ("once: each engine in one block", "as often as the order asks")
    valves = [labelled(panels["guess"], f"valves per cylinder, {x}").options for x in ("my", "of")]
    assert valves == [(2, 3, 4, 5), ("no chart at hand", 2, 3, 4, 5)]
    del panels["kit"], panels["bench"]
    built = panels.values()
    sliders = [w for one in built for w in everything(one) if type(w).__name__ == "FloatSlider"]
    assert len(sliders) > 25
    for slider in sliders:
        assert len(slider.description) <= 42, slider.description
        # A ratio of two speeds is the only number without a unit.
        assert "[" in slider.description or slider.description == "true speed over shown speed"
        assert slider.readout
        assert slider.min <= slider.value <= slider.max
        steps = (slider.value - slider.min) / slider.step
        assert steps == pytest.approx(round(steps), abs=1e-6), "the browser would move it"


@pytest.mark.parametrize(("system", "volume"), [("us", "US gal"), ("imperial", "gal (imperial)")])
def test_the_panels_speak_the_riders_units(edit, system, volume):
    folder = edit("session.toml", 'units = "metric"', f'units = "{system}"')
    results = analyse(load_session(folder))
    ride = explore.another_rider(results)
    run = results.road.equivalent[results.plan.ride.setup]
    mass = labelled(ride, "rider, dressed to ride [lb]").value
    assert mass == pytest.approx(units.convert(run.rider_mass_kg, "kg", "lb"), abs=0.5)
    assert "mph) at the marker" in words(ride)
    assert "one even slope" not in words(ride), "rounding to a step was taken for a question"
    tank_now = first_guess.tank(results)
    labelled(tank_now, "in the tank").value, labelled(tank_now, "poured in").value = 1.0, 0.5
    assert f"ethanol in 1.50 {volume}." in words(tank_now)
    assert "from_speed [mph]" in labelled(coast_down(folder), "timed falls").value


def test_a_button_says_what_the_system_refused():
    def refused():
        raise PermissionError(13, "Permission denied", "runs.csv")

    built = kit.action("Keep", "Writes", refused)
    labelled(built, "Keep").click()
    assert (
        "Not possible: runs.csv: Permission denied; allow writing there, or choose another place."
        in words(built)
    )


@pytest.mark.parametrize(("low", "value", "step"), [(14.5, 43.51, 1), (0.05, 0.837, 0.005)])
def test_a_slider_stands_on_its_steps(low, value, step):
    slider = kit.slider("a", "b", value, (low, 100.2), step)
    for number in (slider.min, slider.value, slider.max):
        assert number / step == pytest.approx(round(number / step), abs=1e-9)
    assert slider.readout_format == {1: ".0f", 0.005: ".3f"}[step]
    assert slider.min <= low
    assert slider.max >= 100.2
    kit.put(slider, value + 0.4 * step)
    assert slider.value == pytest.approx(round((value + 0.4 * step) / step) * step)
    assert kit.taken(slider) == value + 0.4 * step


def test_what_was_moved_stands_there_when_the_cell_is_run_again(demo_copy, results):
    first = explore.mixture(results)
    fresh = words(first)
    labelled(first, "start from injector").value = "i205"
    labelled(first, "band, leanest").value = 0.885
    moved_to = words(first)
    assert moved_to != fresh
    again = explore.mixture(results)
    assert words(again) == moved_to
    # What was not moved follows the session.
    other = replace(
        results, session=replace(results.session, target=Target(lowest=0.81, highest=0.9))
    )
    followed = explore.mixture(other)
    assert labelled(followed, "band, richest").value == 0.81
    assert labelled(followed, "band, leanest").value == 0.885
    labelled(again, "Reset").click()
    assert words(explore.mixture(results)) == fresh
    # Another session has its own.
    labelled(plan(demo_copy), "riders").value = "jo"
    assert labelled(plan(results.session.folder), "riders").value != "jo"


# Another injector, fuel or rider ------------------------------------------------------------------


def test_the_mixture_panel_speaks_warns_and_resets(results):
    panel = explore.mixture(results)
    before = words(panel)
    assert "the gauge (scale 14.7) would show" in before
    assert "true ratio of air to fuel" in before
    assert "with 178 cc/min and 4.0 % ethanol on engine big. Read as" in before
    assert "inside the band (0.830 to 0.900)" in before
    # 120 s over 8500 turns.
    opened = re.search(
        r"needs (\S+) ms of the 14\.1 ms of one cycle at the highest .*?\((\d+) %", before
    )
    assert float(opened[1]) / 14.1 == pytest.approx(float(opened[2]) / 100, abs=0.006)
    assert "do not use it" not in before
    labelled(panel, "ethanol").value = 30
    assert "more than the 10 % that the maker allows: do not use it" in words(panel)
    labelled(panel, "injector flow").value = labelled(panel, "injector flow").min
    assert "may be leaner than the band" in words(panel)
    assert "outside those that were read" in words(panel)
    labelled(panel, "Reset").click()
    assert words(panel) == before


# A newcomer to a club has ridden nothing yet.
SHIPPED = sorted(path.parent for path in DEMO.parent.rglob("runs.csv"))
# In metric units and in those of the United States; the others go the same way.
NOW = ("bigger_cylinder", "there_and_back")


@pytest.fixture
def no_picture(monkeypatch):
    """Words alone, which takes a tenth of the time."""
    monkeypatch.setattr(LadderPicture, "render", lambda self, one: None)


@pytest.mark.usefixtures("no_picture")
@pytest.mark.parametrize(
    "folder",
    [pytest.param(one, marks=() if one.name in NOW else pytest.mark.slow) for one in SHIPPED],
    ids=lambda folder: folder.name,
)
def test_the_sliders_start_from_the_report_and_print_what_it_prints(folder):
    agree_with_the_report(analyse(load_session(folder)))


@pytest.mark.usefixtures("no_picture")
def test_values_between_the_steps_of_the_sliders_agree_too(demo_copy):
    values = {
        "fuels.e5": {"ethanol": "4.27 +/- 1 %", "petrol_density": "741 +/- 6 kg/m3"},
        "injectors.i178": {"flow": "178.46 cc/min", "tolerance": "4.3 %", "dead_time": "0.83 ms"},
        "target": {"lowest": 0.832, "highest": 0.917},
        # On long climbs the lean edge is another one.
        "use": {"riding": "climbs", "cooling": "air"},
    }
    write_values(demo_copy, values)
    results = analyse(load_session(demo_copy))
    assert results.band.moved
    panel = agree_with_the_report(results)
    assert "its lean edge is 0.90, not 0.92" in words(panel)
    # A slider that is moved and put back by hand is where it was.
    before, flow = words(panel), labelled(panel, "injector flow")
    flow.value += 1
    assert words(panel) != before
    flow.value -= 1
    assert words(panel) == before


def rows_of(table) -> list:
    """Rows of a table, each cell under its header without the unit."""
    header = [one.partition(" [")[0] for one in table.header]
    return [dict(zip(header, row, strict=True)) for row in table.rows]


def agree_with_the_report(results):
    """Every injector on every fuel; the rider of the day, and those of the table."""
    panel = explore.mixture(results)
    injector, fuel = (labelled(panel, f"start from {what}") for what in ("injector", "fuel"))
    assert fuel.value == results.ridden_setup.fuel
    for row in rows_of(injector_words.table(results)):
        injector.value, fuel.value = row["Injector and fuel"].split(" on ")
        said = words(panel)
        assert f"Lambda: {row['Lambda (95 % interval)']} with" in said, row
        assert f"{row['Chance inside']}, richer" in said, row
        assert f"leaner {row['Chance leaner']}." in said, row
        assert f"({row['Open time of a cycle'].partition(' (')[0]})." in said, row
    rider = explore.another_rider(results)
    label = f" {units.unit_label('speed', results.session.about.units)}"
    (own,) = answers(results.road.equivalent[results.what_if_setup], [Question()])
    shown = quantity_text(own.at_force, "speed", results.session.about.units)
    assert f"With the same force at the wheel: {shown} at the marker." in words(rider)
    for row in rows_of(what_if_words.table(results)):
        labelled(rider, "rider, dressed").value = float(row["Rider, dressed"])
        for cell in (row["Marker, same force"], row["Marker, same power"]):
            assert cell.replace(" (", f"{label} (").replace(")", f"{label})") in words(rider)
    return panel


def test_an_upside_down_band_is_a_sentence_and_no_picture(results):
    panel = explore.mixture(results)
    labelled(panel, "band, richest").value = 0.95
    assert "must be below its leanest" in words(panel)
    assert not any("<img" in str(getattr(w, "value", "")) for w in everything(panel))


@pytest.mark.usefixtures("no_picture")
def test_a_candidate_is_written_as_it_is_shown_and_then_listed(demo_copy):
    session = load_session(demo_copy)
    panel = explore.mixture(analyse(session))
    labelled(panel, "injector flow").value, labelled(panel, "flow may be off").value = 169.4, 5
    shown = re.search("Lambda: .*? Chances: .*? leaner [^.]*", words(panel))[0]
    assert "with 169.4 cc/min" in shown
    labelled(panel, "name of the").value = "i169"
    labelled(panel, "Write this injector").click()
    assert "Written: [injectors.i169] flow = 169.4 cc/min, tolerance = 5 %." in words(panel)
    assert "session.earlier-1.toml is the file as it was" in words(panel)
    after = load_session(demo_copy)
    assert "i169" in after.injectors
    again = explore.mixture(analyse(after))
    labelled(again, "Reset").click()
    labelled(again, "start from injector").value = "i169"
    assert shown in words(again)
    used = next(iter(session.setups.values())).injector
    for name, said in ((used, "it is no candidate"), ("two words", "is no name for an injector")):
        with pytest.raises(SessionError, match=said):
            explore.add_candidate(session, name, "169 cc/min", "5 %")


def test_the_button_shows_the_sentence_instead_of_a_traceback(demo_copy):
    panel = explore.mixture(analyse(load_session(demo_copy)))
    labelled(panel, "Write this injector").click()
    assert "is no name for an injector" in words(panel)
    labelled(panel, "band, leanest").value = 0.88
    labelled(panel, "Write the target band").click()
    assert "session.earlier-1.toml" in words(panel)
    assert load_session(demo_copy).target.highest == 0.88


def test_a_slider_at_rest_asks_nothing(results):
    start = {"mass": 70.0, "length": 400.0, "grade": 0.06, "wind": 0.0}
    assert explore.question_of(start, start) == Question()
    back = {**start, "grade": 0.06000000000001}
    assert explore.question_of(back, start) == Question()
    asked = explore.question_of({**start, "mass": 90.0, "grade": 0.07}, start)
    assert (asked.rider_mass_kg, asked.grade_ratios) == (90.0, (0.07,))
    assert asked.headwind_m_s is None


def test_the_rider_panel_says_what_whatif_answers(results):
    panel = explore.another_rider(results)
    run = results.road.equivalent[results.plan.ride.setup]
    labelled(panel, "rider").value = 100
    (one,) = answers(run, [Question(rider_mass_kg=100.0)])
    assert f"{units.to_display(one.at_force.value, 'speed', 'metric'):.0f} km/h (" in words(panel)
    assert "one even slope" not in words(panel)
    labelled(panel, "grade").value = 7
    assert "The hill is taken as one even slope of 7.0 %, exactly." in words(panel)
    labelled(panel, "grade").value = 20
    assert "No answer" in words(panel)


def test_where_no_ladder_can_be_asked_it_says_what_comes_next(results, monkeypatch):
    monkeypatch.setattr(explore, "ladder_of", lambda *_: None)
    assert str(explore.mixture(results)).startswith("Next: buy injector i178")
    bare = replace(results, ladder=None)
    assert "no usable gauge reading at full throttle" in str(explore.mixture(bare))
    monkeypatch.undo()
    untold = replace(results, ladder=replace(results.ladder, prospects=()))
    assert "no usable gauge reading at full throttle" in str(explore.mixture(untold))


def test_the_picture_follows_and_its_words_too(results):
    ladder = ladder_of(results.judged, results.ladder)
    picture = LadderPicture(results, ladder)
    shown = []
    for flow in (ladder.flow_m3_s[20], ladder.flow_m3_s[40], ladder.flow_m3_s[20]):
        asked = Asked(injector="i178", fuel="e5", lowest=0.83, highest=0.9, flow_m3_s=flow)
        one = outlook(ladder, asked)
        image = picture.render(one)
        at, (value, low, high) = 6e7 * flow, (one.lambda_.value, one.lambda_.low, one.lambda_.high)
        (lean, rich), (x0, x1) = one.curve.value[[0, -1]], 6e7 * ladder.flow_m3_s[[0, -1]]
        assert image.alt == (
            "Lambda against injector flow on the engine 'big': it falls from "
            f"{lean:.2f} at {x0:.0f} cc/min to {rich:.2f} at {x1:.0f} cc/min. "
            f"The target band is 0.830 to 0.900. At {at:.4g} cc/min it is {value:.3f}, "
            f"with a 95 % interval from {low:.3f} to {high:.3f}."
        )
        # What is drawn, by its name in the legend.
        curve, read, bar, dot = picture._ax.lines
        labels = {text.get_text() for text in picture._ax.get_legend().get_texts()}
        assert labels == {one.get_label() for one in (curve, read, dot)} == {
            "lambda, untried injector", "readings, brought to this fuel", "injector asked about",
        }  # fmt: skip
        assert list(curve.get_ydata()) == list(one.curve.value)
        assert list(curve.get_xdata()) == pytest.approx(list(6e7 * ladder.flow_m3_s))
        assert list(read.get_xdata()) == pytest.approx(list(6e7 * ladder.reading_flow_m3_s))
        assert list(read.get_ydata()) == list(one.reading_lambda)
        assert (list(bar.get_xdata()), list(bar.get_ydata())) == (
            [pytest.approx(at)] * 2,
            [low, high],
        )
        assert (list(dot.get_xdata()), list(dot.get_ydata())) == ([pytest.approx(at)], [value])
        (area,), (band,) = picture._ax.collections, picture._ax.patches
        corners = area.get_paths()[0].vertices[:-1]
        ends = list(one.curve.low), list(one.curve.high)[::-1]
        assert list(corners[:, 1]) == [y for end in ends for y in end]
        assert (band.get_y(), band.get_y() + band.get_height()) == pytest.approx((0.83, 0.9))
        shown.append(image.png)
        gauge = picture._ax.child_axes[0]
        assert gauge.get_ylabel() == "on this gauge (scale 14.7)"
        assert gauge.get_ylim() == pytest.approx(
            [14.7 * y for y in picture._ax.get_ylim()], rel=0.01
        )
        assert picture._ax.get_xlim() == pytest.approx((x0, x1))
        # No number is cut off.
        assert picture._ax.get_tightbbox().y1 <= picture._ax.figure.bbox.y1
        # Whole tenths around the curve and the band.
        low, high = picture._ax.get_ylim()
        ends = (*one.curve.low, *one.curve.high, 0.83, 0.9)
        assert low <= min(ends) < low + 0.1
        assert high - 0.1 < max(ends) <= high
    assert shown[0] != shown[1]
    assert shown[0] == shown[2], "the picture remembers where the slider was"


# Before buying ------------------------------------------------------------------------------------


def test_the_chart_warnings_come_when_they_should(results):
    same = {"own_valves": 2, "chart_valves": 2, "chart_ethanol": 0.05}
    assert first_guess.chart_warnings(change(), **same) == []
    valves = first_guess.chart_warnings(change(), **{**same, "chart_valves": 4})
    assert "breathe differently" in valves[0]
    fuel = first_guess.chart_warnings(change(new_ethanol=0.85), **{**same, "chart_ethanol": 0.0})
    assert "too small" in fuel[0]


KIT = {
    "system": "metric", "bore": 60.0, "stroke": 63.5, "made": 9.5, "new_bore": 66.0,
    "speed": 9000.0, "need": Octane(91.0, "RON"), "fuel": Octane(95.0, "RON"),
    "clearance": 0.0, "dome": 0.0, "gasket": 0.0,
}  # fmt: skip


def said(**changes):
    given = KIT | changes
    others = {name: given.pop(name) for name in ("system", "need", "fuel")}
    planned = first_guess.CylinderKit(**given)
    return " ".join(str(one) for one in first_guess.compression_words(planned, **others))


def test_a_larger_bore_under_the_same_head_raises_the_compression():
    # By hand: the chamber is 179.5/8.5 = 21.12 cc; (217.2 + 21.12)/21.12 = 11.29.
    words = said()
    assert "179.5 cc as made, 217.2 cc with the kit (21.0 %)" in words
    assert "11.3 with the kit if the head stays as it is, 9.5 as made" in words
    assert "95 RON is not enough where compression is raised by 1.8" in words
    assert "asks for 5.4 to 8.9 octane numbers more" in words
    assert "knock breaks pistons fast" in words


def test_a_measured_chamber_is_taken_as_it_is():
    # 217.2/22.87 + 1 = 10.50; 3 to 5 numbers times 1.00.
    words = said(clearance=22.87)
    assert "10.5 with the chamber that was measured, 9.5 as made." in words
    assert "burette" not in words
    assert said(clearance=22.87, dome=3.0, gasket=1.0) == words
    assert "95 RON is perhaps not enough" in words
    assert "asks for 3.0 to 5.0 octane" in words


def test_octane_is_compared_on_its_own_scale():
    assert "the maker asks for 91 RON; 95 RON is enough." in said(new_bore=60.0)
    assert "knock breaks" not in said(new_bore=60.0)
    assert "86 AKI is perhaps not enough" in said(new_bore=60.0, fuel=Octane(86.0, "AKI"))
    assert "not enough" in said(new_bore=60.0, fuel=Octane(84.0, "AKI"))
    # A rise is spoken of from a tenth of a ratio on, as it would be printed.
    for clearance, said_of_it in ((24.95, False), (24.92, True)):
        # By hand: 217.16/24.95 + 1 = 9.704, 0.04 above 9.66; with 24.92 9.714.
        text = said(made=9.66, clearance=clearance)
        assert ("compression is raised" in text) == said_of_it
    # And no figure is given beyond 2.5: 217.16/19.6 + 1 = 12.08, 2.58 above 9.5; with 19.75 12.0.
    assert "compression would be raised by 2.6, so far that no figure" in said(clearance=19.6)
    assert "asks for" in said(clearance=19.75).partition("maker asks for")[2]


def test_the_piston_speed_has_a_warning():
    # By hand: 2 x 63.5 mm x 9000/60 = 19.05 m/s; at 10 500 22.2.
    assert "19.1 m/s at 9000 rpm." in said()
    assert "above 20 m/s" not in said()
    assert "22.2 m/s at 10500 rpm." in said(speed=10500.0)
    # By hand: 2 x 63.5 mm x 10000/min are 1270 m, or 4167 ft, in a minute.
    assert "4170 ft/min at 10000 rpm." in said(speed=10000.0, system="us")
    assert "above 3940 ft/min wears" in said(speed=10500.0, system="imperial")
    assert "above 20 m/s wears small engines fast" in said(speed=10500.0)


def test_the_panels_work_without_a_session():
    panel = first_guess.compression()
    labelled(panel, "bore of the kit").value = 60
    assert "95 RON is enough." in words(panel)
    guess = first_guess.first_guess()
    labelled(guess, "planned: displacement").value = 150
    assert "Injector to look for: 150 cc/min (" in words(guess)
    assert "cc/min" in words(first_guess.first_guess(system="us"))
    poured = first_guess.tank(system="us")
    assert "gal" in words(poured)
    # Half E5, half E85 is far beyond what the maker allows.
    assert "after topping up: 45.0 % ethanol is more than the 10 % that the maker allows" in words(
        poured
    )


def test_a_dome_takes_from_the_chamber_and_a_gasket_adds_to_it():
    # By hand: 21.12 - 2 + π/4 x 6.6² x 0.05 = 20.83 cc; 217.2/20.83 + 1 = 11.429.
    assert "11.4 with the kit" in said(dome=2.0, gasket=0.5)
    # A dish of 3 cc: 24.12; 10.006.
    assert "10.0 with the kit" in said(dome=-3.0)
    with pytest.raises(ValueError, match="the piston would touch the head"):
        said(dome=22.0)


def test_the_first_guess_says_each_number_as_it_is():
    panel = first_guess.first_guess()
    sliders = [w.value for w in everything(panel) if type(w).__name__ == "FloatSlider"]
    assert sliders == [150, 150, 0.87, 5, 3, 175, 0, 10, 0.87, 5, 3, 9000, 0, 2, 0]
    text = words(panel)
    # By hand: 7 % of the injector, 2 % of the gauge and 10 % of breathing are 12.4 %.
    assert "Injector to look for: 175 cc/min (155 to 198 cc/min) at the new fuel" in text
    # 1.2 g/L times 175 cc times 0.85 over 0.87 times 14.2, at 175 cc/min of 0.745 g/cc, and 1 ms.
    open_ms = 1 + 1e3 * (1.2 * 0.175 * 0.85 / (0.87 * 14.2)) / (175 / 60 * 0.745)
    found = re.search(
        r"Open time: (\S+) ms of the 13\.3 ms of one cycle at 9000 rpm \((\d+) %", text
    )
    assert float(found[1]) == pytest.approx(open_ms, rel=0.03)
    assert float(found[2]) == pytest.approx(100 * open_ms / 13.33, rel=0.03)
    # What is open longer than 85 % of 13.3 ms, by the same sum.
    least = float(re.search(r"an injector below (\d+) cc/min would need more than 85 %", text)[1])
    assert least == pytest.approx(175 * (open_ms - 1) / (0.85 * 13.33 - 1), rel=0.03)
    # The open part of 1 ms shrinks to 1/1.1667 = 0.857.
    assert "a pulse of 2.00 ms becomes 1.86 ms (dead time 1 ms taken)" in text
    assert "Stated at" not in text
    labelled(panel, "planned: fuel pressure").value = 2.5
    labelled(panel, "ethanol of the chart").value = 85
    labelled(panel, "valves per cylinder, of").value = 2
    labelled(panel, "now: pulse at a warm idle").value = 1.5
    text = words(panel)
    # 175 times the root of 3/2.5.
    assert "Stated at the old pressure: the same injector is one of 192 cc/min (" in text
    assert "the chart is for 85.0 % ethanol, your fuel has 5.0 %: its flows are 29.6 % too" in text
    assert "a pulse of 1.50 ms becomes" in text
    assert "pulses below about 1.5 ms are seldom steady" in text
    assert "run out of time" not in text
    labelled(panel, "highest engine speed").value = 14000
    assert "the lower end of the range would run out of time at full speed and" in words(panel)


def test_idle_and_cruise_follow_from_the_injector_that_is_to_be_had():
    guess = first_guess.first_guess()
    # 175 for 150: the trim is 0 by manifold pressure, and 150/175 - 1 by throttle.
    assert "must trim by −14 % to 0 %" in words(guess)
    labelled(guess, "planned: flow; 0").value = 3
    assert "no injector flows so little" in words(guess)
    labelled(guess, "planned: flow; 0").value = 250
    # 250 for 150: 1/1.6667 - 1 and 1.1667/1.6667 - 1; 1.6 ms.
    said_now = words(guess)
    assert "becomes 1.60 ms" in said_now
    assert "must trim by −40 % to −30 %" in said_now
    assert "more than the ECU can do" in said_now
    labelled(guess, "now: pulse at a warm idle").value = 1.6
    assert "idle may hunt or stall" in words(guess)


def test_the_tank_starts_from_the_fuel_that_differs_most_and_asks_for_the_makers_limit(results):
    fuels = results.session.fuels
    bike = replace(results.session.bike, highest_ethanol=None)

    def known_with(**ethanol):
        listed = {
            name: replace(fuels["e5"], ethanol=replace(fuels["e5"].ethanol, value=content))
            for name, content in ethanol.items()
        }
        session = replace(results.session, bike=bike, fuels=listed)
        return first_guess.known_of(replace(results, session=session))

    assert known_with(e5=0.85, e10=0.30, e0=0.0).other_ethanol == 0.0
    known = known_with(e5=0.30, e10=0.85, e0=0.0)
    assert (known.ethanol, known.other_ethanol, known.highest_ethanol) == (0.30, 0.85, None)
    assert known.middle == pytest.approx((0.83 + 0.9) / 2)
    poured = {"tank_m3": 3e-3, "added_m3": 1e-3, "added_ethanol": 0.85, "wanted_ethanol": 0.5}
    text = " ".join(str(one) for one in first_guess.tank_words(known, tank_ethanol=0.3, **poured))
    assert "how much ethanol the maker allows is not known here (highest_ethanol in" in text
    assert "that the maker allows: do not use it" not in text
    # Just what is allowed is allowed.
    text = first_guess.tank_words(replace(known, highest_ethanol=0.5), tank_ethanol=0.3, **poured)
    assert "do not use it" not in " ".join(map(str, text))


def test_the_tank_panel_mixes_and_warns(results):
    panel = first_guess.tank(results)
    # From the middle of the band, 0.865 on a scale of 14.7.
    assert "1.1 % leaner, where the ECU does not correct: a reading of 12.7 becomes" in words(panel)
    labelled(panel, "in the tank").value = 3
    labelled(panel, "poured in").value = 1
    first, second = (
        w for w in everything(panel) if getattr(w, "description", "").startswith("its ethanol")
    )
    first.value, second.value = 5, 85
    labelled(panel, "ethanol wanted").value = 25
    said = words(panel)
    # By hand: (3·5 + 1·85)/4 = 25 %, so exactly one litre is to be added.
    assert "25.0 % ethanol in 4.00 L" in said
    assert "add 1.00 L" in said
    assert said.count("more than the 10 % that the maker allows") == 2
    labelled(panel, "ethanol wanted").value = 90
    assert "it must lie between the two" in words(panel)


# Fuels without a label ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def unlabelled(demo_folder, tmp_path_factory):
    outing = Outing(demo_folder, tmp_path_factory.mktemp("unlabelled") / "outing")
    outing.key("fuels.e5", ethanol=None).key("fuels.e10", ethanol=None)
    # On a gauge that shows lambda.
    for row in outing.rows:
        for name in ("gauge_low", "gauge_high"):
            row[name] = f"{float(row[name]) / 14.7:.3f}"
    return outing.key("gauge", scale=1, lowest=None, highest=None, resolution=0.01).results()


def starts(panel) -> list:
    """Where the sliders about ethanol stand."""
    return [
        child.value
        for child in everything(panel)
        if "ethanol" in getattr(child, "description", "") and "chart" not in child.description
    ]


@pytest.mark.parametrize(("scale", "reading"), [
    (14.7, ": a reading of 12.8 becomes 13.0."), (1.0, ": a reading of 0.870 becomes 0.887."),
    (None, "."),
])  # fmt: skip
def test_a_leaner_mixture_is_told_as_the_gauge_would_show_it(scale, reading):
    known = first_guess.Known(system="metric", middle=0.87, scale=scale)
    said = first_guess._shift_words(known, 1.02)
    assert said == (
        f"on the same injector it runs 2.0 % leaner, where the ECU does not correct{reading}"
    )
    assert first_guess._shift_words(known, 0.98).startswith("on the same injector it runs 2.0 % r")


def test_panels_start_from_pump_petrol(unlabelled):
    assert starts(explore.mixture(unlabelled)) == [5.0]
    # What would be shown is lambda itself.
    assert "the gauge (scale" not in words(explore.mixture(unlabelled))
    assert starts(first_guess.tank(unlabelled)) == [5.0, 5.0, 5.0]
    assert starts(first_guess.first_guess(unlabelled)) == [5.0, 5.0]


# A coast-down, and an injector on the bench -------------------------------------------------------


def test_the_coast_down_panel_draws_and_writes_into_the_session(demo_copy, monkeypatch):
    drawn, png = [], kit.png_of
    monkeypatch.setattr(kit, "png_of", lambda one: drawn.append(one.figure) or png(one))
    panel = coast_down(demo_copy)
    assert "there is no timed fall yet" in words(panel)
    assert start_of(demo_copy).speed_factor == load_session(demo_copy).speedometer.factor.value
    labelled(panel, "timed falls").value = rolled()
    assert any("<img" in str(getattr(w, "value", "")) for w in everything(panel))
    lines = {one.get_label(): one.get_data() for one in drawn[-1].axes[0].lines}
    falls = parse_falls(rolled())
    for way, direction in (("out", 1), ("back", -1)):
        (speed, fall), fit = lines[f"{way}, timed"], lines[f"{way}, fit"]
        # As they were typed, in km/h; the speedometer shows more than is true.
        own, true = falls.direction == direction, 3.6 * 0.955
        begin, end = falls.shown_from_m_s[own], falls.shown_to_m_s[own]
        assert speed == pytest.approx(true * (begin + end) / 2)
        assert fall == pytest.approx(true * (begin - end) / falls.time_s[own])
        # The line goes beyond what was timed at both ends, and through it.
        assert min(fit[0]) < min(speed) < max(speed) < max(fit[0])
        assert np.interp(speed, *fit) == pytest.approx(fall, rel=0.15)
    said = words(panel)
    assert "m² (drag coefficient times frontal area, with this rider)." in said
    assert "unusual" not in said
    labelled(panel, "Keep the rows").click()
    assert (demo_copy / "coastdown.csv").read_text(encoding="utf-8") == rolled()
    labelled(panel, "Write these values").click()
    bike = load_session(demo_copy).bike
    assert 0.3 < bike.drag_area.value < 0.8
    assert bike.drag_area.half_width > 0
    assert analyse(load_session(demo_copy)).road.drag_area_m2.source == "stated"
    again = rolled() + "\n"
    labelled(panel, "timed falls").value = again.replace("out", "back", 1)
    labelled(panel, "Keep the rows").click()
    assert "; the earlier file is kept as coastdown.earlier-1.csv." in words(panel)
    labelled(panel, "timed falls").value = rolled().replace("back", "out")
    assert "ride the same stretch in both directions" in words(panel)


def test_a_rider_who_thinks_in_feet_reads_feet(demo_copy, edit):
    edit("session.toml", 'units = "metric"', 'units = "us"')
    panel = coast_down(demo_copy)
    labelled(panel, "timed falls").value = rolled()
    said = words(panel)
    assert "ft² (drag coefficient" in said
    assert "m² (" not in said
    # More doubt in the speedometer is more doubt in the drag area.
    before = float(said.partition(" ± ")[2].split()[0])
    labelled(panel, "which may be off by").value = 8
    assert float(words(panel).partition(" ± ")[2].split()[0]) > before


ROWS = BENCH_HEADER + "i178,1000,4,,8.9\ni178,1000,12,,32.6\ni178,1000,4,,8.8\ni178,1000,12,,32.7\n"


def test_a_measured_injector_goes_into_the_session(demo_copy):
    before = load_session(demo_copy).injectors["i178"]
    panel = bench_flow(demo_copy)
    assert "there is no volume yet" in words(panel)
    labelled(panel, "caught volumes").value = ROWS
    said = words(panel)
    # By hand: 23.8 mL more in 8 s open is 178.5 mL a minute; 8.85 mL at 4 ms leave 1.02 ms.
    assert "i178: 178" in said
    assert "dead time 1.0" in said
    assert "petrol sprayed into the open is a mist that any spark lights" in said
    labelled(panel, "Keep the rows").click()
    assert (demo_copy / "benchflow.csv").read_text(encoding="utf-8") == ROWS
    labelled(panel, "Write these values").click()
    after = load_session(demo_copy).injectors["i178"]
    assert after.flow.value * 6e7 == pytest.approx(178.5, abs=0.6)
    low, high = re.search(r"i178: 178.*?\((\S+) to (\S+) cc/min\)", said).groups()
    half_width = (float(high) - float(low)) / 2
    assert after.flow.half_width * 6e7 == pytest.approx(half_width, abs=0.6)
    assert after.flow.half_width < before.tolerance.value * before.flow.value
    assert after.tolerance.value == pytest.approx(0.001)
    assert after.dead_time.value == pytest.approx(0.00102, abs=0.00005)
    assert 0 < after.dead_time.half_width < before.dead_time.half_width
    half_ms = float(re.search(r"dead time 1\.0\d* ± (\S+) ms", said)[1])
    assert half_ms == pytest.approx(1e3 * after.dead_time.half_width, rel=0.06)
    # What is typed is there again when the panel is opened again.
    assert labelled(bench_flow(demo_copy), "caught volumes").value == ROWS.rstrip("\n") + "\n"


def test_what_is_known_to_tens_is_written_in_whole_numbers():
    flow, dead = Interval(100e-6 / 60, 60e-6 / 60, 140e-6 / 60), Interval(1e-3, -19e-3, 21e-3)
    assert bench_values_for_session(flow, dead) == {
        "flow": "100 cc/min +/- 40.0 cc/min", "tolerance": "0.1 %", "dead_time": "1 ms +/- 20.0 ms",
    }  # fmt: skip


def test_another_fluid_flows_at_another_volume(demo_copy):
    panel = bench_flow(demo_copy)
    labelled(panel, "caught volumes").value = BENCH_HEADER + "i178,,,60,100\n"
    # Half a millilitre of a hundred is 0.255 as standard deviation; Student's t of 4 is 2.78.
    assert "i178: 100.0 cc/min (99.3 to 100.7 cc/min) of petrol; held open only" in words(panel)
    assert "nothing is known of its dead time" in words(panel)
    labelled(panel, "density of the test fluid [kg/m³]").value = 1000
    # By hand: 100 times the root of 1000/745 is 115.9.
    assert "i178: 115.9 cc/min" in words(panel)
    write_values(demo_copy, {"session": {"units": "us"}})
    panel = bench_flow(demo_copy)
    labelled(panel, "caught volumes").value = BENCH_HEADER + "i178,,,60,100\n"
    assert "i178: 100" in words(panel)
    assert "Flow is given for petrol of 46.51 lb/ft³." in words(panel)
    labelled(panel, "density of the test fluid [lb/ft³]").value = 62.43
    assert "i178: 115.9 cc/min" in words(panel)


def test_an_unknown_injector_is_not_written(demo_copy):
    before = (demo_copy / "session.toml").read_bytes()
    panel = bench_flow(demo_copy)
    labelled(panel, "caught volumes").value = ROWS.replace("i178", "i999")
    labelled(panel, "Write these values").click()
    assert "'i999' is not one of the injectors in session.toml" in words(panel)
    assert (demo_copy / "session.toml").read_bytes() == before


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("i1,1000,,,8", r"row 2: needs either pulses and width, or the time"),
        ("i1,,4,,8", r"row 2: needs either pulses and width"),
        ("i1,1000,4,60,8", r"row 2: needs either pulses and width"),
        ("i1,,,,8", r"row 2: needs either pulses and width"),
        ("i1,1000,4,,", r"row 2, volume: is empty"),
        ("i1,1000,4000,,8", r"row 2, width: 4000 ms is outside 0.2 to 100 ms"),
        ("i1,10.5,4,,8", r"row 2, pulses: 10.5 is not a whole number"),
    ],
)
def test_a_wrong_row_is_said_with_its_place(row, said):
    with pytest.raises(SessionError, match=said):
        parse_volumes(BENCH_HEADER + row + "\n")


def test_other_air_is_asked_by_the_sums_of_the_report(results, back):
    for one, cold in ((results, -5.0), (back, 23.0)):
        panel, own = explore.other_air(one), one.air.mixtures[0]
        labelled(panel, "air temperature").value = cold
        said = words(panel)
        assert f"Lambda: {own.lambda_[0][0]:.3f} " in said
        assert "The ECU: corrects for both air temperature and pressure" in said
        # Said of the chance that stands beside it, beyond the limit of the advice.
        lean = re.search(r"leaner (under|over|) ?(\d+) %", said)
        assert ("this may be leaner than the band: read the gauge in" in said) == (
            int(lean[2]) > 10
        )
        edges = band_of(one.session)
        assert f"inside the band ({edges.lowest:.2f} to {edges.highest:.2f}) " in said
    rich = one.air.mixtures[-1]
    labelled(panel, "injector").value = rich.injector
    assert f"Lambda: {rich.lambda_[0][0]:.2f}" in words(panel)
