"""Speeds at both ends of runs, from what was logged in between."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tuninglib.checks import require

# On a run speed over time is smooth: so many terms hold it. Before the line it is nearly steady, so
# that two do over so many seconds.
_TERMS, _TERMS_BEFORE, _BEFORE_S = 4, 2, 6.0
# Within the error of a line's time, what was before or after it may be in the log: left out.
_MARGIN_SDS = 2.0
_FEWEST_ROWS = 7
# How long errors of a logged speed may last; each is tried.
_LASTING_S = (0.0, 0.3, 0.6, 1.2, 2.5, 5.0)
# Errors of positions last about this long (common experience); positions this far apart at the
# least make the way, since their quick error makes a way of many small steps too long.
_POSITION_LASTING_S, _STEP_S = 40.0, 1.0
# Beyond the straight way that passes show, the error along the road may be larger (ours).
_WIDER = 1.2
# What gusts and the road do to a speed beside its smooth course (ours). [m/s]
_WIGGLE_M_S = 0.06


@dataclass(frozen=True, kw_only=True)
class EndSpeeds:
    """Speeds at the two lines; arrays count the runs, NaN where too little was logged.

    Parameters
    ----------
    entry_m_s, exit_m_s : array
        [m/s]
    entry_sd_m_s, exit_sd_m_s : array
        That of the line's place included. [m/s]
    noise_sd : float
        Of one logged value about the smooth course: a speed [m/s], or a way [m].
    """

    entry_m_s: np.ndarray
    exit_m_s: np.ndarray
    entry_sd_m_s: np.ndarray
    exit_sd_m_s: np.ndarray
    noise_sd: float


def end_speeds_from_speed(time_s, speed_m_s, *, enter_s, leave_s, place_sd_m) -> EndSpeeds:
    """Speeds at both ends of runs, from a logged speed.

    Parameters
    ----------
    time_s, speed_m_s : array
        Rising times; NaN where no speed is. [s], [m/s]
    enter_s, leave_s : array
        When each run began and ended. [s]
    place_sd_m : float
        How well the place is known where that was. [m]

    Returns
    -------
    EndSpeeds

    Notes
    -----
    Generalised least squares, each run its own, with one noise for all: exponential in time, its
    size and lasting by restricted likelihood. The exit speed is the end of a cubic in time through
    the run, the entry speed the end of a straight line through the six seconds before it: at both
    lines the throttle opens or shuts, and a smoother would round that off.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 40.0, 0.2)
    >>> speed = 12 + 0.2 * time + 0.1 * np.sin(17.0 * np.arange(200) ** 2)
    >>> found = end_speeds_from_speed(time, speed, enter_s=[10.0], leave_s=[30.0], place_sd_m=0.5)
    >>> bool(abs(found.entry_m_s[0] - 14) < 0.1), bool(abs(found.exit_m_s[0] - 18) < 0.1)
    (True, True)
    """
    time, values = (np.asarray(one, dtype=float) for one in (time_s, speed_m_s))
    require(place_sd_m, what="error of a place", unit="m", above=0)
    windows = _windows(time, values, enter_s, leave_s, place_sd_m)
    return _ends(windows, _by_lasting(windows), len(enter_s), place_sd_m, derivative=0)


def end_speeds_from_way(time_s, east_m, north_m, *, enter_s, leave_s, place_sd_m) -> EndSpeeds:
    """Speeds at both ends of runs, from positions alone.

    Parameters
    ----------
    time_s : array
        Rising. [s]
    east_m, north_m : array
        NaN where there is no position. [m]
    enter_s, leave_s : array
        When each run began and ended. [s]
    place_sd_m : float
        Error of one position, which lasts tens of seconds. [m]

    Returns
    -------
    EndSpeeds
        Over level ground; on a grade g the bike is faster by the root of 1 + g².

    Notes
    -----
    As :func:`end_speeds_from_speed`, with the way along positions a second apart or more: its noise
    has a part that lasts 40 s, of the size of ``place_sd_m``, and a quick one.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 40.0)
    >>> found = end_speeds_from_way(time, 12 * time + 0.1 * time**2, 0 * time, enter_s=[10.0],
    ...                             leave_s=[30.0], place_sd_m=2.0)
    >>> bool(abs(found.entry_m_s[0] - 14) < 0.1), bool(abs(found.exit_m_s[0] - 18) < 0.1)
    (True, True)
    """
    time, east, north = (np.asarray(one, dtype=float) for one in (time_s, east_m, north_m))
    require(place_sd_m, what="error of a place", unit="m", above=0)
    windows = _windows(time, np.stack([east, north]), enter_s, leave_s, place_sd_m)
    covariances = _by_quickness(windows, place_sd_m)
    return _ends(windows, covariances, len(enter_s), place_sd_m, derivative=1)


class _Window(NamedTuple):
    """A stretch of one run to which a polynomial is fitted, and the time that is asked about."""

    run: int
    end: str
    time: np.ndarray
    values: np.ndarray
    terms: int
    at: float


def _windows(time, values, enter, leave, place_sd) -> list:
    """Before and within each run, but for a margin at its lines; those with rows enough."""
    place = np.atleast_2d(values)
    known = np.isfinite(place).all(0)
    time, place = time[known], place[:, known]
    found = []
    for run, (begin, end) in enumerate(zip(enter, leave, strict=True)):
        inside = slice(*np.searchsorted(time, [begin, end]))
        if inside.stop - inside.start < _FEWEST_ROWS:
            continue
        own = place[:, inside]
        ridden = (
            np.hypot(*(own[:, -1] - own[:, 0])) if len(place) == 2 else own.mean() * (end - begin)
        )
        margin = min(_MARGIN_SDS * place_sd / max(ridden / (end - begin), 2.0), (end - begin) / 6)
        for name, low, high, terms, at in (
            ("entry", begin - _BEFORE_S - margin, begin - margin, _TERMS_BEFORE, begin),
            ("exit", begin + margin, end - margin, _TERMS, end),
        ):
            rows = slice(*np.searchsorted(time, [low, high]))
            one = time[rows], place[0, rows]
            if len(place) == 2:
                one = _way(time[rows], place[:, rows])
                terms += 1
            if one[0].size > terms + 1:
                found.append(_Window(run, name, *one, terms, at))
    return found


def _way(time, place):
    """Way along positions that are apart enough."""
    kept = [0] if time.size else []
    for row in range(1, time.size):
        if time[row] - time[kept[-1]] >= _STEP_S * 0.99:
            kept.append(row)
    steps = np.hypot(*np.diff(place[:, kept]))
    return time[kept], np.concatenate([[0.0], np.cumsum(steps)])[: len(kept)]


def _by_lasting(windows):
    """Covariances of each window for every lasting of the noise, its size left open."""

    def covariance(window, lasting):
        apart = np.abs(window.time[:, None] - window.time)
        same = np.eye(window.time.size)
        return same if lasting == 0 else 0.95 * np.exp(-apart / lasting) + 0.05 * same

    return [[covariance(one, lasting) for one in windows] for lasting in _LASTING_S], True


def _by_quickness(windows, place_sd):
    """The same for ways: a stated lasting part, and quick parts of several sizes."""

    def covariance(window, quick):
        apart = np.abs(window.time[:, None] - window.time)
        lasting = (_WIDER * place_sd) ** 2 * np.exp(-apart / _POSITION_LASTING_S)
        return lasting + quick**2 * np.eye(window.time.size)

    return [
        [covariance(one, size) for one in windows] for size in np.geomspace(0.03, 5.0, 12)
    ], False


def _ends(windows, models, runs, place_sd, *, derivative) -> EndSpeeds:
    candidates, open_size = models
    found = {name: np.full(runs, np.nan) for name in ("entry", "exit", "entry_sd", "exit_sd")}
    noise = np.nan
    if windows:
        fits = [_fit_all(windows, covariances, open_size) for covariances in candidates]
        _, noise, fitted = max(fits, key=lambda fit: fit[0])
        for window, (state, spread, middle, half) in zip(windows, fitted, strict=True):
            u, powers = (window.at - middle) / half, np.arange(window.terms)
            slope = powers * u ** np.maximum(powers - 1, 0) / half
            bend = powers * (powers - 1) * u ** np.maximum(powers - 2, 0) / half**2
            row, change = (slope, bend) if derivative else (u**powers, slope)
            speed = row @ state
            by_place = (change @ state) * place_sd / max(speed, 1.0)
            variance = row @ spread @ row + by_place**2 + _WIGGLE_M_S**2
            found[window.end][window.run] = speed
            found[f"{window.end}_sd"][window.run] = np.sqrt(variance)
    return EndSpeeds(
        entry_m_s=found["entry"],
        exit_m_s=found["exit"],
        entry_sd_m_s=found["entry_sd"],
        exit_sd_m_s=found["exit_sd"],
        noise_sd=float(noise),
    )


def _fit_all(windows, covariances, open_size):
    """Restricted log likelihood, size of the noise and fits with these covariances."""
    squares = log_det = rest_squares = 0.0
    rows, fitted = 0, []
    for window, covariance in zip(windows, covariances, strict=True):
        time = window.time
        middle, half = (time[0] + time[-1]) / 2, (time[-1] - time[0]) / 2
        # Scaled, so that powers stay tame.
        design = ((time - middle) / half)[:, None] ** np.arange(window.terms)
        root = np.linalg.cholesky(covariance)
        a, b = np.linalg.solve(root, design), np.linalg.solve(root, window.values)
        information = a.T @ a
        state = np.linalg.solve(information, a.T @ b)
        squares += ((b - a @ state) ** 2).sum()
        rest_squares += ((window.values - design @ state) ** 2).sum()
        log_det += 2 * np.log(np.diag(root)).sum() + np.linalg.slogdet(information)[1]
        rows += time.size - window.terms
        fitted.append((state, np.linalg.inv(information), middle, half))
    if not open_size:
        return -(squares + log_det) / 2, np.sqrt(rest_squares / rows), fitted
    size = squares / rows
    fitted = [(state, size * spread, *rest) for state, spread, *rest in fitted]
    return -(rows * np.log(size) + log_det) / 2, np.sqrt(size), fitted
