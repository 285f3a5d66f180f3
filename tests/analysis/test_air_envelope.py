"""For which air a mixture holds, and what the readings say of the ECU."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.conftest import DEMO
from tests.outing import Outing
from tuninglib.analysis.air_envelope import CASES, log_air
from tuninglib.analysis.mixture import density_not_corrected
from tuninglib.physics.air import correction_sae_j1349, standard_pressure_pa
from tuninglib.report import mixture, verdict, what_if
from tuninglib.report.advice import gate_sentence
from tuninglib.session.defaults import air_of_runs

NEITHER, TEMPERATURE = list(CASES).index("neither"), list(CASES).index("temperature")


def made(folder, compensation, **use):
    outing = Outing(DEMO, folder).key("bike", density_compensation=compensation)
    return outing.key("use", **use).results()


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """The demo with an ECU that corrects for nothing."""
    return made(tmp_path_factory.mktemp("air") / "bare", "no")


@pytest.fixture(scope="module")
def silent(tmp_path_factory):
    """The demo with nothing said of the ECU."""
    return made(tmp_path_factory.mktemp("air") / "silent", None)


# Physics ------------------------------------------------------------------------------------------


@pytest.mark.outside(source="CoolProp humid air (virial equation, ASHRAE RP-1485)")
@pytest.mark.parametrize(
    ("celsius", "pressure_pa", "humidity"), [(1.0, 101325.0, 0.5), (35.0, 75e3, 0.8)]
)
def test_the_oxygen_in_a_volume_of_air(celsius, pressure_pa, humidity):
    properties = pytest.importorskip("CoolProp.CoolProp")

    def dry_density(*state):
        return 1 / properties.HAPropsSI("Vda", "T", state[0], "P", state[1], "R", state[2])

    states = [(celsius + 273.15, pressure_pa, humidity), (293.15, 98e3, 0.6)]
    ours = np.subtract(*(log_air(*state)[NEITHER] for state in states))
    assert ours == pytest.approx(
        math.log(dry_density(*states[0]) / dry_density(*states[1])), abs=6e-4
    )


@pytest.mark.outside(source="International standard atmosphere, table in bar")
def test_air_on_a_pass_over_air_at_the_sea():
    at = [log_air(288.15, standard_pressure_pa(m), 0.0)[TEMPERATURE] for m in (2000.0, 0.0)]
    assert math.exp(at[0] - at[1]) == pytest.approx(0.7950 / 1.01325, abs=5e-5)


@pytest.mark.outside(source="SAE J1349: output goes with the dry pressure, 1.18 of it less 0.18")
def test_pressure_counts_as_in_the_published_correction():
    states = [(298.15, 99e3, 0.6), (298.15, 80e3, 0.2)]
    factors = [
        (
            correction_sae_j1349(temperature_k=t, pressure_abs_pa=p, relative_humidity=h).factor
            + 0.18
        )
        for t, p, h in states
    ]
    ours = np.subtract(*(log_air(*state)[NEITHER] for state in states))
    assert ours == pytest.approx(math.log(factors[1] / factors[0]), abs=1e-12)


def test_what_is_left_where_the_ecu_sees_to_one_of_both(session):
    air = air_of_runs(session).iloc[:2].assign(
        temperature_k=[268.15, 298.15], pressure_abs_pa=[90e3, 90e3], density_kg_m3=[1.17, 1.05]
    )  # fmt: skip
    left = {
        said: density_not_corrected(
            replace(session, bike=replace(session.bike, density_compensation=said)), air
        )
        for said in ("yes", "unknown", "no", "temperature", "pressure")
    }
    assert left["yes"] is None
    assert left["unknown"] is None
    ratios = {said: left[said][0] / left[said][1] for said in ("no", "temperature", "pressure")}
    assert ratios["no"] == pytest.approx(1.17 / 1.05)
    assert ratios["temperature"] == pytest.approx(1.17 / 1.05 * 268.15 / 298.15)
    assert ratios["pressure"] == pytest.approx(1.17 / 1.05)


# The envelope -------------------------------------------------------------------------------------


def test_cold_air_is_leaner_and_a_pass_richer(bare):
    own = bare.air.of(bare.plan.ride)
    assert own.lambda_[0][0] > 1.1 * own.lambda_[0][-1]
    assert own.lambda_[-1][0] < 0.8 * own.lambda_[0][0]
    # 0.876 was read at 21.3 °C on the hill; the band ends at 0.90.
    assert own.lean_below_k == pytest.approx(294.4 * 0.876 / 0.90, abs=1.5)


def test_where_it_was_read_the_interval_is_its_own(bare):
    own, ride = bare.air.of(bare.plan.ride), bare.plan.ride
    width = np.interp(294.4, bare.air.temperature_k, np.subtract(own.high[0], own.low[0]))
    # The weather's pressure on another day comes in, and little else.
    assert 1.2 * ride.lambda_.half_width < width / 2 < 1.5 * ride.lambda_.half_width


def test_an_ecu_that_corrects_holds_it_but_for_humidity(results):
    own = results.air.of(results.plan.ride)
    assert own.lean_below_k is own.rich_above_k is None
    assert 1.01 < own.lambda_[0][0] / own.lambda_[0][-1] < 1.04
    assert np.ptp(np.array(own.lambda_)[:, 0]) < 0.01
    assert "it keeps its place in the band." in str(verdict.sentences(results))


def test_what_is_not_known_spans_the_cases(silent, bare, results):
    cold = {name: one.air.of(one.plan.ride) for name, one in
            {"silent": silent, "bare": bare, "yes": results}.items()}  # fmt: skip
    assert cold["silent"].low[0][0] < cold["yes"].lambda_[0][0]
    assert cold["silent"].high[0][0] > cold["bare"].low[0][0]
    assert "if the ECU corrects for air temperature; if it does not (12 % chance), it is" in str(
        verdict.sentences(silent)
    )


def test_air_that_nobody_wrote_down_widens_it_and_no_altitude_is_drawn(tmp_path, bare):
    outing = Outing(DEMO, tmp_path / "unread").key("bike", density_compensation="no")
    outing.without_columns("air_temperature").key("hill", altitude=None)
    results = outing.key("weather", pressure=None).results()
    own, known = results.air.of(results.plan.ride), bare.air.of(bare.plan.ride)
    assert own.high[0][0] - own.low[0][0] > 2 * (known.high[0][0] - known.low[0][0])
    assert own.coldest_read_k is None
    assert len(results.air.altitude_m) == 1


def test_readings_in_other_air_tell_what_the_ecu_does(silent, tmp_path):
    # The demo was ridden from 14 to 22 °C with an ECU that corrects.
    chances = silent.air.ecu_corrects
    assert sum(chances.values()) == pytest.approx(1.0)
    assert chances["both"] + chances["temperature"] > 0.85
    outing = Outing(DEMO, tmp_path / "turned").key("bike", density_compensation=None)
    for row in outing.full():
        celsius = 14 + 2.5 * (float(row["air_temperature [degC]"]) - 14)
        row["air_temperature [degC]"] = f"{celsius:g}"
        for name in ("gauge_low", "gauge_high"):
            row[name] = f"{float(row[name]) * 293.15 / (celsius + 273.15):.2f}"
    chances = outing.results().air.ecu_corrects
    assert chances["neither"] + chances["pressure"] > 0.85


def test_the_same_air_tells_nothing(evening):
    assert set(evening.air.ecu_corrects.values()) == {0.25}
    assert "cannot tell: the intervals span all cases" in str(mixture.air_sentences(evening))


# Advice -------------------------------------------------------------------------------------------


def test_what_is_lean_on_frost_is_watched_not_shut_in_air_that_nobody_stated(bare):
    assert bare.plan.ride.setup == "big_172"
    assert {one.lean_air for one in bare.combinations} == {None}
    assert "no full throttle below 14 °C until the gauge was read" in str(verdict.watch(bare))
    assert "air of −5 to 35 °C at the hill's altitude is assumed (air and altitude under" in str(
        mixture.air_sentences(bare)
    )


def test_what_is_lean_in_most_of_the_air_that_is_stated_is_shut(tmp_path):
    results = made(tmp_path / "winter", "no", air="-5 to 10 degC")
    shut = {one.setup: one.gate for one in results.combinations if one.gate and one.setup}
    assert shut["big_172"].code == "air"
    assert shut["big_172"].value > 0.99
    one = next(c for c in results.combinations if c.setup == "big_172")
    assert gate_sentence(results, one) == (
        "likely leaner than the band in over 99 % of the air that you ride in"
    )
    assert results.plan.ride.setup != "big_172"
    # What its maker delivered is no risk that the rider takes.
    assert "stock" not in shut


def test_a_richer_injector_that_covers_all_of_it_is_named(tmp_path):
    results = made(tmp_path / "autumn", "no", air="12 to 20 degC")
    said = str(mixture.air_sentences(results))
    assert "leaner than the band below 15 °C" in said
    assert "Injector i178 is expected to stay inside all of it." in said


def test_the_lean_edge_is_met_on_the_lowest_ground_and_the_rich_one_on_the_highest(tmp_path):
    results = made(tmp_path / "pass", "no", air="5 to 25 degC", altitude="0 to 1200 m")
    said = str(verdict.sentences(results))
    # 3 % denser than on the hill, and 11 % thinner.
    assert "leaner than the band below 21 °C at 0 m" in said
    assert "throughout at 1200 m, as the ECU does not correct for the air." in said
    assert "Watch: in air of 5 °C, big 172 has an over 99 % chance" in str(verdict.watch(results))


@pytest.mark.parametrize(("said", "asked"), [("temperature", "no"), ("pressure", "yes")])
def test_the_fellows_page_asks_about_another_altitude_at_the_days_temperature(bare, said, asked):
    bike = replace(bare.session.bike, density_compensation=said)
    other = replace(bare, session=replace(bare.session, bike=bike))
    assert what_if.data(other)["compensation"] == asked
