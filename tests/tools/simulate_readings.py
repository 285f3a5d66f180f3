"""How often the mixtures' intervals are right: with one reading far off, with a gauge that is off.

    python -m tests.tools.simulate_readings [days] [seed]
    python -m tests.tools.simulate_readings gauge [days] [seed]
    python -m tests.tools.simulate_readings air [days] [seed]

Every day has its own setups, scatter from run to run and within a run, gauge error and a gauge that
rounds. One reading of a bad day is off by 5 to 20 %. The library sees what a rider would write
down.

The second table is of whole sessions of three setups on two engines, two runs each, idle and cruise
read once with each: gauges that are off by chance or by 0.3 on a scale of 14.7, and ECUs that hold
lambda 1 there, hold something else, or run from their table.

The third is of lambda on another day: air of -5 to 35 degrees on a hill of 0 to 2500 m, by whatever
weather and humidity, with ECUs that correct for temperature, pressure, both or neither. The air is
worked out here, without the library.
"""

import sys
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from tests.conftest import DEMO
from tests.random_sessions import as_read
from tests.tools.shared import head, row
from tuninglib.analysis.air_envelope import known_air, over_air
from tuninglib.analysis.combinations import combinations_of
from tuninglib.analysis.doubts import check_gauge
from tuninglib.analysis.injector import session_fit
from tuninglib.analysis.mixture import analyse_mixtures, weighed_readings, with_check
from tuninglib.interval import Measured
from tuninglib.session.defaults import air_of_runs, band_of
from tuninglib.session.load import load_session
from tuninglib.statistics.gauge_readings import reading_midpoint
from tuninglib.statistics.repeats import NAMED, group_means, weigh_groups

GAUGE_STEP, SCALE = 0.1, 14.7
RUN_SD = 0.01  # the guess
SEED = 20260516


@dataclass(frozen=True)
class Score:
    """What came out.

    Attributes
    ----------
    held, width : float
        Share of setups whose interval holds the truth, and its middle half-width (logarithm).
    held_there, width_there : float
        Of the setup with the bad reading; 1 and 0 on days without one.
    named, wrongly_named : float
        Share of days on which the bad reading is named (alone or with its setup), and another one.
    """

    held: float
    width: float
    held_there: float
    width_there: float
    named: float
    wrongly_named: float


def one_day(rng, repeats, setups, gross):
    """True logarithms of the setups, and what was read."""
    truth = np.log(rng.uniform(0.78, 0.98, setups))
    group = np.repeat(np.arange(setups), repeats)
    run_sd, flutter = rng.uniform(0.005, 0.015), rng.uniform(0.003, 0.008)
    middle = truth[group] + rng.normal(0, 0.01) + rng.normal(0, run_sd, group.size)
    bad = rng.integers(group.size) if gross else None
    if gross:
        middle[bad] += rng.choice([-1, 1]) * rng.uniform(0.05, 0.20)
    trace = SCALE * np.exp(middle[:, None] + rng.normal(0, flutter, (group.size, 12)))
    low, high = (np.round(x / GAUGE_STEP) * GAUGE_STEP for x in (trace.min(1), trace.max(1)))
    return truth, group, low, high, bad


def simulate(days, *, repeats, setups=5, gross=False, weigh=True, seed=SEED) -> Score:
    """Shares over many days."""
    rng = np.random.default_rng(seed)
    held, widths, there, widths_there, named, wrongly = [], [], [], [], [], []
    for _ in range(days):
        truth, group, low, high, bad = one_day(rng, repeats, setups, gross)
        middle, own = reading_midpoint(low, high, resolution=GAUGE_STEP)
        values = np.log(middle / SCALE)
        found = weigh_groups(values, np.hypot(RUN_SD, own), group)
        weight = found.weight if weigh else np.ones(group.size)
        means = group_means(values, own, weight, group, assumed_sd=RUN_SD)
        for setup, one in means.items():
            variance = one.variance + 0.01**2
            dof = one.dof * (variance / one.variance) ** 2 if one.dof else 1e9
            half = stdtrit(dof, 0.975) * np.sqrt(variance)
            good = abs(one.mean - truth[setup]) < half
            is_there = gross and setup == group[bad]
            (there if is_there else held).append(good)
            (widths_there if is_there else widths).append(half)
        doubted = found.disagree | (found.weight < NAMED)
        if gross:
            named.append(doubted[bad])
        wrongly.append((doubted & (group != (group[bad] if gross else -1))).any())
    if not gross:
        there, widths_there, named = [True], [0.0], [True]
    return Score(
        held=np.mean(held), width=np.median(widths), held_there=np.mean(there),
        width_there=np.median(widths_there), named=np.mean(named), wrongly_named=np.mean(wrongly),
    )  # fmt: skip


# A gauge that is off, checked or not at idle and cruise -------------------------------------------

STATED_SD = 0.02 / 1.96  # of the demo's gauge
SETUPS = ("stock", "big_164", "big_172")
# Stated flow and displacement of each, the first one's being 1.
FLOW = dict(zip(SETUPS, np.array([150, 164, 172]) / 150, strict=True))
SIZE = dict(zip(SETUPS, [1.0, (64 / 60) ** 2, (64 / 60) ** 2], strict=True))
# What the gauge is off by: at lambda 1 and at full throttle, as logarithms.
GAUGES = {
    "by chance, everywhere alike": lambda a, b: (a, a),
    "by chance, half of it in the slope": lambda a, b: (a / 2**0.5, (a + b) / 2**0.5),
    "by chance, all of it in the slope": lambda a, b: (0.0, a),
    "reads 0.3 lean": lambda a, b: (np.log(1 + 0.3 / SCALE),) * 2,
    "reads 0.3 rich": lambda a, b: (np.log(1 - 0.3 / SCALE),) * 2,
}


def _holds(rng, at=1.0):
    """Lambda that the ECU holds at idle and cruise, setup by setup."""
    common = at * np.exp(rng.normal(0, 0.005))
    return {name: common * np.exp(rng.normal(0, 0.003, 2)) for name in SETUPS}


def _table(rng, low, high):
    """Lambda from a table: one level a state, then as injector and engine have it."""
    level, breathing = rng.uniform(low, high, 2), rng.normal(0, 0.04)
    # What a cylinder draws in at idle goes by the throttle, by its size, or by both.
    response, by_size = rng.uniform(0.8, 1.05), rng.uniform(0, 1)
    found = {}
    for name in SETUPS:
        log = by_size * np.log(SIZE[name]) - response * (np.log(FLOW[name]) + rng.normal(0, 0.02))
        found[name] = level * np.exp(log + (name != "stock") * breathing)
    return found


def _leaks(rng, where=SETUPS):
    """Held at 1, and shown leaner by air that leaks in between the ECU's sensor and the gauge's."""
    leak = rng.uniform(0.03, 0.06)
    return {
        name: value * (1 + (name in where) * leak * np.array([1.0, 0.6]))
        for name, value in _holds(rng).items()
    }


# What stands in the exhaust at idle and cruise, and the setups that are read there.
ECUS = {
    "holds lambda 1": (_holds, SETUPS),
    "holds lambda 1, one setup read": (_holds, SETUPS[:1]),
    "holds lambda 1, one engine read": (_holds, SETUPS[1:]),
    "runs from its table, 0.85 to 1.10": (lambda rng: _table(rng, 0.85, 1.10), SETUPS),
    "runs from its table, near 1": (lambda rng: _table(rng, 0.98, 1.03), SETUPS),
    "the same, one setup read": (lambda rng: _table(rng, 0.98, 1.03), SETUPS[:1]),
    "holds 0.98": (lambda rng: _holds(rng, 0.98), SETUPS),
    "holds 1, exhaust leaks by 3 to 6 %": (_leaks, SETUPS),
    "holds 1, exhaust leaks with one setup": (lambda rng: _leaks(rng, SETUPS[1:2]), SETUPS),
}


def gauge_day(rng, demo, gauge, ecu):
    """Without and with the check: whether lambda's intervals hold the truth, and their widths."""
    at_one, at_full = GAUGES[gauge](*(STATED_SD * rng.standard_normal(2)))
    truth = dict(zip(SETUPS, rng.uniform(0.80, 0.96, len(SETUPS)), strict=True))
    run_sd, flutter = rng.uniform(0.005, 0.015), rng.uniform(0.003, 0.008)
    law, read = ECUS[ecu]
    held = law(rng)
    shown = [(name, "full", np.log(truth[name]) + at_full) for name in (*SETUPS, *SETUPS[::-1])]
    for name in read:
        for state, value in zip(("idle", "cruise"), np.log(held[name]) + at_one, strict=True):
            shown.append((name, state, value))
    rows = []
    for name, state, value in shown:
        value = value + rng.normal(0, run_sd) + rng.normal(0, flutter, 12)
        low, high = np.round(SCALE * np.exp([value.min(), value.max()]) / GAUGE_STEP) * GAUGE_STEP
        rows.append({"setup": name, "rider": "tove", "state": state, "knock": "none",
                     "gauge_low": low, "gauge_high": high})  # fmt: skip
    session = replace(demo, runs=as_read(rows, demo.runs).assign(air_temperature_k=298.15))
    air = air_of_runs(session)
    check = check_gauge(session, air)
    good = []
    for judged in (session, with_check(session, check)):
        found = analyse_mixtures(judged, weighed_readings(judged, air))
        good.append([
            (one.lambda_.low < truth[one.setup] < one.lambda_.high, one.lambda_.half_width)
            for one in found
            if one.lambda_
        ])  # fmt: skip
    return good, check


def gauge_table(days=300, seed=SEED):
    """Print the table of gauges and ECUs."""
    print(f"{days} days a line, seed {seed}; true lambda at full throttle")
    head("gauge", "at idle and cruise the ECU", "unchecked", "typical ±", "checked", "typical ±",
         "corrects there")  # fmt: skip
    demo = load_session(DEMO)
    demo = replace(demo, setups={name: demo.setups[name] for name in SETUPS})
    for gauge in GAUGES:
        for ecu in ECUS:
            rng = np.random.default_rng(seed)
            every = [gauge_day(rng, demo, gauge, ecu) for _ in range(days)]
            good = np.array([one for one, _ in every]).reshape(days, 2, -1, 2)
            (before, held), (half_before, half) = np.moveaxis(good, (3, 1), (0, 1)).reshape(
                2, 2, -1
            )
            chances = [state.chance for _, check in every for state in check.states]
            row(gauge, ecu, f"{before.mean():.1%}", f"{np.median(half_before):.3f}",
                f"{held.mean():.1%}", f"{np.median(half):.3f}",
                f"{np.mean(chances):.0%}" if chances else "")  # fmt: skip


# Other air ----------------------------------------------------------------------------------------

# Of air temperature and pressure, what the ECU corrects for; and what the rider says of it.
KINDS = {"both": "yes", "neither": "no", "temperature": "temperature", "pressure": "pressure"}
HILL_M = 210.0  # the demo's


def dry_air(celsius, pascal, humidity):
    """Oxygen in a volume of air, as a logarithm: Magnus' formula, ideal gases.

    Nowhere does the dew point go much above 24 degrees: 2980 Pa of vapour.
    """
    vapour = np.minimum(humidity * 611.2 * np.exp(17.62 * celsius / (243.12 + celsius)), 2980.0)
    return np.log((pascal - vapour) / (celsius + 273.15))


def leaner_by(kind, celsius, pascal, humidity):
    """Logarithm of lambda for so much fuel as the ECU gives in that air."""
    found = dry_air(celsius, pascal, humidity)
    if kind in ("both", "temperature"):
        found = found + np.log(celsius + 273.15)
    return found - np.log(pascal) if kind in ("both", "pressure") else found


def weather(rng, metres):
    """Pressure of a day at an altitude: the barometric formula, give or take a high or a low."""
    usual = 101325 * (1 - 0.0065 * metres / 288.15) ** 5.2559
    return usual * (1 + rng.normal(0, 0.01)), rng.uniform(0.25, 0.9)


def air_day(rng, demo, kind, said, warms):
    """Of a setup that was read and of an injector that was not: truth within, width; the chance."""
    response, breathing = rng.normal(1.0, 0.15), rng.normal(0, 0.05)
    level = np.log(rng.uniform(0.84, 0.92))
    off = dict(zip(("i150", "i164", "i172", "i178"), rng.normal(0, 0.035, 4), strict=True))
    stated = {name: demo.injectors[name].flow.value for name in off}

    def true_log(engine, injector):
        log = level - response * np.log(stated[injector] / stated["i164"]) + off[injector]
        return log if engine == "big" else log + breathing - np.log(SIZE["big_172"])

    gauge, run_sd, flutter = STATED_SD * rng.standard_normal(), *rng.uniform(0.004, 0.012, 2)
    (pascal, humidity), morning = weather(rng, HILL_M), rng.uniform(5, 25)
    drift, rise, rows = rng.normal(0, 0.01), rng.uniform(0, 1) * warms, []
    for at, name in enumerate((*SETUPS, *SETUPS[::-1])):
        # A thermometer shows whole degrees.
        celsius = round(morning + rise * at / 5)
        setup = demo.setups[name]
        air = leaner_by(kind, celsius, pascal, humidity) - leaner_by(kind, 15, 98.8e3, 0.5)
        value = true_log(setup.engine, setup.injector) + air + gauge + drift * (at / 5 - 0.5)
        value = value + rng.normal(0, run_sd) + rng.normal(0, flutter, 12)
        low, high = np.round(SCALE * np.exp([value.min(), value.max()]) / GAUGE_STEP) * GAUGE_STEP
        rows.append({"setup": name, "rider": "tove", "state": "full", "knock": "none",
                     "gauge_low": low, "gauge_high": high, "kelvin": celsius + 273.15})  # fmt: skip
    kelvin = [one.pop("kelvin") for one in rows]
    session = replace(
        demo,
        runs=as_read(rows, demo.runs).assign(air_temperature_k=kelvin),
        bike=replace(demo.bike, density_compensation=said),
        weather=replace(demo.weather, pressure=Measured(pascal), humidity=Measured(0.5, 0.3)),
    )
    air = air_of_runs(session)
    read = weighed_readings(session, air)
    fit = session_fit(session, air, read, ())
    known = known_air(session, air, read, open_loop=True)
    found = combinations_of(session, fit, analyse_mixtures(session, read), ())
    metres, celsius = rng.uniform(0, 2500), rng.uniform(-5, 35)
    there = leaner_by(kind, celsius, *weather(rng, metres)) - leaner_by(kind, 15, 98.8e3, 0.5)
    good = []
    for injector in ("i172", "i178"):
        one = next(c for c in found if (c.engine, c.injector, c.fuel) == ("big", injector, "e5"))
        if one.lambda_ is None:
            # Every reading stood at the gauge's end: another day.
            return air_day(rng, demo, kind, said, warms)
        lambda_, _ = over_air(
            known, one, band_of(session), temperature_k=celsius + 273.15, altitude_m=metres
        )
        truth = np.exp(true_log("big", injector) + there)
        good += [lambda_.low < truth < lambda_.high, lambda_.half_width / lambda_.value]
    return (*good, known.chances[kind])


def air_table(days=300, seed=SEED):
    """Print the table of ECUs and of what is said of them."""
    print(f"{days} days a line, seed {seed}; lambda on another day, -5 to 35 °C, 0 to 2500 m")
    head("ECU corrects for", "said", "warms by up to", "ridden: held", "typical ±",
         "untried: held", "typical ±", "chance given to what is true")  # fmt: skip
    demo = load_session(DEMO)
    demo = replace(demo, setups={name: demo.setups[name] for name in SETUPS})
    for said in ("as it is", "nothing"):
        every = []
        for kind, word in KINDS.items():
            for warms in (12,) if said == "as it is" else (0, 12, 25):
                rng = np.random.default_rng(seed)
                stated = word if said == "as it is" else "unknown"
                found = [air_day(rng, demo, kind, stated, warms) for _ in range(days)]
                every += found
                _air_row(kind, said, f"{warms} °C", found)
        _air_row("all of these", said, "", every)


def _air_row(kind, said, warms, found):
    held, half, held_new, half_new, chance = np.array(found, dtype=float).T
    row(kind, said, warms, f"{held.mean():.1%}", f"{np.median(half):.1%}", f"{held_new.mean():.1%}",
        f"{np.median(half_new):.1%}", f"{chance.mean():.0%}")  # fmt: skip


def main(days=2000, seed=SEED):
    """Print the table."""
    print(f"{days} days a line, 5 setups, seed {seed}; half-widths of log(lambda)")
    head("repeats", "bad one", "weighed", "others hold", "±", "its setup holds", "±", "named",
         "wrongly")  # fmt: skip
    for repeats in (1, 2, 3, 4):
        for gross in (False, True):
            for weigh in (False, True):
                s = simulate(days, repeats=repeats, gross=gross, weigh=weigh, seed=seed)
                its = f"{s.held_there:.1%}", f"{s.width_there:.3f}", f"{s.named:.0%}"
                row(repeats, "yes" if gross else "no", "yes" if weigh else "no", f"{s.held:.1%}",
                    f"{s.width:.3f}", *(its if gross else ("", "", "")),
                    f"{s.wrongly_named:.1%}")  # fmt: skip


if __name__ == "__main__":
    asked = sys.argv[1:]
    table = {"gauge": gauge_table, "air": air_table}.get("".join(asked[:1]), main)
    table(*(int(argument) for argument in asked if argument.isdecimal()))
