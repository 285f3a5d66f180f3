"""A season: many outings of one bike, from the record that each left in its results.json.

Forces are pooled over days, and all readings into one ladder. Before that, the names of setups,
engines, injectors and fuels are compared: one name is one thing, or the season says so. What is
ridden and what is shut is then decided by the rule that decides one outing.
"""

import datetime
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tuninglib.analysis.combinations import Limits, gated, mixture_weights, stop_limits, unexplained
from tuninglib.analysis.decide import (
    Advice,
    Evidence,
    Plan,
    bigger_engines,
    burnt_fuels,
    make_plan,
)
from tuninglib.analysis.gain import Road
from tuninglib.analysis.records import Combination, FuelLimit, Gate
from tuninglib.analysis.season_record import AdviceOfDay, OutingRecord
from tuninglib.analysis.worth import gains_of, harm_of
from tuninglib.interval import Z_95, Interval
from tuninglib.session.defaults import Band
from tuninglib.session.records import Session
from tuninglib.statistics.gain import Gain
from tuninglib.statistics.ladder import Parts, Priors, pool_readings
from tuninglib.statistics.ladder_prediction import Candidate, FuelDemand, Odds, predict
from tuninglib.statistics.season import OWN_SHARE, DayOfForces, pool_days

# One name, one thing ------------------------------------------------------------------------------

# So far apart, relative, two statements of one thing are still of one thing.
_SAME = 0.005


@dataclass(frozen=True, kw_only=True)
class Remark:
    """What would surprise: a code, and what it is about."""

    code: str
    about: tuple = ()


@dataclass(frozen=True)
class Names:
    """What each outing's names are called in the season.

    Attributes
    ----------
    setups, engines, injectors, fuels : dict
        Number of the outing and name to the season's name.
    remarks : tuple of Remark
        Of names that stand for several things.
    """

    setups: dict
    engines: dict
    injectors: dict
    fuels: dict
    remarks: tuple

    def setup(self, outing: int, name: str) -> str:
        """The season's name of an outing's setup."""
        return self.setups[outing, name]


def names_of(outings: "Sequence[Outing]") -> Names:
    """The season's names.

    Parameters
    ----------
    outings : sequence of Outing
        By date.

    Notes
    -----
    The same name with the same content is the same thing. The same name with other content (another
    displacement, another flow) is another one, and called after its first day besides. What is only
    described, the parts of a setup, is taken to be the same under the same name, and said.
    """

    def engine(record, name):
        one = record.engines[name]
        return (one.displacement_m3, one.compression_ratio or 0.0)

    def injector(record, name):
        return (record.injectors[name].flow_m3_s,)

    def fuel(record, name):
        one = record.fuels[name]
        return (one.stoichiometric_ratio, one.density_kg_m3)

    def setup(record, name):
        one = next(one for one in record.setups if one.name == name)
        return (*engine(record, one.engine), *injector(record, one.injector))

    found, remarks = {}, []
    for kind, content in (
        ("setups", setup),
        ("engines", engine),
        ("injectors", injector),
        ("fuels", fuel),
    ):
        names = [
            (at, name, content(one.record, name))
            for at, one in enumerate(outings)
            for name in _listed(one.record, kind)
        ]
        found[kind], several = _called(names, outings)
        remarks += [Remark(code=f"several {kind}", about=(name,)) for name in several]
    remarks += [
        Remark(code="parts", about=(name, *texts)) for name, texts in _described(outings, found)
    ]
    return Names(**found, remarks=tuple(remarks))


def _listed(record, kind):
    part = getattr(record, kind)
    return [one.name for one in part] if kind == "setups" else list(part)


def _alike(one, other) -> bool:
    return all(abs(a - b) <= _SAME * max(abs(a), abs(b)) for a, b in zip(one, other, strict=True))


def _called(names, outings) -> tuple:
    """Number of the outing and name to the season's name, and names that stand for several."""
    things: dict = {}
    for at, name, content in names:
        kinds = things.setdefault(name, [])
        same = next((one for one in kinds if _alike(one[0], content)), None)
        if same is None:
            kinds.append((content, [at]))
        else:
            same[1].append(at)
    called, several = {}, []
    for name, kinds in things.items():
        if len(kinds) > 1:
            several.append(name)
        for number, (_, own) in enumerate(kinds):
            day = outings[own[0]].date.isoformat()
            taken = [outings[other[0]].date.isoformat() for _, other in kinds[:number]]
            more = f", {taken.count(day) + 1}" if day in taken else ""
            label = name if len(kinds) == 1 else f"{name} ({day}{more})"
            called.update(dict.fromkeys(((at, name) for at in own), label))
    return called, several


def _described(outings, found):
    """Setups whose parts are described in several ways."""
    texts: dict = {}
    for at, one in enumerate(outings):
        for setup in one.record.setups:
            if setup.runs:
                texts.setdefault(found["setups"][at, setup.name], {})[setup.parts] = None
    return [(name, tuple(own)) for name, own in texts.items() if len(own) > 1]


# The ladder of all readings -----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class SeasonMixture:
    """Lambda of one engine, injector and fuel on another day.

    Attributes
    ----------
    engine, injector, fuel : str
    flow_m3_s : float
    lambda_ : Interval
        True, at full throttle.
    odds : Odds
        Of the band of the last outing.
    outings, readings : int
        That had it; 0: not tried on this fuel.
    tried : bool
        Whether the injector was read with any engine or fuel.
    extrapolated : bool
        Whether its flow is outside those read.
    gate : Gate or None
        What shuts it, by the rule of an outing's report; None: nothing that is known.
    """

    engine: str
    injector: str
    fuel: str
    flow_m3_s: float
    lambda_: Interval
    odds: Odds
    outings: int
    readings: int
    tried: bool
    extrapolated: bool
    gate: Gate | None = None


@dataclass(frozen=True, kw_only=True)
class SeasonLadder:
    """What all readings of a season say together.

    Attributes
    ----------
    response : Interval
        How lambda follows flow: 1 where the ECU follows its table.
    mixtures : tuple of SeasonMixture
        By engine, fuel and flow.
    outings, readings : int
        With readings at full throttle that count.
    scatter : float
        Scatter of readings and days over what was assumed of both.
    band : tuple of float
        Of lambda, of the last outing.
    """

    response: Interval
    mixtures: tuple
    outings: int
    readings: int
    scatter: float
    band: tuple


def season_ladder(outings: "Sequence[Outing]", names: Names) -> SeasonLadder | None:
    """The ladder of all outings' readings.

    Parameters
    ----------
    outings : sequence of Outing
        By date.
    names : tuninglib.analysis.season.Names

    Returns
    -------
    SeasonLadder or None
        None without a usable reading.
    """
    days = [
        [
            replace(
                cell,
                engine=names.engines[at, cell.engine],
                injector=names.injectors[at, cell.injector],
                fuel=names.fuels[at, cell.fuel],
            )
            for cell in one.record.readings
        ]
        for at, one in enumerate(outings)
    ]
    if not any(days):
        return None
    stated = _stated(outings, names)
    tried = {cell.injector for day in days for cell in day}
    last = [one.record for one, day in zip(outings, days, strict=True) if day][-1]
    day_sd = max(one.record.mixture_day_sd for one in outings)
    parts = Parts(
        displacement={name: one.displacement_m3 for name, one in stated["engines"].items()},
        tolerance={name: stated["injectors"][name].tolerance_sd for name in tried},
        fuel_sd={name: one.fuel_sd for name, one in stated["fuels"].items()},
        priors=Priors(
            response_mean=last.response_mean,
            response_sd=last.response_sd,
            breathing_sd=max(one.record.breathing_sd for one in outings),
            gauge_sd=max(one.record.gauge_sd for one in outings),
        ),
    )
    fit = pool_readings(days, parts, day_sd=day_sd)
    engine = [cell.engine for day in days if day for cell in day][-1]
    wanted = {(cell.engine, cell.injector, cell.fuel): None for day in days for cell in day} | {
        (engine, injector, fuel): None
        for injector in stated["injectors"]
        for fuel in _of_the_last(outings, names)
    }
    band = (outings[-1].record.band_lowest, outings[-1].record.band_highest)
    mixtures = [_mixture(fit, key, stated, days, tried, band, day_sd) for key in wanted]
    at = list(stated["engines"])
    return SeasonLadder(
        response=fit.interval("response"),
        mixtures=tuple(
            sorted(mixtures, key=lambda one: (at.index(one.engine), one.fuel, one.flow_m3_s))
        ),
        outings=sum(map(bool, days)),
        readings=sum(cell.count for day in days for cell in day),
        scatter=float(fit.weights @ fit.noise_scale),
        band=band,
    )


def _stated(outings, names) -> dict:
    """What the last outing that names a thing says of it, under the season's names."""
    found: dict = {"engines": {}, "injectors": {}, "fuels": {}}
    for at, one in enumerate(outings):
        for kind, things in found.items():
            for name, thing in getattr(one.record, kind).items():
                things[getattr(names, kind)[at, name]] = thing
    return found


def _of_the_last(outings, names) -> list:
    """Fuels of the last outing."""
    at = len(outings) - 1
    return [names.fuels[at, name] for name in outings[-1].record.fuels]


def _mixture(fit, key, stated, days, tried, band, day_sd) -> SeasonMixture:
    engine, injector, fuel = key
    flow, blend = stated["injectors"][injector].flow_m3_s, stated["fuels"][fuel]
    asked = Candidate(flow_m3_s=flow, tried=injector)
    if injector not in tried:
        tolerance = stated["injectors"][injector].tolerance_sd
        asked = Candidate(flow_m3_s=flow, tolerance=tolerance)
    demand = FuelDemand(
        stoichiometric_ratio=blend.stoichiometric_ratio,
        density_kg_m3=blend.density_kg_m3,
        name=fuel,
        sd=blend.fuel_sd,
    )
    found = predict(fit, asked, engine=engine, fuel=demand, day_sd=day_sd)
    lowest, highest = band
    own = [[cell for cell in day if (cell.engine, cell.injector, cell.fuel) == key] for day in days]
    return SeasonMixture(
        engine=engine,
        injector=injector,
        fuel=fuel,
        flow_m3_s=flow,
        lambda_=found.lambda_,
        odds=found.odds(low=lowest, high=highest),
        outings=sum(map(bool, own)),
        readings=int(np.sum([cell.count for day in own for cell in day])),
        tried=injector in tried,
        extrapolated=bool(found.extrapolated),
    )


# What to ride -------------------------------------------------------------------------------------
# An outing's report decides by gates and worths; so does a season, with what all its days know: the
# mixtures and gains of all readings and runs, and every knock and hot head of any day.


def advice_of_day(
    session: Session,
    advice: Advice,
    road: Road | None,
    limits: tuple[FuelLimit, ...],
    hot_climbs: tuple[str, ...],
) -> AdviceOfDay:
    """What an outing's advice rested on.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    advice : tuninglib.analysis.decide.Advice
    road : tuninglib.analysis.gain.Road or None
    limits : tuple of FuelLimit
    hot_climbs : tuple of str
    """
    taken = session.assumptions
    return AdviceOfDay(
        reference=session.about.reference,
        # What shuts one by another is found again, from all days.
        combinations=tuple(
            replace(one, gate=one.gate and replace(one.gate, because=None))
            for one in advice.combinations
        ),
        fuel_limits=limits,
        burnt=burnt_fuels(session, limits),
        bigger=tuple(sorted(bigger_engines(session))),
        hot_climbs=hot_climbs if session.use.sustained else (),
        hottest_k=stop_limits(session).hottest_k,
        richest_lambda=taken.richest_lambda,
        run_sd=100 * (road.scatter_sd if road else taken.run_scatter.value),
        weights=mixture_weights(session),
        missing=advice.plan.missing,
    )


def _combinations(outings, names, ladder) -> tuple:
    """Every combination of any day under the season's names, with the pooled mixture, and gated."""
    known: dict = {}
    for at, one in enumerate(outings):
        for own in one.record.advice.combinations:
            own = _called_so(own, at, names)
            known[own.key] = _together(known[own.key], own) if own.key in known else own
    there = {key[:3] for key in known if key[3] is not None}
    known = {key: one for key, one in known.items() if key[3] is not None or key[:3] not in there}
    last = outings[-1].record
    band = Band(last.band_lowest, last.band_highest, last.band_highest)
    gauge_sd = max(one.record.gauge_sd for one in outings)
    read = {(one.engine, one.injector, one.fuel): one for one in ladder.mixtures} if ladder else {}
    pooled = [
        _with_mixture(one, read.get(one.key[:3]), band, last.advice.weights, gauge_sd)
        for one in known.values()
    ]
    found = gated(
        pooled,
        Limits(
            fuels=tuple(_fuel_limits(outings, names)),
            lean=last.leaner_limit,
            richest=last.advice.richest_lambda,
            hottest_k=last.advice.hottest_k,
            hot_climbs=tuple(
                names.setup(at, name)
                for at, one in enumerate(outings)
                for name in one.record.advice.hot_climbs
            ),
        ),
    )
    # What the report of the last outing that rode it shuts is not opened here.
    shut = {key: one.gate for key, one in known.items() if key[3] is not None}
    return tuple(replace(one, gate=one.gate or shut.get(one.key)) for one in found)


def _called_so(one, at, names) -> Combination:
    """A combination of one day under the season's names."""
    return replace(
        one,
        engine=names.engines[at, one.engine],
        injector=names.injectors[at, one.injector],
        fuel=names.fuels[at, one.fuel],
        setup=None if one.setup is None else names.setup(at, one.setup),
    )


def _together(before, now) -> Combination:
    """One combination of two days: the later facts, and what hurt on any."""
    heads = [one.hottest_k for one in (before, now) if one.hottest_k is not None]
    return replace(
        now,
        listened=before.listened + now.listened,
        knocks=(*before.knocks, *now.knocks),
        octane=now.octane or before.octane,
        hottest_k=max(heads, default=None),
        idle_lambda=before.idle_lambda if now.idle_lambda is None else now.idle_lambda,
        beyond=now.beyond or before.beyond,
        source=now.source if now.source != "unknown" else before.source,
    )


def _with_mixture(one, mixture, band, weights, gauge_sd) -> Combination:
    """A combination with the mixture that all readings say; without them as its day has it."""
    if mixture is None or (one.source == "unknown" and not mixture.readings):
        return one
    sd = mixture.lambda_.half_width / Z_95 / mixture.lambda_.value
    return replace(
        one,
        source="read" if mixture.readings else "predicted",
        lambda_=mixture.lambda_,
        odds=mixture.odds,
        own_sd=float(np.sqrt(max(sd**2 - gauge_sd**2, 0.0))),
        harm=harm_of(mixture.lambda_, band, weights),
        beyond="" if mixture.readings else one.beyond,
    )


def _fuel_limits(outings, names):
    for at, one in enumerate(outings):
        for limit in one.record.advice.fuel_limits:
            engine = None if limit.engine is None else names.engines[at, limit.engine]
            yield replace(limit, fuel=names.fuels[at, limit.fuel], engine=engine)


def _decided(outings, names, combinations, found) -> Plan:
    """The plan of a season, by the rule that makes an outing's."""
    last, at = outings[-1].record, len(outings) - 1
    stated = _stated(outings, names)
    gains = found.get("gains", {})
    setups = {
        names.setup(day, setup.name): names.engines[day, setup.engine]
        for day, one in enumerate(outings)
        for setup in one.record.setups
    }
    reference = found.get("reference") or names.setup(at, last.advice.reference)
    bigger = {
        names.engines[day, name]
        for day, one in enumerate(outings)
        for name in one.record.advice.bigger
    }
    missing = set.intersection(*(set(one.record.advice.missing) for one in outings))
    return make_plan(
        Evidence(
            combinations=combinations,
            unexplained=unexplained(combinations),
            gains=gains,
            pulls=gains_of(
                setups,
                {name: one.displacement_m3 for name, one in stated["engines"].items()},
                gains,
                found.get("pairs", ()),
                reference,
            ),
            apart=frozenset(
                frozenset((one.setup, one.over)) for one in found.get("pairs", ()) if one.told_apart
            ),
            reference=reference,
            burnt=tuple(names.fuels[at, name] for name in last.advice.burnt),
            bigger=frozenset(bigger - {setups[reference]}),
            more_runs={},
            band=Band(last.band_lowest, last.band_highest, last.band_highest),
            weights=last.advice.weights,
            gauge_sd=max(one.record.gauge_sd for one in outings),
            run_sd=last.advice.run_sd,
            missing=tuple(one for one in last.advice.missing if one in missing),
        )
    )


# Forces of all days -------------------------------------------------------------------------------

# Outings on so many days tell of wear.
_FEWEST_FOR_A_TREND = 3
# Rate of false alarms, over all comparisons together.
ALPHA = 0.05


@dataclass(frozen=True, kw_only=True)
class Outing:
    """One outing of a season.

    Attributes
    ----------
    folder : str
        Of the session, as the season's folder has it.
    title : str
    date : datetime.date
    record : OutingRecord
    runs_checksum : str
        Of its runs.csv; empty: not known.
    """

    folder: str
    title: str
    date: datetime.date
    record: OutingRecord
    runs_checksum: str = ""


@dataclass(frozen=True, kw_only=True)
class SeasonPull:
    """What a setup pulls, all outings together.

    Attributes
    ----------
    setup : str
        Its name, with a day where the name alone stands for several.
    parts : tuple of str
        Its engine, injector and fuel.
    outings : tuple of int
        Those that rode it.
    force_n : Interval
        [N]
    gain : Interval or None
        Ratio over the season's reference less 1; None: the reference itself.
    p_adjusted : float or None
        Against no difference, for as many comparisons as the season makes.
    shared_days : int
        On how many outings both were ridden.
    linked : bool
        Whether days with repeats lead from it to the reference, setup by setup.
    told_apart : bool
        Whether the adjusted p is below 5 %. Never by what is only assumed: without being linked,
        while the outings say nothing of how far days differ.
    """

    setup: str
    parts: tuple
    outings: tuple
    force_n: Interval
    gain: Interval | None = None
    p_adjusted: float | None = None
    shared_days: int = 0
    linked: bool = True
    told_apart: bool = False

    @property
    def verdict(self) -> str | None:
        """``"faster"``, ``"slower"``, ``"not told apart"``; None for the reference."""
        if self.gain is None:
            return None
        if not self.told_apart:
            return "not told apart"
        return "faster" if self.gain.value > 0 else "slower"


@dataclass(frozen=True, kw_only=True)
class DayForce:
    """Wheel force of a setup as one outing alone has it. [N]"""

    outing: int
    setup: str
    force_n: Interval


@dataclass(frozen=True, kw_only=True)
class Trend:
    """Change of the force of all setups alike from the first outing to the last.

    Attributes
    ----------
    days : int
    ratio : Interval
        Less 1.
    p_value : float
    """

    days: int
    ratio: Interval
    p_value: float


@dataclass(frozen=True, kw_only=True)
class Season:
    """Many outings of one bike.

    Attributes
    ----------
    bike : str
    outings : tuple of Outing
        By date.
    reference : str or None
        The setup that gains are counted from: the one that most outings do so from.
    pulls : tuple of SeasonPull
        The reference first.
    day_forces : tuple of DayForce
    day_sd, own_sd : Interval or None
        What a day does to the force of all setups alike, and to one alone: relative standard
        deviations; None with no forces.
    day_sd_is_assumed : bool
        Whether the outings say next to nothing of it.
    trend : Trend or None
    ladder : SeasonLadder or None
    combinations : tuple of Combination
        Of all days, under the season's names, each with its gate.
    plan : Plan
        What to ride and what is next, by all days together.
    remarks : tuple of Remark
    """

    bike: str
    outings: tuple
    reference: str | None
    pulls: tuple
    day_forces: tuple
    day_sd: Interval | None
    own_sd: Interval | None
    day_sd_is_assumed: bool
    trend: Trend | None
    ladder: SeasonLadder | None
    combinations: tuple
    plan: Plan
    remarks: tuple

    def shut(self, pull: SeasonPull) -> Combination | None:
        """The combination with which a setup must not be ridden as it last was; None: it may be.

        Parameters
        ----------
        pull : SeasonPull
        """
        key = (*pull.parts, pull.setup)
        return next((one for one in self.combinations if one.key == key and one.gate), None)

    @property
    def again(self) -> tuple:
        """Setups that one more outing should repeat: what is ridden, and what it is measured by."""
        plan = self.plan
        if plan.next.code == "ride again":
            return plan.next.setups
        if plan.ride is None or plan.next.code in ("find knock", "find heat"):
            return ()
        gate = {one.setup: one.gate for one in self.combinations if one.setup is not None}
        others = [
            pull
            for pull in self.pulls
            if pull.setup != plan.ride.setup and pull.setup in gate and gate[pull.setup] is None
        ]
        # What no day with repeats leads to comes first; of the rest the reference.
        others.sort(key=lambda pull: pull.linked)
        return (plan.ride.setup, *(pull.setup for pull in others[:1]))

    @property
    def units(self) -> str:
        """System of units of the last outing."""
        return self.outings[-1].record.units


def bikes_of(outings: Sequence[Outing]) -> dict:
    """Outings by bike: those with the same name, or without one but of the same stated mass.

    Parameters
    ----------
    outings : sequence of Outing

    Returns
    -------
    dict of str to tuple of Outing
        By date.
    """
    found: dict = {}
    for one in sorted(outings, key=lambda one: (one.date, one.folder)):
        found.setdefault(one.record.known_as, []).append(one)
    return {name: tuple(own) for name, own in sorted(found.items())}


def season_of(outings: Sequence[Outing], left_out: Sequence[str] = ()) -> Season:
    """What the outings of one bike say together.

    Parameters
    ----------
    outings : sequence of Outing
        Of those with the same runs one is counted.
    left_out : sequence of str
        Folders of sessions that need fixing first.

    Returns
    -------
    Season

    Raises
    ------
    ValueError
        If there are none.
    """
    if not outings:
        raise ValueError("there are no outings of this bike; make their reports first")
    (bike, own), *others = bikes_of(outings).items()
    if others:
        raise ValueError("these outings are of several bikes; choose those of one")
    own, copies = _without_copies(own)
    names = names_of(own)
    ridden = [at for at, one in enumerate(own) if one.record.forces is not None]
    remarks = [*copies, *_remarks(own), *names.remarks]
    remarks += [Remark(code="left out", about=(folder,)) for folder in left_out]
    found = _forces(own, ridden, names) if ridden else {}
    ladder = season_ladder(own, names)
    combinations = _combinations(own, names, ladder)
    return Season(
        bike=bike,
        outings=own,
        reference=found.get("reference"),
        pulls=found.get("pulls", ()),
        day_forces=found.get("day_forces", ()),
        day_sd=found.get("day_sd"),
        own_sd=found.get("own_sd"),
        day_sd_is_assumed=found.get("day_sd_is_assumed", True),
        trend=found.get("trend"),
        ladder=ladder and _with_gates(ladder, combinations),
        combinations=combinations,
        plan=_decided(own, names, combinations, found),
        remarks=tuple(remarks),
    )


def _with_gates(ladder, combinations) -> SeasonLadder:
    gates: dict = {}
    for one in combinations:
        gates[one.key[:3]] = gates.get(one.key[:3]) or one.gate
    mixtures = [
        replace(one, gate=gates.get((one.engine, one.injector, one.fuel)))
        for one in ladder.mixtures
    ]
    return replace(ladder, mixtures=tuple(mixtures))


def _without_copies(own) -> tuple:
    """Outings with runs of their own, and a remark for each of the others."""
    kept: dict = {}
    copies = []
    for one in own:
        key = one.runs_checksum or one.folder
        if key in kept:
            copies.append(Remark(code="copy", about=(kept[key].folder, one.folder)))
        else:
            kept[key] = one
    return tuple(kept.values()), copies


def _remarks(own):
    """What would surprise of outings that are taken to be of one bike."""
    if len(own) > 1 and not own[0].record.bike:
        yield Remark(code="unnamed")
    masses = sorted({one.record.bike_mass_kg for one in own})
    if len(masses) > 1:
        yield Remark(code="masses", about=(masses[0], masses[-1]))
    for at, one in enumerate(own):
        if one.record.ecu_corrects:
            yield Remark(code="corrects", about=(at,))


def _forces(own, ridden, names) -> dict:
    """Everything that follows from the wheel forces."""
    labels = [[names.setup(at, name) for name in own[at].record.forces.setups] for at in ridden]
    # Every outing's first setup is the one that it counts from.
    wanted = Counter(day[0] for day in labels)
    reference = max(wanted, key=lambda label: (wanted[label], -_first(labels, label)))
    order = [
        reference,
        *(
            one
            for one in dict.fromkeys(label for day in labels for label in day)
            if one != reference
        ),
    ]
    keys: dict = {}
    days = [
        _day(own[at], [order.index(label) for label in day], keys)
        for at, day in zip(ridden, labels, strict=True)
    ]
    sd = max(own[at].record.day_sd for at in ridden)
    stated = {"setups": len(order), "day_sd": sd, "gain_sd": sd * OWN_SHARE}
    pooled = pool_days(days, **stated)
    pulls = tuple(_pulls(pooled, order, labels, ridden, own, names))
    linked = {pull.setup for pull in pulls if pull.linked or not pooled.day_sd_is_assumed}
    pairs = _pairs(pooled, order, linked)
    return {
        "reference": reference,
        "pulls": pulls,
        "pairs": pairs,
        "gains": {reference: None} | {one.setup: one for one in pairs if one.over == reference},
        "day_forces": tuple(
            DayForce(outing=at, setup=label, force_n=_force(one, number))
            for at, day, one in zip(ridden, labels, days, strict=True)
            for number, label in enumerate(day)
        ),
        "day_sd": pooled.day_sd,
        "own_sd": pooled.gain_sd,
        "day_sd_is_assumed": pooled.day_sd_is_assumed,
        "trend": _trend(days, stated),
    }


def _first(labels, label) -> int:
    return next(at for at, day in enumerate(labels) if label in day)


def _day(outing, setups, keys) -> DayOfForces:
    forces = outing.record.forces
    unknowns = [keys.setdefault(key, len(keys)) for key in forces.unknowns]
    return DayOfForces(
        setups=np.array(setups),
        unknowns=np.array(unknowns, dtype=int),
        mean=np.array(forces.mean),
        covariance=np.array(forces.covariance),
        own_covariance=np.array(forces.own_covariance),
        own_dof=forces.scatter_dof,
        time=float(outing.date.toordinal()),
    )


def _force(day, number) -> Interval:
    """As the day alone has it."""
    half = 1.96 * float(np.sqrt(day.covariance[number, number]))
    middle = float(day.mean[number])
    return Interval(*np.exp([middle, middle - half, middle + half]).tolist())


def _through(function, log) -> Interval:
    return Interval(*function([log.value, log.low, log.high]).tolist())


def _parts(label, at, outing, names) -> tuple:
    """Engine, injector and fuel of a setup, by the season's names."""
    setup = next(one for one in outing.record.setups if names.setup(at, one.name) == label)
    return (
        names.engines[at, setup.engine],
        names.injectors[at, setup.injector],
        names.fuels[at, setup.fuel],
    )


def _pulls(pooled, order, labels, ridden, own, names):
    outings = {
        label: tuple(at for at, day in zip(ridden, labels, strict=True) if label in day)
        for label in order
    }
    comparisons = len(order) - 1
    # As last ridden.
    parts = {label: _parts(label, at[-1], own[at[-1]], names) for label, at in outings.items()}
    linked = _linked(order[0], labels, ridden, own)
    for number, label in enumerate(order):
        force = _through(np.exp, pooled.contrast(number).log)
        if number == 0:
            yield SeasonPull(setup=label, parts=parts[label], outings=outings[label], force_n=force)
            continue
        found = pooled.contrast(number, over=0)
        shared = [at for at in outings[label] if at in outings[order[0]]]
        adjusted = min(1.0, found.p_value * comparisons)
        yield SeasonPull(
            setup=label,
            parts=parts[label],
            outings=outings[label],
            force_n=force,
            gain=_through(np.expm1, found.log),
            p_adjusted=adjusted,
            shared_days=len(shared),
            linked=label in linked,
            told_apart=adjusted < ALPHA and (label in linked or not pooled.day_sd_is_assumed),
        )


def _pairs(pooled, order, linked) -> tuple:
    """Every setup over those before it, as an outing's report compares two; adjusted as there."""
    found = []
    for number, setup in enumerate(order):
        for other, over in enumerate(order[:number]):
            one = pooled.contrast(number, over=other)
            comparisons = len(order) - 1 if other == 0 else len(order) * (len(order) - 1) // 2
            adjusted = min(1.0, one.p_value * comparisons)
            found.append(
                Gain(
                    setup=setup,
                    over=over,
                    ratio=_through(np.expm1, one.log),
                    log_sd=one.log.half_width / Z_95,
                    dof=float("inf"),
                    p_value=one.p_value,
                    p_adjusted=adjusted,
                    told_apart=adjusted < ALPHA and {setup, over} <= linked,
                    comparisons=comparisons,
                    shares={},
                )
            )
    return tuple(found)


def _linked(reference, labels, ridden, own) -> set:
    """Setups to which days with repeats lead from the reference."""
    days = [
        set(day) for at, day in zip(ridden, labels, strict=True) if own[at].record.forces.repeated
    ]
    found, before = {reference}, set()
    while found != before:
        before = set(found)
        for day in days:
            if day & found:
                found |= day
    return found


def _trend(days, stated) -> Trend | None:
    times = sorted({one.time for one in days})
    if len(times) < _FEWEST_FOR_A_TREND:
        return None
    span = times[-1] - times[0]
    slope = pool_days(days, **stated, trend=True).slope
    log = Interval(*(span * np.array([slope.log.value, slope.log.low, slope.log.high])).tolist())
    return Trend(days=int(span), ratio=_through(np.expm1, log), p_value=slope.p_value)
