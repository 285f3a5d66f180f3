"""Combinations of engine, injector and fuel: what is known of each, ridden or predicted.

Advice is about a combination, never about an injector alone: the same injector on another fuel or
another engine is another combination. What is known of one stands in one record, so that the same
odds stand wherever it is spoken of.
"""

from dataclasses import dataclass

from tuninglib.analysis.fuel import fuel_terms
from tuninglib.analysis.injector import open_time_share
from tuninglib.analysis.readings import flow_on_bike, readings_of, tolerance_sd
from tuninglib.analysis.records import FuelLimit, Knock
from tuninglib.interval import Interval
from tuninglib.physics.octane import Octane
from tuninglib.session.columns import LOUD
from tuninglib.session.defaults import Band, band_of
from tuninglib.statistics.harm import expected_harm
from tuninglib.statistics.ladder_prediction import Odds, predict


@dataclass(frozen=True)
class Gate:
    """Why a combination is shut.

    Attributes
    ----------
    code : str
        ``"knock"``, ``"knock implied"``, ``"knock unexplained"``, ``"ethanol"``, ``"octane"``,
        ``"lean"``, ``"heat"`` or ``"flow"``.
    knock : Knock or None
        What was heard, for the three that begin with knock.
    because : Combination or None
        The combination that knocked, or whose head was too hot, where it is another one.
    fuel_limit : FuelLimit or None
        For a fuel that is not allowed.
    value, limit : float or None
        Of the others: odds of being leaner, head temperature [K], share of the cycle. A lean gate
        without a value: every reading stood at the gauge's lean end.
    """

    code: str
    knock: Knock | None = None
    because: "Combination | None" = None
    fuel_limit: FuelLimit | None = None
    value: float | None = None
    limit: float | None = None


@dataclass(frozen=True, kw_only=True)
class Combination:
    """One engine with one injector on one fuel.

    Attributes
    ----------
    engine, injector, fuel, parts : str
    setup : str or None
        The name under which it was ridden; None: it was not.
    owned : bool
        Whether the injector is at hand.
    source : str
        Of its mixture: ``"read"``, ``"predicted"`` or ``"unknown"``.
    lambda_ : Interval or None
        At full throttle.
    odds : Odds or None
        About the band that the advice is for.
    harm : float or None
        Expected harm of its mixture, see :func:`tuninglib.statistics.harm.expected_harm`.
    beyond_lean : bool
        Whether there are readings, and every one stood at the gauge's lean end.
    listened : int
        Full-throttle runs on which somebody wrote down whether it knocked.
    knocks : tuple of Knock
    octane : Octane or None
        Of the fuel, as typed.
    compression : float or None
        Of the engine.
    flow_m3_s : float
        Of the injector on this bike. [m3/s]
    open_time_fraction : Interval or None
        Share of the cycle that the middle of the band needs at the highest engine speed.
    hottest_k : float or None
        Highest head temperature that was read with it. [K]
    gate : Gate or None
        The first that shuts it; None: it stands open.
    """

    engine: str
    injector: str
    fuel: str
    parts: str = ""
    setup: str | None = None
    owned: bool = False
    source: str = "unknown"
    lambda_: Interval | None = None
    odds: Odds | None = None
    harm: float | None = None
    beyond_lean: bool = False
    listened: int = 0
    knocks: tuple = ()
    octane: Octane | None = None
    compression: float | None = None
    flow_m3_s: float = float("nan")
    open_time_fraction: Interval | None = None
    hottest_k: float | None = None
    gate: Gate | None = None

    @property
    def key(self) -> tuple:
        """What tells it from every other combination of the session."""
        return self.engine, self.injector, self.fuel, self.setup


def harm_of(lambda_: Interval, band: Band, *, sustained: bool) -> float:
    """Expected harm of a mixture for the riding that is to be expected.

    Parameters
    ----------
    lambda_ : Interval
    band : Band
    sustained : bool
        Whether minutes of full load are to be expected: then the lean half of the band already
        counts as harm.
    """
    lean_edge = (band.lowest + band.highest) / 2 if sustained else band.highest
    return expected_harm(lambda_, rich_edge=band.lowest, lean_edge=lean_edge)


def combinations_of(session, fit, mixtures, knocks) -> tuple:
    """Every combination of the session: those that were ridden, then those that could be.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    fit : tuninglib.statistics.ladder.LadderFit or None
        None where nothing can be predicted.
    mixtures : tuple of Mixture
        As read, one for each setup.
    knocks : tuple of Knock

    Returns
    -------
    tuple of Combination
    """
    read, lean_end = {mixture.setup: mixture for mixture in mixtures}, _beyond_lean(session)
    ridden = tuple(
        _ridden(session, fit, name, read[name], knocks, name in lean_end)
        for name in session.setups
        if _was_ridden(session, name, read[name])
    )
    there = {(one.engine, one.injector, one.fuel) for one in ridden}
    engines = dict.fromkeys(setup.engine for setup in session.setups.values())
    others = tuple(
        _combination(session, fit, engine, injector, fuel)
        for engine in engines
        for injector in session.injectors
        for fuel in session.fuels
        if (engine, injector, fuel) not in there
    )
    return (*ridden, *others)


def _was_ridden(session, name, mixture) -> bool:
    """Whether there is a full-throttle run of a setup that says anything."""
    rows = session.runs[(session.runs["setup"] == name) & (session.runs["state"] == "full")]
    counted = rows[rows["exclude"] == ""]
    loud = rows["knock"].isin(LOUD)
    return bool(
        mixture.readings or mixture.pegged or counted["shown_exit_m_s"].notna().any() or loud.any()
    )


def _combination(session, fit, engine, injector, fuel, **known) -> Combination:
    """A combination with what its parts alone tell, and the ladder's prediction."""
    record = session.injectors[injector]
    fitted = {setup.injector for setup in session.setups.values()}
    facts = {
        "engine": engine,
        "injector": injector,
        "fuel": fuel,
        "owned": record.owned == "yes" or (record.owned == "unknown" and injector in fitted),
        "octane": session.fuels[fuel].octane_number,
        "compression": session.engines[engine].compression,
        "flow_m3_s": flow_on_bike(session, injector),
        "open_time_fraction": open_time_share(session, engine, injector, fuel),
    }
    if fit is not None and not known.get("source"):
        facts |= _predicted(session, fit, engine, injector, fuel)
    return Combination(**{**facts, **known})


def _ridden(session, fit, name, mixture, knocks, beyond_lean) -> Combination:
    setup = session.setups[name]
    rows = session.runs[(session.runs["setup"] == name) & (session.runs["state"] == "full")]
    climbs = session.climbs[session.climbs["setup"] == name]
    heads = [*rows["head_temperature_k"].dropna(), *climbs["head_temperature_k"]]
    known = {
        "parts": setup.parts,
        "setup": name,
        "knocks": tuple(knock for knock in knocks if knock.setup == name),
        "listened": int((rows["knock"] != "").sum()),
        "hottest_k": float(max(heads)) if heads else None,
        "beyond_lean": beyond_lean,
    }
    if mixture.lambda_ is not None:
        band = band_of(session)
        known |= {
            "source": "read",
            "lambda_": mixture.lambda_,
            "odds": mixture.odds,
            "harm": harm_of(mixture.lambda_, band, sustained=session.use.sustained),
        }
    return _combination(session, fit, setup.engine, setup.injector, setup.fuel, **known)


def _beyond_lean(session) -> set:
    """Setups that were read, and only at the lean end of the gauge."""
    rows = readings_of(session)
    if rows.empty:
        return set()
    lean = rows["pegged"] & (rows["gauge_low"] > session.gauge.scale)
    return {name for name, own in lean.groupby(rows["setup"]) if own.all()}


def _predicted(session, fit, engine, injector, fuel) -> dict:
    """What the ladder predicts of a combination that was not read."""
    band = band_of(session)
    tried = injector in fit.tolerance
    found = predict(
        fit,
        flow_m3_s=flow_on_bike(session, injector),
        engine=engine,
        injector=injector if tried else None,
        tolerance=None if tried else tolerance_sd(session, injector),
        **fuel_terms(session, fuel),
    )
    return {
        "source": "predicted",
        "lambda_": found.lambda_,
        "odds": found.odds(low=band.lowest, high=band.highest),
        "harm": harm_of(found.lambda_, band, sustained=session.use.sustained),
    }
