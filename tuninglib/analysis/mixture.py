"""Mixtures of a session, setup by setup, as the gauge read them."""

import numpy as np
from scipy.special import stdtr, stdtrit

from tuninglib.analysis.records import Mixture
from tuninglib.interval import Interval
from tuninglib.session.defaults import blend_of
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


def analyse_mixtures(session) -> tuple:
    """Mixture of every setup, as read.

    Parameters
    ----------
    session : tuninglib.session.load.Session

    Returns
    -------
    tuple of Mixture
        In the order of session.toml.

    Notes
    -----
    The logarithms of the middles of the readings are averaged. Their scatter from run to run is
    pooled over the setups (Student t), never taken below what the readings' own spread says, and
    the gauge's accuracy is added, which all readings share.
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
        bias = session.gauge.accuracy.sd**2
        variance = repeat + bias
        # Satterthwaite: only the repeats' part is estimated.
        effective = dof * (variance / repeat) ** 2 if dof else 1e9
        mean = float(np.mean([logs[i] for i in at])) - float(np.log1p(session.gauge.accuracy.value))
        mixtures.append(
            _mixture(session, name, setup, len(at), count_pegged, mean, variance, effective)
        )
    return tuple(mixtures)


def _mixture(session, name, setup, readings, count_pegged, log_reading, variance, dof) -> Mixture:
    target, scale = session.target, session.gauge.scale
    sd, half = np.sqrt(variance), stdtrit(dof, 0.975) * np.sqrt(variance)
    reading = Interval(*(float(np.exp(log_reading + k * half)) for k in (0, -1, 1)))
    lambda_ = reading.scaled(1 / scale)
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
        gauge=reading,
        lambda_=lambda_,
        true_ratio=lambda_.scaled(float(ratio)),
        odds=odds,
        place=place,
    )
