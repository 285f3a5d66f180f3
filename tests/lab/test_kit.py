"""What the workbooks' panels say and write: without a browser, the same functions."""

import html
import re

import numpy as np
import pytest

from tuninglib import units
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.coast_down import fit_of, half_widths, start_of, values_for_session
from tuninglib.analysis.day_plan import plan_day
from tuninglib.analysis.day_plan import start_of as plan_start_of
from tuninglib.analysis.first_guess import Change, guess_of
from tuninglib.analysis.untried_injector import ladder_of, outlook
from tuninglib.analysis.what_if import Question, answers
from tuninglib.lab import explore as panels_explore
from tuninglib.lab import first_guess as panels_guess
from tuninglib.lab import kit as panels
from tuninglib.lab import rider as panels_rider
from tuninglib.lab import tank as panels_fuel
from tuninglib.lab.coast_down import coast_down
from tuninglib.lab.ladder_picture import LadderPicture
from tuninglib.lab.plan import names_in, plan, write_sheet
from tuninglib.lab.report_button import make_report_with
from tuninglib.lab.runs_form import checked, last_rows, runs_form
from tuninglib.physics.blend import Blend, lambda_shift
from tuninglib.physics.hill import Hill, Ride
from tuninglib.report.run_sheet import AFTER, BEFORE
from tuninglib.session.add_run import add_run, open_sheet
from tuninglib.session.coast_down_file import HEADER, parse_falls
from tuninglib.session.edit import write_values
from tuninglib.session.load import load_session
from tuninglib.session.new import write_new_session
from tuninglib.statistics.coast_down import coast_time_s
from tuninglib.statistics.planning import power_two_setups
from tuninglib.text_files import SessionError


@pytest.fixture(scope="module")
def results(demo_folder):
    return analyse(load_session(demo_folder))


@pytest.fixture(scope="module")
def ladder(results):
    return ladder_of(results)


def words(widget) -> str:
    """Everything that a panel says in HTML, as text with single blanks."""
    said = " ".join(getattr(one, "value", "") for one in everything(widget) if is_html(one))
    plain = re.sub(r"<style>.*?</style>|<[^>]+>", "", said, flags=re.DOTALL)
    return " ".join(html.unescape(plain).split())


def is_html(widget) -> bool:
    return type(widget).__name__ == "HTML"


def everything(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from everything(child)


def labelled(widget, start: str):
    return next(w for w in everything(widget) if getattr(w, "description", "").startswith(start))


# Mixture and injector ------------------------------------------------------------------------


def test_the_sliders_answer_as_the_report_does(results, ladder):
    prospect = next(p for p in results.ladder.prospects if not p.tried)
    session = results.session
    fuel, lambda_, odds = (getattr(prospect.fuels[0], name) for name in ("fuel", "lambda_", "odds"))
    one = outlook(
        results,
        ladder,
        ethanol=session.fuels[fuel].ethanol.value,
        lowest=session.target.lowest,
        highest=session.target.highest,
        flow_m3_s=prospect.flow_m3_s,
        tolerance=session.injectors[prospect.injector].tolerance.value,
    )
    assert one.lambda_.value == pytest.approx(lambda_.value, rel=1e-6)
    assert (one.lambda_.low, one.lambda_.high) == pytest.approx((lambda_.low, lambda_.high))
    assert (one.odds.richer, one.odds.inside) == pytest.approx((odds.richer, odds.inside))


def test_more_ethanol_moves_curve_and_readings_by_the_same_shift(results, ladder):
    asked = {"lowest": 0.83, "highest": 0.9, "flow_m3_s": ladder.flow_m3_s[30], "tolerance": 0.06}
    dry, wet = (outlook(results, ladder, ethanol=x, **asked) for x in (0.0, 0.2))
    shift = lambda_shift(Blend(0.0), Blend(0.2))
    np.testing.assert_allclose(wet.curve.value / dry.curve.value, shift, rtol=1e-6)
    np.testing.assert_allclose(wet.reading_lambda / dry.reading_lambda, shift, rtol=1e-12)


def test_a_wider_tolerance_widens_the_interval(results, ladder):
    asked = {"ethanol": 0.05, "lowest": 0.83, "highest": 0.9, "flow_m3_s": ladder.flow_m3_s[30]}
    tight, wide = (outlook(results, ladder, tolerance=x, **asked) for x in (0.01, 0.2))
    assert wide.lambda_.half_width > 2 * tight.lambda_.half_width


def test_the_picture_follows_and_its_words_too(results, ladder):
    picture = LadderPicture(results, ladder)
    shown = []
    for flow in (ladder.flow_m3_s[20], ladder.flow_m3_s[40], ladder.flow_m3_s[20]):
        band = {"lowest": 0.83, "highest": 0.9, "flow_m3_s": flow}
        one = outlook(results, ladder, ethanol=0.05, tolerance=0.06, **band)
        image = picture.render(one, **band)
        assert f"{one.lambda_.value:.3f}" in image.alt
        shown.append(image.png)
    assert shown[0] != shown[1]
    assert shown[0] == shown[2], "the picture remembers where the slider was"


def test_the_mixture_panel_speaks_warns_and_resets(results):
    panel = panels_explore.mixture(results)
    before = words(panel)
    assert "the gauge (scale 14.7) would show" in before
    assert "true ratio of air to fuel" in before
    assert "do not use it" not in before
    labelled(panel, "ethanol").value = 30
    assert "more than the 10 % that the maker allows: do not use it" in words(panel)
    labelled(panel, "injector flow").value = labelled(panel, "injector flow").min
    assert "may be leaner than the band" in words(panel)
    assert "outside those that were read" in words(panel)
    labelled(panel, "Reset").click()
    assert words(panel) == before


def test_an_upside_down_band_is_a_sentence_and_no_picture(results):
    panel = panels_explore.mixture(results)
    labelled(panel, "band, richest").value = 0.95
    assert "must be below its leanest" in words(panel)
    assert not any("<img" in str(getattr(w, "value", "")) for w in everything(panel))


def test_every_control_has_a_short_label_with_its_unit(results, demo_folder):
    built = [
        panels_explore.mixture(results),
        panels_rider.another_rider(results),
        panels_fuel.tank(results),
        panels_guess.first_guess(results),
        plan(demo_folder),
        coast_down(demo_folder),
    ]
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
    rider = panels_rider.another_rider(results)
    run = results.road.equivalent[results.choice.keep]
    mass = labelled(rider, "rider, dressed to ride [lb]").value
    assert mass == pytest.approx(units.convert(run.rider_mass_kg, "kg", "lb"), abs=0.5)
    assert "mph) at the marker" in words(rider)
    assert "one even slope" not in words(rider), "rounding to a step was taken for a question"
    tank = panels_fuel.tank(results)
    labelled(tank, "in the tank").value, labelled(tank, "poured in").value = 1.0, 0.5
    assert f"ethanol in 1.50 {volume}." in words(tank)
    assert "from_speed [mph]" in labelled(coast_down(folder), "timed falls").value


@pytest.mark.parametrize(("low", "value", "step"), [(14.5, 43.51, 1), (0.05, 0.837, 0.005)])
def test_a_slider_stands_on_its_steps(low, value, step):
    slider = panels.slider("a", "b", value, low=low, high=100.2, step=step)
    for number in (slider.min, slider.value, slider.max):
        assert number / step == pytest.approx(round(number / step), abs=1e-9)
    assert slider.min <= low
    assert slider.max >= 100.2


# session.toml --------------------------------------------------------------------------------


def test_a_candidate_is_written_and_then_listed(demo_copy):
    session = load_session(demo_copy)
    panels_explore.add_candidate(session, "i169", "169 cc/min", "5 %")
    after = load_session(demo_copy)
    assert "i169" in after.candidates
    assert after.injectors["i169"].tolerance.value == pytest.approx(0.05)
    used = next(iter(session.setups.values())).injector
    with pytest.raises(SessionError, match="it is no candidate"):
        panels_explore.add_candidate(session, used, "169 cc/min", "5 %")
    with pytest.raises(SessionError, match="is no name for an injector"):
        panels_explore.add_candidate(session, "two words", "169 cc/min", "5 %")


def test_the_button_shows_the_sentence_instead_of_a_traceback(demo_copy):
    panel = panels_explore.mixture(analyse(load_session(demo_copy)))
    labelled(panel, "Write this injector").click()
    assert "is no name for an injector" in words(panel)
    labelled(panel, "band, leanest").value = 0.88
    labelled(panel, "Write the target band").click()
    assert "session.earlier-1.toml" in words(panel)
    assert load_session(demo_copy).target.highest == 0.88


# Another rider -------------------------------------------------------------------------------


def test_a_slider_at_rest_asks_nothing(results):
    start = {"mass": 70.0, "length": 400.0, "grade": 6.0, "wind": 0.0}
    assert panels_rider.question_of(start, start, "metric") == Question()
    back = {**start, "grade": 6.000000000001}
    assert panels_rider.question_of(back, start, "metric") == Question()
    asked = panels_rider.question_of({**start, "mass": 90.0, "grade": 7.0}, start, "us")
    assert asked.rider_mass_kg == pytest.approx(units.convert(90, "lb", "kg"))
    assert asked.grade_ratios == (0.07,)
    assert asked.headwind_m_s is None


def test_the_rider_panel_says_what_whatif_answers(results):
    panel = panels_rider.another_rider(results)
    run = results.road.equivalent[results.choice.keep]
    labelled(panel, "rider").value = 100
    (one,) = answers(run, [Question(rider_mass_kg=100.0)])
    assert f"{units.to_display(one.at_force.value, 'speed', 'metric'):.1f} km/h" in words(panel)
    assert "one even slope" not in words(panel)
    labelled(panel, "grade").value = 20
    assert "No answer" in words(panel)


# Fuel and first guess ------------------------------------------------------------------------


def test_the_tank_panel_mixes_and_warns(results):
    panel = panels_fuel.tank(results)
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


def change(**more):
    usual = {
        "flow_m3_s": 150e-6 / 60,
        "flow_tolerance": 0.06,
        "lambda_read": 0.88,
        "lambda_wanted": 0.88,
        "gauge_accuracy": 0.02,
        "old_displacement_m3": 180e-6,
        "new_displacement_m3": 180e-6,
        "breathing_ratio": 1.0,
        "breathing_half_width": 0.1,
        "old_pressure_pa": 3e5,
        "new_pressure_pa": 3e5,
        "old_ethanol": 0.05,
        "new_ethanol": 0.05,
        "breathing": 0.85,
        "engine_speed_rpm": 8500.0,
    }
    return Change(**{**usual, **more})


def test_a_first_guess_grows_with_what_it_should():
    base = guess_of(change()).flow_m3_s.value
    assert base == pytest.approx(150e-6 / 60)
    bigger = guess_of(change(new_displacement_m3=207e-6))
    assert bigger.flow_m3_s.value == pytest.approx(1.15 * base)
    richer = guess_of(change(lambda_wanted=0.80))
    assert richer.flow_m3_s.value == pytest.approx(1.10 * base)
    # On the bike the same fuel is needed at any pressure; what changes is the stated flow.
    pressed = guess_of(change(new_pressure_pa=4 * 3e5))
    assert pressed.flow_m3_s.value == pytest.approx(base)
    assert pressed.stated_at_old_pressure_m3_s.value == pytest.approx(base / 2)


def test_an_injector_at_the_flow_that_runs_out_fills_85_percent_of_the_cycle():
    guess = guess_of(change())
    at_limit = guess_of(change(flow_m3_s=guess.runs_out_m3_s))
    assert at_limit.open_time_s / at_limit.cycle_time_s == pytest.approx(0.85)


def test_the_chart_warnings_come_when_they_should(results):
    same = {"own_valves": 2, "chart_valves": 2, "chart_ethanol": 0.05}
    assert panels_guess.chart_warnings(change(), **same) == []
    valves = panels_guess.chart_warnings(change(), **{**same, "chart_valves": 4})
    assert "breathe differently" in valves[0]
    fuel = panels_guess.chart_warnings(change(new_ethanol=0.85), **{**same, "chart_ethanol": 0.0})
    assert "too small" in fuel[0]


# The roadside form ---------------------------------------------------------------------------

ROW = {
    "run": "90",
    "setup": "stock",
    "rider": "tove",
    "entry_speed": "48",
    "exit_speed": "63",
    "gauge_low": "12.6",
    "gauge_high": "12.8",
    "air_temperature": "20",
    "knock": "none",
}


def test_fields_that_were_not_typed_in_yet_are_not_blamed(demo_folder):
    sheet = open_sheet(demo_folder)
    values = {**dict.fromkeys(sheet.keys, ""), "setup": "stock", "entry_speed": "480"}
    assert list(checked(sheet, values, {"entry_speed"})) == ["entry_speed"]
    assert checked(sheet, {**values, "entry_speed": ""}, {"entry_speed"}) == {}


def test_the_form_works_from_the_first_run_of_a_new_session(tmp_path):
    folder = tmp_path / "fresh"
    write_new_session(folder)
    form = runs_form(folder)
    labelled(form, "entry speed").value = "50"
    labelled(form, "exit speed").value = "60"
    labelled(form, "Add run").click()
    said = words(form)
    assert "Added: run 1." in said
    assert "Still to mend" in said, (
        "the session.toml is not filled in yet, and the form must say so"
    )
    assert "\n1,before,me,50,60," in (folder / "runs.csv").read_text(encoding="utf-8")


def test_the_form_refuses_adds_counts_on_and_keeps_once(demo_copy):
    form = runs_form(demo_copy)
    number = labelled(form, "run").value
    before = (demo_copy / "runs.csv").read_bytes()
    labelled(form, "entry speed").value = "480"
    assert "480 km/h is outside" in words(form)
    labelled(form, "Add run").click()
    assert (demo_copy / "runs.csv").read_bytes() == before
    for _ in range(2):
        for start, value in (("entry", "48"), ("exit", "62"), ("air", "20")):
            labelled(form, start).value = value
        labelled(form, "Add run").click()
        assert labelled(form, "entry").value == ""
    assert labelled(form, "run").value == str(int(number) + 2)
    kept = list(demo_copy.glob("runs.earlier-*"))
    assert [path.read_bytes() for path in kept] == [before]
    assert list(load_session(demo_copy).runs["run"])[-2:] == [int(number), int(number) + 1]


def test_rows_typed_elsewhere_meanwhile_are_kept(demo_copy):
    form = runs_form(demo_copy)
    path = demo_copy / "runs.csv"
    add_run(open_sheet(demo_copy), ROW, keep=False)
    for start, value in (("entry", "48"), ("exit", "62"), ("air", "20")):
        labelled(form, start).value = value
    labelled(form, "Add run").click()
    assert "\n90,stock" in path.read_text(encoding="utf-8")
    assert labelled(form, "run").value == "91"


# Planning ------------------------------------------------------------------------------------


def day(**more):
    usual = {
        "gain": 0.10,
        "scatter": 0.04,
        "setups": ("a", "b", "c"),
        "riders": ("x", "y"),
        "minutes_a_run": 6,
        "minutes_a_swap": 45,
    }
    return plan_day(**{**usual, **more})


def test_the_plan_has_the_power_that_it_promises():
    planned = day()
    effect = np.log(1.10) / 0.04
    alpha = 0.05 / 2
    assert power_two_setups(effect, repeats=planned.repeats, alpha=alpha) >= 0.8
    assert power_two_setups(effect, repeats=planned.repeats - 1, alpha=alpha) < 0.8
    assert planned.visible <= 0.10 < planned.visible_with_one_less
    runs, swaps = len(planned.order.setups), planned.order.swaps
    assert planned.minutes == 6 * runs + 45 * swaps


def test_a_hopeless_plan_says_what_to_change():
    with pytest.raises(ValueError, match="compare fewer setups, ask for a larger gain"):
        day(gain=0.01)
    with pytest.raises(ValueError, match="needs two setups at least"):
        day(setups=("a",))


def test_the_plan_starts_from_the_session_and_leaves_out_what_knocked(demo_folder, results):
    start = plan_start_of(demo_folder)
    assert start.scatter == results.road.scatter_sd
    assert set(start.knocked) == set(results.knocked)
    assert not set(start.setups) & set(results.knocked)
    panel = plan(demo_folder)
    assert "knocked in this session" not in words(panel)
    labelled(panel, "setups").value = f"stock, {start.knocked[0]}"
    assert "knocked in this session" in words(panel)


def test_a_session_that_is_not_filled_in_can_be_planned(tmp_path):
    write_new_session(tmp_path / "fresh")
    start = plan_start_of(tmp_path / "fresh")
    assert (start.setups, start.riders) == (("before", "after"), ("me",))
    assert "assumed" in start.source


def test_the_run_sheet_puts_safety_first_and_escapes_names(demo_folder, tmp_path):
    start = plan_start_of(demo_folder)
    nasty = '<img src=x onerror="y">'
    planned = day(setups=("stock", nasty), gain=0.2)
    write_sheet(planned, start, tmp_path / "sheet.html")
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "<img" not in page
    for sentence in (*BEFORE, *AFTER):
        assert sentence.replace("'", "&#39;") in page
    assert page.index("On the first knock") < page.index("<table")
    assert page.count("<tr") == 1 + len(planned.order.setups)
    assert not re.search(r"<(?:script|link|iframe|object)|url\(|@import", page)


def test_an_earlier_run_sheet_is_kept(demo_folder, tmp_path):
    start, path = plan_start_of(demo_folder), tmp_path / "sheet.html"
    write_sheet(day(), start, path)
    first = path.read_bytes()
    write_sheet(day(), start, path)
    assert list(tmp_path.iterdir()) == [path]
    write_sheet(day(gain=0.2), start, path)
    assert (tmp_path / "sheet.earlier-1.html").read_bytes() == first


def test_names_are_split_at_commas_once():
    assert names_in(" a, b ,,a, big 2 ") == ("a", "b", "big 2")


# Coast-down ----------------------------------------------------------------------------------


def rolled(area=0.55, rolling=0.016, wind=0.6):
    """Rows of an exact coast-down, timed to a hundredth of a second."""
    ride = Ride(
        hill=Hill(1000.0, 0.0), mass_kg=200.0, rotating_mass_kg=0.07 * 120, air_density_kg_m3=1.2,
        drag_area_m2=area, rolling_coefficient=rolling, wind_m_s=np.array([wind, -wind]),
    )  # fmt: skip
    rows = []
    for run, (name, direction) in enumerate((("out", 1), ("back", -1)) * 2, start=1):
        for start in (65, 55, 45, 35):
            times = coast_time_s(ride, from_speed_m_s=start / 3.6, to_speed_m_s=(start - 10) / 3.6)
            time = times[0] if direction == 1 else times[1]
            rows.append(f"{run},{name},{start},{start - 10},{time:.2f}")
    return HEADER + "\n".join(rows) + "\n"


# Humid air of 293.15 K at this pressure has 1.2 kg/m3 to a per mille.
AIR = {"temperature_k": 293.15, "pressure_pa": 101400.0}


def test_a_typed_coast_down_gives_back_what_it_was_made_with():
    falls = parse_falls(rolled())
    road, _ = fit_of(falls, bike_kg=120.0, rider_kg=80.0, speed_factor=1.0, **AIR)
    area, rolling = half_widths(road)
    assert road.drag_area_m2 == pytest.approx(0.55, abs=max(area, 0.005))
    assert road.rolling_coefficient == pytest.approx(0.016, abs=max(rolling, 0.0005))
    assert road.headwind_m_s == pytest.approx(0.6, abs=0.15)


def test_the_coast_down_panel_draws_and_writes_into_the_session(demo_copy):
    panel = coast_down(demo_copy)
    assert "there is no timed fall yet" in words(panel)
    assert start_of(demo_copy).speed_factor == load_session(demo_copy).speedometer.factor.value
    labelled(panel, "timed falls").value = rolled()
    assert any("<img" in str(getattr(w, "value", "")) for w in everything(panel))
    labelled(panel, "Keep the rows").click()
    assert (demo_copy / "coastdown.csv").read_text(encoding="utf-8") == rolled()
    labelled(panel, "Write these values").click()
    bike = load_session(demo_copy).bike
    assert 0.3 < bike.drag_area.value < 0.8
    assert bike.drag_area.half_width > 0
    assert analyse(load_session(demo_copy)).road.drag_area_m2.source == "stated"
    labelled(panel, "timed falls").value = rolled().replace("back", "out")
    assert "ride the same stretch in both directions" in words(panel)


def test_a_session_without_runs_can_have_its_drag_area_written(tmp_path):
    write_new_session(tmp_path / "fresh")
    road, _ = fit_of(parse_falls(rolled()), bike_kg=120.0, rider_kg=80.0, speed_factor=1.0, **AIR)
    edited = write_values(tmp_path / "fresh", {"bike": values_for_session(road)})
    assert edited.kept is not None
    text = (tmp_path / "fresh" / "session.toml").read_text(encoding="utf-8")
    assert re.search(r'^drag_area = "0\.5\d* m2 \+/- .* m2"  # drag coefficient', text, re.M)


# The report button ---------------------------------------------------------------------------


def test_the_report_button_shows_progress_and_gives_the_page(demo_copy):
    shown = []
    done = make_report_with(demo_copy, lambda prose: shown.append(str(prose)))
    page = demo_copy.parent / f"{demo_copy.name}.report" / "report.html"
    assert page.is_file()
    assert str(page) in done.plain()
    assert 'download="report.html"' in done.html()
    assert any("The verdict" in line for line in shown)


def test_the_report_button_shows_what_is_to_be_mended(edit):
    folder = edit("session.toml", "scale = 14.7", "scale = 147")
    done = make_report_with(folder, lambda prose: None)
    assert "147" in str(done)
    assert "To mend" in str(done)
    assert not (folder.parent / f"{folder.name}.report").exists()


def test_what_a_rider_typed_is_shown_as_text(demo_copy):
    sheet = open_sheet(demo_copy)
    add_run(sheet, {**ROW, "note": "<script>x</script>"}, keep=False)
    page = panels.words_html(last_rows(open_sheet(demo_copy)))
    assert "<script" not in page
    assert "&lt;script&gt;" in page
