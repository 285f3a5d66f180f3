import numpy as np
import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.untried_injector import ladder_of, outlook
from tuninglib.physics.blend import Blend, lambda_shift
from tuninglib.session.load import load_session


@pytest.fixture(scope="module")
def results(demo_folder):
    return analyse(load_session(demo_folder))


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
