"""Speeds at both ends of runs, from a logged speed or from positions alone."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import require
from tuninglib.physics.track import complete_rows


@dataclass(frozen=True, kw_only=True)
class EndSpeeds:
    """Speeds at the two lines; arrays count the runs, NaN where too little was logged.

    Parameters
    ----------
    entry_m_s, exit_m_s : array
        [m/s]
    entry_sd_m_s, exit_sd_m_s : array
        That of the line's place included. [m/s]
    """

    entry_m_s: np.ndarray
    exit_m_s: np.ndarray
    entry_sd_m_s: np.ndarray
    exit_sd_m_s: np.ndarray


# On a run speed over time is smooth: so many terms hold it. Before the line two do over so many
# seconds where it is steady.
_TERMS, _TERMS_BEFORE, _BEFORE_S = 4, 2, 6.0
# Where a rider still gathers speed or eases off, the hand moves once or twice in that time: each
# time acceleration changes by about so much (standard deviation, ours), at places so far apart.
_MOVES, _MOVE_M_S2, _MOVE_STEP_S = 2, 1.0, 0.25
# Besides, acceleration wanders a little, or hardly: a Wiener process of one of these strengths
# [m/s² in the root of a second, ours].
_WANDERS = (0.02, 0.12)
# How common each number of moves is the runs of one rider tell together; none, one and two count as
# seen in so many runs from the start, since who looks at a line mostly holds the speed before it.
_SEEN_BEFORE, _ROUNDS = (1.0, 0.25, 0.25), 20
# Within the error of a line's time, what was before or after it may be in the log: left out.
_MARGIN_SDS = 2.0
_FEWEST_ROWS_OF_A_RUN = 7
# How long errors of a logged speed may last; each is tried.
_LASTING_S = (0.0, 0.3, 0.6, 1.2, 2.5, 5.0)
# Errors of positions last about this long (common experience); positions this far apart at the
# least make the way, since their quick error makes a way of many small steps too long.
_POSITION_LASTING_S, WAY_STEP_S = 40.0, 1.0
# Some receivers' errors of place jump about, of others they drift: of the lasting part so much goes
# as roughly as an exponential covariance has it; the rest is too smooth to be seen in a speed.
_ROUGH = (0.1, 0.2, 0.4, 0.8, 1.2)
# What gusts and the road do to a speed beside its smooth course (ours). [m/s]
_WIGGLE_M_S = 0.06


def end_speeds_from_speed(
    time_s: ArrayLike,
    speed_m_s: ArrayLike,
    *,
    enter_s: ArrayLike,
    leave_s: ArrayLike,
    place_sd_m: float,
) -> EndSpeeds:
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
    size and lasting by restricted likelihood of the runs. The exit speed is the end of a cubic in
    time through the run. The entry speed is the end of the six seconds before it: a straight line,
    in which the rider's hand may move once or twice at unknown times, and acceleration may wander
    as a Wiener process does [1]_. What the moves could have been is averaged over by its likelihood
    in each run, and by how common moves are among the runs. At both lines the throttle opens or
    shuts; a smoother through them would round that off.

    References
    ----------
    .. [1] Wahba, G.: Improper priors, spline smoothing and the problem of guarding against model
       errors in regression. J. R. Stat. Soc. B 40 (1978), 364-372 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 40.0, 0.2)
    >>> speed = 12 + 0.2 * time + 0.1 * np.sin(17.0 * np.arange(200) ** 2)
    >>> found = end_speeds_from_speed(time, speed, enter_s=[10.0], leave_s=[30.0], place_sd_m=0.5)
    >>> bool(abs(found.entry_m_s[0] - 14) < 0.1), bool(abs(found.exit_m_s[0] - 18) < 0.1)
    (True, True)
    """
    require(place_sd_m, "error of a place", "m", above=0)
    windows = _windows([time_s, speed_m_s], enter_s, leave_s, place_sd_m)
    return _ends(windows, _by_lasting(windows), len(enter_s), place_sd_m, derivative=0)


def end_speeds_from_way(
    time_s: ArrayLike,
    east_m: ArrayLike,
    north_m: ArrayLike,
    *,
    enter_s: ArrayLike,
    leave_s: ArrayLike,
    place_sd_m: float,
) -> EndSpeeds:
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
    require(place_sd_m, "error of a place", "m", above=0)
    windows = _windows([time_s, east_m, north_m], enter_s, leave_s, place_sd_m)
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


def _windows(columns, enter, leave, place_sd) -> list:
    """Before and within each run, but for a margin at its lines; those with rows enough."""
    rows = complete_rows(*columns)
    time, place = rows[0], rows[1:]
    found = []
    for run, (begin, end) in enumerate(zip(enter, leave, strict=True)):
        inside = slice(*np.searchsorted(time, [begin, end]))
        if inside.stop - inside.start < _FEWEST_ROWS_OF_A_RUN:
            continue
        own = place[:, inside]
        ridden = own.mean() * (end - begin)
        if len(place) == 2:
            ridden = np.hypot(*(own[:, -1] - own[:, 0]))
        # The error of the line's place as a time at the mean speed; at less than 2 m/s it would
        # swallow the run, and so would more than a sixth of it.
        margin = min(_MARGIN_SDS * place_sd / max(ridden / (end - begin), 2.0), (end - begin) / 6)
        for name, low, high, terms, at in (
            ("entry", begin - _BEFORE_S - margin, begin - margin, _TERMS_BEFORE, begin),
            ("exit", begin + margin, end - margin, _TERMS, end),
        ):
            rows = slice(*np.searchsorted(time, [low, high]))
            one = time[rows], place[0, rows]
            if len(place) == 2:
                # A way is the sum of a speed: one power of time more.
                one = _way(time[rows], place[:, rows])
                terms += 1
            if one[0].size > terms + 1:
                found.append(_Window(run, name, *one, terms, at))
    return found


def _way(time, place):
    """Way along positions that are apart enough."""
    kept = [0] if time.size else []
    for row in range(1, time.size):
        if time[row] - time[kept[-1]] >= WAY_STEP_S * 0.99:
            kept.append(row)
    steps = np.hypot(*np.diff(place[:, kept]))
    return time[kept], np.concatenate([[0.0], np.cumsum(steps)])[: len(kept)]


def _by_lasting(windows):
    """Covariances of each window for every lasting of the noise, its size left open."""

    def covariance(window, lasting):
        apart = np.abs(window.time[:, None] - window.time)
        same = np.eye(window.time.size)
        # A twentieth of the variance is each value's own, such as its rounding; it also keeps the
        # matrix far from singular where rows are close in time.
        return same if lasting == 0 else 0.95 * np.exp(-apart / lasting) + 0.05 * same

    return [[covariance(one, lasting) for one in windows] for lasting in _LASTING_S]


def _by_quickness(windows, place_sd):
    """The same for ways: shares of a stated lasting part, and quick parts of several sizes."""

    def covariance(window, rough, quick):
        apart = np.abs(window.time[:, None] - window.time)
        lasting = (rough * place_sd) ** 2 * np.exp(-apart / _POSITION_LASTING_S)
        return lasting + quick**2 * np.eye(window.time.size)

    return [
        [covariance(one, rough, size) for one in windows]
        for rough in _ROUGH
        for size in np.geomspace(0.03, 5.0, 12)
    ]


def _ends(windows, candidates, runs, place_sd, *, derivative) -> EndSpeeds:
    found = {name: np.full(runs, np.nan) for name in ("entry", "exit", "entry_sd", "exit_sd")}
    if windows:
        # One noise for all runs: a single run tells too little of how long errors last. What a
        # rider does before the line is not smooth enough to tell it.
        told = [at for at, one in enumerate(windows) if one.end == "exit"] or range(len(windows))
        fits = [
            # Of ways the noise has its size; of speeds that is open.
            _likelihood([windows[at] for at in told], [own[at] for at in told], not derivative)
            for own in candidates
        ]
        chosen = int(np.argmax([likelihood for likelihood, _ in fits]))
        size = fits[chosen][1]
        covariances = [size * one for one in candidates[chosen]]
        # The pull, followed back to the line: none of its moments knows how the bike came there.
        line = {one.run: one.at for one in windows if one.end == "entry"}
        after = {
            one.run: _at_line(one._replace(at=line[one.run]), covariance, 0, derivative)
            for one, covariance in zip(windows, covariances, strict=True)
            if one.end == "exit" and one.run in line
        }
        for end, moves in (("entry", _MOVES), ("exit", 0)):
            own = [at for at, one in enumerate(windows) if one.end == end]
            tried = [_at_line(windows[at], covariances[at], moves, derivative) for at in own]
            if moves:
                pulls = [after.get(windows[at].run) for at in own]
                tried = [*map(_with_pull, tried, pulls)]
            for at, row, share in zip(own, tried, _shares(tried), strict=True):
                # Three errors that know nothing of each other: of the fit, of when the line was
                # passed, and of the road itself.
                by_place = row.slope * place_sd / np.maximum(row.speed, 1.0)
                speed = share @ row.speed
                apart = row.variance + by_place**2 + (row.speed - speed) ** 2
                found[end][windows[at].run] = speed
                found[f"{end}_sd"][windows[at].run] = np.sqrt(share @ apart + _WIGGLE_M_S**2)
    return EndSpeeds(**{f"{name}_m_s": values for name, values in found.items()})


class _AtLine(NamedTuple):
    """What each story of a window makes of it; arrays count the stories."""

    kind: np.ndarray
    likelihood: np.ndarray
    speed: np.ndarray
    variance: np.ndarray
    slope: np.ndarray


def _at_line(window, covariance, moves, derivative) -> _AtLine:
    """Speed and slope at the line by a polynomial with up to so many moves of the hand about it."""
    # Time in halves of the window, from the line on: value, slope and bend there are coefficients.
    half = (window.time[-1] - window.time[0]) / 2
    design = ((window.time - window.at) / half)[:, None] ** np.arange(window.terms)
    value, slope = np.zeros((2, window.terms))
    value[derivative], slope[derivative + 1] = half**-derivative, half ** -(derivative + 1)
    slope *= 1 + derivative
    kicks = np.zeros((1, 0))
    if moves:
        places = np.arange(window.time[0] + _MOVE_STEP_S / 2, window.at, _MOVE_STEP_S)
        # A move of acceleration is a ramp of speed, and a parabola of the way.
        since = np.maximum(window.time[:, None] - places, 0.0)
        design = np.hstack([design, since ** (1 + derivative) / (1 + derivative)])
        value = np.append(value, window.at - places)
        slope = np.append(slope, np.ones(places.size))
        every = np.eye(places.size)
        first, second = np.triu_indices(places.size, 1)
        kicks = np.concatenate([0 * every[:1], every, every[first] + every[second]])
    count = kicks.sum(1).astype(int)
    root = np.linalg.cholesky(covariance)
    a, b = np.linalg.solve(root, design), np.linalg.solve(root, window.values)
    found = []
    for number, wander in enumerate(_WANDERS if moves else (1.0,)):
        prior = wander**2 * _MOVE_STEP_S + _MOVE_M_S2**2 * kicks
        information = np.tile(a.T @ a, (len(kicks), 1, 1))
        diagonal = np.arange(window.terms, design.shape[1])
        information[:, diagonal, diagonal] += 1 / prior
        spread = np.linalg.inv(information)
        state = spread @ (a.T @ b)
        # The sum of squares and the determinant with the moves integrated out; what the polynomial
        # took is paid for as in restricted likelihood. Each number of moves has one chance, shared
        # by the places where they may have been.
        log_det = np.log(prior).sum(1) + np.linalg.slogdet(information)[1]
        squares = b @ b - state @ (a.T @ b)
        likelihood = -(squares + log_det) / 2 - np.log(np.bincount(count)[count])
        variance = np.einsum("i,kij,j->k", value, spread, value)
        kind = number * (moves + 1) + count
        found.append((kind, likelihood, state @ value, variance, state @ slope))
    return _AtLine(*map(np.concatenate, zip(*found, strict=True)))


# The throttle opens so near the line (standard deviation, ours): by then the speed followed back
# from the pull is no longer the one ridden.
_OPENS_AROUND_S = 0.6


def _with_pull(stories: _AtLine, pull: _AtLine | None) -> _AtLine:
    """The stories of what was before the line beside what the run after it says."""
    if pull is None:
        return stories
    bend = pull.slope[0] - stories.slope
    variance = pull.variance[0] + (_OPENS_AROUND_S * bend) ** 2 + _WIGGLE_M_S**2
    both = stories.variance + variance
    apart = pull.speed[0] - stories.speed
    share = stories.variance / both
    return stories._replace(
        likelihood=stories.likelihood - (apart**2 / both + np.log(both)) / 2,
        speed=stories.speed + share * apart,
        variance=share * variance,
    )


def _shares(tried) -> list:
    """Chance of each story in each run, by its likelihood and by how common its kind is."""
    kinds = max((one.kind.max() for one in tried), default=0) + 1
    before = np.resize(_SEEN_BEFORE, kinds)
    common = before / before.sum()
    # Likelihoods of one run have a factor in common.
    own = [np.exp(one.likelihood - one.likelihood.max()) for one in tried]
    shares: list = []
    for _ in range(_ROUNDS):
        shares = [weight * common[one.kind] for weight, one in zip(own, tried, strict=True)]
        shares = [weight / weight.sum() for weight in shares]
        pairs = zip(tried, shares, strict=True)
        seen = sum(np.bincount(one.kind, share, kinds) for one, share in pairs)
        common = (seen + before) / (len(tried) + before.sum())
    return shares


def _likelihood(windows, covariances, open_size):
    """Restricted log likelihood with these covariances, and their factor, 1 if it is known."""
    squares, log_det, rows = 0.0, 0.0, 0
    for window, covariance in zip(windows, covariances, strict=True):
        time = window.time
        # Scaled, so that powers stay tame.
        scaled = 2 * (time - time[0]) / (time[-1] - time[0]) - 1
        design = scaled[:, None] ** np.arange(window.terms)
        # With the root L of the covariance, L^-1 of both sides makes it ordinary least squares.
        root = np.linalg.cholesky(covariance)
        a, b = np.linalg.solve(root, design), np.linalg.solve(root, window.values)
        information = a.T @ a
        state = np.linalg.solve(information, a.T @ b)
        squares += ((b - a @ state) ** 2).sum()
        log_det += 2 * np.log(np.diag(root)).sum() + np.linalg.slogdet(information)[1]
        # Restricted likelihood: rows beyond the terms count, and log|X' V^-1 X| is paid for them,
        # so that the noise is not made small by what the polynomial took.
        rows += time.size - window.terms
    if not open_size:
        return -(squares + log_det) / 2, 1.0
    size = squares / rows
    return -(rows * np.log(size) + log_det) / 2, size
