"""What the session bears, brought together for the plan."""

import math
from dataclasses import replace

from tuninglib.analysis.decide import Evidence
from tuninglib.analysis.gates import unexplained
from tuninglib.physics.injector import metering_demand
from tuninglib.session.defaults import blend_of
from tuninglib.statistics.planning import repeats_needed

# Engines whose displacement is nearer than this are the same size.
_SAME_SIZE = 1.02
# More runs of one setup than this are no advice.
_MOST_RUNS = 30
# What a change of wind over the day can make of nothing.
_MADE_BY_THE_DAY = 0.08
# A gain below this is not worth a day of riding.
_SMALLEST_GAIN = 0.01


def evidence_of(session, combinations, road, read, fit, mixtures, limits) -> Evidence:
    """Evidence of a session.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    combinations : tuple of Combination
        With their gates.
    road : Road or None
    read : pandas.DataFrame
        Full-throttle readings, of :func:`tuninglib.analysis.readings.weighed_readings`.
    fit : tuninglib.statistics.ladder.LadderFit or None
    mixtures : tuple of Mixture
    limits : tuple of FuelLimit

    Returns
    -------
    Evidence
    """
    gains = {pull.setup: _settled(road, pull.gain) for pull in road.pulls} if road else {}
    return Evidence(
        combinations=combinations,
        unexplained=unexplained(combinations),
        gains=gains,
        apart=_told_apart(road, gains, session.about.reference),
        reference=session.about.reference,
        burnt=burnt_fuels(session, limits),
        bigger=bigger_engines(session),
        more_runs=lambda setup: _more_runs(road, setup),
        missing=_missing(session, combinations, gains, read, fit, mixtures),
    )


def _settled(road, gain):
    """A gain as the plan takes it: settled only if the time of day cannot have made it.

    Where setups were ridden one after the other, a wind that dies over the day made 7 % in
    ``tests.simulate_worlds``; what is certainly more than that stands.
    """
    if gain is None or not road.one_after_the_other:
        return gain
    stands = gain.ratio.low > _MADE_BY_THE_DAY or gain.ratio.high < -_MADE_BY_THE_DAY
    return replace(gain, told_apart=gain.told_apart and stands)


def _told_apart(road, gains, reference) -> frozenset:
    """Pairs of setups that differ; against the reference as the gains have it, and no other way."""
    pairs = [p for p in road.pairs if reference not in (p.setup, p.over)] if road else []
    found = [(p.setup, p.over) for p in pairs if _settled(road, p).told_apart]
    found += [(name, reference) for name, gain in gains.items() if gain and gain.told_apart]
    return frozenset(map(frozenset, found))


def burnt_fuels(session, limits=()) -> tuple:
    """Fuels that may be in the tank, less those that no engine may burn; the leanest first.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    limits : sequence of FuelLimit
    """
    fuels = session.use.fuels or tuple(
        dict.fromkeys(setup.fuel for setup in session.setups.values())
    )
    forbidden = {limit.fuel for limit in limits if limit.engine is None}

    def need(name):
        blend = blend_of(session.fuels[name])
        return float(metering_demand(blend.stoichiometric_ratio, blend.density_kg_m3))

    # The less air a pulse of fuel asks for, the leaner it runs on the same injector.
    return tuple(sorted((name for name in fuels if name not in forbidden), key=need))


def bigger_engines(session) -> frozenset:
    """Engines that were fitted, of more displacement than the reference's.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    """
    reference = session.setups[session.about.reference].engine
    size = session.engines[reference].displacement_m3
    return frozenset(
        setup.engine
        for setup in session.setups.values()
        if session.engines[setup.engine].displacement_m3 > _SAME_SIZE * size
    )


def _more_runs(road, setup) -> int | None:
    """Runs of a setup, beyond those there are, that would likely tell its gain apart."""
    pull = next((pull for pull in road.pulls if pull.setup == setup), None)
    if pull is None or pull.gain is None or abs(pull.gain.ratio.value) < _SMALLEST_GAIN:
        return None
    try:
        needed = repeats_needed(
            abs(pull.gain.ratio.value),
            scatter_sd=road.scatter_sd,
            setups=len(road.pulls),
            alpha=0.05 / max(len(road.pulls) - 1, 1),
            most=pull.runs + _MOST_RUNS,
        )
    except ValueError:
        # More than anybody would ride.
        return None
    # Taking turns needs two of each at least.
    fewest = 2 if road.one_after_the_other else 1
    return max(math.ceil(needed) - pull.runs, fewest)


def _missing(session, combinations, gains, read, fit, mixtures) -> tuple:
    """Halves of the evidence that are not there."""
    ridden = [one for one in combinations if one.setup is not None]
    found = []
    if not any(one.source == "read" for one in ridden):
        found.append("range" if any(one.pegged for one in mixtures) else "gauge")
    elif read["wide"].mean() > 0.5:
        found.append("steady")
    elif fit is None:
        found.append("open loop")
    if not gains:
        found.append("speeds")
    if not (session.runs["knock"] != "").any():
        found.append("knock")
    return tuple(found)
