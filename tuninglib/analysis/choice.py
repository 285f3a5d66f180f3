"""Which setup to keep, and which must not be ridden, whatever they gained."""

from tuninglib.analysis.records import Choice, FuelLimit, RuledOut
from tuninglib.session.defaults import ethanol_of


def fuel_limits(session) -> tuple:
    """Fuels that the maker of the motorcycle does not allow.

    Parameters
    ----------
    session : tuninglib.session.load.Session

    Returns
    -------
    tuple of FuelLimit
        A fuel that breaks two limits stands there twice.
    """
    bike, found = session.bike, []
    for name, fuel in session.fuels.items():
        ethanol = ethanol_of(fuel).value
        if bike.highest_ethanol and ethanol > bike.highest_ethanol.value + 1e-9:
            found.append(FuelLimit(name, "ethanol", ethanol, bike.highest_ethanol.value))
        if bike.lowest_ron and fuel.ron and fuel.ron < bike.lowest_ron:
            found.append(FuelLimit(name, "octane", fuel.ron, bike.lowest_ron))
    return tuple(found)


def choose(session, road, mixtures, knocks, limits) -> Choice:
    """Which setup to keep.

    A setup is ruled out if knock was heard with it, if it is likely leaner than the target band,
    or if its fuel is beyond the maker's limits; no speed makes up for that. Of the others, those
    that cannot be told from the one with the highest force are equals. If the reference is one of
    them it is kept; else the one with the best odds of the target band is.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    road : Road or None
    mixtures : tuple of Mixture
    knocks : tuple of Knock
    limits : tuple of FuelLimit

    Returns
    -------
    Choice
    """
    by_setup = {mixture.setup: mixture for mixture in mixtures}
    pulls = {pull.setup: pull for pull in road.pulls} if road else {}
    tested = [name for name in session.setups if name in pulls or by_setup[name].readings]
    ruled_out = {}
    for name in tested:
        reason = _ruled_out(session, name, by_setup[name], knocks, limits)
        if reason is not None:
            ruled_out[name] = reason
    allowed = [name for name in tested if name not in ruled_out]
    if not allowed:
        return Choice(None, (), ruled_out, "only one")
    measured = [name for name in allowed if name in pulls]
    if not measured:
        equals = allowed
    else:
        best = max(measured, key=lambda name: pulls[name].force_n.value)
        apart = {frozenset((pair.setup, pair.over)): pair.told_apart for pair in road.pairs}
        equals = [n for n in measured if n == best or not apart[frozenset((n, best))]]

    def inside(name):
        odds = by_setup[name].odds
        return odds.inside if odds else 0.0

    keep = session.about.reference if session.about.reference in equals else max(equals, key=inside)
    ties = tuple(name for name in equals if name != keep)
    return Choice(keep, ties, ruled_out, "mixture" if ties else "only one")


def _ruled_out(session, name, mixture, knocks, limits) -> RuledOut | None:
    heard = [knock for knock in knocks if knock.setup == name]
    if heard:
        return RuledOut("knock", heard[-1])
    if mixture.odds and mixture.odds.leaner > session.assumptions.leaner_limit.value:
        return RuledOut("lean")
    fuel = session.setups[name].fuel
    return next((RuledOut(limit.code) for limit in limits if limit.fuel == fuel), None)
