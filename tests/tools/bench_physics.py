"""Time of the sums that sliders and simulations lean on, beside a million exponentials.

Run it by hand: ``python -m tests.tools.bench_physics``. The ratio holds when the machine's
speed drifts. Nothing asserts these times.
"""

import time

import numpy as np

from tuninglib.physics.motion import Hill, Ride, exit_speed_m_s, predict_exit_speed, wheel_force_n

REPEATS = 9
MILLION = 1_000_000


def best(call) -> float:
    """Shortest of several runs of a call. [s]"""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Print each time and its ratio to a million exponentials."""
    rng = np.random.default_rng(1)
    entry = rng.uniform(10, 15, MILLION)
    leave = entry + rng.uniform(1, 6, MILLION)
    road = {
        "mass_kg": rng.uniform(180, 220, MILLION),
        "air_density_kg_m3": 1.2,
        "drag_area_m2": 0.55,
        "rolling_coefficient": 0.015,
    }
    even, curved = Hill(400.0, 0.06), Hill([150.0, 250.0], [0.052, 0.065])
    ends = {"entry_speed_m_s": entry, "exit_speed_m_s": leave}
    force = wheel_force_n(Ride(hill=even, **road), **ends)
    mass, grade = np.meshgrid(np.linspace(160, 240, 50), np.linspace(0.02, 0.10, 50))
    surface = {**road, "mass_kg": mass, "hill": Hill(400.0, grade[..., None])}
    reference = best(lambda: np.exp(-entry))
    # Each call makes its ride anew, as a slider does, so that the checks count.
    for name, call in (
        ("a million exponentials", lambda: np.exp(-entry)),
        (
            "a million forces, even hill",
            lambda: wheel_force_n(Ride(hill=even, **road), **ends),
        ),
        (
            "a million forces, two pieces",
            lambda: wheel_force_n(Ride(hill=curved, **road), **ends),
        ),
        (
            "a million exit speeds",
            lambda: exit_speed_m_s(Ride(hill=even, **road), force_n=force, entry_speed_m_s=entry),
        ),
        (
            "what-if surface, 50 by 50",
            lambda: predict_exit_speed(
                Ride(**surface), force_n=300.0, power_w=4500.0, entry_speed_m_s=13.0
            ),
        ),
    ):
        taken = best(call)
        print(f"{name:30} {1e3 * taken:8.1f} ms   ratio {taken / reference:6.2f}")


if __name__ == "__main__":
    main()
