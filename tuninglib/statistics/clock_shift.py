"""Two clocks: what to add to one log's times to have the other's."""

from dataclasses import dataclass

import numpy as np

from tuninglib.checks import require
from tuninglib.interval import Interval
from tuninglib.statistics.repeats import estimate


@dataclass(frozen=True, kw_only=True)
class ClockShift:
    """What to add to the second log's times to have the first one's.

    Parameters
    ----------
    shift_s : Interval or None
        None where it cannot be told. [s]
    likeness : float
        Correlation of the two at the best shift.
    why_not : str
        ``"short"``: less than a minute in common; ``"unlike"``: nothing in one looks like the
        other; ``"twins"``: two shifts fit about as well; empty where it was found.
    """

    shift_s: Interval | None
    likeness: float
    why_not: str


# Both are brought to this step; they must have so much in common and be so alike at the best.
_CLOCK_STEP_S, _LEAST_OVERLAP_S, _ALIKE = 0.2, 60.0, 0.5
_LONGEST_RIDE_S = 86400.0
# A shift that is farther off than this and so nearly as like is a rival: rounds over one hill look
# alike. Pieces agree best on the right one, by so much, since no two rounds take as long.
_NEIGHBOURHOOD_S, _RIVAL, _LOOSER, _MOSTLY = 15.0, 0.7, 1.5, 0.6
# The shift is found once more in pieces of this length, within so much of the first answer.
_PIECE_S, _WITHIN_S, _FEWEST_PIECES = 60.0, 4.0, 3


def clock_shift(
    time_s: np.ndarray, values: np.ndarray, other_time_s: np.ndarray, other_values: np.ndarray
) -> ClockShift:
    """Shift between two clocks by two channels that rise and fall together.

    Parameters
    ----------
    time_s, other_time_s : array
        Rising, each by its own clock. [s]
    values, other_values : array
        Such as two speeds, or acceleration and throttle; NaN where there is none.

    Returns
    -------
    ClockShift

    Notes
    -----
    The shift with the largest correlation over what both have in common, which counts the more the
    longer that is. Its interval follows from how far pieces of a minute disagree, each matched for
    itself, by Student's distribution; a rival on which they agree about as well makes it unknown.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(0.0, 600.0, 0.5)
    >>> seen = np.sin(time / 9) + np.sin(time / 31) + np.sin(time / 4.3)
    >>> found = clock_shift(time, seen, time[100:] - 62.5, seen[100:])
    >>> found.shift_s.value, found.why_not
    (62.5, '')
    """
    first, second = (_even(*pair) for pair in ((time_s, values), (other_time_s, other_values)))
    if min(first[1].size, second[1].size) * _CLOCK_STEP_S < _LEAST_OVERLAP_S:
        return ClockShift(shift_s=None, likeness=np.nan, why_not="short")
    lags, likeness = _likeness(first[1], second[1])
    best = int(np.argmax(likeness))
    top = float(likeness[best])
    if not top >= _ALIKE:
        return ClockShift(shift_s=None, likeness=top, why_not="unlike")
    # The best shift and its rivals have the same chance: pieces of a minute decide between them.
    offset = first[0] - second[0]
    shifts = lags[[best, *_rivals(lags, likeness, best)]] * _CLOCK_STEP_S + offset
    tried = [_pieces(first, second, shift) for shift in shifts]
    # A shift that leaves most of the ride without its like cannot be shown by what is left.
    most = max(map(len, tried))
    tried = [pieces for pieces in tried if len(pieces) >= max(_FEWEST_PIECES, _MOSTLY * most)]
    if not tried:
        return ClockShift(shift_s=None, likeness=top, why_not="short")
    # Pieces cannot agree better than a quarter of a step, to which a parabola finds a top.
    scatters = np.sort([max(np.std(pieces, ddof=1), _CLOCK_STEP_S / 4) for pieces in tried])
    if scatters.size > 1 and scatters[1] < _LOOSER * scatters[0]:
        return ClockShift(shift_s=None, likeness=top, why_not="twins")
    pieces, scatter = min(tried, key=lambda one: np.std(one, ddof=1)), scatters[0]
    error = scatter / np.sqrt(len(pieces))
    shift = estimate(np.mean(pieces), standard_error=error, dof=len(pieces) - 1)
    found = Interval(shift.value, shift.low, shift.high)
    return ClockShift(shift_s=found, likeness=top, why_not="")


def _even(time, values):
    """First time, and values at even steps with mean 0 where the log has no gap."""
    time, values = np.asarray(time, dtype=float), np.asarray(values, dtype=float)
    require(time, "time of a log", "s", remedy="leave out rows without a time")
    known = np.isfinite(values)
    if np.count_nonzero(known) < 2:
        return 0.0, np.zeros(0)
    time, values = time[known], values[known]
    # Rows of another day would stretch the grid from here to there: the fullest day counts.
    until = np.searchsorted(time, time + _LONGEST_RIDE_S, side="right")
    first = np.argmax(until - np.arange(time.size))
    time, values = time[first : until[first]], values[first : until[first]]
    at = np.arange(time[0], time[-1], _CLOCK_STEP_S)
    even = np.interp(at, time, values)
    return float(time[0]), even - even.mean()


def _likeness(first, second):
    """Correlation at every shift, less where little is in common; lags in steps."""
    # At each lag the sums over what both have in common: of products, of rows, of squares of each.
    lags = np.arange(1 - second.size, first.size)
    product = _correlated(first, second)
    ones = _correlated(np.ones(first.size), np.ones(second.size))
    squares = _correlated(first**2, np.ones(second.size))
    other = _correlated(np.ones(first.size), second**2)
    ends = np.sqrt(np.maximum(squares, 0) * np.maximum(other, 0))
    # Where one stands still there is nothing to compare, and the transform leaves its rounding.
    floor = 1e-9 * ends.max(initial=1.0)
    share = np.sqrt(np.clip(ones / min(first.size, second.size), 0, 1))
    likeness = np.where(ends > floor, product / np.maximum(ends, floor), 0.0) * share
    return lags, np.where(ones * _CLOCK_STEP_S >= _LEAST_OVERLAP_S, likeness, -1.0)


def _correlated(first, second):
    """Sum of products at every shift of the second against the first.

    By Fourier transforms, since hours of a log have tens of thousands of shifts; padded to a power
    of two beyond both together, so that no end meets the other's beginning.
    """
    count = first.size + second.size - 1
    size = 1 << (count - 1).bit_length()
    product = np.fft.rfft(first, size) * np.fft.rfft(second[::-1], size)
    return np.fft.irfft(product, size)[:count]


def _rivals(lags, likeness, best):
    """Other shifts that are about as like, as of one run upon the next."""
    left = likeness.copy()
    taken = best
    while True:
        left[np.abs(lags - lags[taken]) * _CLOCK_STEP_S <= _NEIGHBOURHOOD_S] = -1.0
        taken = int(np.argmax(left))
        if left[taken] < _RIVAL * likeness[best]:
            return
        yield taken


def _pieces(first, second, rough) -> list:
    """The shift by each piece of the second log that moved."""
    (start, a), (other, b) = first, second
    size, within = round(_PIECE_S / _CLOCK_STEP_S), round(_WITHIN_S / _CLOCK_STEP_S)
    moved = np.std(b) / 2
    found = []
    for low in range(0, b.size - size + 1, size):
        # A minute at a stand is like any other minute at a stand.
        piece = b[low : low + size] - b[low : low + size].mean()
        if piece.std() < moved:
            continue
        at = round((other + low * _CLOCK_STEP_S + rough - start) / _CLOCK_STEP_S)
        if at < within or at + size + within > a.size:
            continue
        scores = np.empty(2 * within + 1)
        for k in range(-within, within + 1):
            own = a[at + k : at + k + size]
            own = own - own.mean()
            scores[k + within] = own @ piece / max(np.sqrt(own @ own), 1e-12)
        top = int(np.argmax(scores))
        # At the edge of the search the top lies elsewhere; inside, a parabola through three scores.
        if 0 < top < scores.size - 1:
            left, middle, right = scores[top - 1 : top + 2]
            bend = left - 2 * middle + right
            fine = (left - right) / (2 * bend) if bend < 0 else 0.0
            exact = start + at * _CLOCK_STEP_S - (other + low * _CLOCK_STEP_S)
            found.append(exact + (top - within + fine) * _CLOCK_STEP_S)
    return found
