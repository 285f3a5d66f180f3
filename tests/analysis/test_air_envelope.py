"""For which air a mixture holds, and what the readings say of the ECU."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.analysis.test_decide import one
from tests.conftest import DEMO
from tests.outing import Outing
from tuninglib.analysis import air_envelope as envelope
from tuninglib.analysis.air_envelope import CASES, log_air
from tuninglib.analysis.mixture import density_not_corrected, weighed_readings
from tuninglib.interval import Interval, Measured
from tuninglib.physics.air import correction_sae_j1349, standard_pressure_pa, vapour_pressure_pa
from tuninglib.report import mixture, verdict, what_if
from tuninglib.report.advice import gate_sentence
from tuninglib.session.defaults import Band, air_of_runs

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

BAND = Band(0.83, 0.90, 0.90)
CHANCES = {"both": 0.45, "neither": 0.29, "temperature": 0.25, "pressure": 0.01}
RIDING = envelope.RidingAir(
    coldest_k=263.15, hottest_k=303.15, lowest_m=200.0, highest_m=1800.0,
    air_is_stated=True, altitude_is_stated=True,
)  # fmt: skip
READ = {"a": (293.15, 97e3, 0.4), None: (285.15, 95e3, 0.5)}
KNOWN = envelope.KnownAir(
    chances=CHANCES, source="readings", riding=RIDING,
    of_setup={name: log_air(*state) for name, state in READ.items()},
    temperature_k={"a": (291.15, 295.15), None: (280.15, 298.15)},
    sd=np.array([0.004, 0.012, 0.008, 0.010]), altitude_known=True,
)  # fmt: skip
RIDDEN = one("a", lambda_=Interval(0.87, 0.85, 0.89))
LISTED = one(None, "i178", lambda_=Interval(0.835, 0.80, 0.87), flow_m3_s=178.0)


def by_hand(own, kelvin, metres):
    """Of each case: its chance, and mean and standard deviation of log lambda."""
    setup = "a" if own.setup else None
    spread = math.log(own.lambda_.high / own.lambda_.low) / (2 * 1.96)
    for place, (case, chance) in enumerate(CHANCES.items()):
        here = log_air(kelvin, standard_pressure_pa(metres), 0.5)
        shift = float(here[place] - log_air(*READ[setup])[place])
        # Fifteen hundredths of humidity, and a hundredth of pressure unless the ECU sees to it.
        unknown = [0.15 * vapour_pressure_pa(kelvin, 1.0) / standard_pressure_pa(metres)]
        unknown += [0.01] if case in ("neither", "temperature") else []
        sd = math.hypot(spread, KNOWN.sd[place], *unknown)
        yield chance, math.log(own.lambda_.value) + shift, sd


def below(edge, cases):
    """Chance that lambda is below an edge."""
    return sum(c * (1 + math.erf((math.log(edge) - m) / s / 2**0.5)) / 2 for c, m, s in cases)


@pytest.mark.parametrize("own", [RIDDEN, LISTED])
@pytest.mark.parametrize(("kelvin", "metres"), [(268.15, 0.0), (293.15, 600.0), (303.15, 1800.0)])
def test_lambda_in_other_air_is_the_sum_over_what_the_ecu_may_do(own, kelvin, metres):
    lambda_, odds = envelope.over_air(KNOWN, own, BAND, temperature_k=kelvin, altitude_m=metres)
    cases = list(by_hand(own, kelvin, metres))
    assert lambda_.value == pytest.approx(math.exp(sum(c * m for c, m, _ in cases)))
    assert below(lambda_.low, cases) == pytest.approx(0.025, abs=2e-4)
    assert below(lambda_.high, cases) == pytest.approx(0.975, abs=2e-4)
    assert odds.richer == pytest.approx(below(0.83, cases), abs=2e-4)
    assert odds.leaner == pytest.approx(1 - below(0.90, cases), abs=2e-4)
    assert odds.richer + odds.inside + odds.leaner == pytest.approx(1.0)


def test_what_is_richer_in_every_case_is_called_so_from_where_that_is_likely(session):
    """Moist heat brings even a corrected mixture over the edge, but later than the first case."""
    known = replace(KNOWN, riding=replace(RIDING, lowest_m=600.0, highest_m=600.0))
    wet = one(None, "i178", lambda_=Interval(0.838, 0.82, 0.856), flow_m3_s=178.0)
    shown = envelope.air_envelope(session, known, [wet], wet, None).of(wet)
    kelvins = [263.15 + 0.5 * k for k in range(81)]
    at = {kelvin: list(by_hand(wet, kelvin, 600.0)) for kelvin in kelvins}
    first = min(t for t, cases in at.items() if any(m < math.log(0.83) for _, m, _ in cases))
    likely = min(t for t, cases in at.items() if below(0.83, cases) > 0.5)
    assert shown.rich_cases == ("both", "neither", "temperature")
    assert first + 3 < shown.rich_above_k == likely


def test_edges_in_the_riders_air_are_where_a_case_that_counts_crosses_them(session):
    """The case of one in a hundred, which would cross one too, is not spoken of."""
    others = [one("b", fuel="e10"), one("c", engine="huge"), one(None, "i160", flow_m3_s=160.0)]
    unread = one(None, "i199", lambda_=None)
    found = envelope.air_envelope(
        session, KNOWN, [LISTED, *others, unread, RIDDEN], RIDDEN, "stock"
    )
    assert [own.injector for own in found.mixtures] == ["i170", "i160", "i178"]
    for own, read in ((RIDDEN, (291.15, 295.15)), (LISTED, (280.15, 298.15))):
        shown = found.of(own)
        assert (shown.coldest_read_k, shown.hottest_read_k) == read
        # Half a degree apart: on the lowest ground and on the highest.
        kelvins = [263.15 + 0.5 * k for k in range(81)]
        low, high = ([list(by_hand(own, t, m)) for t in kelvins] for m in (200.0, 1800.0))
        lean = [[c >= 0.02 and m > math.log(0.90) for c, m, _ in at] for at in low]
        rich = [[c >= 0.02 and m < math.log(0.83) for c, m, _ in at] for at in high]
        cold = [t for t, at in zip(kelvins, lean, strict=True) if any(at)]
        hot = [t for t, at in zip(kelvins, rich, strict=True) if any(at)]
        assert shown.lean_below_k == (max(cold) if cold else None)
        assert shown.rich_above_k == (min(hot) if hot else None)
        for names, table in ((shown.lean_cases, lean), (shown.rich_cases, rich)):
            crossed = zip(CASES, np.any(table, axis=0), strict=True)
            assert names == tuple(case for case, any_ in crossed if any_)
        worst = [1 - below(0.90, by_hand(own, 263.15, m)) for m in (200.0, 1800.0)]
        assert shown.worst_leaner == pytest.approx(max(worst), abs=2e-4)
    assert found.of(RIDDEN).lean_cases == ("neither",)
    assert found.of(RIDDEN).rich_cases == ("neither", "temperature")
    # Every five degrees from -10, which is ridden, to 35, and every 500 m above the lowest.
    assert found.temperature_k == pytest.approx([263.15 + 5 * k for k in range(10)])
    assert found.altitude_m == pytest.approx([200, 500, 1000, 1500, 2000, 2500])
    cell = found.of(RIDDEN).leaner[1][2]
    assert cell == pytest.approx(1 - below(0.90, by_hand(RIDDEN, 273.15, 500.0)), abs=2e-4)
    feet = replace(session, about=replace(session.about, units="imperial"))
    asked = envelope.air_envelope(feet, KNOWN, [RIDDEN], None, "big")
    assert asked.altitude_m == pytest.approx([200, *(0.3048 * x for x in (2000, 4000, 6000, 8000))])
    assert envelope.air_envelope(session, KNOWN, [RIDDEN], None, "stock") is None


def test_the_share_of_the_air_in_which_it_is_likelier_lean_than_not():
    """Over 21 temperatures and 3 altitudes."""
    air = [(263.15 + 2 * k, m) for k in range(21) for m in (200.0, 1000.0, 1800.0)]
    for own in (replace(RIDDEN, lambda_=Interval(at, 0.88, 0.91)) for at in (0.89, 0.895)):
        counted = sum(below(0.90, by_hand(own, *place)) < 0.5 for place in air)
        assert 0 < counted < 63
        assert envelope.lean_share(KNOWN, own, BAND) == pytest.approx(counted / 63)
    unsaid = replace(KNOWN, riding=replace(RIDING, air_is_stated=False))
    assert envelope.lean_share(unsaid, RIDDEN, BAND) is None
    assert envelope.lean_share(KNOWN, one("a", lambda_=None), BAND) is None


@pytest.mark.parametrize("stated", [True, False])
def test_what_nobody_wrote_down_of_the_air_is_not_known_of_it(session, stated):
    """Every second reading lacks its temperature, its humidity and its pressure."""
    runs = session.runs.assign(air_pressure_pa=96e3, humidity_ratio=0.7)
    runs.loc[runs.index[::2], ["air_temperature_k", "air_pressure_pa", "humidity_ratio"]] = None
    day = {"temperature": Measured(291.15, 4.0), "pressure": Measured(97e3, 300.0)}
    weather = replace(session.weather, **(day if stated else dict.fromkeys(day)))
    bike = replace(session.bike, density_compensation="no")
    known = replace(session, runs=runs, weather=weather, bike=bike)
    air = air_of_runs(known)
    rows = weighed_readings(known, air).assign(weight=lambda own: np.linspace(0.2, 1, len(own)))
    found = envelope.known_air(known, air, rows, open_loop=True)
    assert found.chances == {"both": 0.0, "neither": 1.0, "temperature": 0.0, "pressure": 0.0}
    own = air.loc[rows.index]
    for setup in (*dict.fromkeys(rows["setup"]), None):
        at = rows["setup"] == setup if setup else rows["setup"] != ""
        t, *others = (own.loc[at, n].to_numpy() for n in
                      ("temperature_k", "pressure_abs_pa", "humidity_ratio"))  # fmt: skip
        left, weight = log_air(t, *others), rows.loc[at, "weight"].to_numpy()[:, None]
        assert found.of_setup[setup] == pytest.approx((weight * left).sum(axis=0) / weight.sum())
        assert found.temperature_k[setup] == ((t.min(), t.max()) if stated else (None, None))
    lacking = known.runs.loc[rows.index, "air_temperature_k"].isna().mean()
    assert 0.3 < lacking < 0.7
    mean_t, mean_p = own["temperature_k"].mean(), own["pressure_abs_pa"].mean()
    # Where the day's is not stated: 15 degrees either way, and 1 % for the weather.
    by_t = lacking * (4.0 if stated else 15.0) / 1.96 / mean_t
    by_p = lacking * (300.0 / 1.96 / 97e3 if stated else 0.01)
    by_h = lacking * session.weather.humidity.half_width / 1.96
    by_h *= vapour_pressure_pa(mean_t, 1.0) / mean_p
    sds = [(0, 0), (by_t, by_p), (0, by_p), (by_t, 0)]
    assert found.sd == pytest.approx([math.hypot(t, p, by_h) for t, p in sds], rel=1e-3)
    assert envelope.known_air(known, air, rows, open_loop=False) is None
    assert envelope.known_air(known, air, rows.iloc[:0], open_loop=True) is None


def test_an_ecu_that_corrects_holds_it_but_for_humidity(results):
    own = results.air.of(results.plan.ride)
    assert own.lean_below_k is own.rich_above_k is None
    assert 1.01 < own.lambda_[0][0] / own.lambda_[0][-1] < 1.04
    assert np.ptp(np.array(own.lambda_)[:, 0]) < 0.01
    assert "it keeps its place in the band." in str(verdict.sentences(results))


def test_what_is_not_known_spans_the_cases(silent):
    said = str(verdict.sentences(silent))
    assert "if the ECU corrects for air temperature; if it does not (12 % chance), it is" in said


def test_without_a_pressure_of_every_reading_or_of_the_day_or_an_altitude_none_is_known(session):
    hill, day = replace(session.hill, altitude=None), replace(session.weather, pressure=None)
    for pressures, known in (([None, None], False), ([97e3, None], False), ([97e3, 96e3], True)):
        runs = session.runs.iloc[:2].assign(air_pressure_pa=np.array(pressures, dtype=float))
        home, rows = replace(session, hill=hill, weather=day, runs=runs), runs.assign(weight=1.0)
        found = envelope.known_air(home, air_of_runs(home), rows, open_loop=True)
        assert found.altitude_known is known
        shown = envelope.air_envelope(home, found, [replace(RIDDEN, setup="stock")], None, "big")
        assert (len(shown.altitude_m) > 1) is known
        home = replace(home, hill=session.hill)
        assert envelope.known_air(home, air_of_runs(home), rows, open_loop=True).altitude_known


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
