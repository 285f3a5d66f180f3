"""Mixtures of a session: which gauge readings count, how much, and what they come to.

And what the fuels allow: the maker's limits, the octane that the engine now needs, and what
injectors deliver of each.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from tuninglib.analysis.records import FuelLimit, GaugeCheck, Mixture, OctaneMargin
from tuninglib.interval import Z_95, Interval, Measured
from tuninglib.physics.fuels import Blend, octane_margin
from tuninglib.physics.injector import flow_at_pressure, metering_demand
from tuninglib.physics.stoichiometry import STANDARD_PRESSURE_PA
from tuninglib.session.defaults import band_of, blend_of, ethanol_of, petrol_density_of
from tuninglib.session.records import Session
from tuninglib.statistics.flow_response import offset_stated
from tuninglib.statistics.gauge_readings import (
    Readings,
    pegged,
    reading_midpoint,
    steady_sd,
    wide_spread,
)
from tuninglib.statistics.ladder import LadderFit, Parts, Priors, fit_ladder
from tuninglib.statistics.ladder_prediction import Candidate, FuelDemand, Odds, predict
from tuninglib.statistics.repeats import group_means, weigh_groups, weight_at

# What the fuels allow -----------------------------------------------------------------------------


def octane_margins(session: Session) -> tuple:
    """Octane of each fuel against the need of each engine that was fitted.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Returns
    -------
    tuple of OctaneMargin
        Empty where the maker's number is not known.

    Notes
    -----
    The maker's number is for the engine as it was made: ``octane_compression`` of the bike says
    for which compression, else that of the smallest engine is taken, wherever it stands; an engine
    of higher compression needs more.
    """
    need = session.bike.octane_need
    if need is None:
        return ()
    made = compression_as_made(session)
    found = []
    for engine in dict.fromkeys(setup.engine for setup in session.setups.values()):
        compression = session.engines[engine].compression
        known = made is not None and compression is not None
        rise = max(compression - made, 0.0) if known else 0.0
        # Of an engine of the size that it was made with, nothing need be known.
        grown = session.engines[engine].displacement_m3 > 1.02 * _smallest(session).displacement_m3
        for name, fuel in session.fuels.items():
            has = fuel.octane_number
            margin = "unknown" if has is None else octane_margin(has, need, compression_rise=rise)
            found.append(OctaneMargin(engine, name, margin, has, need, rise, not known and grown))
    return tuple(found)


def compression_as_made(session: Session) -> float | None:
    """Compression ratio that the maker's octane number belongs to; None where it is not known.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    return session.bike.octane_compression or _smallest(session).compression


def engine_as_made(session: Session) -> str:
    """Name of the engine as it was made, as far as can be told: kits grow.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    reference = session.setups[session.about.reference].engine
    return min(
        session.engines,
        key=lambda name: (session.engines[name].displacement_m3, name != reference, name),
    )


def _smallest(session):
    return session.engines[engine_as_made(session)]


def fuel_limits(session: Session) -> tuple:
    """Fuels that must not be burnt.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Returns
    -------
    tuple of FuelLimit
        A fuel that breaks two limits stands there twice; one that only one engine cannot take
        names that engine.
    """
    most, found = session.bike.highest_ethanol, []
    for name, fuel in session.fuels.items():
        ethanol = ethanol_of(fuel)
        if most and ethanol.value > most.value + 1e-9:
            found.append(FuelLimit(name, "ethanol", ethanol.value, most.value, None))
    need = session.bike.octane_need
    for name, fuel in session.fuels.items():
        has = fuel.octane_number
        if need is not None and has is not None and octane_margin(has, need) == "not enough":
            found.append(FuelLimit(name, "octane", has, need, None))
    below = {limit.fuel for limit in found if limit.code == "octane"}
    for one in octane_margins(session):
        if one.margin == "not enough" and one.fuel not in below:
            found.append(FuelLimit(one.fuel, "octane", one.octane, one.need, one.engine))
    return tuple(found)


def fuel_terms(session: Session, fuel: str) -> FuelDemand:
    """What the ladder knows of a fuel, and how far the air that it needs may be off.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    fuel : str

    Returns
    -------
    tuninglib.statistics.ladder_prediction.FuelDemand
    """
    record = session.fuels[fuel]
    blend, ethanol, density = blend_of(record), ethanol_of(record), petrol_density_of(record)

    def demand(share, petrol):
        one = Blend(share, petrol_density_kg_m3=petrol)
        return float(np.log(metering_demand(one.stoichiometric_ratio, one.density_kg_m3)))

    step = 1e-3 if ethanol.value < 0.5 else -1e-3
    here = demand(ethanol.value, density.value)
    by_ethanol = (demand(ethanol.value + step, density.value) - here) / step
    by_density = demand(ethanol.value, density.value + 1.0) - here
    return FuelDemand(
        stoichiometric_ratio=float(blend.stoichiometric_ratio),
        density_kg_m3=float(blend.density_kg_m3),
        name=fuel,
        sd=float(np.hypot(by_ethanol * ethanol.sd, by_density * density.sd)),
    )


# Which readings count, and how much ---------------------------------------------------------------

# Spread between low and high that a steady reading does not exceed: half a unit on a scale of 14.7.
WIDEST_STEADY_LAMBDA = 0.5 / 14.7
# A reading's run-to-run standard deviation where nothing is repeated: ours, as the ladder's prior.
ASSUMED_READING_SD = Priors().run_sd
# What setups of one engine and injector may differ by beside the fuel: other parts, heat (ours).
_OTHER_PARTS_SD = 0.02
# Standard deviations from what the other setups say: one reading is as they say, the other is not.
_NEAR, _EXCLUDED = 2.0, 3.0


def with_check(session: Session, check: GaugeCheck) -> Session:
    """The session with its gauge as the check found it: its offset in place of what is stated.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    check : GaugeCheck
    """
    if check.offset is None:
        return session
    accuracy = Measured(check.offset.value, check.offset.half_width)
    return replace(session, gauge=replace(session.gauge, accuracy=accuracy))


def shown_at_lambda_one(session: Session) -> float:
    """What the gauge shows at a true lambda of 1, its offset included.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    return session.gauge.scale * float(np.exp(offset_stated(session.gauge.accuracy).log_mean))


def lambda_of(session: Session, reading: float | np.ndarray) -> float | np.ndarray:
    """Lambda of a gauge reading: the only way from one to the other.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    reading : float or array
        On the gauge's own scale.
    """
    return reading / shown_at_lambda_one(session)


def readings_of(session: Session, state: str | None = "full") -> pd.DataFrame:
    """Rows with a gauge reading that the rider lets count, with ``pegged`` marked.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    state : str or None
        Of the throttle; None: all.
    """
    runs, gauge = session.runs, session.gauge
    # Without its scale, a gauge's number says nothing about lambda.
    known = runs["gauge_low"].notna() & (gauge.scale is not None)
    rows = runs[known & (runs["exclude"] == "")]
    if state is not None:
        rows = rows[rows["state"] == state]
    at_end = pegged(
        rows["gauge_low"].to_numpy(),
        rows["gauge_high"].to_numpy(),
        gauge_lowest=gauge.lowest or 0.0,
        gauge_highest=gauge.highest or np.inf,
        resolution=gauge.step,
    )
    return rows.assign(pegged=np.asarray(at_end, dtype=bool) | _flat(session, rows))


# A reading that does not move, beyond these, is the end of the gauge, stated or not.
_FLAT_RICH, _FLAT_LEAN, _FEWEST_FLAT = 0.72, 1.3, 2


def _flat(session, rows) -> np.ndarray:
    """Readings on the flat line of a gauge whose end nobody stated."""
    low, high = rows["gauge_low"].to_numpy(), rows["gauge_high"].to_numpy()
    found = np.zeros(len(rows), dtype=bool)
    if not len(rows):
        return found
    ends = []
    if session.gauge.lowest is None:
        ends.append((low.min(), low.min() < _FLAT_RICH * session.gauge.scale))
    if session.gauge.highest is None:
        ends.append((high.max(), high.max() > _FLAT_LEAN * session.gauge.scale))
    for end, far in ends:
        flat = (low == end) & (high == end)
        if far and flat.sum() >= _FEWEST_FLAT:
            found |= flat
    return found


def weighed_readings(
    session: Session, air: pd.DataFrame, state: str | None = "full"
) -> pd.DataFrame:
    """Readings that count, none of them pegged, each with its weight in every sum.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    state : str or None
        Of the throttle; None: all.

    Returns
    -------
    pandas.DataFrame
        Rows of :func:`readings_of` with ``log_middle`` and ``own_sd`` (of the middle), ``weight``
        (0 to 1, of which ``trust`` is what the others say of it), ``off`` (logarithm of the reading
        over what they say), ``disagree`` and ``wide``.

    Notes
    -----
    At full throttle a reading is held against the others of its setup; where there are only one or
    two, against what the other setups say of it through the ladder (same injector on another fuel,
    neighbours in flow). A wide one (a spread beyond half a unit on a scale of 14.7) may have its
    steady value anywhere between its ends, and all wide ones of a setup the same way, so that they
    count as one.
    """
    rows = readings_of(session, state)
    rows = rows[~rows["pegged"]]
    low, high = rows["gauge_low"].to_numpy(), rows["gauge_high"].to_numpy()
    middle, own_sd = reading_midpoint(low, high, resolution=session.gauge.step)
    is_full = (rows["state"] == "full").to_numpy()
    widest = WIDEST_STEADY_LAMBDA * (session.gauge.scale or 1.0)
    wide = wide_spread(low, high, widest=widest) & is_full
    rows = rows.assign(
        log_middle=np.log(middle),
        own_sd=np.where(wide, np.minimum(own_sd, widest / np.sqrt(24) / middle), own_sd),
        steady_sd=np.where(wide, steady_sd(low, high), own_sd),
        weight=1.0,
        trust=1.0,
        off=0.0,
        disagree=False,
        wide=wide,
    )
    if not is_full.any():
        return rows
    full = _weighed(rows[is_full], air, session)
    for name in ("weight", "trust", "off", "disagree"):
        rows.loc[full.index, name] = full[name]
    return rows


def _weighed(rows, air, session):
    """Rows of full throttle with their weights."""
    values = rows["log_middle"].to_numpy() - _density_offset(session, air, rows)
    sd = np.hypot(ASSUMED_READING_SD, rows["steady_sd"].to_numpy())
    group = rows["setup"].map({name: j for j, name in enumerate(session.setups)})
    group = np.unique(group.to_numpy(), return_inverse=True)[1]
    found = weigh_groups(values, sd, group)
    rows = rows.assign(trust=found.weight, off=found.off, disagree=found.disagree)
    for setup, own in rows.groupby("setup", sort=False):
        if len(own) == 1 or (len(own) == 2 and own["disagree"].all()):
            rows = _against_others(rows, own, air, session, session.setups[setup])
    return rows.assign(weight=rows["trust"] * _share_of_wide(rows))


def _share_of_wide(rows):
    """Weight of a wide reading over that of a narrow one; wide ones of a setup count as one."""
    together = rows["wide"].groupby(rows["setup"]).transform("sum").clip(lower=1).to_numpy()
    narrow = ASSUMED_READING_SD**2 + rows["own_sd"].to_numpy() ** 2
    wide = ASSUMED_READING_SD**2 + together * rows["steady_sd"].to_numpy() ** 2
    return np.where(rows["wide"], narrow / wide, 1.0)


def _against_others(rows, own, air, session, setup):
    """One or two readings of a setup, held against what the other setups say of them."""
    others = rows.drop(own.index)
    tried = [session.setups[name] for name in others["setup"]]
    parts = {(one.engine, one.injector) for one in tried}
    # That a setup is far from its place on the ladder is said of its injector; see ladder_checks.
    if others.empty or (len(own) == 1 and (setup.engine, setup.injector) not in parts):
        return rows
    others = others.assign(weight=others["trust"] * _share_of_wide(others))
    fit = fit_ladder(*ladder_columns(session, air, others))
    said = predict(
        fit,
        candidate_of(session, fit, setup.injector),
        engine=setup.engine,
        fuel=fuel_terms(session, setup.fuel),
        offset=_density_offset(session, air, own),
        of_reading=True,
    )
    off = own["log_middle"].to_numpy() - np.log(shown_at_lambda_one(session)) - said.log_mean
    distance = np.abs(off) / np.hypot(said.log_sd, _OTHER_PARTS_SD)
    sd = np.hypot(ASSUMED_READING_SD, own["steady_sd"].to_numpy())
    rows = rows.copy()
    if len(own) == 1:
        if distance[0] > _EXCLUDED:
            rows.loc[own.index, "trust"] = min(1.0, float(sd[0] ** 2 / off[0] ** 2))
            rows.loc[own.index, "off"] = off
        return rows
    if distance.max() > _EXCLUDED and distance.min() < _NEAR:
        apart = float(np.ptp(own["log_middle"])) / float(np.hypot(*sd))
        rows.loc[own.index, "trust"] = np.where(distance > _EXCLUDED, weight_at(apart), 1.0)
        rows.loc[own.index, "off"] = off
        rows.loc[own.index, "disagree"] = False
    return rows


def flow_on_bike(session: Session, injector: str) -> float:
    """Stated flow of an injector brought to the bike's fuel pressure. [m3/s]"""
    record, pressure = session.injectors[injector], session.bike.fuel_pressure
    if record.flow_pressure is None or pressure is None:
        return record.flow.value
    return float(
        flow_at_pressure(
            record.flow.value,
            rated_pressure_pa=record.flow_pressure.value,
            pressure_pa=pressure.value,
        )
    )


def tolerance_sd(session: Session, injector: str) -> float:
    """Standard deviation of an injector's true flow about the stated one, as a ratio."""
    # The tolerance is typed as a 95 % half-width, like every uncertainty.
    record = session.injectors[injector]
    parts = [record.tolerance.value / Z_95, record.flow.sd / record.flow.value]
    if record.flow_pressure is not None and session.bike.fuel_pressure is not None:
        # Flow goes with the root of pressure; the bike's own is the same for all.
        parts.append(record.flow_pressure.sd / record.flow_pressure.value / 2)
    return float(np.sqrt(np.sum(np.square(parts))))


def candidate_of(session: Session, fit: LadderFit, injector: str) -> Candidate:
    """An injector of a session as the ladder is asked about it.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    fit : tuninglib.statistics.ladder.LadderFit
        One that was tried brings its deviation.
    injector : str

    Returns
    -------
    tuninglib.statistics.ladder_prediction.Candidate
    """
    flow = flow_on_bike(session, injector)
    if injector in fit.tolerance:
        return Candidate(flow_m3_s=flow, tried=injector)
    return Candidate(flow_m3_s=flow, tolerance=tolerance_sd(session, injector))


def density_not_corrected(session: Session, air: pd.DataFrame) -> np.ndarray | None:
    """Air density, less what the ECU is said to correct for; None where it corrects, or may.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    air : pandas.DataFrame
        Rows of :func:`tuninglib.session.defaults.air_of_runs`.

    Returns
    -------
    array (n,) or None
        Density that the air would have at 15 degC or 1013.25 hPa, if that is what the ECU sees to.
        [kg/m3]
    """
    density = air["density_kg_m3"].to_numpy()
    left = {
        "no": density,
        "temperature": density * air["temperature_k"].to_numpy() / 288.15,
        "pressure": density * STANDARD_PRESSURE_PA / air["pressure_abs_pa"].to_numpy(),
    }
    return left.get(session.bike.density_compensation)


def _density_offset(session, air, rows):
    """Logarithm of the air density over the mean, as far as the ECU does not correct for it."""
    density = density_not_corrected(session, air.loc[rows.index])
    return np.zeros(len(rows)) if density is None else np.log(density / density.mean())


def ladder_columns(
    session: Session, air: pd.DataFrame, rows: pd.DataFrame
) -> tuple[Readings, Parts]:
    """Readings as :func:`tuninglib.statistics.ladder.fit_ladder` takes them.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.
    rows : pandas.DataFrame
        Of :func:`weighed_readings`.

    Returns
    -------
    Readings, Parts
        The readings, and what is stated beside them.
    """
    setups = [session.setups[name] for name in rows["setup"]]
    fuels = {name: fuel_terms(session, name) for name in {setup.fuel for setup in setups}}
    used = {setup.injector for setup in setups}
    taken = session.assumptions
    readings = Readings(
        lambda_low=np.asarray(lambda_of(session, rows["gauge_low"].to_numpy())),
        lambda_high=np.asarray(lambda_of(session, rows["gauge_high"].to_numpy())),
        flow_m3_s=np.array([flow_on_bike(session, setup.injector) for setup in setups]),
        injector=[setup.injector for setup in setups],
        engine=[setup.engine for setup in setups],
        stoichiometric_ratio=np.array([fuels[one.fuel].stoichiometric_ratio for one in setups]),
        density_kg_m3=np.array([fuels[one.fuel].density_kg_m3 for one in setups]),
        fuel=[setup.fuel for setup in setups],
        resolution=np.asarray(lambda_of(session, session.gauge.step)),
        offset=_density_offset(session, air, rows),
        weight=_weight_in_ladder(session, rows),
    )
    parts = Parts(
        displacement={n: float(e.displacement_m3) for n, e in session.engines.items()},
        tolerance={name: tolerance_sd(session, name) for name in used},
        fuel_sd={name: one.sd for name, one in sorted(fuels.items())},
        priors=Priors(
            response_mean=taken.flow_response.value,
            response_sd=taken.flow_response.sd,
            breathing_sd=taken.breathing_change.sd,
            gauge_sd=float(np.hypot(session.gauge.accuracy.sd, _common_shift_sd(rows))),
        ),
    )
    return readings, parts


def _weight_in_ladder(session, rows):
    """Weights of the readings, less what the ladder's own noise already has of a wide spread."""
    low, high = rows["gauge_low"].to_numpy(), rows["gauge_high"].to_numpy()
    counted = reading_midpoint(low, high, resolution=session.gauge.step).relative_sd
    own = rows["own_sd"].to_numpy()
    share = (ASSUMED_READING_SD**2 + counted**2) / (ASSUMED_READING_SD**2 + own**2)
    return rows["weight"].to_numpy() * share


def _common_shift_sd(rows) -> float:
    """What all readings may be off by together, as far as the answer rests on wide ones."""
    wide, weight = rows["wide"].to_numpy(), rows["weight"].to_numpy()
    if not wide.any():
        return 0.0
    share = weight[wide].sum() / weight.sum()
    return float(share * np.sqrt(np.mean(rows["steady_sd"].to_numpy()[wide] ** 2)))


# The mixture, setup by setup ----------------------------------------------------------------------

# Odds from which a place is named; where only wide readings speak for it, which are off together.
_SURE, _SURE_IF_WIDE = 0.8, 0.975


def mean_readings(session: Session, rows: pd.DataFrame) -> dict:
    """Weighted mean of the logarithm of the readings of every setup that has one.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.mixture.weighed_readings`.

    Returns
    -------
    dict of str to tuninglib.statistics.repeats.GroupMean
    """
    names = list(session.setups)
    found = group_means(
        rows["log_middle"].to_numpy(),
        rows["own_sd"].to_numpy(),
        rows["weight"].to_numpy(),
        rows["setup"].map(names.index).to_numpy(),
        assumed_sd=ASSUMED_READING_SD,
        apart=rows["wide"].to_numpy(dtype=bool),
    )
    return {names[number]: one for number, one in found.items()}


def analyse_mixtures(session: Session, rows: pd.DataFrame) -> tuple:
    """Mixture of every setup, as read.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.mixture.weighed_readings`.

    Returns
    -------
    tuple of Mixture
        In the order of session.toml.

    Notes
    -----
    The logarithms of the middles of the readings are averaged with their weights. Their scatter
    from run to run is pooled over the setups (Student t), never taken below what the readings' own
    spread says, and the gauge's accuracy is added, which all readings share. A place is named
    where its odds are above 80 %, and above 97.5 % where only wide readings speak for it: those are
    off together, and how is not known.
    """
    read = readings_of(session)
    means = mean_readings(session, rows)
    only_wide = set(rows["setup"]) - set(rows["setup"][~rows["wide"]])
    at_end = read["setup"][read["pegged"]].value_counts()
    sure = {name: _SURE_IF_WIDE if name in only_wide else _SURE for name in session.setups}
    return tuple(
        _mixture(session, name, means.get(name), int(at_end.get(name, 0)), sure[name])
        for name in session.setups
    )


def _mixture(session, name, found, count_pegged, sure) -> Mixture:
    setup = session.setups[name]
    if found is None:
        return Mixture(setup=name, fuel=setup.fuel, readings=0, pegged=count_pegged)
    band, log_reading = band_of(session), found.mean
    variance = found.variance + session.gauge.accuracy.sd**2
    # Satterthwaite: only the repeats' part is estimated.
    dof = found.dof * (variance / found.variance) ** 2 if found.dof else 1e9
    sd, half = np.sqrt(variance), stdtrit(dof, 0.975) * np.sqrt(variance)
    reading = Interval(*(float(np.exp(log_reading + k * half)) for k in (0, -1, 1)))
    lambda_ = reading.scaled(1 / shown_at_lambda_one(session))
    richer = float(stdtr(dof, (np.log(band.lowest) - np.log(lambda_.value)) / sd))
    leaner = float(stdtr(dof, (np.log(lambda_.value) - np.log(band.highest)) / sd))
    odds = Odds(richer, 1 - richer - leaner, leaner)
    place = "unsure"
    for word in ("richer", "inside", "leaner"):
        if getattr(odds, word) > sure:
            place = word
    fuel = session.fuels[setup.fuel]
    # What is in a fuel without a label decides its true ratio; lambda stands.
    known = ethanol_of(fuel).source == "stated"
    ratio = float(blend_of(fuel).stoichiometric_ratio)
    return Mixture(
        setup=name,
        fuel=setup.fuel,
        readings=found.count,
        pegged=count_pegged,
        gauge=reading,
        lambda_=lambda_,
        true_ratio=lambda_.scaled(ratio) if known else None,
        odds=odds,
        place=place,
    )
