"""Before you buy: what other bikes' outings say of an engine that nobody has run yet.

Each outing leaves a small record. All records together make one kind of bike, and the newcomer's is
one more of it. What may be tried is gated and valued by the rules of an outing's own report, and
nothing is named that the first guess by displacement would call too small.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy.special import ndtr

from tuninglib.analysis.combinations import (
    Limits,
    combination,
    gated,
    mixture_weights,
    stop_limits,
    weighed_mixture,
)
from tuninglib.analysis.decide import burnt_fuels
from tuninglib.analysis.doubts import check_gauge
from tuninglib.analysis.gain import analyse_road
from tuninglib.analysis.injector import responses_of
from tuninglib.analysis.mixture import (
    engine_as_made,
    flow_on_bike,
    fuel_limits,
    fuel_terms,
    octane_margins,
    tolerance_sd,
    weighed_readings,
    with_check,
)
from tuninglib.analysis.records import Combination
from tuninglib.analysis.season_record import full_throttle_cells, without_copies
from tuninglib.analysis.worth import LIKELY, SAME, TRIAL, KnownMixture, value_of_trying
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.air import REFERENCE_DRY_PA, REFERENCE_K, air_density_kg_m3
from tuninglib.physics.fuels import Octane, known_higher
from tuninglib.physics.injector import EngineChange, first_guess_flow
from tuninglib.physics.motion import Ride, exit_speed_m_s
from tuninglib.session.defaults import (
    Band,
    air_of_runs,
    band_of,
    day_pressure_of,
    day_temperature_of,
    hill_of,
    leaner_limit_of,
    road_load_of,
    speedometer_factor,
)
from tuninglib.session.read_table import KNOCKED
from tuninglib.session.records import Session
from tuninglib.statistics.club import Before, BikeCells, ByOthers, Cell, Pooled, pool_bikes
from tuninglib.statistics.ladder import ReadingCell
from tuninglib.statistics.ladder_prediction import FuelDemand
from tuninglib.statistics.normal_mixture import normalised

# What an outing leaves to others ------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class RiddenEngine:
    """An engine of an outing.

    Attributes
    ----------
    displacement_m3 : float
    compression : float or None
    log_gain, gain_sd : float or None
        Of its wheel force over that of the engine as it was made; None: not compared.
    force_n : float or None
        Its wheel force. [N]
    hottest_k : float or None
    cost : float or None
        Of its parts, as typed.
    """

    displacement_m3: float
    compression: float | None = None
    log_gain: float | None = None
    gain_sd: float | None = None
    force_n: float | None = None
    hottest_k: float | None = None
    cost: float | None = None


@dataclass(frozen=True, kw_only=True)
class RiddenFuel:
    """A fuel of an outing with one engine and injector: what was heard.

    Attributes
    ----------
    engine, injector, fuel : str
    octane : Octane or None
    knock : str
        The loudest that was heard: ``"heavy"``, another word for knock, or empty.
    """

    engine: str
    injector: str
    fuel: str
    octane: Octane | None
    knock: str


@dataclass(frozen=True, kw_only=True)
class BikeRecord:
    """What an outing leaves to other bikes.

    Attributes
    ----------
    title : str
    bike : str
        Its name; empty: none. Outings of one name are of one bike.
    runs_checksum : str
    engines : dict of str to RiddenEngine
    made, made_flow_m3_s : str or None, float or None
        Engine and injector flow as the maker delivered them; None: the outing does not show.
    stated_flow_m3_s, tolerance_sd : dict of str to float
        Of each injector: flow as it is sold, and how far that may be off.
    demands : dict of str to FuelDemand
    readings : tuple of ReadingCell
        None where the ECU corrects at full throttle.
    fuels : tuple of RiddenFuel
        On which somebody listened.
    gauge_sd, day_sd : float
    air_kg_m3 : float
        Mean density of the air of its readings.
    corrects_air : str
        Whether the ECU corrects for it: yes, no or unknown.
    gauge_off : float or None
        Ratio by which its gauge shows too much where the ECU holds lambda 1, if that is beyond its
        stated accuracy.
    corrects : bool
        Whether the ECU was seen to correct at full throttle.
    currency : str
    """

    title: str
    bike: str = ""
    runs_checksum: str = ""
    engines: Mapping[str, RiddenEngine]
    made: str | None
    made_flow_m3_s: float | None
    stated_flow_m3_s: Mapping[str, float]
    tolerance_sd: Mapping[str, float]
    demands: Mapping[str, FuelDemand]
    readings: tuple[ReadingCell, ...] = ()
    fuels: tuple[RiddenFuel, ...] = ()
    gauge_sd: float
    day_sd: float
    air_kg_m3: float
    corrects_air: str = "unknown"
    gauge_off: float | None = None
    corrects: bool
    currency: str = ""


# A gauge is off where its readings at lambda 1 stand so far beyond its stated accuracy: as well as
# narrowband control holds it (common practice).
_HELD_WITHIN = 0.01


def bike_record(session: Session, runs_checksum: str = "") -> BikeRecord:
    """What an outing leaves to other bikes.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    runs_checksum : str
        Of its runs.csv.
    """
    air = air_of_runs(session)
    check = check_gauge(session, air)
    judged = with_check(session, check)
    read, responses = weighed_readings(judged, air), responses_of(judged, air)
    cells, gauge_sd, corrects = full_throttle_cells(judged, air, read, responses)
    off = _gauge_off(session, check)
    made, reference = engine_as_made(session), session.setups[session.about.reference]
    alone = reference.engine != made
    return BikeRecord(
        title=session.about.title,
        bike=session.bike.name,
        runs_checksum=runs_checksum,
        engines=_engines(session, made, analyse_road(session, air)),
        made=None if alone else made,
        made_flow_m3_s=None if alone else flow_on_bike(session, reference.injector),
        stated_flow_m3_s={name: one.flow.value for name, one in session.injectors.items()},
        tolerance_sd={name: tolerance_sd(session, name) for name in session.injectors},
        demands={name: fuel_terms(session, name) for name in session.fuels},
        readings=cells,
        fuels=tuple(_fuels(session)),
        # A leak or the gauge: at full throttle it may be all of that, or none.
        gauge_sd=float(np.hypot(gauge_sd, off or 0.0)),
        day_sd=session.assumptions.mixture_day_to_day.sd,
        air_kg_m3=float(air.loc[read.index if cells else air.index, "density_kg_m3"].mean()),
        corrects_air=session.bike.density_compensation,
        gauge_off=off,
        corrects=corrects,
        currency=session.about.currency,
    )


def _gauge_off(session, check) -> float | None:
    """By how much a gauge stands off lambda 1 where the ECU likely holds it; None: not beyond."""
    if check.gauge is None or max(one.chance for one in check.states) < 0.5:
        return None
    stated = session.gauge.accuracy
    off = check.gauge / session.gauge.scale - 1 - stated.value
    return off if abs(off) > stated.half_width + _HELD_WITHIN else None


def _engines(session, made, road) -> dict:
    full = session.runs[session.runs["state"] == "full"]
    found = {}
    for name, engine in session.engines.items():
        setups = [key for key, one in session.setups.items() if one.engine == name]
        heads = full.loc[full["setup"].isin(setups), "head_temperature_k"].dropna()
        costs = [one for key in setups if (one := session.setups[key].cost) is not None]
        found[name] = RiddenEngine(
            displacement_m3=float(engine.displacement_m3),
            compression=engine.compression,
            hottest_k=float(heads.max()) if len(heads) else None,
            cost=max(costs, default=None),
            **(_forces(session, name, made, road.of_day) if road else {}),
        )
    return found


def _forces(session, name, made, day) -> dict:
    """Mean wheel force of an engine's setups, and over those of the engine as it was made."""
    engine = np.array([session.setups[one].engine for one in day.setups])
    own, stock = engine == name, engine == made
    if not own.any():
        return {}
    log = np.array(day.mean[: len(engine)])
    found = {"force_n": float(np.exp(own @ log / own.sum()))}
    if name != made and stock.any():
        contrast = own / own.sum() - stock / stock.sum()
        covariance = np.array(day.covariance)[: len(engine), : len(engine)]
        sd = float(np.sqrt(contrast @ covariance @ contrast))
        found |= {"log_gain": float(contrast @ log), "gain_sd": sd}
    return found


def _fuels(session):
    full = session.runs[(session.runs["state"] == "full") & (session.runs["knock"] != "")]
    parts = [(one.engine, one.injector, one.fuel) for one in map(session.setups.get, full["setup"])]
    for engine, injector, fuel in dict.fromkeys(parts):
        own = [part == (engine, injector, fuel) for part in parts]
        knocks = set(full.loc[own, "knock"]) & set(KNOCKED)
        yield RiddenFuel(
            engine=engine,
            injector=injector,
            fuel=fuel,
            octane=session.fuels[fuel].octane_number,
            knock="heavy" if "heavy" in knocks else min(knocks, default=""),
        )


# The answer ---------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Offer:
    """An injector on the newcomer's engine, by what other bikes read.

    Attributes
    ----------
    injector : str
    flow_m3_s : float
    price : float or None
    fuels : tuple of Combination
        On each fuel that will be burnt, the leanest first, with lambda, odds and gate.
    inside, read : int
        Of the bikes with this cylinder that read such an injector, how many ran inside the band.
    small : bool
        Whether its flow is below what the first guess by displacement calls for.
    """

    injector: str
    flow_m3_s: float
    price: float | None
    fuels: tuple[Combination, ...]
    inside: int
    read: int
    small: bool

    @property
    def worst(self) -> float:
        """Chance of the band on the fuel where it is least."""
        return min(one.odds.inside for one in self.fuels if one.odds)


@dataclass(frozen=True, kw_only=True)
class Heard:
    """Knock with the newcomer's cylinder, as far as it tells of one of his fuels.

    Attributes
    ----------
    fuel : str
    knocked, lean, listened : int
        Bikes: those that knocked; those that did so lightly, and only where they ran leaner than
        the band; all on which somebody listened.
    """

    fuel: str
    knocked: int
    lean: int
    listened: int

    @property
    def shut(self) -> bool:
        """Whether so many knocked that nothing is bought for this fuel: a third."""
        return self.knocked > 0 and 3 * self.knocked >= self.listened


@dataclass(frozen=True, kw_only=True)
class Beside:
    """One outing beside what the others say of it.

    Attributes
    ----------
    record : BikeRecord
    injectors : tuple of float
        Flows read with the newcomer's cylinder. [m3/s]
    others : ByOthers or None
        None without readings.
    odd : bool
        Whether it is likelier than not that something was typed wrong there; of two bikes nobody
        can tell which.
    """

    record: BikeRecord
    injectors: tuple[float, ...]
    others: ByOthers | None
    odd: bool


@dataclass(frozen=True, kw_only=True)
class BeforeBuying:
    """What other bikes say of the newcomer's.

    Attributes
    ----------
    session : types.SimpleNamespace
        The newcomer's session.toml.
    engine, made : str
        The one to buy for, and as the maker delivered it.
    band : Band
    offers : tuple of Offer
        By flow.
    first : Offer or None
        The one to try first.
    owned : bool
        Whether that is at hand.
    stock : Interval or None
        Lambda as the maker delivered it, on the leanest fuel that is left; None where it is the
        same engine.
    guess_m3_s : Interval
        Flow that the first guess by displacement calls for.
    after_stock, after_first : float or None
        Chance of the band with the best of the offers, after one reading more: of the bike as it
        was delivered, or of the first offer.
    gain : Interval or None
        Of wheel force over the engine as it was made, as a ratio.
    gains : int
        Bikes that it rests on.
    marker_m_s : Interval or None
        What the gain adds to the shown speed at the newcomer's marker.
    heard : tuple of Heard
    hottest : tuple of float
        Head temperature of each outing with this cylinder that measured it, from the hottest. [K]
    costs : dict of str to tuple of float
        Currency to what the parts cost each of the others.
    beside : tuple of Beside
        The outings.
    bikes : int
        How many bikes have readings.
    bike_sd : float
        How far they differ, relative.
    new_kit : bool
        Whether no bike with readings has this cylinder.
    other_air : float
        The most by which the air of any outing differs from the newcomer's, as a ratio, where it is
        not known whether the ECU corrects for it.
    other_kind : int
        Bikes that left the factory with another displacement or injector, or do not show it.
    copies : tuple of (str, str)
        Titles of outings with the same runs.
    octane : tuple of str
        Fuels that will be burnt and may have too little octane for this engine.
    """

    session: Any
    engine: str
    made: str
    band: Band
    offers: tuple[Offer, ...]
    first: Offer | None
    owned: bool
    stock: Interval | None
    guess_m3_s: Interval
    after_stock: float | None
    after_first: float | None
    gain: Interval | None
    gains: int
    marker_m_s: Interval | None
    heard: tuple[Heard, ...]
    hottest: tuple[float, ...]
    costs: Mapping[str, tuple[float, ...]]
    beside: tuple[Beside, ...]
    bikes: int
    bike_sd: float
    new_kit: bool
    other_air: float
    other_kind: int
    copies: tuple[tuple[str, str], ...]
    octane: tuple[str, ...]


# Two engines are of one cylinder within this (logarithm of displacement, compression ratio). Ours.
_SAME_SIZE, _SAME_COMPRESSION = 0.01, 0.3
# By how much of a difference in factory displacement or flow another model's level may differ, and
# that of a bike whose outing does not show what it left the factory with. Ours.
_OTHER_KIND, _NOT_SHOWN_SD = 0.3, 0.03
# How far bikes of one kind differ, for how much each counts beside those of another kind.
_USUAL_SD = 0.03
# Two flows are one seller's number within this.
_SAME_FLOW = 0.005
# Full-throttle lambda that makers give: 0.87, 95 of 100 within 14 % (common practice), on petrol
# with 5 % ethanol.
_FACTORY_LAMBDA, _FACTORY_SD = 0.87, 0.07
# How far bikes differ in what a cylinder gains and in wheel force; and the latter beforehand. Ours.
_GAIN_BIKE_SD, _FORCE_BIKE_SD, _FORCE_SD = 0.03, 0.05, 1.0


def before_buying(newcomer: Any, records: Sequence[BikeRecord]) -> BeforeBuying:
    """What other bikes say of a newcomer's engine, injectors and fuels.

    Parameters
    ----------
    newcomer : types.SimpleNamespace
        Of :func:`tuninglib.session.read_toml.what_stands`; complete.
    records : sequence of BikeRecord
        One with a reading or more. Of those with the same runs one is counted.

    Returns
    -------
    BeforeBuying

    Raises
    ------
    ValueError
        If no record has a reading.
    """
    records, copies = without_copies(records)
    kind = _Kind(newcomer, records)
    if not kind.bikes:
        raise ValueError("no outing holds a gauge reading at full throttle that tells of injectors")
    planned = _planned(newcomer, kind.engine)
    limits = fuel_limits(planned)
    burnt = burnt_fuels(newcomer, limits)
    heard = tuple(kind.heard(fuel) for fuel in dict.fromkeys((*burnt, *newcomer.fuels)))
    left = tuple(one.fuel for one in heard if not one.shut and one.fuel in burnt)
    fuels = left or burnt or tuple(newcomer.fuels)
    pooled = pool_bikes(list(kind.bikes.values()), kind.before(fuels), kind.asked(fuels[0]))
    stock, guess = kind.stock(pooled, fuels[0])
    offers = kind.offers(pooled, burnt, limits, guess)
    first = _first(newcomer, offers, left)
    force, gain, gains = kind.pulls()
    deciding = left[0] if left else None
    again = kind.made != kind.engine
    return BeforeBuying(
        session=newcomer,
        engine=kind.engine,
        made=kind.made,
        band=kind.band,
        offers=offers,
        first=first,
        owned=first is not None and first.fuels[0].owned,
        stock=stock if again else None,
        guess_m3_s=guess,
        after_stock=kind.after(pooled, None, deciding) if first and again else None,
        after_first=kind.after(pooled, first.injector, deciding) if first else None,
        gain=gain,
        gains=gains,
        marker_m_s=kind.marker(force, gain),
        heard=heard,
        hottest=kind.hottest(),
        costs=kind.costs(),
        beside=tuple(kind.beside(pooled)),
        bikes=len(kind.bikes),
        bike_sd=pooled.bike_sd,
        new_kit=all(c.kit != kind.kit for one in kind.bikes.values() for c in one.cells),
        other_air=kind.other_air(),
        other_kind=sum(kind.other_sd(one) > 0.001 for one in records if one.readings),
        copies=tuple((one.title, other.title) for one, other in copies),
        octane=tuple(
            one.fuel
            for one in octane_margins(planned)
            if one.engine == kind.engine
            and one.fuel in burnt
            and (one.margin in ("unclear", "unknown") or one.rise_unknown)
        ),
    )


def _planned(newcomer, engine) -> Any:
    """The newcomer's session with the engine in a setup, so that its octane need is looked at."""
    like = newcomer.setups[newcomer.about.reference]
    setups = {**newcomer.setups, "": replace(like, engine=engine)}
    return SimpleNamespace(**{**vars(newcomer), "setups": setups})


def _first(newcomer, offers, left) -> Offer | None:
    """What may gain most as a trial; of the same gain one at hand, then the cheaper."""
    band, weights = band_of(newcomer), mixture_weights(newcomer)
    values = {}
    for one in offers:
        fuels = [known for known in one.fuels if known.fuel in left]
        inside = min((known.odds.inside for known in fuels), default=0.0)
        if one.small or inside < LIKELY or not all(known.may_be_tried for known in fuels):
            continue
        values[one.injector] = value_of_trying(
            [KnownMixture(known.lambda_) for known in fuels],
            [KnownMixture(None, shut=True)] * len(fuels),
            stronger=0.0,
            gauge_sd=newcomer.gauge.accuracy.sd,
            band=band,
            weights=weights,
        )

    def rank(one):
        return not one.fuels[0].owned, one.price or 0.0, -one.worst, one.injector

    gains = [(one, values[one.injector]) for one in offers if one.injector in values]
    best = [one for one, gain in gains if gain >= max(values.values()) - SAME]
    return min(best, key=rank, default=None)


def _number_of(one, known, same) -> str:
    """Number of the first known thing that is the same, as text; a new one is kept."""
    if not any(same(other, one) for other in known):
        known.append(one)
    return str([same(other, one) for other in known].index(True))


def _air_of_day(newcomer) -> float:
    """Density of the air that the newcomer states, or of a usual day where his hill is. [kg/m3]"""
    return float(
        air_density_kg_m3(
            temperature_k=day_temperature_of(newcomer).value,
            pressure_abs_pa=day_pressure_of(newcomer).value if newcomer.hill else 101325.0,
            relative_humidity=newcomer.weather.humidity.value,
        )
    )


class _Kind:
    """The newcomer's bike and the others as one kind: who has the same cylinder, the same flow."""

    def __init__(self, newcomer, records):
        self.session, self.records = newcomer, records
        self.band = band_of(newcomer)
        size = {name: one.displacement_m3 for name, one in newcomer.engines.items()}
        self.made = engine_as_made(newcomer)
        self.engine = max(size, key=lambda name: (size[name], name))
        self.made_m3 = size[self.made]
        self.made_injector = newcomer.setups[newcomer.about.reference].injector
        flows = {name: flow_on_bike(newcomer, name) for name in newcomer.injectors}
        self.by_flow = dict(sorted(flows.items(), key=lambda one: one[1]))
        self.made_flow = flows[self.made_injector]
        self.air_kg_m3 = _air_of_day(newcomer)
        self.kits = [newcomer.engines[self.engine]]
        self.flows: list = []
        self.bikes: dict = {}
        doubts = []
        for at, one in enumerate(records):
            if one.readings:
                key = one.bike or at
                cells = tuple(self._cell(one, cell) for cell in one.readings)
                before = self.bikes[key].cells if key in self.bikes else ()
                air = np.log(self.air_kg_m3 / one.air_kg_m3) * self._share_of_air(one)[1]
                doubts.append((np.hypot(air, self.other_sd(one)), one.gauge_sd, one.day_sd))
                shared = float(np.linalg.norm(doubts[-1]))
                self.bikes[key] = BikeCells(cells=(*before, *cells), shared_sd=shared)
        # Others of one model, or in one air, are off together, so that many do not average it out.
        weights = [1 / (np.square(own).sum() + _USUAL_SD**2) for own in doubts]
        unlike = np.average([own[0] for own in doubts], weights=weights) if doubts else 0.0
        self.shared_sd = float(np.hypot(newcomer.assumptions.mixture_day_to_day.sd, unlike))
        self.kit = "0" if self.engine != self.made else ""

    # Who is like whom

    def _factory(self, record) -> tuple | None:
        """Displacement and flow that a bike left the factory with; None where it is not shown."""
        if record.made is None:
            return None
        size = record.engines[record.made].displacement_m3
        grown = self.session.engines[self.engine].displacement_m3
        # Its smallest engine is the newcomer's kit: it never rode as its maker delivered it.
        if size > self.made_m3 * 1.02 and abs(np.log(size / grown)) < 0.02:
            return None
        return size, record.made_flow_m3_s

    def other_sd(self, record) -> float:
        """How far a bike's level may differ because it is of another model."""
        factory = self._factory(record)
        if factory is None:
            return _NOT_SHOWN_SD
        apart = np.log(np.array(factory) / [self.made_m3, self.made_flow])
        return float(_OTHER_KIND * np.linalg.norm(np.where(np.abs(apart) > _SAME_SIZE, apart, 0)))

    @staticmethod
    def _same(one, other) -> bool:
        """Whether two engines are of one cylinder."""
        size = abs(np.log(one.displacement_m3 / other.displacement_m3))
        known = one.compression is not None and other.compression is not None
        rise = abs(one.compression - other.compression) if known else 0.0
        return bool(size < _SAME_SIZE and rise < _SAME_COMPRESSION)

    def other_air(self) -> float:
        """The most by which air differs, where nobody says whether the ECU corrects for it."""
        doubted = [one for one in self.records if one.readings and self._share_of_air(one)[1]]
        return max((abs(one.air_kg_m3 / self.air_kg_m3 - 1) for one in doubted), default=0.0)

    def same_kit(self, record) -> list:
        """Engines of a record with the newcomer's cylinder."""
        own = self.session.engines[self.engine]
        return [name for name, one in record.engines.items() if self._same(own, one)]

    def _alike(self):
        """All engines with the newcomer's cylinder: its bike, its record, and itself."""
        for at, record in enumerate(self.records):
            for name in self.same_kit(record):
                yield record.bike or at, record, record.engines[name]

    def _kit_of(self, engine, factory_m3) -> str:
        as_made = abs(np.log(engine.displacement_m3 / factory_m3)) < _SAME_SIZE
        return "" if as_made else _number_of(engine, self.kits, self._same)

    def sold_as(self, flow_m3_s) -> str:
        """The same text for the same number on the label."""
        return _number_of(flow_m3_s, self.flows, lambda a, b: abs(b / a - 1) < _SAME_FLOW)

    def _share_of_air(self, record) -> tuple:
        """Share of a difference of density that lambda follows, and how far that may be off."""
        own = self.session.bike.density_compensation
        said = own if own != "unknown" else record.corrects_air
        # Not known: anything from none of it to all of it, as likely.
        return {"yes": (0.0, 0.0), "no": (1.0, 0.0)}.get(said, (0.5, 12**-0.5))

    def _cell(self, record, cell) -> Cell:
        air = self._share_of_air(record)[0] * np.log(self.air_kg_m3 / record.air_kg_m3)
        size, flow = self._factory(record) or (self.made_m3, self.made_flow)
        engine = record.engines[cell.engine]
        return Cell(
            kit=self._kit_of(engine, size),
            injector=self.sold_as(record.stated_flow_m3_s[cell.injector]),
            fuel=cell.fuel,
            log_flow=float(np.log(cell.flow_m3_s / flow)),
            log_level=cell.log_mean + float(air - np.log(engine.displacement_m3 / size)),
            sd=cell.sd,
            tolerance_sd=record.tolerance_sd[cell.injector],
            fuel_sd=record.demands[cell.fuel].sd,
        )

    # Mixtures

    def before(self, fuels) -> Before:
        taken = self.session.assumptions
        demand = np.mean([np.log(fuel_terms(self.session, one).demand) for one in fuels])
        return Before(
            level=float(np.log(_FACTORY_LAMBDA) + demand),
            level_sd=_FACTORY_SD,
            response=taken.flow_response.value,
            response_sd=taken.flow_response.sd,
            kit_sd=taken.breathing_change.sd,
        )

    def _asked(self, injector, fuel, *, as_made=False) -> Cell:
        session = self.session
        return Cell(
            kit="" if as_made else self.kit,
            injector=self.sold_as(session.injectors[injector].flow.value),
            fuel=fuel,
            log_flow=float(np.log(self.by_flow[injector] / self.made_flow)),
            tolerance_sd=tolerance_sd(session, injector),
            fuel_sd=fuel_terms(session, fuel).sd,
        )

    def asked(self, fuel) -> list:
        """Every injector with the newcomer's cylinder, by flow; then the bike as delivered."""
        made = self._asked(self.made_injector, fuel, as_made=True)
        return [*(self._asked(name, fuel) for name in self.by_flow), made]

    def _demand(self, fuel, as_made=False) -> float:
        size = self.made_m3 if as_made else self.session.engines[self.engine].displacement_m3
        return fuel_terms(self.session, fuel).demand * self.made_m3 / size

    def stock(self, pooled, fuel) -> tuple:
        """Lambda as delivered, on a fuel; and the first guess that follows from it."""
        session = self.session
        lambda_ = pooled.predict(self.asked(fuel), self.shared_sd).lambda_.at(-1)
        lambda_ = lambda_.scaled(1 / self._demand(fuel, as_made=True))
        change = EngineChange(
            displacement_ratio=session.engines[self.engine].displacement_m3 / self.made_m3,
            breathing_sd=session.assumptions.breathing_change.sd,
            lambda_ratio=lambda_.value / float(np.sqrt(self.band.lowest * self.band.highest)),
            lambda_sd=lambda_.half_width / lambda_.value / Z_95,
        )
        flow_sd = session.injectors[self.made_injector].tolerance.value / Z_95
        return lambda_, first_guess_flow(self.made_flow, change, flow_sd=flow_sd)

    def offers(self, pooled, burnt, limits, guess) -> tuple:
        session, found = self.session, []
        gauge_sd, weights = session.gauge.accuracy.sd, mixture_weights(session)
        for fuel in burnt:
            pool, demand = pooled.predict(self.asked(fuel), self.shared_sd), self._demand(fuel)
            odds = pool.odds(low=self.band.lowest * demand, high=self.band.highest * demand)
            for place, name in enumerate(self.by_flow):
                lambda_ = pool.lambda_.at(place).scaled(1 / demand)
                mixture = weighed_mixture(lambda_, gauge_sd, self.band, weights)
                found.append(combination(
                    session, None, self.engine, name, fuel, source="predicted",
                    odds=odds.at(place), **mixture,
                ))  # fmt: skip
        shut = Limits(
            fuels=limits,
            lean=leaner_limit_of(session),
            richest=session.assumptions.richest_lambda,
            hottest_k=stop_limits(session).hottest_k,
        )
        known = gated(found, shut)
        return tuple(
            Offer(
                injector=name,
                flow_m3_s=flow,
                price=session.injectors[name].price,
                fuels=tuple(one for one in known if one.injector == name),
                small=flow < guess.low,
                **self._count(name),
            )
            for name, flow in self.by_flow.items()
            if burnt
        )

    def _count(self, name) -> dict:
        """Bikes with this cylinder that read such an injector, and how many were inside."""
        label = self.sold_as(self.session.injectors[name].flow.value)
        found: dict = {}
        for at, record in enumerate(self.records):
            for cell in record.readings:
                same = cell.engine in self.same_kit(record)
                if same and self.sold_as(record.stated_flow_m3_s[cell.injector]) == label:
                    lambda_ = np.exp(cell.log_mean) / record.demands[cell.fuel].demand
                    inside = self.band.lowest <= lambda_ <= self.band.highest
                    key = record.bike or at
                    found[key] = found.get(key, True) and bool(inside)
        return {"inside": sum(found.values()), "read": len(found)}

    def after(self, pooled, injector, fuel) -> float:
        """Chance of the band with the best of all offers, once one reading more is known.

        Notes
        -----
        What the gauge will show is not known yet, so the answer is the mean over what it may show,
        each value with what is then known (Raiffa and Schlaifer 1961, chapter 5).
        """
        names = list(self.by_flow)
        read = names.index(injector) if injector else len(names)
        means, covariances = pooled.of_one_more(self.asked(fuel), self.shared_sd)
        noise = self.session.gauge.accuracy.sd**2 + 0.01**2
        variance = covariances[:, read, read] + noise
        gain = covariances[:, :, read] / variance[:, None]
        sds = np.sqrt(np.diagonal(covariances, axis1=1, axis2=2) - gain**2 * variance[:, None])
        centre = pooled.weights @ means[:, read]
        spread = np.sqrt(pooled.weights @ (variance + (means[:, read] - centre) ** 2))
        edges = np.log(np.array([self.band.lowest, self.band.highest]) * self._demand(fuel))
        best, density = [], []
        for z in np.linspace(-3.5, 3.5, 71):
            miss = centre + z * spread - means[:, read]
            log = np.log(pooled.weights + 1e-300) - 0.5 * (np.log(variance) + miss**2 / variance)
            now = means + gain * miss[:, None]
            below = ((edge - now) / sds for edge in edges)
            rich, lean = (normalised(log) @ ndtr(one) for one in below)
            may = np.where(1 - lean <= TRIAL, lean - rich, 0.0)[: len(names)]
            best.append(may.max())
            density.append(np.exp(np.logaddexp.reduce(log)))
        return float(np.average(best, weights=density))

    # What else the others know

    def pulls(self) -> tuple:
        """Wheel force with this cylinder, and its gain over the engine as made; and of how many."""
        forces, gains = {}, {}
        grown = self.session.engines[self.engine].displacement_m3
        for key, record, own in self._alike():
            shared, factory = self.other_sd(record), self._factory(record)
            if own.force_n is not None:
                cell = Cell(log_level=float(np.log(own.force_n / own.displacement_m3)), sd=0.05)
                forces[key] = BikeCells(cells=(cell,), shared_sd=shared)
            if own.log_gain is not None and factory is not None:
                level = own.log_gain - float(np.log(own.displacement_m3 / factory[0]))
                cell = Cell(log_level=level, sd=own.gain_sd)
                gains[key] = BikeCells(cells=(cell,), shared_sd=shared)
        ratio, force = None, None
        if gains and self.engine != self.made:
            ratio = self._one_more(gains, 0.0, 0.10, _GAIN_BIKE_SD).scaled(grown / self.made_m3)
            ratio = Interval(ratio.value - 1, ratio.low - 1, ratio.high - 1)
        if forces:
            middle = float(np.median([one.cells[0].log_level for one in forces.values()]))
            force = self._one_more(forces, middle, _FORCE_SD, _FORCE_BIKE_SD).scaled(grown)
        return force, ratio, len(gains)

    @staticmethod
    def _one_more(bikes, level, level_sd, bike_sd) -> Interval:
        before = Before(level=level, level_sd=level_sd, bike_sd=bike_sd)
        return pool_bikes(list(bikes.values()), before).predict([Cell()]).lambda_.at(0)

    def marker(self, force, gain) -> Interval | None:
        """What the gain adds to the shown speed at the newcomer's marker."""
        session = self.session
        entry = session.hill.entry_speed if session.hill else None
        rider = next((one for one in session.riders.values() if one), None)
        if not (force and gain and entry and rider):
            return None
        mass = session.bike.mass.value + rider.mass.value
        load, factor = road_load_of(session, mass), speedometer_factor(session, entry.value).value
        ride = Ride(
            hill=hill_of(session),
            mass_kg=mass,
            rotating_mass_kg=np.array(load.rotating_mass_kg.value),
            # The air that forces are brought to.
            air_density_kg_m3=np.asarray(
                air_density_kg_m3(
                    temperature_k=REFERENCE_K,
                    pressure_abs_pa=REFERENCE_DRY_PA,
                    relative_humidity=0.0,
                )
            ),
            drag_area_m2=np.array(load.drag_area_m2.value),
            rolling_coefficient=np.array(load.rolling_coefficient.value),
        )

        def shown(force_n):
            speed = exit_speed_m_s(ride, force_n=force_n, entry_speed_m_s=entry.value * factor)
            return np.asarray(speed) / factor

        # At the force that the others have, by its ends and by the gain's.
        pull = np.array([force.value, force.low, force.high, force.value, force.value])
        ratio = 1 + np.array([gain.value] * 3 + [gain.low, gain.high])
        more = shown(pull) - shown(pull / ratio)
        if not np.isfinite(more).all():
            return None
        half = float(np.hypot(np.ptp(more[1:3]), np.ptp(more[3:])) / 2)
        return Interval(float(more[0]), float(more[0]) - half, float(more[0]) + half)

    def heard(self, fuel) -> Heard:
        """Bikes with this cylinder that knocked on what does not resist knock less than a fuel."""
        own = self.session.fuels[fuel].octane_number
        bikes: dict = {}
        for at, record in enumerate(self.records):
            for one in record.fuels:
                # Knock on a fuel that is known to be weaker says nothing of this one, and quiet on
                # one that is known to be stronger neither.
                pair = (own, one.octane) if one.knock else (one.octane, own)
                if one.engine in self.same_kit(record) and not known_higher(*pair):
                    bikes.setdefault(record.bike or at, set()).add(self._loud(record, one))
        return Heard(
            fuel=fuel,
            knocked=sum("knock" in own for own in bikes.values()),
            lean=sum("lean" in own and "knock" not in own for own in bikes.values()),
            listened=len(bikes),
        )

    def _loud(self, record, one) -> str:
        """Whether it knocked, and not only since it ran leaner than the band."""
        if not one.knock:
            return ""
        read = {(c.engine, c.injector, c.fuel): c.log_mean for c in record.readings}
        log = read.get((one.engine, one.injector, one.fuel))
        if one.knock == "heavy" or log is None:
            return "knock"
        lambda_ = np.exp(log) / record.demands[one.fuel].demand
        return "lean" if lambda_ > self.band.highest else "knock"

    def hottest(self) -> tuple:
        """Hottest head of each bike with this cylinder that measured it, the hottest first. [K]"""
        found = [one.hottest_k for *_, one in self._alike() if one.hottest_k is not None]
        return tuple(sorted(found, reverse=True))

    def costs(self) -> dict:
        """What the parts of this cylinder cost the others, by currency, the least first."""
        found: dict = {}
        for _, record, one in self._alike():
            if one.cost is not None:
                found.setdefault(record.currency, []).append(one.cost)
        return {currency: tuple(sorted(own)) for currency, own in sorted(found.items())}

    def beside(self, pooled: Pooled):
        """Each outing beside what the others say of its bike."""
        others = dict(zip(self.bikes, pooled.others, strict=True))
        for at, record in enumerate(self.records):
            same = self.same_kit(record)
            read = {one.injector for one in record.readings if one.engine in same}
            own = others.get(record.bike or at) if record.readings else None
            yield Beside(
                record=record,
                injectors=tuple(sorted({record.stated_flow_m3_s[one] for one in read})),
                others=own,
                odd=own is not None and own.odd > 0.5 and len(self.bikes) > 2,
            )
