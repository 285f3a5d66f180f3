"""For which air a mixture holds: lambda over air temperature and altitude, by what the ECU does.

An ECU that does not correct for the air gives the same fuel to whatever the engine draws: denser
air runs leaner. What it corrects for is stated, or weighed by the readings, as far as their air
differed. To the interval that stands for a combination the envelope adds nothing but the air.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import logsumexp, ndtr

from tuninglib.analysis.mixture import ladder_columns, weighed_readings
from tuninglib.analysis.records import Combination, one_each
from tuninglib.interval import Z_95, Interval, Measured
from tuninglib.physics.air import standard_pressure_pa, vapour_pressure_pa
from tuninglib.session.defaults import Band, band_of, day_pressure_of, day_temperature_of
from tuninglib.session.records import Session
from tuninglib.statistics.ladder import fit_ladder
from tuninglib.statistics.ladder_prediction import Odds
from tuninglib.statistics.normal_mixture import mixture_cdf, mixture_quantile, normalised
from tuninglib.units import from_display

# What an ECU may correct the fuel for: air temperature, air pressure.
CASES = {"both": (1, 1), "neither": (0, 0), "temperature": (1, 0), "pressure": (0, 1)}
# As density_compensation says it.
STATED = {"yes": "both", "no": "neither", "temperature": "temperature", "pressure": "pressure"}
# Nothing that a few readings say of the ECU is surer than this: an engine that warms up as the day
# does looks like one that is not corrected (ours).
_SUREST = 0.95
# Air that differs by less tells nothing.
LEAST_TOLD = 1e-3
# A case with less chance than this is not spoken of; one that was told against has 1.25 %.
PLAUSIBLE = 0.02
# Altitudes for programs and pictures, in round numbers of the rider's, and how far apart
# temperatures stand. [m], [K]
_METRES, _FEET, _STEP_K = np.arange(0, 2501, 500), np.arange(0, 8001, 2000), 5.0
# What a rider rides in who does not say; the two edges are then sure to be looked for. [K]
COLDEST_K, HOTTEST_K = 268.15, 308.15
# The weather moves the pressure of a place by so much, and humidity is whatever it is (95 %: 20 to
# 80 %, as [weather] has it).
_WEATHER_SD, _HUMIDITY, _HUMIDITY_SD = 0.01, 0.5, 0.15
# Drift of the readings over a day for other reasons is tried at these points (Gauss-Hermite).
_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)


def log_air(temperature_k: ArrayLike, pressure_pa: ArrayLike, humidity: ArrayLike) -> np.ndarray:
    """Logarithm of the oxygen in a volume of air, less what the ECU sees to, in each case.

    Parameters
    ----------
    temperature_k, pressure_pa, humidity : array (...)
        [K], [Pa], relative, 0 to 1.

    Returns
    -------
    array (..., 4)
        In the order of ``CASES``; only differences mean anything. One hundredth more is one per
        cent leaner.

    Notes
    -----
    Dry air of an ideal gas: (p - vapour) / T; the vapour holds no oxygen to burn, and no sensor of
    such an ECU sees it. An ECU with sensors of temperature and manifold pressure meters by p / T.

    Examples
    --------
    Thirty degrees colder, in dry air, a tenth more of it:

    >>> cold, hot = log_air([268.15, 298.15], 1e5, 0.0)
    >>> dict(zip(CASES, (cold - hot).round(3).tolist()))
    {'both': 0.0, 'neither': 0.106, 'temperature': 0.0, 'pressure': 0.106}
    """
    temperature, pressure = (np.asarray(x, dtype=float) for x in (temperature_k, pressure_pa))
    dry = np.log((pressure - vapour_pressure_pa(temperature, humidity)) / temperature)
    seen = [by_t * np.log(temperature) - by_p * np.log(pressure) for by_t, by_p in CASES.values()]
    return np.stack([dry + one for one in seen], axis=-1)


@dataclass(frozen=True, kw_only=True)
class RidingAir:
    """The air that the rider rides in.

    Attributes
    ----------
    coldest_k, hottest_k : float
        [K]
    lowest_m, highest_m : float
        Above the sea. [m]
    air_is_stated, altitude_is_stated : bool
        Whether session.toml says so.
    """

    coldest_k: float
    hottest_k: float
    lowest_m: float
    highest_m: float
    air_is_stated: bool
    altitude_is_stated: bool


@dataclass(frozen=True, kw_only=True)
class KnownAir:
    """What is known of the air of the readings, and of what the ECU does about it.

    Attributes
    ----------
    chances : dict of str to float
        Of each of ``CASES``.
    source : str
        ``"stated"``, ``"readings"`` or ``"unknown"`` (their air did not differ).
    riding : RidingAir
    of_setup : dict of (str or None) to array (4,)
        :func:`log_air` of each setup's readings, and of all under None.
    temperature_k : dict of (str or None) to (float, float) or (None, None)
        Lowest and highest of the same, where they were written down. [K]
    sd : array (4,)
        Of those logarithms: the air that nobody read.
    altitude_known : bool
        Whether the readings' pressure or altitude is.
    """

    chances: dict
    source: str
    riding: RidingAir
    of_setup: dict
    temperature_k: dict
    sd: np.ndarray
    altitude_known: bool


def known_air(
    session: Session, air: pd.DataFrame, rows: pd.DataFrame, *, open_loop: bool
) -> KnownAir | None:
    """What the session and its readings say; None without a usable reading.

    And where the ECU corrects at full throttle, so that other air does not move lambda.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.mixture.weighed_readings`.
    open_loop : bool
        Whether lambda follows flow at full throttle.
    """
    if rows.empty or not open_loop:
        return None
    own, weight = air.loc[rows.index], rows["weight"].to_numpy()
    temperature, pressure = (own[n].to_numpy() for n in ("temperature_k", "pressure_abs_pa"))
    left = log_air(temperature, pressure, own["humidity_ratio"].to_numpy())
    groups = {name: (rows["setup"] == name).to_numpy() for name in dict.fromkeys(rows["setup"])}
    groups[None] = np.ones(len(rows), dtype=bool)
    chances, source = _chances(session, air, rows, left)
    unread = session.runs.loc[rows.index]
    unread_t = unread["air_temperature_k"].isna().to_numpy()
    taken = day_pressure_of(session)
    # Of a mean of readings: what they share, as far as they lack their own.
    by_t = day_temperature_of(session).sd / temperature.mean() * unread_t.mean()
    by_p = _WEATHER_SD if taken.source != "stated" else taken.sd / taken.value
    by_p *= _lacking(unread, "air_pressure_pa")
    by_h = session.weather.humidity.sd * _lacking(unread, "humidity_ratio")
    moist = float(vapour_pressure_pa(temperature.mean(), 1.0)) / pressure.mean() * by_h
    cases = np.array(list(CASES.values()))
    return KnownAir(
        chances=chances,
        source=source,
        riding=riding_air(session),
        of_setup={
            name: np.average(left[at], axis=0, weights=weight[at]) for name, at in groups.items()
        },
        temperature_k={
            name: (float(temperature[at].min()), float(temperature[at].max()))
            if session.weather.temperature is not None or not any(unread_t[at])
            else (None, None)
            for name, at in groups.items()
        },
        sd=np.sqrt(((1 - cases) ** 2) @ np.array([by_t, by_p]) ** 2 + moist**2),
        altitude_known=taken.source != "sea level" or bool(unread["air_pressure_pa"].notna().all()),
    )


def _lacking(runs, name) -> float:
    return float(runs[name].isna().mean())


def riding_air(session: Session) -> RidingAir:
    """The air of the rider's season: as stated, or a wide one where the hill is.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    use = session.use
    air = use.air or Measured((COLDEST_K + HOTTEST_K) / 2, (HOTTEST_K - COLDEST_K) / 2)
    height = use.altitude or Measured(session.hill.altitude.value if session.hill.altitude else 0.0)
    return RidingAir(
        coldest_k=air.value - air.half_width,
        hottest_k=air.value + air.half_width,
        lowest_m=height.value - height.half_width,
        highest_m=height.value + height.half_width,
        air_is_stated=use.air is not None,
        altitude_is_stated=use.altitude is not None,
    )


# What the ECU corrects for ------------------------------------------------------------------------


def _chances(session, air, rows, left) -> tuple:
    """Chances of the cases, and where they come from."""
    stated = STATED.get(session.bike.density_compensation)
    if stated is not None:
        return {case: float(case == stated) for case in CASES}, "stated"
    if np.ptp(left - left[:, :1], axis=0).max() < LEAST_TOLD:
        return dict.fromkeys(CASES, 1 / len(CASES)), "unknown"
    evidence = [_log_evidence(session, air, said) for said in STATED]
    return weighed(evidence), "readings"


def _log_evidence(session, air, said) -> float:
    """Of the readings, if the ECU did what ``density_compensation`` would say."""
    taken = replace(session, bike=replace(session.bike, density_compensation=said))
    # What disagrees with its siblings depends on it, too.
    rows = weighed_readings(taken, air)
    readings, parts = ladder_columns(taken, air, rows)
    # Readings may also drift from the first run to the last, for whatever reason.
    drift = np.linspace(-0.5, 0.5, len(rows)) * session.assumptions.mixture_day_to_day.sd
    found = [
        fit_ladder(replace(readings, offset=readings.offset + by * drift), parts).log_evidence
        for by in _POINTS
    ]
    return float(logsumexp(found, b=_WEIGHTS))


def weighed(log_evidence: Sequence[float]) -> dict:
    """Chances of the cases from the evidence for each, all alike beforehand (Bayes).

    Parameters
    ----------
    log_evidence : sequence of 4 floats
        In the order of ``CASES``.

    Examples
    --------
    >>> weighed([0.0, 0.0, 0.0, 0.0])["both"], round(weighed([0, -50, -50, -50])["both"], 4)
    (0.25, 0.9625)
    """
    found = _SUREST * normalised(np.asarray(log_evidence)) + (1 - _SUREST) / len(CASES)
    return dict(zip(CASES, found.tolist(), strict=True))


# Lambda over the air ------------------------------------------------------------------------------


def over_air(
    known: KnownAir,
    one: Combination,
    band: Band,
    *,
    temperature_k: ArrayLike,
    altitude_m: ArrayLike,
) -> tuple[Interval, Odds]:
    """Lambda of a combination in other air than that of its readings.

    Parameters
    ----------
    known : KnownAir
    one : Combination
        With a lambda, which stands for the air of its own readings; a predicted one for that of
        all.
    band : tuninglib.session.defaults.Band
    temperature_k, altitude_m : array (...)
        Of shapes that broadcast. [K], above the sea [m]

    Returns
    -------
    lambda_ : Interval of array (...)
        Mean of the logarithm, and 95 % interval.
    odds : Odds of array (...)

    Notes
    -----
    A weighted sum of normal distributions of log lambda, one for each of ``CASES``. The pressure is
    the standard atmosphere's (ISO 2533), give or take the weather; humidity is not known.
    """
    mean, sd = _moments(known, one, temperature_k, altitude_m)
    weight = np.array(list(known.chances.values()))
    low, high = np.exp(mixture_quantile((0.025, 0.975), weight, mean, sd))
    richer: Any = mixture_cdf(np.log(band.lowest), weight, mean, sd)
    leaner: Any = mixture_cdf(-np.log(band.highest), weight, -mean, sd)
    lambda_ = Interval(np.exp(mean @ weight), low, high)
    return lambda_, Odds(richer, 1.0 - richer - leaner, leaner)


def _moments(known, one, temperature_k, altitude_m) -> tuple:
    """Mean and standard deviation of log lambda in each case."""
    temperature, altitude = np.broadcast_arrays(temperature_k, altitude_m)
    temperature, pressure = temperature.astype(float), standard_pressure_pa(altitude.astype(float))
    shift = log_air(temperature, pressure, _HUMIDITY) - known.of_setup[_stands_for(one)]
    moist = np.asarray(vapour_pressure_pa(temperature, _HUMIDITY_SD)) / pressure
    by_pressure = np.array([_WEATHER_SD * (1 - seen) for _, seen in CASES.values()])
    own = np.log(one.lambda_.high / one.lambda_.low) / (2 * Z_95)
    sd = np.sqrt(own**2 + known.sd**2 + by_pressure**2 + moist[..., None] ** 2)
    return np.log(one.lambda_.value) + shift, sd


def _stands_for(one) -> str | None:
    """The setup in whose air a lambda was read; None: it rests on all readings."""
    return one.setup if one.source == "read" else None


def beyond_the_band(
    known: KnownAir, one: Combination, band: Band, points: tuple[int, int] = (81, 5)
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chances of being leaner and richer than the band over the rider's air, in each case.

    Parameters
    ----------
    known : KnownAir
    one : Combination
    band : tuninglib.session.defaults.Band
    points : (int, int)
        How many temperatures and altitudes.

    Returns
    -------
    leaner, richer : array (altitudes, temperatures, 4)
    temperature_k : array (temperatures,)
        [K]
    """
    riding = known.riding
    temperature = np.linspace(riding.coldest_k, riding.hottest_k, points[0])
    altitude = np.linspace(riding.lowest_m, riding.highest_m, points[1])[:, None]
    mean, sd = _moments(known, one, temperature, altitude)
    beyond = (mean - np.log(band.highest)) / sd, (np.log(band.lowest) - mean) / sd
    return ndtr(beyond[0]), ndtr(beyond[1]), temperature


def lean_share(known: KnownAir | None, one: Combination, band: Band) -> float | None:
    """Share of the air that the rider states in which a mixture is likelier leaner than not.

    Parameters
    ----------
    known : KnownAir or None
    one : Combination
    band : tuninglib.session.defaults.Band

    Returns
    -------
    float or None
        None where no air is stated, or no mixture known.
    """
    if known is None or not known.riding.air_is_stated or one.lambda_ is None:
        return None
    leaner, _, _ = beyond_the_band(known, one, band, points=(21, 3))
    return float((leaner @ np.array(list(known.chances.values())) > 0.5).mean())


@dataclass(frozen=True, kw_only=True)
class InAir:
    """Lambda of one combination over the air.

    Attributes
    ----------
    engine, injector, fuel : str
        Names in session.toml.
    setup : str or None
        The name under which it was ridden; None: it was not.
    coldest_read_k, hottest_read_k : float or None
        Of the readings that its lambda stands on; None: nobody wrote it down. [K]
    lambda_, low, high : tuple of tuple of float
        Mean and 95 % interval; a row for each altitude, in it a number for each temperature.
    leaner, richer : tuple of tuple of float
        Chances of being leaner and richer than the band, likewise.
    lean_below_k : float or None
        In the rider's air, the temperature below which it is leaner than the band in a case that
        has a chance of 2 % or more; None: nowhere. [K]
    rich_above_k : float or None
        The same of richer, above; where every case is somewhere, from where that is likely. [K]
    lean_cases, rich_cases : tuple of str
        In which cases.
    worst_leaner : float
        Highest chance of being leaner in the rider's air.
    read_lambda : float
        Lambda in the air of its readings.
    may_be_tried : bool
        As of :class:`tuninglib.analysis.records.Combination`.
    """

    engine: str
    injector: str
    fuel: str
    setup: str | None
    coldest_read_k: float | None
    hottest_read_k: float | None
    lambda_: tuple[tuple[float, ...], ...]
    low: tuple[tuple[float, ...], ...]
    high: tuple[tuple[float, ...], ...]
    leaner: tuple[tuple[float, ...], ...]
    richer: tuple[tuple[float, ...], ...]
    lean_below_k: float | None
    rich_above_k: float | None
    lean_cases: tuple[str, ...]
    rich_cases: tuple[str, ...]
    worst_leaner: float
    read_lambda: float
    may_be_tried: bool

    @property
    def key(self) -> tuple:
        """As of a combination."""
        return self.engine, self.injector, self.fuel, self.setup


@dataclass(frozen=True, kw_only=True)
class AirEnvelope:
    """For which air the mixtures hold.

    Attributes
    ----------
    ecu_corrects : dict of str to float
        Chance of each case: for both temperature and pressure, neither, or one of them.
    source : str
        ``"stated"``, ``"readings"`` or ``"unknown"``.
    riding : RidingAir
        What the rider rides in.
    temperature_k : tuple of float
        [K]
    altitude_m : tuple of float
        The first is the rider's lowest; only that where the readings' altitude is not known. [m]
    mixtures : tuple of InAir
        What is ridden now first, then the other injectors on that engine and fuel.
    """

    ecu_corrects: dict[str, float]
    source: str
    riding: RidingAir
    temperature_k: tuple[float, ...]
    altitude_m: tuple[float, ...]
    mixtures: tuple[InAir, ...]

    def of(self, one: Combination | None) -> InAir | None:
        """That of a combination; None where there is none."""
        return next((own for own in self.mixtures if one is not None and own.key == one.key), None)


def air_envelope(
    session: Session,
    known: KnownAir | None,
    combinations: Sequence[Combination],
    ride: Combination | None,
    engine: str | None,
) -> AirEnvelope | None:
    """Lambda of what is ridden, and of the injectors in its place, over air and altitude.

    Parameters
    ----------
    session : tuninglib.session.records.Session
        With its gauge as the check found it.
    known : KnownAir or None
    combinations : sequence of Combination
    ride : Combination or None
        What is ridden now.
    engine : str or None
        That the next injector is for, where nothing is ridden.

    Returns
    -------
    AirEnvelope or None
        None where no mixture is known.
    """
    if known is None:
        return None
    engine = ride.engine if ride is not None else engine
    fuel = ride.fuel if ride is not None else session.setups[session.about.reference].fuel
    every = [one for one in combinations if one.lambda_ is not None]
    listed = [
        one for one in one_each(every, ride).values() if (one.engine, one.fuel) == (engine, fuel)
    ]
    listed.sort(key=lambda one: (ride is None or one.key != ride.key, one.flow_m3_s))
    if not listed:
        return None
    riding, band = known.riding, band_of(session)
    ends = min(COLDEST_K, riding.coldest_k), max(HOTTEST_K, riding.hottest_k)
    grid = np.linspace(*ends, round((ends[1] - ends[0]) / _STEP_K) + 1)
    system = session.about.units
    round_m = np.asarray(from_display(_METRES if system == "metric" else _FEET, "length", system))
    above = round_m[round_m > riding.lowest_m] if known.altitude_known else []
    altitudes = np.array([riding.lowest_m, *above])
    return AirEnvelope(
        ecu_corrects=known.chances,
        source=known.source,
        riding=riding,
        temperature_k=tuple(grid.tolist()),
        altitude_m=tuple(altitudes.tolist()),
        mixtures=tuple(_in_air(known, one, band, grid, altitudes) for one in listed),
    )


def _in_air(known, one, band, grid, altitudes) -> InAir:
    lambda_, odds = over_air(known, one, band, temperature_k=grid, altitude_m=altitudes[:, None])
    table = vars(lambda_) | {"leaner": odds.leaner, "richer": odds.richer}
    table["lambda_"] = table.pop("value")
    leaner, richer, temperature = beyond_the_band(known, one, band)
    chances = np.array(list(known.chances.values()))
    # Denser is leaner: the lean edge is met on the lowest ground, the rich one on the highest.
    lean = (leaner[0] > 0.5) & (chances >= PLAUSIBLE)
    rich = (richer[-1] > 0.5) & (chances >= PLAUSIBLE)
    if rich.any(axis=0)[chances >= PLAUSIBLE].all():
        # Whatever the ECU does, it is somewhere: from where that is likely. (Of the lean edge the
        # first case is told, as it is the dangerous one.)
        rich &= (richer[-1] @ chances > 0.5)[:, None]
    cold, hot = temperature[lean.any(axis=-1)], temperature[rich.any(axis=-1)]
    read, names = known.temperature_k[_stands_for(one)], np.array(list(CASES))
    return InAir(
        engine=one.engine,
        injector=one.injector,
        fuel=one.fuel,
        setup=one.setup,
        coldest_read_k=read[0],
        hottest_read_k=read[1],
        # More digits than these nobody can read, and they would fill the file.
        **{name: tuple(map(tuple, np.round(own, 5).tolist())) for name, own in table.items()},
        lean_below_k=float(cold.max()) if cold.size else None,
        rich_above_k=float(hot.min()) if hot.size else None,
        lean_cases=tuple(names[lean.any(axis=0)].tolist()),
        rich_cases=tuple(names[rich.any(axis=0)].tolist()),
        worst_leaner=float((leaner @ chances).max()),
        read_lambda=one.lambda_.value,
        may_be_tried=one.may_be_tried,
    )
