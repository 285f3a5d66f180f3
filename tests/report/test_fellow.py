import dataclasses
import json
import re

import numpy as np
import pytest

from tuninglib.analysis import what_if
from tuninglib.analysis.analyse import analyse
from tuninglib.physics.air import air_density_kg_m3, correction_sae_j1349, standard_pressure_pa
from tuninglib.report import what_if as fellow
from tuninglib.session.load import load_session


def results_of(folder):
    return analyse(load_session(folder))


def field(page, name):
    tag = re.search(rf'<input type="number" id="ask-{name}"[^>]*>', page)[0]
    return {key: value for key, value in re.findall(r'([\w-]+)="([^"]*)"', tag)}


def test_each_field_starts_with_what_the_day_had(results):
    page = fellow.controls(results).html()
    shown = {name: field(page, name)["value"] for name in fellow.FIELDS}
    masses = results.session.runs["rider"].map({"tove": 68.0, "ilmar": 86.0})
    ridden = results.session.runs["shown_exit_m_s"].notna()
    ridden &= results.session.runs["setup"] == "big_172"
    assert shown == {
        "mass": f"{masses[ridden].mean():.0f}", "length": "400", "grade": "6.0", "altitude": "210",
        "headwind": "0", "entry": "48", "speedometer": "4.7",
    }  # fmt: skip


def test_the_fields_are_named_and_a_minus_is_a_wind_from_behind(results):
    page = str(fellow.controls(results).html())
    for said in ("My weight, dressed to ride", "My hill, start line to marker", "My altitude",
                 "Headwind, minus from behind", "My speed at the start line, as shown",
                 "My speedometer shows too much by"):  # fmt: skip
        assert said in page


def in_units(results, system):
    session = results.session
    about = dataclasses.replace(session.about, units=system)
    return dataclasses.replace(results, session=dataclasses.replace(session, about=about))


# From where to where each field goes, and in which steps; by hand.
FEET = (
    "mass 90 330 1 | length 150 6500 10 | grade 0 20 0.1 | altitude 0 10000 50 | headwind -12 12 "
)
FEET += "1 | entry 6 60 1 | speedometer -5 15 0.5"
FIELDS = {
    "metric": "mass 40 150 1 | length 50 2000 5 | grade 0 20 0.1 | altitude 0 3000 10 | headwind "
    "-20 20 1 | entry 10 100 1 | speedometer -5 15 0.5",
    "us": FEET, "imperial": FEET,
}  # fmt: skip


@pytest.mark.parametrize("system", FIELDS)
def test_each_field_has_its_ends_and_steps(results, system):
    page = fellow.controls(in_units(results, system)).html()
    for one in FIELDS[system].split(" | "):
        name, *ends = one.split()
        tag = field(page, name)
        assert [float(tag[end]) for end in ("min", "max", "step")] == [float(end) for end in ends]


@pytest.mark.parametrize("system", ["us", "imperial"])
def test_the_fields_speak_the_units_of_the_report(results, system):
    page = fellow.controls(in_units(results, system)).html()
    run = fellow._run_of(results)
    # 1 lb is 0.45359237 kg, 1 ft 0.3048 m, 1 mph 0.44704 m/s, exact by definition.
    for name, value, unit, factor in (
        ("mass", run.rider_mass_kg, "lb", 0.45359237),
        ("length", 400.0, "ft", 0.3048),
        ("altitude", 210.0, "ft", 0.3048),
        ("headwind", 0.0, "mph", 0.44704),
    ):
        tag = field(page, name)
        assert tag["data-unit"] == unit
        assert float(tag["data-factor"]) == pytest.approx(factor, rel=1e-12)
        assert tag["value"] == f"{value / factor:.0f}"


@pytest.mark.slow
def test_every_field_can_hold_the_days_own_value(edit):
    edit("session.toml", 'altitude = "210 m"', 'altitude = "4150 m"')
    folder = edit("session.toml", 'pressure = "989 hPa"', 'pressure = "610 hPa"')
    results = results_of(folder)
    tag = field(fellow.controls(results).html(), "altitude")
    assert float(tag["min"]) <= float(tag["value"]) == 4150 <= float(tag["max"])
    air = fellow.data(results)["air"]
    last = air["lowest_m"] + air["step_m"] * (len(air["density_kg_m3"]) - 1)
    assert last >= 4150


def test_the_air_at_the_hills_own_altitude_is_the_air_of_the_day(results):
    density, output = fellow.air_at_altitude(results.session, 210.0, setup="big_172")
    run = fellow._run_of(results)
    # The run has the mean of densities, this the density at the means.
    assert density == pytest.approx(run.air_density_kg_m3, rel=2e-4)
    assert output == pytest.approx(run.output_factor, rel=2e-4)


def test_the_weather_of_the_day_is_carried_to_another_altitude(results):
    table = results.session.runs
    state = {
        "temperature_k": float(
            table["air_temperature_k"][
                table["shown_exit_m_s"].notna() & (table["setup"] == "big_172")
            ].mean()
        ),
        "pressure_abs_pa": 98900.0 * standard_pressure_pa(1500.0) / standard_pressure_pa(210.0),
        "relative_humidity": 0.55,
    }
    density, output = fellow.air_at_altitude(results.session, 1500.0, setup="big_172")
    assert density == pytest.approx(air_density_kg_m3(**state), rel=1e-9)
    assert output == pytest.approx(correction_sae_j1349(**state).factor, rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("stated", ["", 'altitude = "760 m"\n'])
def test_pressure_without_a_believable_altitude_stands_for_its_own(edit, stated):
    # Left out, or far from where the standard atmosphere has 989 hPa.
    if stated:
        edit("session.toml", 'pressure = "989 hPa"', 'pressure = "989 hPa +/- 10 hPa"')
    results = results_of(edit("session.toml", 'altitude = "210 m"\n', stated))
    shown = float(field(fellow.controls(results).html(), "altitude")["value"])
    assert standard_pressure_pa(shown) == pytest.approx(98900.0, abs=12)
    density, _ = fellow.air_at_altitude(results.session, shown, setup="big_172")
    assert density == pytest.approx(fellow._run_of(results).air_density_kg_m3, rel=2e-3)


def test_the_altitude_table_is_good_to_two_millionths(results):
    air = fellow.data(results)["air"]
    altitudes = air["lowest_m"] + air["step_m"] * np.arange(len(air["density_kg_m3"]))
    asked = np.linspace(0.0, 3000.0, 977)
    exact = fellow.air_at_altitude(results.session, asked, setup="big_172")
    for values, truth in zip((air["density_kg_m3"], air["output_factor"]), exact, strict=True):
        assert np.exp(np.interp(asked, altitudes, np.log(values))) == pytest.approx(truth, rel=2e-6)


def test_the_embedded_force_gives_back_the_marker_speed(results):
    data, run = fellow.data(results), fellow._run_of(results)
    (answer,) = what_if.answers(run, [what_if.Question()])
    assert len(data["force_n"]) == len(data["power_w"]) == 1 + 2 * len(data["run"]["moves"])
    assert answer.at_force.value == pytest.approx(run.exit_m_s, rel=1e-9)
    assert min(data["force_n"]) > 0


def test_the_data_cannot_end_their_element(edit):
    name = "</script><script>alert(1)</script><!--"
    folder = edit(
        "session.toml", "[fuels.e10]", f'[fuels."{name}"]\nethanol = "30 %"\n\n[fuels.e10]'
    )
    page = fellow.controls(results_of(folder)).html()
    embedded = re.search(r'<script type="application/json" id="ask-data">(.*)</script>', page)[1]
    assert "<" not in embedded
    assert name in [fuel["name"] for fuel in json.loads(embedded)["fuels"]]


def test_the_fuel_in_the_tank_is_the_one_shown_first(results):
    page = fellow.controls(results).html()
    kept = results.plan.ride.fuel
    assert re.search(rf'<option value="\d+" selected>{kept}</option>', page)
    assert [fuel["name"] for fuel in fellow.data(results)["fuels"]] == ["e5", "e10"]


def test_a_fuel_beyond_the_makers_limits_is_said_to_be(edit):
    folder = edit(
        "session.toml",
        "[fuels.e10]",
        '[fuels.e30]\nethanol = "30 +/- 1 %"\nron = 85\n\n[fuels.e10]',
    )
    fuels = {fuel["name"]: fuel for fuel in fellow.data(results_of(folder))["fuels"]}
    said = " ".join(fuels["e30"]["warnings"])
    assert "e30 has 30 % ethanol, more than the 10 % that the maker allows" in said
    assert not any("maker" in line for line in fuels["e5"]["warnings"])


def test_a_fuel_that_may_run_lean_is_warned_of(results):
    shut = {one.setup: one for one in results.plan.shut}["big_172_e10"]
    assert shut.gate.code == "lean"
    warnings = {fuel["name"]: fuel["warnings"] for fuel in fellow.data(results)["fuels"]}
    assert warnings["e5"] == []
    said = round(100 * shut.odds.leaner)
    assert warnings["e10"] == [f"Not on e10: {said} % chance of running leaner than the band."]


def test_a_session_without_speeds_can_still_be_asked_about_fuel(demo_copy):
    path = demo_copy / "runs.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    header = lines[0].split(",")
    drop = {i for i, name in enumerate(header) if "speed" in name}
    kept = [",".join(c for i, c in enumerate(line.split(",")) if i not in drop) for line in lines]
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    results = results_of(demo_copy)
    assert results.what_if_setup is None
    page = fellow.controls(results).html()
    assert fellow.data(results)["run"] is None
    assert 'id="ask-mass"' not in page
    assert 'id="ask-fuel"' in page or not fellow._fuels(results)


def test_where_nothing_can_be_asked_the_page_has_no_controls_and_no_script(results, monkeypatch):
    monkeypatch.setattr(fellow, "_fuels", lambda results: [])
    monkeypatch.setattr(fellow, "_run_of", lambda results: None)
    assert fellow.script(results) == ""
    assert fellow.controls(results).html() == ""


def test_the_script_asks_for_nothing_and_evaluates_nothing(results):
    text = fellow.script(results)
    for word in ("eval", "Function(", "fetch", "XMLHttp", "import", "innerHTML", "http", "Storage"):
        assert word not in text, word
    assert max(map(len, text.splitlines())) <= 100
