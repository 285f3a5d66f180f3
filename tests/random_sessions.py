"""Sessions made up at random, in memory: few runs, odd injectors, and at times half missing."""

from dataclasses import replace

import numpy as np
import pandas as pd

from tuninglib.interval import Measured
from tuninglib.physics.fuels import Octane
from tuninglib.session.defaults import blend_of
from tuninglib.session.machine import Fuel, Setup
from tuninglib.session.read_table import NOTED
from tuninglib.session.schema import Target, Use

CC_MIN = 1e-6 / 60
OCTANES = (None, Octane(98.0, "RON"), Octane(95.0, "RON"), Octane(91.0, "AKI"), Octane(87.0, "AKI"))


def pick(rng, *choices):
    return choices[rng.integers(len(choices))]


def random_session(rng, demo):
    """A session that a rider could have typed."""
    return random_outing(rng, demo)[0]


def random_outing(rng, demo):
    """A session that a rider could have typed, and a function for its true lambda.

    ``demo`` is a session that gives what stays as it is: hill, riders, gauge, weather. The
    function takes engine, injector and fuel.
    """
    engines, fuels, injectors = _engines(rng, demo), _fuels(rng), _injectors(rng, demo)
    setups = _setups(rng, injectors, fuels)
    bike = replace(
        demo.bike,
        lowest_octane=pick(rng, None, Octane(91.0, "RON"), Octane(95.0, "RON")),
        highest_ethanol=pick(rng, None, Measured(0.10)),
        highest_head_temperature=pick(rng, None, None, Measured(273.15 + 205)),
    )
    used = tuple(dict.fromkeys(setup.fuel for setup in setups.values()))
    use = Use(
        fuels=pick(rng, (), (), used, (pick(rng, *fuels),)),
        riding=pick(rng, "unknown", "town", "mixed", "mixed", "mixed", "climbs", "motorway"),
        cooling=pick(rng, "unknown", "air", "oil cooler", "liquid"),
    )
    parts = {"engines": engines, "fuels": fuels, "injectors": injectors, "setups": setups}
    target = Target(lowest=pick(rng, 0.80, 0.82, 0.84), highest=pick(rng, 0.89, 0.90, 0.92))
    session = replace(demo, bike=bike, use=use, target=target, **parts)
    true_lambda = _truth(rng, session)
    session = replace(session, runs=_runs(rng, session, true_lambda))
    return _odd(rng, session), true_lambda


def _odd(rng, session):
    """Now and then: a gauge that ends early, a note against its column, another reference, a lean
    target.
    """
    ends, noted, other, lean = (rng.random(4) < (0.1, 0.1, 0.15, 0.1)).tolist()
    if ends:
        # Below this the gauge shows nothing but its end.
        least = pick(rng, 11.5, 12.5)
        session = replace(session, gauge=replace(session.gauge, lowest=least))
        session = with_runs(
            session,
            gauge_low=session.runs["gauge_low"].clip(lower=least),
            gauge_high=session.runs["gauge_high"].clip(lower=least),
        )
    if noted:
        knock = session.runs["knock"].copy()
        row = rng.integers(len(knock))
        if session.runs["state"].iloc[row] == "full" and knock.iloc[row] in ("", "none"):
            # As the reader leaves a note that speaks of knock beside a column that does not.
            knock.iloc[row] = NOTED
            session = with_runs(session, knock=knock)
    if other:
        about = replace(session.about, reference=pick(rng, *session.setups))
        session = replace(session, about=about)
    if lean:
        session = replace(session, target=Target(lowest=0.88, highest=pick(rng, 0.93, 0.95)))
    return session


def _engines(rng, demo):
    stock = replace(demo.engines["stock"], compression_ratio=pick(rng, 9.4, 9.4, None))
    big = replace(
        demo.engines["big"],
        bore=Measured(1e-3 * pick(rng, 60.0, 60.0, 62.0, 64.0, 66.0)),
        compression_ratio=pick(rng, 9.4, 9.8, 10.4, None),
    )
    return {"stock": stock, "big": big}


def _fuels(rng):
    ethanol = {"premium": 0.04, "regular": 0.095}
    if rng.random() < 0.3:
        ethanol["e85"] = 0.80
    return {
        name: Fuel(
            ethanol=None if rng.random() < 0.1 else Measured(share, 0.01),
            octane=Octane(104.0, "RON") if name == "e85" else pick(rng, *OCTANES),
        )
        for name, share in ethanol.items()
    }


def _injectors(rng, demo):
    # A ladder around what these engines ask for, as a rider would list it; not in order.
    count, step = rng.integers(2, 7), rng.uniform(1.03, 1.09)
    flows = 165 * rng.uniform(0.85, 1.15) * step ** np.arange(count)
    return {
        f"i{flow:.0f}": replace(
            demo.injectors["i172"],
            flow=Measured(flow * CC_MIN),
            tolerance=Measured(pick(rng, 0.02, 0.04, 0.07)),
            owned=pick(rng, "unknown", "unknown", "yes", "no"),
            price=pick(rng, None, 34.0),
        )
        for flow in rng.permutation(flows).tolist()
    }


def _setups(rng, injectors, fuels):
    def one(engine):
        fuel = pick(rng, *[name for name in fuels if name != "e85"])
        cost = pick(rng, None, 120.0)
        return Setup(engine=engine, injector=pick(rng, *injectors), fuel=fuel, cost=cost)

    # The factory's own choice is near what the engine asks for, more often than not.
    usual = min(injectors, key=lambda name: abs(injectors[name].flow.value / CC_MIN - 165))
    stock = one("stock")
    setups = {"stock": replace(stock, injector=usual) if rng.random() < 0.7 else stock}
    for number in range(rng.integers(0, 5)):
        setups[f"trial_{number}"] = one(pick(rng, "big", "big", "stock"))
    return setups


def _truth(rng, session):
    """True lambda where 165 cc/min make 0.87 on the stock engine with petrol.

    Injectors flow something else than stated, and the big engine breathes in a way of its own.
    """
    breath = {"stock": 1.0, "big": float(np.exp(rng.normal(0, 0.04)))}
    flows = {
        name: one.flow.value * float(np.exp(rng.normal(0, one.tolerance.sd)))
        for name, one in session.injectors.items()
    }

    def true_lambda(engine, injector, fuel):
        blend = blend_of(session.fuels[fuel])
        need = float(blend.stoichiometric_ratio * blend.density_kg_m3**0.5)
        size = session.engines[engine].displacement_m3 / session.engines["stock"].displacement_m3
        flow = flows[injector] / (165 * CC_MIN)
        return 0.87 * size * breath[engine] / flow * (14.5 * 745**0.5) / need

    return true_lambda


def _runs(rng, session, true_lambda):
    """Rows of runs.csv as the reader leaves them."""
    no_gauge, no_speeds, deaf, no_heads = (rng.random(4) < (0.1, 0.1, 0.15, 0.6)).tolist()
    gauge = float(np.exp(rng.normal(0, session.gauge.accuracy.sd)))
    # Whole runs instead of their steady part; idle and cruise, where the ECU holds lambda 1.
    half, held = pick(rng, 0.1, 0.1, 0.1, 0.15, 0.45), rng.random() < 0.3
    rows = []
    for name, setup in session.setups.items():
        lambda_ = true_lambda(setup.engine, setup.injector, setup.fuel)
        gain = pick(rng, -6.0, 0.0, 2.0, 6.0, 9.0) if name != "stock" else 0.0
        risk = 0.3 if lambda_ > 0.93 else 0.02
        head = 440 + 60 * rng.random()
        for number in range(rng.integers(1, 5)):
            level = pick(rng, "light", "heavy") if rng.random() < risk else "none"
            middle = 14.7 * gauge * lambda_ * float(np.exp(rng.normal(0, 0.008)))
            low, high = (round(float(np.clip(middle + d, 10, 20)), 1) for d in (-half, half))
            end = 61 + gain + 1.5 * (number % 2) + float(rng.normal(0, 1))
            rows.append(
                {
                    "setup": name,
                    "rider": "tove" if number % 2 else "ilmar",
                    "shown_entry_m_s": np.nan if no_speeds else 48 / 3.6,
                    "shown_exit_m_s": np.nan if no_speeds else end / 3.6,
                    "gauge_low": np.nan if no_gauge else low,
                    "gauge_high": np.nan if no_gauge else high,
                    "knock": "" if deaf else level,
                    "head_temperature_k": np.nan if no_heads else head + float(rng.normal(0, 4)),
                    "state": "full",
                }
            )
        for state in ("idle", "cruise") * int(held and not no_gauge):
            middle = 14.7 * gauge + float(rng.normal(0, 0.05))
            low, high = (round(middle + d, 1) for d in (-0.1, 0.1))
            rows.append(
                {
                    "setup": name,
                    "rider": "tove",
                    "shown_entry_m_s": np.nan,
                    "shown_exit_m_s": np.nan,
                    "gauge_low": low,
                    "gauge_high": high,
                    "knock": "",
                    "head_temperature_k": np.nan,
                    "state": state,
                }
            )
    return as_read(rows, session.runs)


def as_read(rows, like):
    """A table of runs with every column that the reader leaves."""
    table = pd.DataFrame(rows)
    for column in like.columns:
        if column not in table:
            numeric = pd.api.types.is_numeric_dtype(like[column])
            table[column] = np.nan if numeric else ""
            if pd.api.types.is_bool_dtype(like[column]):
                table[column] = False
    table["run"] = np.arange(1.0, len(table) + 1)
    table["row"] = np.arange(2, len(table) + 2)
    table["air_temperature_k"] = 293.15
    return table[list(like.columns)]


# Changes to one, for rules about pairs ------------------------------------------------------


def with_runs(session, **columns):
    """The session with columns of its runs changed."""
    return replace(session, runs=session.runs.assign(**columns))


def without_gauge(session):
    return with_runs(session, gauge_low=np.nan, gauge_high=np.nan)


def without_speeds(session):
    return with_runs(session, shown_entry_m_s=np.nan, shown_exit_m_s=np.nan)


def with_knock(session, row, level="heavy"):
    """Knock on one more run."""
    knock = session.runs["knock"].copy()
    knock.iloc[row] = level
    return with_runs(session, knock=knock)


def hotter(session, by_k, setups=None):
    """Heads that were hotter, of all setups or of some; nothing where nothing was read."""
    mine = session.runs["setup"].isin(setups or session.setups)
    heads = session.runs["head_temperature_k"]
    return with_runs(session, head_temperature_k=heads.where(~mine, heads + by_k))


def used_as(session, **values):
    """The session for another use."""
    return replace(session, use=replace(session.use, **values))


def reordered(session, rng):
    """Setups, injectors, fuels and engines in another order."""

    def mixed(table):
        names = list(table)
        return {names[i]: table[names[i]] for i in rng.permutation(len(names))}

    names = ("setups", "injectors", "fuels", "engines")
    return replace(session, **{name: mixed(getattr(session, name)) for name in names})


def exchanged(session, one, other):
    """Two setups' names exchanged, wherever they stand."""
    turned = {one: other, other: one}
    setups = {turned.get(name, name): setup for name, setup in session.setups.items()}
    runs = session.runs.assign(setup=session.runs["setup"].map(lambda name: turned.get(name, name)))
    reference = turned.get(session.about.reference, session.about.reference)
    about = replace(session.about, reference=reference)
    return replace(session, setups=setups, runs=runs, about=about)
