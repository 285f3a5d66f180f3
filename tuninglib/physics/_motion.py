"""Motion under a constant force, in bare arrays: what :mod:`tuninglib.physics.hill` is made of.

Without wind v² is exponential in distance, so force and speed are explicit. With wind the motion
is explicit in time, and Newton's method finds the time: m dz/dt = P − k z² for the speed z through
the air gives z = (z0 c + (P/m) s)/(c + κ z0 s) with κ = k/m, c = cosh ωt, s = sinh(ωt)/ω and
ω² = κP/m; the way through the air is ln(c + κ z0 s)/κ.

Here k = ½ρCdA, m is the effective mass, w the wind against the rider, and climb the force of slope
and rolling resistance; the last axis of climb, pull and lengths counts the pieces of the hill.
"""

import numpy as np

from tuninglib.checks import require

_MOST_STEPS = 60


def require_rolling(speed, what):
    remedy = "a run needs the bike rolling at both ends"
    return np.asarray(require(speed, what=what, unit="m/s", above=0, remedy=remedy))


def require_headway(speed, wind):
    headway = speed + wind
    if np.any(headway <= 0):
        worst = np.min(headway)
        raise ValueError(
            f"the wind from behind is {-worst:g} m/s faster than the bike; "
            "check its sign (against the rider is positive) or test on a calmer day"
        )


def even_climb(ride):
    """Force of slope and rolling resistance on a road that is even all along."""
    grade = ride.hill.even_grade_ratio
    weight = ride.mass_kg * ride.gravity_m_s2
    return weight * (grade + ride.rolling_coefficient) / np.sqrt(1 + grade**2)


def growth(x):
    """x / (1 − e⁻ˣ), 1 at x = 0."""
    if np.min(x) < 1e-12:
        x = np.where(np.abs(x) < 1e-12, 1e-12, x)
    return -x / np.expm1(-x)


def weighted(climb, lengths, x):
    """Mean of the pieces' forces, weighted by what each does to the exit speed."""
    if climb.shape[-1] == 1:
        return climb[..., 0]
    after = lengths[..., ::-1].cumsum(-1)[..., ::-1] - lengths
    rate = (x / lengths.sum(-1))[..., None]
    weight = np.exp(-rate * after) * lengths / growth(rate * lengths)
    return (climb * weight).sum(-1) / weight.sum(-1)


def cross_all(v0, lengths, pull, k, m, w, guesses=None):
    """Exit speed and time of each piece; NaN after a stall. Guesses of the times save steps."""
    require_headway(v0, w)
    times = []
    for piece in range(pull.shape[-1]):
        guess = guesses[piece] if guesses else None
        v0, time = _cross(v0, lengths[..., piece], pull[..., piece], k, m, w, guess)
        # Slower than a wind from behind, the square of the air speed would push the wrong way.
        v0 = np.where(v0 + w < 0, np.nan, v0)
        times.append(time)
    return v0, times


def _cross(v0, length, pull, k, m, w, time):
    """Speed after, and time over, one even piece."""
    a, kappa = pull / m, np.where(k == 0, 1e-300, k / m)
    omega2 = a * kappa
    q = np.sqrt(np.abs(omega2)) / 2
    q = np.where(q < 1e-9, 1e-9, q)
    rising = omega2 > 0
    z0 = v0 + w
    if time is None:
        # Newton's method cannot get lost from here: distance is concave in time when slowing down
        # (L/v0 is left of the root) and convex when speeding up (any start will do).
        gain = np.maximum((a - kappa * z0**2) * 2 * length / growth(2 * kappa * length), 0.0)
        time = 2 * length / (v0 + np.sqrt(v0**2 + gain))
    time = time + 0 * q
    always = bool(np.all(rising))
    for _ in range(_MOST_STEPS):
        x = q * time
        with np.errstate(all="ignore"):
            half = np.sinh(x)
            whole = np.sqrt(1 + half**2)
            if not always:
                half = np.where(rising, half, np.sin(x))
                whole = np.where(rising, whole, np.cos(x))
            half = half / q
            s = half * whole
            c2 = half**2 / 2
            gain = a * c2 + z0 * s
            y = 1 + kappa * gain
            speed = (a * s + z0 * (1 + omega2 * c2)) / y - w
            way = np.log1p(kappa * gain) / kappa - w * time
            step = np.where((speed > 0) & (y > 0), (way - length) / speed, np.nan)
        time = time - step
        if not np.any(np.abs(step) > 1e-13 * np.abs(time)):
            break
    # One more step of order h² on the speed, so that it belongs to the corrected time.
    return speed - step * (a - kappa * (speed + w) ** 2), time


def force_in_wind(v0, v1, lengths, m, k, climb, w):
    """Force by a secant search on the squared exit speed, between too little and too much."""
    length = lengths.sum(-1)
    mean = (v0 + v1) / 2
    k_wind = k * (1 + w / mean)
    x = 2 * k_wind * length / m
    rate = m / (2 * length) * growth(x)
    force = weighted(climb, lengths, x) + k * (mean + w) ** 2 - k_wind * (mean**2 - v0**2)
    force = force + rate * (v1**2 - v0**2)
    low, high, before = -np.inf, np.inf, None
    # One piece that speeds up is convex in time, so that any guess is safe.
    direct = climb.shape[-1] == 1 and np.all(v1 >= v0)
    guesses = [2 * length / (v0 + v1)] if direct else None
    for _ in range(_MOST_STEPS):
        pull = force[..., None] - climb
        reached, times = cross_all(v0, lengths, pull, k, m, w, guesses)
        miss = reached**2 - v1**2
        lost = np.isnan(miss)
        if not np.any(lost | (np.abs(miss) > 1e-13 * v1**2)):
            break
        if before is not None:
            with np.errstate(all="ignore"):
                secant = (force - before[0]) / (miss - before[1])
            good = (secant > 0) & (np.abs(miss - before[1]) > 1e-9 * v1**2)
            rate = np.where(good, secant, rate)
        before = (force, miss)
        guesses = None if lost.any() else times
        # A stall, in a dip or on a crest, is a lack of force to pass it.
        lacks = lost | (miss < 0)
        low, high = np.where(lacks, force, low), np.where(lacks, high, force)
        kick = m * (v0**2 + v1**2) / (8 * length)
        trial = np.where(lost, force + kick, force - rate * miss)
        closed = np.isfinite(low) & np.isfinite(high)
        outside = closed & (lost | (trial <= low) | (trial >= high)) & (miss != 0)
        with np.errstate(invalid="ignore"):
            force = np.where(outside, (low + high) / 2, trial)
    return np.where(lost | (np.abs(miss) > 1e-9 * v1**2), np.nan, force)
