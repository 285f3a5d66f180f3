"""Wheel force against speed: from speeds logged over whole runs, pooled for each setup."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.physics.motion import Ride
from tuninglib.statistics.repeats import t_quantile

# The force of a run goes through three values, at both ends and the middle of its speeds; how much
# it may bend and slope there beforehand, over its size (ours: weak, so that short runs hold).
_BEND_SD, _SLOPE_SD = 0.25, 0.6
_STEP_S, _ROUNDS, _SHARE_OF_RANGE = 0.5, 8, 0.06
_FEWEST_ROWS = 7
# The scatter of a logged speed about the motion, for its weight against the weak statements.
_SPEED_SD_M_S = 0.2
# A speed counts where so many of a setup's runs went through it.
_SHARE_OF_RUNS = 0.75
# What a parabola, a road of even pieces and a throttle that opens in a while leave (ours).
_SHAPE_SD = 0.005


class LoggedRun(NamedTuple):
    """Speeds of one run from the start line to the marker.

    Attributes
    ----------
    setup : int
        From 0.
    time_s : array
        Since the start line, rising. [s]
    speed_m_s : array
        True speed then. [m/s]
    ride : Ride
        Of this one run.
    """

    setup: int
    time_s: np.ndarray
    speed_m_s: np.ndarray
    ride: Ride


@dataclass(frozen=True, kw_only=True)
class RunForces:
    """Force of each run over the speeds that it went through.

    Parameters
    ----------
    force_n : array, runs by 3
        At the lowest, the middle and the highest speed of the run. [N]
    low_m_s, high_m_s : array, runs
        These speeds; NaN for a run with too few rows. [m/s]
    """

    force_n: np.ndarray
    low_m_s: np.ndarray
    high_m_s: np.ndarray

    def at(self, speed_m_s: ArrayLike) -> np.ndarray:
        """Force of each run at each speed, runs by speeds; NaN where the run was not. [N]"""
        v = np.asarray(speed_m_s, dtype=float)
        low, high = self.low_m_s[:, None], self.high_m_s[:, None]
        with np.errstate(invalid="ignore", divide="ignore"):
            u = 2 * (v - low) / (high - low) - 1
            inside = (v >= low) & (v <= high)
        force = np.einsum("rsk,rk->rs", _through_nodes(u), self.force_n)
        return np.where(inside, force, np.nan)


@dataclass(frozen=True, kw_only=True)
class ForceCurves:
    """Mean force of each setup at each speed, and gains over the first one.

    Parameters
    ----------
    force_n, half_width_n : array, setups by speeds
        From the scatter of the runs; NaN where fewer than two runs, or than three quarters of
        the setup's, went through the speed.
    gain, gain_half_width : array, setups by speeds
        Ratio to the first setup minus 1.
    runs : array of int, setups by speeds
    dof : array, speeds
        Of the scatter, which all setups share.
    """

    force_n: np.ndarray
    half_width_n: np.ndarray
    gain: np.ndarray
    gain_half_width: np.ndarray
    runs: np.ndarray
    dof: np.ndarray


def run_forces(runs: list[LoggedRun]) -> RunForces:
    """Force of each run as a curve over its speeds, by the equation of motion.

    Parameters
    ----------
    runs : list of LoggedRun

    Returns
    -------
    RunForces

    Notes
    -----
    Forward: the motion over the whole run follows from the speed at its first row and a force that
    is quadratic in speed, and these four numbers are moved until it goes through the logged speeds
    (Gauss-Newton, classic Runge-Kutta steps of half a second). Nothing is differentiated, so the
    noise of the speeds is not made larger.

    Examples
    --------
    >>> from tuninglib.physics.motion import Hill
    >>> ride = Ride(hill=Hill(400.0, 0.0), mass_kg=200.0, air_density_kg_m3=1.2,
    ...             drag_area_m2=0.0, rolling_coefficient=0.0)
    >>> time = np.arange(0.0, 20.0)
    >>> found = run_forces([LoggedRun(0, time, 10 + 1.5 * time, ride)])
    >>> found.at([15.0, 25.0, 60.0]).round(0)
    array([[300., 300.,  nan]])
    """
    found = np.full((5, len(runs)), np.nan)
    good = [i for i, run in enumerate(runs) if len(run.time_s) >= _FEWEST_ROWS]
    if good:
        found[:, good] = _fitted([runs[i] for i in good])
    return RunForces(force_n=found[:3].T, low_m_s=found[3], high_m_s=found[4])


def force_curves(forces: RunForces, *, setup: ArrayLike, speed_m_s: ArrayLike) -> ForceCurves:
    """Mean force of each setup at each speed, from the forces of its runs.

    Parameters
    ----------
    forces : RunForces
    setup : array of int
        Of each run, from 0.
    speed_m_s : array
        [m/s]

    Returns
    -------
    ForceCurves

    Notes
    -----
    What gusts, riding and noise do differs from run to run, so that runs and not rows tell the
    uncertainty: scatter of the logarithm of force about the setups' means, pooled over the setups
    at each speed, and Student's distribution; half a per cent is joined with it, of forces alone.

    Examples
    --------
    >>> forces = RunForces(force_n=np.array([[300.0] * 3, [306.0] * 3, [330.0] * 3, [336.0] * 3]),
    ...                    low_m_s=np.full(4, 10.0), high_m_s=np.full(4, 20.0))
    >>> found = force_curves(forces, setup=[0, 0, 1, 1], speed_m_s=[15.0, 25.0])
    >>> found.force_n[:, 0].round(), found.runs[:, 1]
    (array([303., 333.]), array([0, 0]))
    >>> float(found.gain[1, 0])
    0.099
    """
    setup = np.asarray(setup, dtype=int)
    # Logarithms, so that setups of unlike force share one relative scatter.
    log = np.log(forces.at(speed_m_s))
    groups = [log[setup == one] for one in range(setup.max() + 1)]
    runs = np.array([np.isfinite(own).sum(0) for own in groups])
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.array([np.nansum(own, axis=0) for own in groups]) / runs
        pairs = zip(groups, mean, strict=True)
        squares = sum(np.nansum((own - middle) ** 2, axis=0) for own, middle in pairs)
        dof = np.maximum(runs - 1, 0).sum(0)
        # Pooled over the setups: two runs of one tell next to nothing of its own scatter. The
        # limit: a setup that really scatters more gets too narrow an interval.
        variance = squares / dof
        t = t_quantile(0.975, np.maximum(dof, 1))
        # At the ends only the fastest or the slowest runs were there: they are not the setup's.
        whole = np.bincount(setup, minlength=len(groups))[:, None]
        told = (runs >= 2) & (runs >= _SHARE_OF_RUNS * whole)
        force = np.where(told, np.exp(mean), np.nan)
        # What the shape leaves is alike for all setups on one hill: it is in forces, not in gains.
        half = force * np.hypot(t * np.sqrt(variance / runs), 1.96 * _SHAPE_SD)
        gain = np.exp(mean - mean[0]) - 1
        gain_half = (1 + gain) * t * np.sqrt(variance * (1 / runs + 1 / runs[0]))
    both = told & told[0] & (np.arange(len(groups)) > 0)[:, None]
    return ForceCurves(
        force_n=force,
        half_width_n=half,
        gain=np.where(both, gain, np.nan),
        gain_half_width=np.where(both, gain_half, np.nan),
        runs=runs,
        dof=dof,
    )


def _through_nodes(u):
    """Weights of the three values at a place from −1 to 1: the parabola through them."""
    u = u[..., None]
    return np.concatenate([u * (u - 1) / 2, 1 - u**2, u * (u + 1) / 2], axis=-1)


class _Batch:
    """All runs at once; arrays count the runs on their last axis, the first one the pieces."""

    def __init__(self, runs):
        ride = [run.ride for run in runs]

        def of(name):
            return np.array([float(getattr(one, name)) for one in ride])

        lengths, grades = (
            np.stack([np.atleast_1d(getattr(one.hill, name)) for one in ride], axis=1)
            for name in ("lengths_m", "grade_ratios")
        )
        mass, rolling = of("mass_kg"), of("rolling_coefficient")
        self.effective = mass + of("rotating_mass_kg")
        self.drag = of("air_density_kg_m3") * of("drag_area_m2") / 2
        self.wind, self.ends = of("wind_m_s"), lengths.cumsum(0)
        self.climb = mass * of("gravity_m_s2") * (grades + rolling) / np.sqrt(1 + grades**2)
        # Where each run is at its first row.
        self.start = np.array([run.time_s[0] * run.speed_m_s[0] for run in runs])


def _fitted(runs):
    """Forces at the three nodes, then the range of speeds, of each run. 5 by runs"""
    batch = _Batch(runs)
    # At the very ends single noisy rows would set the range, and the parabola would hang on them.
    low = np.array([np.quantile(run.speed_m_s, _SHARE_OF_RANGE) for run in runs])
    high = np.array([np.quantile(run.speed_m_s, 1 - _SHARE_OF_RANGE) for run in runs])
    high = np.maximum(high, low + 0.1)
    first = np.array([run.speed_m_s[0] for run in runs], dtype=float)
    # The mean force of the run to begin with.
    whole = np.array([run.time_s[-1] - run.time_s[0] for run in runs])
    gained = np.array([run.speed_m_s[-1] - run.speed_m_s[0] for run in runs]) / whole
    middle = (low + high) / 2
    mean = batch.effective * gained + batch.climb.mean(0) + _drag(batch, middle)
    state = np.stack([first, mean, mean, mean])
    for _ in range(_ROUNDS):
        scale = np.array([0.05, *(0.01 * np.abs(mean).mean() + 0.1,) * 3])
        moved = state[None] + np.concatenate([np.zeros((1, 4)), np.diag(scale)])[:, :, None]
        speeds = _motion(batch, moved, low, high, runs)
        change = np.zeros_like(state)
        for r, run in enumerate(runs):
            base = speeds[r][0]
            slopes = (speeds[r][1:] - base) / scale[:, None]
            residual = (run.speed_m_s - base) / _SPEED_SD_M_S
            size = abs(mean[r]) + 1.0
            # Two more rows of least squares: second difference (bend) and first (slope) of the
            # three values are near 0, to within their sd. Weak beside a run of full length, enough
            # to hold a short one.
            weak = np.array([[0, 1, -2, 1], [0, -1, 0, 1]]) / size / [[_BEND_SD], [_SLOPE_SD]]
            design = np.concatenate([slopes.T / _SPEED_SD_M_S, weak])
            target = np.concatenate([residual, -weak @ state[:, r]])
            change[:, r] = np.linalg.lstsq(design, target, rcond=None)[0]
        state = state + change
        if np.abs(change[1:]).max() < 1e-4 * np.abs(mean).max():
            break
    return np.vstack([state[1:], low, high])


def _drag(batch, speed):
    air = speed + batch.wind
    return batch.drag * air * np.abs(air)


def _motion(batch, state, low, high, runs):
    """Speeds at each run's rows, under each set of numbers (first axis)."""
    first, force = state[:, 0], state[:, 1:]
    longest = max(run.time_s[-1] - run.time_s[0] for run in runs)
    steps = int(np.ceil(longest / _STEP_S)) + 1

    def pull(way, speed):
        # Far outside of its speeds a parabola runs away: there the force stays what it is a quarter
        # of the range beyond.
        u = np.clip(2 * (speed - low) / (high - low) - 1, -1.5, 1.5)
        weights = _through_nodes(u)
        own = np.einsum("prk,pkr->pr", weights, force)
        piece = np.minimum((way[None] >= batch.ends[:, None]).sum(0), batch.ends.shape[0] - 1)
        climb = np.take_along_axis(batch.climb[:, None].repeat(way.shape[0], 1), piece[None], 0)[0]
        return (own - climb - _drag(batch, speed)) / batch.effective

    way = np.broadcast_to(batch.start, first.shape).copy()
    speed = first.copy()
    course = [speed]
    for _ in range(steps):
        h = _STEP_S
        a1 = pull(way, speed)
        a2 = pull(way + h / 2 * speed, speed + h / 2 * a1)
        a3 = pull(way + h / 2 * (speed + h / 2 * a1), speed + h / 2 * a2)
        a4 = pull(way + h * (speed + h / 2 * a2), speed + h * a3)
        way = way + h * speed + h**2 / 6 * (a1 + a2 + a3)
        speed = speed + h / 6 * (a1 + 2 * (a2 + a3) + a4)
        course.append(speed)
    course, grid = np.array(course), _STEP_S * np.arange(steps + 1)
    return [
        np.array([np.interp(run.time_s - run.time_s[0], grid, one) for one in course[:, :, r].T])
        for r, run in enumerate(runs)
    ]
