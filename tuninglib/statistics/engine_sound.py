"""Engine speed at each instant from the sound of an engine, and how sure that is.

An engine sounds like a comb: lines at whole multiples of how often its whole cycle comes round,
engine speed over 120 for a four-stroke with one cylinder, or with more that fire unevenly.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import median_filter

from tuninglib.checks import require

# Instants, and the stretch of sound that each is seen through: long enough to part the lines of a
# comb, short enough that a pull does not smear them (ours). [s]
STEP_S, _WINDOW_S = 0.05, 0.256
# Where a comb is looked for, and the engine speeds of one cylinder that are tried. Above, pulls
# smear the lines; below, a phone hears wind. [Hz], [1/min]
_LOWEST_HZ, _HIGHEST_HZ = 30.0, 1300.0
SOUND_RATE_HZ = 4000.0
LOWEST_RPM, HIGHEST_RPM = 2200.0, 14000.0
# The grid of engine speeds, in their logarithm.
_STEP = 0.001
# The background is a low quantile over such bands, which the lines of a comb do not fill; of noise
# the power is exponential, whose quantile q is -ln(1 - q).
_BAND_HZ, _QUANTILE, _AROUND = 80.0, 0.3, 7
# By how much a tooth must stand out over what is between teeth to count for its comb (ours, from
# simulated sounds).
_EMPTY = 0.2
# Frames overlap, so that each is only so much of a witness of its own (ours, by simulation).
_WITNESS = 0.30
# From instant to instant: most of the time little changes; now and then the hand moves or the gear.
_CALM, _QUICK, _QUICK_SHARE, _FARTHEST = 0.0025, 0.012, 0.1, 0.05
# A change of gear moves it by less than this logarithm, so by far from an octave, this often while
# the engine is heard and while it is not.
_GEAR, _JUMPS = 0.45, np.array([[1e-4], [2e-2]])
# Going silent and being heard again, per instant.
_LOST, _FOUND_AGAIN = 0.01, 0.02
_CHANGE = np.array([[1 - _LOST, _FOUND_AGAIN], [_LOST, 1 - _FOUND_AGAIN]])
# An instant is claimed if so much of what is likely lies so near, and as close together as this.
_NEAR, _SURE, _WIDEST = 0.015, 0.95, 0.003
# An octave is shown where its own lines stand out by so many standard errors (ours).
_SHOWN, _DOUBT, _WHILE, _PART = 3.0, 2.0, 41, 0.25
# A change of the engine speed's logarithm that is about an octave, and within how many instants;
# with more cylinders, which differ from each other, 4 to 3 of them may be taken for each other.
_OCTAVE, _ORDER = (0.6, 40), (0.15, 200)
# A comb of uneven firing stands out by so many times what the even one does; in between nobody can
# tell (ours: of simulated twins to sixes up to 1.6 if even, 1.4 and more if uneven).
_UNEVEN, _PERHAPS = 1.6, 1.3
# An even number, so that pictures of blocks fit.
_BLOCK, _OVERLAP = 1200, 60
# What is kept for the eye. [Hz]
PICTURE_BAND_HZ, _PICTURE_HZ = 5.0, 400.0


@dataclass(frozen=True, kw_only=True)
class HeardSpeed:
    """Engine speed over a recording.

    Attributes
    ----------
    time_s : array
        Middle of each instant. [s]
    engine_speed_rpm, sd_rpm : array
        NaN where the engine cannot be heard surely enough. [1/min]
    heard : array
        Chance that the engine is heard with the speed that is most likely there. [-]
    level_db : array
        Of the sound, over its loudest instant. [dB]
    over_noise_db : array
        By how much the comb's own lines stand out of what is around them, such as wind; NaN where
        none is claimed. [dB]
    unsure_octave : array of bool
        Where a comb is heard, but not surely which of its lines is the first.
    picture : array of uint8, pictured instants by bands
        How far the sound stands out over its background, for the eye: every second instant, bands
        of ``PICTURE_BAND_HZ`` from 0 on.
    """

    time_s: np.ndarray
    engine_speed_rpm: np.ndarray
    sd_rpm: np.ndarray
    heard: np.ndarray
    level_db: np.ndarray
    over_noise_db: np.ndarray
    unsure_octave: np.ndarray
    picture: np.ndarray


def heard_speed(
    samples: ArrayLike, *, cylinders: int = 1, within_rpm: tuple[float, float] | None = None
) -> HeardSpeed:
    """Engine speed at twenty instants a second.

    Parameters
    ----------
    samples : array
        Of sound, at ``SOUND_RATE_HZ``, in any unit.
    cylinders : int
        Of a four-stroke.
    within_rpm : tuple of float, optional
        Between which engine speeds to look. Needed with more than one cylinder: unless all are
        just alike, nothing in the sound tells a twin from a single at half its speed.

    Returns
    -------
    HeardSpeed

    Notes
    -----
    Spectrum of each instant over its background, so that neither wind nor the tone of pipe or phone
    count; for each engine speed the sum of logarithms over the comb's teeth, less a part of those
    halfway between, which tells an octave: of half the speed every second tooth is empty, of double
    the speed lines stand halfway. The path is a hidden Markov chain over these with a state for an
    engine that cannot be heard; forward and backward sums give the posterior of every instant [1]_.

    Cylinders that fire unevenly, as of a V or with crank pins half a turn apart, sound alike only
    once in two turns, or once in one: such a comb is taken where it stands out by far more than the
    even one. Where it does so by little, only what both say is claimed.

    References
    ----------
    .. [1] Rabiner, L. R.: A tutorial on hidden Markov models. Proc. IEEE 77 (1989), 257-286,
       equations 18 to 27 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> time = np.arange(int(3 * SOUND_RATE_HZ)) / SOUND_RATE_HZ
    >>> clicks = np.diff(np.floor(time * 6000 / 120), prepend=0.0)
    >>> found = heard_speed(clicks + 0.01 * np.sin(1e4 * time**2))
    >>> float(np.nanmedian(found.engine_speed_rpm).round(-1))
    6000.0
    """
    x = np.asarray(samples, dtype=np.float32)
    require(cylinders, "cylinders", "", above=0)
    fit, heard = _heard_by(x, cylinders, within_rpm)
    for count in range(cylinders - 1, 0, -1):
        if cylinders % count:
            continue
        own, other = _heard_by(x, count, within_rpm)
        if own > _UNEVEN * fit:
            fit, heard = own, other
        elif own > _PERHAPS * fit:
            heard = _agreed(heard, other)
    return heard


def _agreed(heard, other):
    """What two combs say alike."""
    alike = np.abs(heard.engine_speed_rpm / other.engine_speed_rpm - 1) < _NEAR
    known = np.isfinite(heard.engine_speed_rpm)
    return replace(
        heard,
        engine_speed_rpm=np.where(alike, heard.engine_speed_rpm, np.nan),
        sd_rpm=np.where(alike, heard.sd_rpm, np.nan),
        unsure_octave=heard.unsure_octave | known & ~alike,
    )


def _heard_by(x, cylinders, within_rpm):
    """How far one comb stands out, and what it says; cylinders that fire evenly and alike."""
    window, hop = round(_WINDOW_S * SOUND_RATE_HZ), round(STEP_S * SOUND_RATE_HZ)
    count = max((x.size - window) // hop + 1, 0)
    time = (np.arange(count) * hop + window / 2) / SOUND_RATE_HZ
    # A comb's teeth in Hz are engine speed over this.
    per_hz = 120.0 / cylinders
    low, high = within_rpm or (LOWEST_RPM, HIGHEST_RPM)
    grid = np.log(low) + _STEP * np.arange(int(np.log(high / low) / _STEP) + 1)
    found = np.full((6, count), np.nan)
    pictures = [np.zeros((0, round(_PICTURE_HZ / PICTURE_BAND_HZ)), dtype=np.uint8)]
    before, fit = None, 0.0
    for start in range(0, count, _BLOCK):
        own = min(_BLOCK, count - start)
        frames = np.lib.stride_tricks.sliding_window_view(x, window)[start * hop :: hop]
        power, level = _spectrum(frames[: own + _OVERLAP])
        over = _over_background(power)
        pictures.append(_picture(over[:own]))
        lines, hz = _lines(over, np.exp(grid[0]) / per_hz)
        scores = _comb(lines, hz, grid.size)
        fit += float(np.maximum(scores[:own].max(1, initial=0.0), 0.0).sum())
        posterior, before = _posterior(_WITNESS * scores, before, own)
        here = slice(start, start + own)
        found[:3, here] = _claims(posterior, grid)
        found[3, here] = level[:own]
        found[4:, here] = _octaves(lines[:own], hz, found[0, here] / per_hz)
    rpm, sd, heard, level, *octaves = found
    teeth, halves = octaves
    if cylinders > 1:
        # No two cylinders are alike, so that lines halfway are theirs.
        halves[:] = 0.0
    proved = _proved(rpm, teeth, halves, *(_OCTAVE if cylinders == 1 else _ORDER))
    unsure = np.isfinite(rpm) & ~proved
    rpm, sd = (np.where(proved, one, np.nan) for one in (rpm, sd))
    return fit, HeardSpeed(
        time_s=time,
        engine_speed_rpm=rpm,
        sd_rpm=sd,
        heard=heard,
        level_db=level - level.max() if count else level,
        over_noise_db=np.where(proved, 10 / np.log(10) * teeth, np.nan),
        unsure_octave=unsure,
        picture=np.concatenate(pictures),
    )


# What a horn or a shout is louder by than what is around it, within so many seconds; what lasts for
# half of them is itself what is around it (ours). [dB], [s]
_STANDS_OUT_DB, _LOUD_AROUND_S = 6.0, 3.0


def stands_out(heard: HeardSpeed) -> tuple[float, ...]:
    """When something short and loud began, such as a horn or a word.

    Parameters
    ----------
    heard : HeardSpeed

    Returns
    -------
    tuple of float
        [s]
    """
    if not heard.time_s.size:
        return ()
    usual = median_filter(heard.level_db, round(_LOUD_AROUND_S / STEP_S), mode="nearest")
    rows = np.flatnonzero(heard.level_db - usual > _STANDS_OUT_DB)
    parts = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    return tuple(float(heard.time_s[own[0]]) for own in parts if own.size > 1)


# How fast a bystander hears the engine fall in pitch while it goes past, and how its loudness rises
# and falls within so many seconds (ours: 8 to 20 m/s, 3 to 15 m from the road). [dB], [s]
_DOPPLER, _RISES_DB, _PASSES_S = (0.025, 0.16), 9.0, 4.0
# A pull that fades is still going on after it: slopes of the logarithm a second.
_ALIKE = 0.045


def goes_past(heard: HeardSpeed) -> bool:
    """Whether a recording was made beside the road rather than on the bike.

    Parameters
    ----------
    heard : HeardSpeed

    Notes
    -----
    Where it is loudest, the pitch falls by twice the speed over that of sound within a second, and
    before and after that the sound is fainter by far. On the bike it falls for good at the end of a
    pull, and by more where the gear is changed.
    """
    known = np.isfinite(heard.engine_speed_rpm)
    if np.count_nonzero(known) < 2 * _PASSES_S / STEP_S:
        return False
    time, log = heard.time_s, np.log(heard.engine_speed_rpm)
    level = _running_mean(heard.level_db, round(0.5 / STEP_S))
    at = time[np.argmax(level)]
    # The fall may come a little before or after the loudest instant.
    for middle in np.arange(at - 1.0, at + 1.01, 0.1):
        lines, sides = [], []
        for begin, end in ((-3.0, -0.8), (0.8, 3.0)):
            rows = known & (time >= middle + begin) & (time <= middle + end)
            if np.count_nonzero(rows) < 20:
                break
            lines.append(np.polyfit(time[rows] - middle, log[rows], 1))
            far = np.abs(time - middle - np.sign(begin) * _PASSES_S) < 0.5
            sides.append(level[far].max(initial=-np.inf))
        if len(lines) < 2 or not np.isfinite(sides).all():
            continue
        fall = lines[0][1] - lines[1][1]
        alike = abs(lines[0][0] - lines[1][0]) < _ALIKE and lines[1][0] > -_ALIKE / 2
        if _DOPPLER[0] < fall < _DOPPLER[1] and alike and max(sides) < level.max() - _RISES_DB:
            return True
    return False


def _picture(over):
    """As ``HeardSpeed.picture``, of one block."""
    wide, bands = round(PICTURE_BAND_HZ), round(_PICTURE_HZ / PICTURE_BAND_HZ)
    even = over[: len(over) // 2 * 2, : bands * wide]
    seen = np.log1p(even).reshape(-1, 2, bands, wide).mean((1, 3))
    return np.minimum(50 * seen, 255).astype(np.uint8)


def _spectrum(frames):
    """Power in bins of 1 Hz up to the highest, and level in dB, of each frame."""
    size = round(SOUND_RATE_HZ)
    window = np.hanning(frames.shape[1]).astype(np.float32)
    power = np.empty((len(frames), int(_HIGHEST_HZ * 1.1) + 1), dtype=np.float32)
    for at in range(0, len(frames), 200):
        some = slice(at, at + 200)
        spectrum = np.fft.rfft(frames[some] * window, size)[:, : power.shape[1]]
        power[some] = np.abs(spectrum) ** 2
    return power, 10 * np.log10(power[:, int(_LOWEST_HZ) :].sum(1) + 1e-12)


def _over_background(power):
    """Power over that of its background."""
    wide = int(_BAND_HZ)
    bands = power[:, : power.shape[1] // wide * wide].reshape(len(power), -1, wide)
    low = np.quantile(bands, _QUANTILE, axis=2) / -np.log(1 - _QUANTILE)
    log = np.log(low + 1e-12 * (power.max() + 1e-30))
    # A single instant tells too little of it.
    log = _running_mean(log, 2 * _AROUND + 1)
    middles = wide * (np.arange(log.shape[1]) + 0.5)
    at = np.clip((np.arange(power.shape[1]) - middles[0]) / wide, 0, log.shape[1] - 1.001)
    below = at.astype(int)
    share = (at - below).astype(np.float32)
    log = log.astype(np.float32)
    smooth = log[:, below] * (1 - share) + log[:, below + 1] * share
    return power / np.exp(smooth)


def _lines(over, lowest_hz):
    """How far each frequency stands out, at even steps of its logarithm, and these frequencies."""
    first = np.log(lowest_hz / 4)
    columns = int((np.log(_HIGHEST_HZ) - first) / _STEP) + 1
    hz = np.exp(first + _STEP * np.arange(columns))
    below = hz.astype(int)
    share = (hz - below).astype(np.float32)
    stands_out = np.log1p(over)
    lines = stands_out[:, below] * (1 - share) + stands_out[:, below + 1] * share
    lines[:, hz < _LOWEST_HZ] = 0.0
    return lines, hz


def _running_mean(values, count):
    """Over so many rows, less at both ends; all along the first axis."""
    total = np.concatenate([np.zeros_like(values[:1]), np.cumsum(values, axis=0)])
    at = np.arange(len(values))
    low, high = np.maximum(at - count // 2, 0), np.minimum(at + count // 2 + 1, len(values))
    return ((total[high] - total[low]).T / (high - low)).T


def _comb(lines, hz, speeds):
    """Score of each engine speed at each instant: 0 is what silence scores."""
    # On a scale of logarithms every tooth is the same shift for all speeds.
    scores = np.zeros((len(lines), speeds), dtype=np.float32)
    for half in range(1, int(2 * _HIGHEST_HZ / (4 * hz[0])) + 1):
        shift = round(np.log(2 * half) / _STEP)
        width = min(speeds, hz.size - shift)
        if width > 0:
            own = lines[:, shift : shift + width]
            # Halves lie between two teeth: what is as loud there is no comb.
            scores[:, :width] += own - _EMPTY if half % 2 == 0 else -own
    return scores


def _posterior(scores, before, own):
    """Posterior of speeds at which the engine is heard in the first instants; and where it stood.

    States are the speeds twice: heard, and unheard, which remembers where it was.
    """
    count, speeds = scores.shape
    top = np.maximum(scores.max(1, keepdims=True), 0.0)
    heard, silent = np.exp(scores - top), np.exp(-top)
    state = np.full((2, speeds), 0.5 / speeds) if before is None else before
    forward = np.empty((count, 2, speeds), dtype=np.float32)
    for at in range(count):
        state = _moved(state)
        state[0] *= heard[at]
        state[1] *= silent[at]
        state /= state.sum()
        forward[at] = state
    after = forward[own - 1].astype(float)
    back = np.ones((2, speeds))
    for at in range(count - 1, -1, -1):
        both = forward[at] * back
        forward[at] = both / both.sum()
        back[0] *= heard[at]
        back[1] *= silent[at]
        # What may follow is what may come before: moves are as likely either way.
        back = _moved(back, after=True)
        back /= back.max()
    return forward[:own, 0], after


def _kernel(shares):
    """Moves in one instant: shares of normal ones by their standard deviation, and even ones."""
    far = np.arange(-round(_FARTHEST / _STEP), round(_FARTHEST / _STEP) + 1) * _STEP
    shape = sum(share * np.exp(-0.5 * (far / sd) ** 2) / sd for share, sd in shares)
    return shape / shape.sum()


_KERNELS = _kernel([(1 - _QUICK_SHARE, _CALM), (_QUICK_SHARE, _QUICK)]), _kernel([(1.0, _QUICK)])


def _moved(state, after=False):
    """Where the chain may be an instant later; ``after``: what that is worth an instant before."""
    near = np.stack([np.convolve(*one, "same") for one in zip(state, _KERNELS, strict=True)])
    wide = round(_GEAR / _STEP)
    total = np.cumsum(np.pad(state, ((0, 0), (wide + 1, wide))), axis=1)
    anywhere = (total[:, 2 * wide + 1 :] - total[:, : -2 * wide - 1]) / (2 * wide + 1)
    near += _JUMPS * (anywhere - near)
    change = _CHANGE.T if after else _CHANGE
    return change @ near


def _claims(speeds, grid):
    """Engine speed, its standard deviation and the chance of it, of each instant."""
    best = speeds.argmax(1)
    near = round(_NEAR / _STEP)
    wide = np.pad(speeds, ((0, 0), (near, near)))
    own = wide[np.arange(len(best))[:, None], best[:, None] + np.arange(2 * near + 1)]
    mass = own.sum(1)
    far = (np.arange(2 * near + 1) - near) * _STEP
    mean = own @ far / np.maximum(mass, 1e-300)
    sd = np.sqrt(np.maximum(own @ far**2 / np.maximum(mass, 1e-300) - mean**2, _STEP**2 / 12))
    rpm = np.exp(grid[best] + mean)
    sure = (mass >= _SURE) & (sd <= _WIDEST)
    return np.where(sure, rpm, np.nan), np.where(sure, sd * rpm, np.nan), mass


def _octaves(lines, hz, tooth_hz):
    """How far every second tooth stands out, and what lies halfway between teeth; each instant."""
    rows = np.arange(len(lines))
    at = np.log(np.nan_to_num(tooth_hz, nan=100.0) / hz[0]) / _STEP
    odd = 1 + 2 * np.arange(12)
    found = []
    for places in (odd, odd / 2):
        near = places[None] + np.array([-1, 0, 1])[:, None] * places[0] / 2
        column = np.rint(at[:, None, None] + np.log(near) / _STEP).astype(int)
        known = (column >= 0) & (column < hz.size)
        known &= hz[np.clip(column, 0, hz.size - 1)] >= _LOWEST_HZ
        low, own, high = np.moveaxis(
            lines[rows[:, None, None], np.clip(column, 0, hz.size - 1)], 1, 0
        )
        known = known.all(1)
        found.append(((own - (low + high) / 2) * known).sum(1) / np.maximum(known.sum(1), 1))
    return found


def _proved(rpm, teeth, halves, apart, soon):
    """Instants whose octave is shown by all of their stretch without a change of octave."""
    known = np.flatnonzero(np.isfinite(rpm))
    proved = np.zeros(rpm.size, dtype=bool)
    steps = np.abs(np.diff(np.log(rpm[known])))
    cuts = np.flatnonzero(steps > min(_GEAR, apart)) + 1
    stretches = np.split(known, cuts) if known.size else []
    # No engine halves its speed at once: of two such stretches the shorter one has it wrong.
    doubted = set()
    for at, cut in enumerate(cuts):
        if steps[cut - 1] > apart and known[cut] - known[cut - 1] < soon:
            doubted.add(at if stretches[at].size < stretches[at + 1].size else at + 1)
    stretches = [one for at, one in enumerate(stretches) if at not in doubted]
    for rows in stretches:
        own, between = teeth[rows], halves[rows]
        error = np.array([own.std(), between.std()]) / np.sqrt(max(_WITNESS * rows.size, 1.0))
        shown, doubt = np.array([own.mean(), between.mean()]) / (error + 1e-9)
        # The path may have slipped into another octave for a while.
        there = _running_mean(own, _WHILE)
        proved[rows] = (shown > _SHOWN) & (doubt < _DOUBT) & (there > _PART * own.mean())
    return proved


# Something that sounds once in each firing is looked for in so many parts of it, over so long.
_PARTS, _RING_S = 10, 0.25
# It is pointed to where, over two such stretches and more, it stands out by this more than ever on
# the runs it is held against, at engine speeds this near.
_RINGS_DB, _SAME_SPEED = 3.0, 0.08


def rings(
    power: ArrayLike, below: ArrayLike, step_s: float, heard: HeardSpeed, *, cylinders: int = 1
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What sounds in a band at some part of each firing, over how loud the engine is.

    Parameters
    ----------
    power : array
        In that band, every ``step_s``.
    below : array
        The same of the engine's own band, so that neither distance nor the phone's gain counts.
    step_s : float
        [s]
    heard : HeardSpeed
        Of the same recording.
    cylinders : int

    Returns
    -------
    time_s, engine_speed_rpm, level_db : array
        Each quarter of a second in which the engine is heard throughout. What sounds all through
        a firing, such as wind, is taken off.
    """
    power, below = np.asarray(power, dtype=float), np.asarray(below, dtype=float)
    known = np.isfinite(heard.engine_speed_rpm)
    found = []
    for begin in np.arange(0.0, heard.time_s[-1], _RING_S):
        rows = (heard.time_s >= begin) & (heard.time_s < begin + _RING_S)
        at = np.arange(round(begin / step_s), min(round((begin + _RING_S) / step_s), power.size))
        if not (rows.any() and known[rows].all() and at.size):
            continue
        time = (at + 0.5) * step_s
        rpm = np.interp(time, heard.time_s[rows], heard.engine_speed_rpm[rows])
        part = (np.cumsum(rpm) * step_s * cylinders / 120 * _PARTS).astype(int) % _PARTS
        mean = np.bincount(part, power[at], _PARTS) / np.maximum(np.bincount(part, None, _PARTS), 1)
        high = 10 * np.log10((mean.mean() - mean.min() + 1e-20) / (below[at].mean() + 1e-20))
        found.append((begin, rpm.mean(), high))
    time_s, rpm, high = np.array(found, dtype=float).reshape(-1, 3).T
    return time_s, rpm, high


def new_rings(
    own: tuple[np.ndarray, ...], others: list[tuple[np.ndarray, ...]]
) -> list[tuple[float, float]]:
    """Stretches in which something rings that never did on the runs it is held against.

    Parameters
    ----------
    own : tuple of arrays
        Of :func:`rings`.
    others : list of the same
        Of the runs that it is held against.

    Returns
    -------
    list of (float, float)
        Begin and end. [s]
    """
    time, rpm, high = own
    speeds, ever = (np.concatenate([one[at] for one in others]) for at in (1, 2))
    near = np.abs(rpm[:, None] / speeds - 1) < _SAME_SPEED
    # Where nothing was heard at that speed there is nothing to hold it against.
    most = np.where(near.any(1), np.where(near, ever, -np.inf).max(1, initial=-np.inf), np.inf)
    rows = np.flatnonzero(high > most + _RINGS_DB)
    gaps = np.flatnonzero(np.diff(time[rows]) > 1.5 * _RING_S) + 1
    parts = np.split(rows, gaps)
    return [(float(time[p[0]]), float(time[p[-1]] + _RING_S)) for p in parts if p.size > 1]
