"""A season: many outings of one bike, from the record that each left in its results.json.

Forces are pooled over days, and all readings into one ladder. Before that, the names of setups,
engines, injectors and fuels are compared: one name is one thing, or the season says so. What is
ridden and what is shut is then decided by the rule that decides one outing.
"""

import datetime
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import partial
from itertools import groupby

import numpy as np

from tuninglib.analysis.air_envelope import CASES, LEAST_TOLD, weighed
from tuninglib.analysis.combinations import gated, weighed_mixture
from tuninglib.analysis.decide import Plan, evidence_of, make_plan
from tuninglib.analysis.records import Combination
from tuninglib.analysis.season_record import OutingRecord, without_copies
from tuninglib.analysis.wear import Wear, wear_of
from tuninglib.analysis.worth import Terms
from tuninglib.interval import Z_95, Interval
from tuninglib.statistics.gain import Gain
from tuninglib.statistics.ladder import Parts, Priors, pool_readings
from tuninglib.statistics.ladder_prediction import Candidate, predict
from tuninglib.statistics.season import OWN_SHARE, DayOfForces, pool_days

# One name, one thing ------------------------------------------------------------------------------

# So far apart, relative, two statements of one thing are still of one thing.
_SAME = 0.005


@dataclass(frozen=True, kw_only=True)
class Remark:
    """What would surprise: a code, and what it is about."""

    code: str
    about: tuple = ()


def under_one_name(outings: "Sequence[Outing]") -> tuple:
    """Outings with their records under the season's names.

    Parameters
    ----------
    outings : sequence of Outing
        By date.

    Returns
    -------
    outings : tuple of Outing
    remarks : list of Remark
        Of names that stand for several things.

    Notes
    -----
    The same name with the same content is the same thing. The same name with other content (another
    displacement, another flow) is another one, and called after its first day besides. What is only
    described, the parts of a setup, is taken to be the same under the same name, and said.
    """
    found, remarks = {}, []
    for kind in _NAMES:
        named = [
            (at, name, content)
            for at, one in enumerate(outings)
            for name, content in _contents(one.record, kind)
        ]
        found[kind], several = _called(named, outings)
        remarks += [Remark(code=f"several {kind}", about=(name,)) for name in several]

    def called(at, kind, name):
        return found[kind].get((at, name), name)

    renamed = tuple(
        replace(one, record=_renamed(one.record, partial(called, at)))
        for at, one in enumerate(outings)
    )
    parts: dict = {}
    for one in renamed:
        for setup in one.record.setups:
            if setup.runs:
                parts.setdefault(setup.name, {})[setup.parts] = None
    remarks += [
        Remark(code="parts", about=(name, *own)) for name, own in parts.items() if len(own) > 1
    ]
    return renamed, remarks


def _contents(record, kind):
    """Each name of one kind in an outing, with what tells its thing from others of that name."""
    if kind == "setups":
        engines, injectors = (dict(_contents(record, one)) for one in ("engines", "injectors"))
        for one in record.setups:
            yield one.name, (*engines[one.engine], *injectors[one.injector])
        return
    of_kind = {
        "engines": ("displacement_m3", "compression_ratio"),
        "injectors": ("flow_m3_s",),
        "fuels": ("stoichiometric_ratio", "density_kg_m3"),
    }
    for name, one in getattr(record, kind).items():
        yield name, tuple(getattr(one, field) or 0.0 for field in of_kind[kind])


# Fields of an outing's record that hold names, and what those are the names of.
_NAMES = {
    "setups": ("setups", "name", "setup", "reference", "hot_climbs"),
    "engines": ("engines", "engine", "bigger"),
    "injectors": ("injectors", "injector"),
    "fuels": ("fuels", "fuel", "burnt"),
}
_KIND_OF = {field: kind for kind, fields in _NAMES.items() for field in fields}


def _renamed(value, called, kind=None):
    """A record, or a part of one, with every name as a function has it."""
    if isinstance(value, str):
        return called(kind, value) if kind else value
    if isinstance(value, tuple):
        return tuple(_renamed(one, called, kind) for one in value)
    if isinstance(value, dict):
        return {
            called(kind, name) if kind else name: _renamed(one, called)
            for name, one in value.items()
        }
    if is_dataclass(value):
        named = {one.name: _KIND_OF.get(one.name) for one in fields(value)}
        return replace(value, **{
            name: _renamed(getattr(value, name), called, kind) for name, kind in named.items()
        })  # fmt: skip
    return value


def _called(names, outings) -> tuple:
    """Number of the outing and name to the season's name, and names that stand for several."""
    alike, things = partial(math.isclose, rel_tol=_SAME), {}
    for at, name, content in names:
        kinds = things.setdefault(name, [])
        own = next((own for known, own in kinds if all(map(alike, known, content))), None)
        if own is None:
            kinds.append((content, [at]))
        else:
            own.append(at)
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


# The ladder of all readings -----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class SeasonMixture(Combination):
    """Lambda of one engine, injector and fuel on another day; odds are of the last outing's band.

    Attributes
    ----------
    outings, readings : int
        That had it; 0: not tried on this fuel.
    tried : bool
        Whether the injector was read with any engine or fuel.
    extrapolated : bool
        Whether its flow is outside those read.
    """

    outings: int
    readings: int
    tried: bool
    extrapolated: bool


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
    air : dict of str to float or None
        Chance of what the ECU corrects for (:mod:`tuninglib.analysis.air_envelope`); None where it
        is stated, or the air of the readings did not differ.
    """

    response: Interval
    mixtures: tuple
    outings: int
    readings: int
    scatter: float
    band: tuple
    air: dict | None = None


def season_ladder(outings: "Sequence[Outing]") -> SeasonLadder | None:
    """The ladder of all outings' readings.

    Parameters
    ----------
    outings : sequence of Outing
        By date, under the season's names.

    Returns
    -------
    SeasonLadder or None
        None without a usable reading.
    """
    days = [one.record.readings for one in outings]
    if not any(days):
        return None
    stated = _stated(outings)
    tried = {cell.injector for day in days for cell in day}
    last = [one.record for one, day in zip(outings, days, strict=True) if day][-1]
    day_sd = max(one.record.mixture_day_sd for one in outings)
    parts = Parts(
        displacement={name: one.displacement_m3 for name, one in stated["engines"].items()},
        tolerance={name: stated["injectors"][name].tolerance_sd for name in tried},
        fuel_sd={name: one.sd for name, one in stated["fuels"].items()},
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
        for fuel in outings[-1].record.fuels
    }
    band = outings[-1].record.advice.terms.band
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
        band=(band.lowest, band.highest),
        air=_what_the_ecu_sees(outings, parts, day_sd),
    )


def _what_the_ecu_sees(outings, parts, day_sd) -> dict | None:
    """Chances of the cases, by the readings of days whose air differs."""
    records = [one.record for one in outings if one.record.readings]
    left = np.array([air for record in records for air in record.air])
    said = any(record.density_compensation != "unknown" for record in records)
    if said or np.ptp(left[:, 1] - left[:, 0]) < LEAST_TOLD:
        return None
    evidence = []
    for case in range(len(CASES)):
        days = [
            [
                replace(cell, log_mean=cell.log_mean - air[case])
                for cell, air in zip(record.readings, record.air, strict=True)
            ]
            for record in records
        ]
        evidence.append(pool_readings(days, parts, day_sd=day_sd).log_evidence)
    return weighed(evidence)


def _stated(outings) -> dict:
    """What the last outing that names a thing says of it."""
    return {
        kind: {name: one for day in outings for name, one in getattr(day.record, kind).items()}
        for kind in ("engines", "injectors", "fuels")
    }


def _mixture(fit, key, stated, days, tried, band, day_sd) -> SeasonMixture:
    engine, injector, fuel = key
    flow = stated["injectors"][injector].flow_m3_s
    asked = Candidate(flow_m3_s=flow, tolerance=stated["injectors"][injector].tolerance_sd)
    if injector in tried:
        asked = Candidate(flow_m3_s=flow, tried=injector)
    demand = replace(stated["fuels"][fuel], name=fuel)
    found = predict(fit, asked, engine=engine, fuel=demand, day_sd=day_sd)
    own = [[cell for cell in day if (cell.engine, cell.injector, cell.fuel) == key] for day in days]
    return SeasonMixture(
        engine=engine,
        injector=injector,
        fuel=fuel,
        flow_m3_s=flow,
        lambda_=found.lambda_,
        odds=found.odds(low=band.lowest, high=band.highest),
        outings=sum(map(bool, own)),
        readings=int(np.sum([cell.count for day in own for cell in day])),
        tried=injector in tried,
        extrapolated=bool(found.extrapolated),
    )


# What to ride -------------------------------------------------------------------------------------
# An outing's report decides by gates and worths; so does a season, with what all its days know: the
# mixtures and gains of all readings and runs, and every knock and hot head of any day.


def _combinations(outings, ladder) -> tuple:
    """Every combination of any day with the pooled mixture, and gated."""
    known: dict = {}
    for own in (own for one in outings for own in one.record.advice.combinations):
        known[own.key] = _together(known[own.key], own) if own.key in known else own
    there = {key[:3] for key in known if key[3] is not None}
    known = {key: one for key, one in known.items() if key[3] is not None or key[:3] not in there}
    terms, limits = _last_terms(outings), outings[-1].record.advice.limits
    read = {(one.engine, one.injector, one.fuel): one for one in ladder.mixtures} if ladder else {}
    every = [one.record.advice.limits for one in outings]
    found = gated(
        [_with_mixture(one, read.get(one.key[:3]), terms) for one in known.values()],
        replace(
            limits,
            fuels=tuple(limit for one in every for limit in one.fuels),
            hot_climbs=tuple(name for one in every for name in one.hot_climbs),
            # What its maker delivered, too, is judged by the band of the last day, moved or not.
            stated_edge=None,
        ),
    )
    # What the report of the last outing that rode it shuts is not opened here.
    shut = {key: one.gate for key, one in known.items() if key[3] is not None}
    return tuple(replace(one, gate=one.gate or shut.get(one.key)) for one in found)


def _last_terms(outings) -> Terms:
    """What the last outing states; of the gauge, the most of any."""
    gauge_sd = max(one.record.gauge_sd for one in outings)
    return replace(outings[-1].record.advice.terms, gauge_sd=gauge_sd)


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


def _with_mixture(one, mixture, terms) -> Combination:
    """A combination with the mixture that all readings say; without them as its day has it."""
    if mixture is None or (one.source == "unknown" and not mixture.readings):
        return one
    return replace(
        one,
        source="read" if mixture.readings else "predicted",
        odds=mixture.odds,
        beyond="" if mixture.readings else one.beyond,
        **weighed_mixture(mixture.lambda_, terms.gauge_sd, terms.band, terms.weights),
    )


def _decided(outings, combinations, reference, pairs) -> Plan:
    """The plan of a season, by the rule that makes an outing's."""
    advice = outings[-1].record.advice
    gains = _gains(reference, pairs)
    reference = reference or advice.terms.reference
    engines = {setup.name: setup.engine for one in outings for setup in one.record.setups}
    stated = _stated(outings)
    sizes = {name: one.displacement_m3 for name, one in stated["engines"].items()}
    read = {one.injector for one in combinations if one.source == "read"}
    flow_sds = {n: one.tolerance_sd for n, one in stated["injectors"].items() if n not in read}
    bigger = {name for one in outings for name in one.record.advice.terms.bigger}
    terms = replace(
        _last_terms(outings), reference=reference, bigger=tuple(bigger - {engines[reference]})
    )
    everywhere = set.intersection(*(set(one.record.advice.missing) for one in outings))
    missing = tuple(one for one in advice.missing if one in everywhere)
    known = {"flow_sds": flow_sds, "missing": missing}
    return make_plan(evidence_of(terms, combinations, engines, sizes, gains, pairs, **known))


def _gains(reference, pairs) -> dict:
    """Gains over the reference, which has None; empty without forces."""
    if reference is None:
        return {}
    return {reference: None} | {one.setup: one for one in pairs if one.over == reference}


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
    gain : tuninglib.statistics.gain.Gain or None
        Over the season's reference; None: the reference itself. It is told apart if p, for as many
        comparisons as the season makes, is below 5 %. Never by what is only assumed: without being
        linked, while the outings say nothing of how far days differ.
    shared_days : int
        On how many outings both were ridden.
    linked : bool
        Whether days with repeats lead from it to the reference, setup by setup.
    """

    setup: str
    parts: tuple
    outings: tuple
    force_n: Interval
    gain: Gain | None
    shared_days: int
    linked: bool


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
    reference: str | None = None
    pulls: tuple = ()
    day_forces: tuple = ()
    day_sd: Interval | None = None
    own_sd: Interval | None = None
    day_sd_is_assumed: bool = True
    trend: Trend | None = None
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
    def wear(self) -> Wear:
        """What wears, by all outings' upkeep.csv."""
        return wear_of([(one.date.isoformat(), one.record.wear) for one in self.outings])

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
    ordered = sorted(outings, key=lambda one: (one.record.known_as, one.date, one.folder))
    return {name: tuple(own) for name, own in groupby(ordered, key=lambda one: one.record.known_as)}


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
    own, copies = without_copies(own)
    named, several = under_one_name(own)
    remarks = [Remark(code="copy", about=(one.folder, twin.folder)) for one, twin in copies]
    remarks += [*_remarks(own), *several]
    remarks += [Remark(code="left out", about=(folder,)) for folder in left_out]
    forces, pairs = _forces(named)
    ladder = season_ladder(named)
    combinations = _combinations(named, ladder)
    return Season(
        bike=bike,
        outings=own,
        **forces,
        ladder=ladder and _with_gates(ladder, combinations),
        combinations=combinations,
        plan=_decided(named, combinations, forces.get("reference"), pairs),
        remarks=tuple(remarks),
    )


def _with_gates(ladder, combinations) -> SeasonLadder:
    # Of what was ridden under several names, any that is shut.
    gates = {one.key[:3]: one.gate for one in reversed(combinations) if one.gate is not None}
    mixtures = [
        replace(one, gate=gates.get((one.engine, one.injector, one.fuel)))
        for one in ladder.mixtures
    ]
    return replace(ladder, mixtures=tuple(mixtures))


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


def _forces(outings) -> tuple:
    """Parts of a season that follow from the wheel forces, and all pairs of setups."""
    # Number of the outing to what it says.
    ridden = {at: one for at, one in enumerate(outings) if one.record.forces is not None}
    if not ridden:
        return {}, ()
    labels = {at: one.record.forces.setups for at, one in ridden.items()}
    # Every outing's first setup is the one that it counts from.
    wanted = Counter(day[0] for day in labels.values())
    seen = list(dict.fromkeys(label for day in labels.values() for label in day))
    reference = min(wanted, key=lambda label: (-wanted[label], seen.index(label)))
    order = [reference, *(label for label in seen if label != reference)]
    keys: dict = {}
    days = {at: _day(one, [order.index(x) for x in labels[at]], keys) for at, one in ridden.items()}
    sd = max(one.record.day_sd for one in ridden.values())
    stated = {"setups": len(order), "day_sd": sd, "gain_sd": sd * OWN_SHARE}
    pooled = pool_days(list(days.values()), **stated)
    linked = _linked(reference, ridden)
    # What days differ by must be seen, where no day leads from one setup to another.
    pairs = tuple(_pairs(pooled, order, linked if pooled.day_sd_is_assumed else set(order)))
    return {
        "reference": reference,
        "pulls": tuple(_pulls(pooled, order, ridden, linked, _gains(reference, pairs))),
        "day_forces": tuple(
            DayForce(outing=at, setup=label, force_n=_force(one, number))
            for at, one in days.items()
            for number, label in enumerate(labels[at])
        ),
        "day_sd": pooled.day_sd,
        "own_sd": pooled.gain_sd,
        "day_sd_is_assumed": pooled.day_sd_is_assumed,
        "trend": _trend(list(days.values()), stated),
    }, pairs


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
    half = Z_95 * float(np.sqrt(day.covariance[number, number]))
    middle = float(day.mean[number])
    return Interval(*np.exp([middle, middle - half, middle + half]).tolist())


def _through(function, log) -> Interval:
    return Interval(*function([log.value, log.low, log.high]).tolist())


def _pulls(pooled, order, ridden, linked, gains):
    days = {name: tuple(at for at, one in ridden.items() if name in one.record.forces.setups)
            for name in order}  # fmt: skip
    for number, label in enumerate(order):
        at = days[label]
        # As last ridden.
        last = next(one for one in ridden[at[-1]].record.setups if one.name == label)
        yield SeasonPull(
            setup=label,
            parts=(last.engine, last.injector, last.fuel),
            outings=at,
            force_n=_through(np.exp, pooled.contrast(number).log),
            gain=gains[label],
            shared_days=len(set(at) & set(days[order[0]])) if number else 0,
            linked=label in linked,
        )


def _pairs(pooled, order, linked):
    """Every setup over those before it, as an outing's report compares two; adjusted as there."""
    for number, setup in enumerate(order):
        for other, over in enumerate(order[:number]):
            one = pooled.contrast(number, over=other)
            comparisons = len(order) - 1 if other == 0 else len(order) * (len(order) - 1) // 2
            adjusted = min(1.0, one.p_value * comparisons)
            yield Gain(
                setup=setup,
                over=over,
                ratio=_through(np.expm1, one.log),
                log_sd=one.sd,
                dof=float("inf"),
                p_value=one.p_value,
                p_adjusted=adjusted,
                told_apart=adjusted < ALPHA and {setup, over} <= linked,
                comparisons=comparisons,
                shares={},
            )


def _linked(reference, ridden) -> set:
    """Setups to which days with repeats lead from the reference."""
    forces = [one.record.forces for one in ridden.values()]
    days = [set(one.setups) for one in forces if one.repeated]
    found = {reference}
    # A chain has no more links than there are days.
    for day in days * len(days):
        if day & found:
            found |= day
    return found


def _trend(days, stated) -> Trend | None:
    times = {one.time for one in days}
    if len(times) < _FEWEST_FOR_A_TREND:
        return None
    span = max(times) - min(times)
    slope = pool_days(days, **stated, trend=True).slope
    ratio = _through(np.expm1, slope.log.scaled(span))
    return Trend(days=int(span), ratio=ratio, p_value=slope.p_value)
