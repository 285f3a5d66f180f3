import numpy as np
import pytest
from numpy.testing import assert_allclose

from tuninglib.statistics.gauge_readings import (
    Readings,
    pegged,
    reading_midpoint,
    wide_spread,
)

GOOD = {
    "lambda_low": [0.86, 0.90], "lambda_high": [0.88, 0.93], "flow_m3_s": 2.5e-6,
    "injector": ["a", "b"], "engine": "stock", "stoichiometric_ratio": 14.3, "density_kg_m3": 745.0,
}  # fmt: skip


def test_spread_is_triangular():
    draws = np.random.default_rng(2).triangular(12.6, 12.8, 13.0, 400_000)
    middle, relative_sd = reading_midpoint(12.6, 13.0)
    assert middle == pytest.approx(12.8)
    assert relative_sd * middle == pytest.approx(draws.std(), rel=0.005)


def test_steady_reading_is_still_uncertain_by_the_rounding():
    draws = np.random.default_rng(2).uniform(-0.05, 0.05, 400_000)
    assert reading_midpoint(12.8, 12.8, resolution=0.1)[1] * 12.8 == pytest.approx(
        draws.std(), rel=0.005
    )


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (10.0, 10.4, True),
        (10.04, 10.4, True),  # prints as 10.0
        (10.1, 10.4, False),
        (19.0, 20.0, True),
        (19.0, 19.9, False),
        (12.0, 13.0, False),
    ],
)
def test_pegged(low, high, expected):
    ends = {"gauge_lowest": 10.0, "gauge_highest": 20.0, "resolution": 0.1}
    assert pegged(low, high, **ends) is expected
    assert pegged(np.array([low]), np.array([high]), **ends).tolist() == [expected]


def test_gauge_without_known_ends_is_never_pegged():
    assert not pegged(7.0, 30.0)
    # In lambda, too, or in volts; and half a step from its end.
    assert not pegged(0.7, 0.8)
    assert pegged(0.05, 0.8, resolution=0.1)
    assert not pegged(0.06, 0.8, resolution=0.1)


@pytest.mark.parametrize(
    ("low", "high", "wide"),
    [
        (12.6, 13.1, False), (12.6, 13.2, True), (0.1, 0.6, False), (0.7, 1.2, False),
        (1.1, 1.6, False), (1.0, 1.5 + 1e-12, False), (1.0, 1.5 + 1e-8, True),
    ],
)  # fmt: skip
def test_a_spread_is_wide_beyond_rounding(low, high, wide):
    assert wide_spread(low, high, widest=0.5) is wide
    assert wide_spread(np.array([low]), np.array([high]), widest=0.5).tolist() == [wide]


def test_prepared_columns():
    readings = Readings(**GOOD)
    # Of a gauge without a known step the ends alone tell how well a reading stands for its run.
    wanted = [
        (high - low) / np.sqrt(24) / ((low + high) / 2)
        for low, high in zip(GOOD["lambda_low"], GOOD["lambda_high"], strict=True)
    ]
    assert_allclose(readings.relative_sd, wanted)
    assert_allclose(readings.offset, 0.0)
    stepped = Readings(**GOOD, resolution=0.01)
    middle = (np.array(GOOD["lambda_low"]) + GOOD["lambda_high"]) / 2
    assert_allclose(stepped.relative_sd**2 - readings.relative_sd**2, 0.01**2 / 12 / middle**2)
    assert_allclose(np.exp(readings.log_lambda), [0.87, 0.915])
    assert_allclose(np.exp(readings.log_fuel), 14.3 * np.sqrt(745))
    assert readings.engine == ("stock", "stock")
    assert readings.injector == ("a", "b")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"lambda_high": [0.88, 13.4]},
         "lambda is 13.4 but must be at most 2.5; divide the reading"),
        ({"lambda_low": [np.nan, 0.9]}, "lambda is nan"),
        ({"lambda_low": [0.89, 0.9]}, "a low gauge reading is above its high one"),
        ({"flow_m3_s": 150.0}, "flow is 150 m3/s but must be at most 0.001 m3/s; 1 cm3/min"),
        ({"stoichiometric_ratio": 0.0}, "stoichiometric ratio is 0"),
        ({"density_kg_m3": -745.0}, "density is -745 kg/m3"),
        ({"density_kg_m3": 0.0}, "density is 0 kg/m3 but must be above 0"),
        ({"lambda_low": [0.39, 0.9]}, "lambda is 0.39 but must be at least 0.4"),
        ({"flow_m3_s": 0.9e-8}, "flow is 9e-09 m3/s but must be at least 1e-08 m3/s"),
        ({"offset": [0.0, np.nan]}, "offset is nan but must be a finite number; give 0"),
        ({"injector": ["a", "b", "c"]}, "3 names for 2 readings"),
        ({"lambda_low": [], "lambda_high": []}, "there is no reading"),
        ({"resolution": -0.1}, "gauge resolution is -0.1"),
    ],
)  # fmt: skip
def test_refuses_what_cannot_be(change, message):
    with pytest.raises(ValueError, match=message):
        Readings(**{**GOOD, **change})


def test_a_spread_of_exactly_the_widest_is_still_steady():
    # 15.6 to 16.1 is half a unit, though not in the last bit of the difference.
    low, high = 15.6, 16.1
    assert high - low > 0.5
    assert not wide_spread(low, high, widest=0.5)
    assert not wide_spread(low, low + 0.5 + 1e-12, widest=0.5)
    assert wide_spread(low, high + 0.001, widest=0.5)


def test_a_gauge_without_stated_ends_has_none():
    assert not pegged(0.5, 0.6)
    assert not pegged(0.9, 1.0)
    # Without a resolution only the end itself is the end.
    assert not pegged(10.5, 10.9, gauge_lowest=10.0)
    assert pegged(10.0, 10.0, gauge_lowest=10.0)
