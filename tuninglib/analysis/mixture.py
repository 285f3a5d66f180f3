"""Mixtures of a session, setup by setup, as the gauge read them."""

import numpy as np
from scipy.special import stdtr, stdtrit

from tuninglib.analysis.readings import ASSUMED_READING_SD, readings_of, shown_at_lambda_one
from tuninglib.analysis.records import Mixture
from tuninglib.interval import Interval
from tuninglib.session.defaults import band_of, blend_of
from tuninglib.statistics.ladder_prediction import Odds
from tuninglib.statistics.robust import group_means

# Odds from which a place is named; where only wide readings speak for it, which are off together.
_SURE, _SURE_IF_WIDE = 0.8, 0.975


def mean_readings(session, rows) -> dict:
    """Weighted mean of the logarithm of the readings of every setup that has one.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.readings.weighed_readings`.

    Returns
    -------
    dict of str to tuninglib.statistics.robust.GroupMean
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


def analyse_mixtures(session, rows) -> tuple:
    """Mixture of every setup, as read.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    rows : pandas.DataFrame
        Of full throttle, of :func:`tuninglib.analysis.readings.weighed_readings`.

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
    mixtures = []
    for name, setup in session.setups.items():
        count_pegged = int((read["pegged"] & (read["setup"] == name)).sum())
        found = means.get(name)
        if found is None:
            mixtures.append(
                Mixture(name, setup.fuel, 0, count_pegged, None, None, None, None, "unknown")
            )
            continue
        sure = _SURE_IF_WIDE if name in only_wide else _SURE
        mixtures.append(_mixture(session, name, setup, found, count_pegged, sure))
    return tuple(mixtures)


def _mixture(session, name, setup, found, count_pegged, sure) -> Mixture:
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
    ratio = blend_of(session.fuels[setup.fuel]).stoichiometric_ratio
    return Mixture(
        setup=name,
        fuel=setup.fuel,
        readings=found.count,
        pegged=count_pegged,
        gauge=reading,
        lambda_=lambda_,
        true_ratio=lambda_.scaled(float(ratio)),
        odds=odds,
        place=place,
    )
