"""Expected harm of a mixture: limits, symmetry, and the formula against numerical integration."""

from math import erf, exp, pi, sqrt

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm, truncnorm

from tuninglib.interval import Z_95, Interval
from tuninglib.statistics.ladder_prediction import LEAN_WEIGHT, expected_harm

BAND = {"rich_edge": 0.83, "lean_edge": 0.90}


def around(middle, sd):
    return Interval(middle, middle - Z_95 * sd, middle + Z_95 * sd)


@pytest.mark.parametrize("middle", [0.70, 0.80, 0.83, 0.865, 0.90, 0.92, 1.00])
@pytest.mark.parametrize("sd", [0.002, 0.01, 0.05])
def test_it_is_the_mean_of_the_harm_over_what_lambda_may_be(middle, sd):
    def harm(x):
        return 100 * (max(0.83 - x, 0) + LEAN_WEIGHT * max(x - 0.90, 0))

    points = [p for p in (0.83, 0.90, middle) if abs(p - middle) < 12 * sd]
    mean, _ = quad(
        lambda x: harm(x) * norm.pdf(x, middle, sd),
        middle - 12 * sd,
        middle + 12 * sd,
        points=points,
        epsabs=1e-12,
        limit=200,
    )
    assert expected_harm(around(middle, sd), **BAND) == pytest.approx(mean, rel=1e-7, abs=1e-9)


@pytest.mark.outside(source="scipy.stats.truncnorm")
def test_the_excess_is_the_truncated_normals_mean_times_its_share():
    middle, sd, edge = 0.88, 0.02, 0.90
    beyond = truncnorm((edge - middle) / sd, np.inf, loc=middle, scale=sd)
    share = norm.sf(edge, middle, sd)
    wanted = 100 * LEAN_WEIGHT * (beyond.mean() - edge) * share
    found = expected_harm(around(middle, sd), rich_edge=0.5, lean_edge=edge)
    assert found == pytest.approx(wanted, rel=1e-9)


def test_by_hand_on_the_edge():
    """Half of it lies beyond, by sd times the square root of 2/pi on average."""
    sd = 0.02 / Z_95
    wanted = 100 * LEAN_WEIGHT * sd / sqrt(2 * pi)
    found = expected_harm(Interval(0.90, 0.88, 0.92), rich_edge=0.5, lean_edge=0.90)
    assert found == pytest.approx(wanted, rel=1e-12)
    assert found == pytest.approx(1.63, abs=0.005)


def test_one_standard_deviation_beyond_by_hand():
    """E max(x, 0) = s (phi(1) + Phi(1)) for a mean of one standard deviation."""
    phi, share = exp(-0.5) / sqrt(2 * pi), (1 + erf(1 / sqrt(2))) / 2
    found = expected_harm(around(0.81, 0.02), rich_edge=0.83, lean_edge=2.0)
    assert found == pytest.approx(100 * 0.02 * (phi + share), rel=1e-9)


@pytest.mark.parametrize(
    ("value", "harm"),
    [(0.80, 3.0), (0.83, 0.0), (0.85, 0.0), (0.90, 0.0), (0.92, 2 * LEAN_WEIGHT)],
)
def test_a_mixture_known_exactly_counts_its_distance(value, harm):
    assert expected_harm(Interval(value, value, value), **BAND) == pytest.approx(harm, abs=1e-9)


def test_lean_counts_several_times_as_much_as_rich():
    rich = expected_harm(around(0.80, 0.001), **BAND)
    lean = expected_harm(around(0.93, 0.001), **BAND)
    assert LEAN_WEIGHT > 1
    assert lean == pytest.approx(LEAN_WEIGHT * rich, rel=1e-6)


def test_it_grows_away_from_the_band_and_with_what_is_not_known():
    lean = [expected_harm(around(x, 0.01), **BAND) for x in np.arange(0.88, 1.0, 0.01)]
    rich = [expected_harm(around(x, 0.01), **BAND) for x in np.arange(0.85, 0.7, -0.01)]
    vague = [expected_harm(around(0.865, sd), **BAND) for sd in (0.005, 0.01, 0.02, 0.04)]
    for series in (lean, rich, vague):
        assert series == sorted(series)
        assert series[-1] > series[0] >= 0


def test_a_lean_edge_that_moves_richer_never_lowers_it():
    for middle in (0.80, 0.85, 0.90, 0.95):
        wide = expected_harm(around(middle, 0.02), rich_edge=0.83, lean_edge=0.90)
        narrow = expected_harm(around(middle, 0.02), rich_edge=0.83, lean_edge=0.865)
        assert narrow >= wide


@pytest.mark.parametrize("edges", [(0.90, 0.83), (0.9, 0.9)])
def test_a_band_the_wrong_way_round_is_refused(edges):
    with pytest.raises(ValueError, match="give the richer end first"):
        expected_harm(Interval(0.9, 0.9, 0.9), rich_edge=edges[0], lean_edge=edges[1])


def test_a_band_below_zero_is_refused():
    with pytest.raises(ValueError, match=r"target band .*give it in lambda"):
        expected_harm(Interval(0.9, 0.9, 0.9), rich_edge=-0.1, lean_edge=0.9)
