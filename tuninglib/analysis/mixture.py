"""Mixtures of a session, setup by setup, as the gauge read them."""

import numpy as np
from scipy.special import stdtr, stdtrit

from tuninglib.analysis.results import Mixture
from tuninglib.interval import Interval
from tuninglib.session.defaults import blend_of
from tuninglib.statistics.gauge_check import GaugeOffset, offset_from, offset_stated
from tuninglib.statistics.gauge_readings import pegged, reading_midpoint
from tuninglib.statistics.ladder import Priors
from tuninglib.statistics.ladder_prediction import Odds

# A reading's run-to-run standard deviation where nothing is repeated: ours, as the ladder's prior.
_ASSUMED_READING_SD = Priors().run_sd


def readings_of(session, state: str | None = "full"):
    """Rows with a gauge reading that the rider lets count, with ``pegged`` marked.

    Parameters
    ----------
    session : tuninglib.session.load.Session
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
        resolution=gauge.resolution,
    )
    return rows.assign(pegged=np.asarray(at_end, dtype=bool))


def offset_of(session, check) -> GaugeOffset:
    """How far the gauge is taken to be off: as checked, or else as stated.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    check : GaugeCheck or None
    """
    if check is not None and check.offset is not None:
        return offset_from(check.offset)
    return offset_stated(session.gauge.accuracy)


def shown_at_lambda_one(session, check) -> float:
    """What the gauge shows at a true lambda of 1, its offset included.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    check : GaugeCheck or None
    """
    return session.gauge.scale * float(np.exp(offset_of(session, check).log_mean))


def lambda_of(session, reading, check):
    """Lambda of a gauge reading: the only way from one to the other.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    reading : float or array
        On the gauge's own scale.
    check : GaugeCheck or None
    """
    return reading / shown_at_lambda_one(session, check)


def analyse_mixtures(session, check) -> tuple:
    """Mixture of every setup, as read.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    check : GaugeCheck or None

    Returns
    -------
    tuple of Mixture
        In the order of session.toml.

    Notes
    -----
    The logarithms of the middles of the readings are averaged. Their scatter from run to run is
    pooled over the setups (Student t), never taken below what the readings' own spread says, and
    what is not known of the gauge's offset is added, which all readings share.
    """
    rows = readings_of(session)
    used = rows[~rows["pegged"]]
    middles, spreads = reading_midpoint(
        used["gauge_low"].to_numpy(),
        used["gauge_high"].to_numpy(),
        resolution=session.gauge.resolution,
    )
    logs = dict(zip(used.index, np.log(middles), strict=True))
    own_sd = dict(zip(used.index, spreads, strict=True))
    groups = {name: list(used.index[used["setup"] == name]) for name in session.setups}
    squares = sum(
        np.sum((np.array([logs[i] for i in at]) - np.mean([logs[i] for i in at])) ** 2)
        for at in groups.values()
        if at
    )
    dof = len(used) - sum(bool(at) for at in groups.values())
    offset = offset_of(session, check)
    mixtures = []
    for name, setup in session.setups.items():
        at = groups[name]
        count_pegged = int((rows["pegged"] & (rows["setup"] == name)).sum())
        if not at:
            mixtures.append(
                Mixture(name, setup.fuel, 0, count_pegged, None, None, None, None, "unknown")
            )
            continue
        reading_variance = float(np.mean([own_sd[i] ** 2 for i in at]))
        scatter = squares / dof if dof else _ASSUMED_READING_SD**2 + reading_variance
        scatter = max(scatter, reading_variance)
        repeat = scatter / len(at)
        variance = repeat + offset.log_sd**2
        # Satterthwaite: only the repeats' part is estimated.
        effective = dof * (variance / repeat) ** 2 if dof else 1e9
        reading = float(np.exp(np.mean([logs[i] for i in at])))
        mixtures.append(
            _mixture(session, check, name, len(at), count_pegged, reading, variance, effective)
        )
    return tuple(mixtures)


def _mixture(session, check, name, readings, count_pegged, reading, variance, dof) -> Mixture:
    target, setup = session.target, session.setups[name]
    sd, half = np.sqrt(variance), stdtrit(dof, 0.975) * np.sqrt(variance)
    shown = Interval(*(float(reading * np.exp(k * half)) for k in (0, -1, 1)))
    lambda_ = shown.scaled(lambda_of(session, 1.0, check))
    richer = float(stdtr(dof, (np.log(target.lowest) - np.log(lambda_.value)) / sd))
    leaner = float(stdtr(dof, (np.log(lambda_.value) - np.log(target.highest)) / sd))
    odds = Odds(richer, 1 - richer - leaner, leaner)
    place = "unsure"
    for word in ("richer", "inside", "leaner"):
        if getattr(odds, word) > 0.8:
            place = word
    ratio = blend_of(session.fuels[setup.fuel]).stoichiometric_ratio
    return Mixture(
        setup=name,
        fuel=setup.fuel,
        readings=readings,
        pegged=count_pegged,
        gauge=shown,
        lambda_=lambda_,
        true_ratio=lambda_.scaled(float(ratio)),
        odds=odds,
        place=place,
    )
