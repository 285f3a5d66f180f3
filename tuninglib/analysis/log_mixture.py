"""Mixture by throttle and by engine speed, from the log of a gauge: where the ECU corrects."""

from dataclasses import dataclass

import numpy as np

from tuninglib.analysis.readings import lambda_of
from tuninglib.interval import Interval
from tuninglib.statistics.repeats import t_quantile
from tuninglib.statistics.settled_bands import BandMean, band_mean, settled_stretches

# Shut throttle is none of them: fuel may be cut there.
THROTTLE_EDGES = (0.05, 0.2, 0.4, 0.6, 0.9, 1.06)
_STEP_RPM, _AT_REST_M_S = 1000.0, 1.0
# Differences of lambda at full throttle that are told apart by so many standard deviations tell
# what another injector does there; a band that follows by less than this share does not follow.
_CLEAR, _HALF = 3.0, 0.5


@dataclass(frozen=True, kw_only=True)
class BandMixture:
    """Lambda of one setup in one band.

    Attributes
    ----------
    setup : str
    by : str
        ``"throttle"`` (0 to 1), or ``"engine speed"`` at full throttle (rpm).
    low, high : float
        Of the band.
    lambda_ : Interval or None
        As read, the gauge's own offset aside; None with fewer than two settled stretches.
    stretches : int
    seconds : float
    """

    setup: str
    by: str
    low: float
    high: float
    lambda_: Interval | None
    stretches: int
    seconds: float


@dataclass(frozen=True, kw_only=True)
class Following:
    """How far lambda of a setup differs from the reference's in a band of throttle.

    Attributes
    ----------
    setup : str
    low, high : float
        Of the throttle.
    share : Interval
        Of the difference at full throttle: 1 if lambda follows the injector there as at full
        throttle, 0 if it stays.
    place : str
        ``"stays"``, ``"follows"`` or ``"unclear"``.
    """

    setup: str
    low: float
    high: float
    share: Interval
    place: str


def mixture_by_bands(session) -> tuple:
    """Lambda by throttle, and at full throttle by engine speed, of each setup.

    Parameters
    ----------
    session : tuninglib.session.load.Session
        With its gauge as the check found it.

    Returns
    -------
    tuple of BandMixture, tuple of Following
        Empty where no log of a gauge can be brought to runs, or none holds the throttle.
    """
    readings = session.found.readings if session.found else None
    if readings is None or readings.shift_s is None or session.gauge.scale is None:
        return (), ()
    trace = session.traces[readings.log]
    throttle = trace.channels.get("throttle_ratio")
    if throttle is None:
        return (), ()
    shown = lambda_of(session, trace.channels["gauge"])
    setup_at = _setups(session, readings)
    lag = readings.lag_s.high
    by_throttle = _by_setup(
        settled_stretches(trace.time_s, throttle, shown, edges=THROTTLE_EDGES, lag_s=lag), setup_at
    )
    found = [
        _band(setup, "throttle", THROTTLE_EDGES, band, mean)
        for (setup, band), mean in by_throttle.items()
    ]
    speed = trace.channels.get("engine_speed_rpm")
    if speed is not None:
        full = np.where(throttle >= THROTTLE_EDGES[-2], speed, np.nan)
        if np.isfinite(full).any():
            edges = _STEP_RPM * np.arange(
                np.floor(np.nanmin(full) / _STEP_RPM), np.ceil(np.nanmax(full) / _STEP_RPM) + 1
            )
            if edges.size > 1:
                stretches = settled_stretches(trace.time_s, full, shown, edges=edges, lag_s=lag)
                found += [
                    _band(setup, "engine speed", edges, band, mean)
                    for (setup, band), mean in _by_setup(stretches, setup_at).items()
                ]
    order = {name: at for at, name in enumerate(session.setups)}
    found.sort(key=lambda one: (one.by != "throttle", one.low, order[one.setup]))
    return tuple(found), _followings(session, by_throttle)


def _setups(session, readings):
    """Setup that was ridden at a time of the gauge's log; empty where that is not clear.

    A setup is changed while the bike stands: from the last stop before a run to the last stop
    before the next, the ride is that run's.
    """
    track = session.traces[session.found.log]
    setups = dict(zip(session.runs["run"], session.runs["setup"], strict=True))
    passes = [one for one in session.found.passes if one.up and one.run is not None]
    speed = track.channels.get("speed_m_s")
    still = np.zeros(0) if speed is None else track.time_s[speed < _AT_REST_M_S]
    begins = []
    for at, one in enumerate(passes):
        earliest = passes[at - 1].leave_s if at else -np.inf
        stops = still[(still < one.enter_s) & (still > earliest)]
        begins.append(float(stops[-1]) if stops.size else one.enter_s)
    begins = np.array(begins) - readings.shift_s.value

    def setup_at(time):
        at = int(np.searchsorted(begins, time, side="right")) - 1
        return setups[passes[at].run] if at >= 0 else ""

    return setup_at


def _by_setup(stretches, setup_at) -> dict:
    groups: dict[tuple, list] = {}
    for one in stretches:
        name = setup_at(one.begin_s)
        if name:
            groups.setdefault((name, one.band), []).append(one)
    return {key: band_mean(own) for key, own in groups.items()}


def _band(setup, by, edges, band, mean: BandMean) -> BandMixture:
    return BandMixture(
        setup=setup,
        by=by,
        low=float(edges[band]),
        high=float(min(edges[band + 1], 1.0)) if by == "throttle" else float(edges[band + 1]),
        lambda_=mean.interval,
        stretches=mean.stretches,
        seconds=mean.seconds,
    )


def _followings(session, by_throttle) -> tuple:
    """What differs in a band over what differs at full throttle, between two injectors."""
    reference, full = session.about.reference, len(THROTTLE_EDGES) - 2
    first, found = session.setups[reference], []
    for name, setup in session.setups.items():
        alike = setup.engine == first.engine and setup.fuel == first.fuel
        if name == reference or not alike or setup.injector == first.injector:
            continue
        at_full = _difference(by_throttle, reference, name, full)
        if at_full is None or abs(at_full[0]) < _CLEAR * at_full[1]:
            continue
        for band in range(full):
            here = _difference(by_throttle, reference, name, band)
            if here is None:
                continue
            share = here[0] / at_full[0]
            sd = np.hypot(here[1], share * at_full[1]) / abs(at_full[0])
            half = float(t_quantile(0.975, min(here[2], at_full[2])) * sd)
            interval = Interval(float(share), float(share - half), float(share + half))
            place = "unclear"
            if interval.low > _HALF:
                place = "follows"
            elif interval.low > -_HALF and interval.high < _HALF:
                place = "stays"
            found.append(
                Following(
                    setup=name,
                    low=THROTTLE_EDGES[band],
                    high=THROTTLE_EDGES[band + 1],
                    share=interval,
                    place=place,
                )
            )
    return tuple(found)


def _difference(by_throttle, reference, name, band):
    """Logarithm of one lambda over the other, its standard deviation and degrees of freedom."""
    pair = [by_throttle.get((one, band)) for one in (reference, name)]
    if any(one is None or one.interval is None for one in pair):
        return None
    first, other = pair
    sd = np.hypot(first.sd / first.interval.value, other.sd / other.interval.value)
    return (
        float(np.log(other.interval.value / first.interval.value)),
        float(sd),
        first.dof + other.dof,
    )
