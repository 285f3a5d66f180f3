"""What simulators share, and nothing that they judge: options, tables, and a motion in steps."""

import argparse

import numpy as np

GRAVITY = 9.80665
# Of the way, for the motion and its gusts.
STEPS = 80


def asked(doc: str, **defaults) -> argparse.Namespace:
    """Options of the command line: numbers, texts and switches, with what each is if left out."""
    parser = argparse.ArgumentParser(description=doc.partition("\n")[0])
    for name, default in defaults.items():
        switch = isinstance(default, bool)
        how = {"action": "store_true"} if switch else {"type": type(default), "default": default}
        parser.add_argument(f"--{name}", **how)
    return parser.parse_args()


def row(*cells) -> None:
    """A row of a table, at once."""
    print(f"| {' | '.join(map(str, cells))} |", flush=True)


def head(*cells) -> None:
    """The head of a table."""
    row(*cells)
    print("|" + "---|" * len(cells), flush=True)


def ride(v, road, wind, pull, late=None, down=False):
    """Exit speed and mean force by the classic fourth-order method in distance.

    ``road`` has length, mass and the like; ``grade`` of the share of the way; the middle and the
    width of the torque curve; ``rise`` is the share of rolling that goes with the square of speed.
    ``wind`` has one value for each step, ``pull`` multiplies the torque curve (0 is out of gear),
    ``late`` is the share of the way after which the throttle is open.
    """
    h, steps = road["length"] / len(wind), len(wind)
    middle, width = road["torque"]

    def slope(share, energy, headwind):
        speed = np.sqrt(2 * np.maximum(energy, 0.01))
        angle = np.arctan(-road["grade"](1 - share) if down else road["grade"](share))
        air = speed + headwind
        rolling = road["rolling"] * (1 + road.get("rise", 0.0) * ((speed / 14.0) ** 2 - 1))
        resist = road["mass"] * GRAVITY * (np.sin(angle) + rolling * np.cos(angle))
        resist = resist + 0.5 * road["density"] * road["drag"] * air * np.abs(air)
        force = pull * (1 - ((speed - middle) / width) ** 2)
        if late is not None:
            force = force * np.clip(0.3 + 0.7 * share / np.maximum(late, 1e-9), 0.0, 1.0)
        return (force - resist) / (road["mass"] + road["rotating"]), force

    energy, work = v**2 / 2, 0.0
    for i, w in enumerate(wind):
        a1, f1 = slope(i / steps, energy, w)
        a2, f2 = slope((i + 0.5) / steps, energy + h / 2 * a1, w)
        a3, f3 = slope((i + 0.5) / steps, energy + h / 2 * a2, w)
        a4, f4 = slope((i + 1) / steps, energy + h * a3, w)
        energy = energy + h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
        work = work + (f1 + 2 * f2 + 2 * f3 + f4) / 6 / steps
    return np.sqrt(2 * np.maximum(energy, 0.01)), work


def gusts(rng, mean, world, heavy=False):
    """Wind at each step of each run: its mean, and what comes and goes within the run."""
    keep = np.exp(-world.length_m[0] / STEPS / world.gust_length_m)
    size = np.full(mean.shape, world.gust_m_s)
    if heavy:
        # Student's t of 2.5 degrees of freedom, for the run as a whole.
        size = size * np.sqrt(2.5 / rng.chisquare(2.5, mean.shape))
    now, winds = rng.standard_normal(mean.shape), []
    for _ in range(STEPS):
        now = keep * now + np.sqrt(1 - keep**2) * rng.standard_normal(mean.shape)
        winds.append(mean + size * now)
    return winds


def draw(rng, stated, shape):
    """True values around a stated one and its standard deviation."""
    return stated[0] + stated[1] * rng.standard_normal(shape)
