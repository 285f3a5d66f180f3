from dataclasses import replace

import numpy as np
import pytest

from tuninglib.analysis.injector import ladder_of, outlook
from tuninglib.interval import Measured
from tuninglib.physics.fuels import Blend, lambda_shift


@pytest.fixture(scope="module")
def ladder(results):
    return ladder_of(results)


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


def test_the_curve_reaches_a_tenth_beyond_the_injectors_listed(results, ladder):
    flows = np.array([one.flow.value for one in results.session.injectors.values()])
    assert ladder.flow_m3_s[[0, -1]] == pytest.approx([0.9 * flows.min(), 1.1 * flows.max()])
    assert len(ladder.flow_m3_s) > 40


def test_a_reading_on_its_own_fuel_is_the_lambda_that_was_read(results, ladder):
    """A gauge with a scale of 14.7, off by less than a thousandth as it was checked."""
    session = results.session
    full = session.runs[(session.runs["state"] == "full") & session.runs["gauge_low"].notna()]
    fuels = full["setup"].map({name: one.fuel for name, one in session.setups.items()}).to_numpy()
    engines = full["setup"].map({name: one.engine for name, one in session.setups.items()})
    kept = (engines == ladder.engine).to_numpy()
    read = ((full["gauge_low"] + full["gauge_high"]) / 2 / 14.7).to_numpy()[kept]
    asked = {"lowest": 0.83, "highest": 0.9, "flow_m3_s": ladder.flow_m3_s[30], "tolerance": 0.06}
    for fuel in ("e5", "e10"):
        ethanol = session.fuels[fuel].ethanol.value
        found = outlook(results, ladder, ethanol=ethanol, **asked)
        on_it = fuels[kept] == fuel
        assert on_it.any()
        assert found.reading_lambda[on_it] == pytest.approx(read[on_it], rel=1e-3)
        # What is not known of a fuel counts only for that fuel.
        demand = ladder.fuels[round(ethanol, 6)]
        assert demand.name == fuel


def test_an_injector_is_open_for_its_fuel_and_the_longest_dead_time(results, ladder):
    """One of twice the flow needs half as long beyond it; a leaner target less fuel."""
    session = results.session
    dead = iter([0.0009, 0.0016, *[0.0011] * 9])
    injectors = {
        name: replace(one, dead_time=Measured(next(dead)))
        for name, one in session.injectors.items()
    }
    results = replace(results, session=replace(session, injectors=injectors))

    def asked(flow, lowest, highest):
        return outlook(
            results, ladder, ethanol=0.05, lowest=lowest, highest=highest, flow_m3_s=flow,
            tolerance=0.06,
        )  # fmt: skip

    flow = 178e-6 / 60
    one, two = asked(flow, 0.8, 0.9), asked(2 * flow, 0.8, 0.9)
    assert 2 * two.open_time_s - one.open_time_s == pytest.approx(0.0016)
    # In the middle of the band, by ratio: from 0.8 to 0.9 and from 0.96 to 1.08 is a factor 1.2.
    leaner = asked(flow, 0.96, 1.08)
    assert (one.open_time_s - 0.0016) / (leaner.open_time_s - 0.0016) == pytest.approx(1.2)
    assert one.cycle_time_s == pytest.approx(2 * 60 / 8500)
    # Air for a lambda of 1 weighs some 14.4 times the fuel: within the breathing that is stated.
    size = session.engines[ladder.engine].displacement_m3
    fuel_kg = size * 1.2 * 0.85 / 14.4 / np.sqrt(0.8 * 0.9)
    assert one.open_time_s - 0.0016 == pytest.approx(fuel_kg / (flow * 745), rel=0.06)


def test_where_nothing_can_be_predicted_there_is_no_ladder(results):
    withheld = replace(results.ladder, withheld="gauge")
    assert ladder_of(replace(results, ladder=withheld)) is None
    assert ladder_of(replace(results, ladder=None)) is None
