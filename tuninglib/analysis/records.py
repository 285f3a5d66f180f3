"""What an analysis yields: frozen records in SI, every number with its 95 % interval."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from tuninglib.interval import Interval
from tuninglib.physics.fuels import Octane
from tuninglib.session.read_table import KNOCKED
from tuninglib.statistics.flow_response import Response
from tuninglib.statistics.gain import Gain
from tuninglib.statistics.ladder import InjectorCheck
from tuninglib.statistics.ladder_prediction import Odds


@dataclass(frozen=True)
class Mixture:
    """The full-throttle mixture of one setup, as read.

    Attributes
    ----------
    setup : str
        Name of the setup in session.toml.
    fuel : str
        Name of the fuel in session.toml.
    readings : int
        Runs with a reading that counts.
    pegged : int
        Runs whose reading stood at the gauge's end; they are left out.
    gauge : Interval
        On the gauge's own scale.
    lambda_ : Interval
        At full throttle.
    true_ratio : Interval or None
        Air to fuel by mass, for the fuel that was in the tank; None where nobody knows what is in
        it.
    odds : Odds
        About the band that the advice is for.
    place : str
        ``"inside"``, ``"richer"``, ``"leaner"`` or ``"unsure"``, against the target band;
        ``"unknown"`` without a reading.
    """

    setup: str
    fuel: str
    readings: int
    pegged: int
    gauge: Interval | None = None
    lambda_: Interval | None = None
    true_ratio: Interval | None = None
    odds: Odds | None = None
    place: str = "unknown"


@dataclass(frozen=True)
class GaugeDeviation:
    """A state or a setup that is away from lambda 1 where the ECU holds it.

    Attributes
    ----------
    kind : str
        ``"state"`` or ``"setup"``.
    name : str
        Of that.
    off : float
        Mean reading over lambda 1 minus 1, beyond the stated bias; above 0: leaner.
    """

    kind: str
    name: str
    off: float


@dataclass(frozen=True, kw_only=True)
class HeldState:
    """Whether the ECU holds lambda 1 in one state of the throttle.

    Attributes
    ----------
    state : str
        ``"idle"``, ``"cruise"``; ``"part throttle"`` of a log.
    throttle : tuple of float or None
        The band of it, of a log.
    chance : float
        That it holds lambda there, by its oxygen sensor, and does not run from its table.
    readings, injectors : int
        How many it rests on.
    flow_ratio : float
        Highest over lowest stated flow among the injectors read there.
    """

    state: str
    throttle: tuple[float, float] | None
    chance: float
    readings: int
    injectors: int
    flow_ratio: float

    @property
    def settled(self) -> bool:
        """Whether one answer has at least 95 %."""
        return not 0.05 < self.chance < 0.95


@dataclass(frozen=True)
class GaugeCheck:
    """The gauge where the ECU may hold lambda 1: at idle and cruise, or in a log at part throttle.

    Attributes
    ----------
    code : str
        ``"applied"``: the readings count in the gauge's offset, with the chance that the ECU holds
        lambda 1. ``"lean"`` or ``"rich"``: they do, but something else than the gauge is likelier
        what stands off lambda 1. ``"no readings"``.
    offset : Interval or None
        How much too high the gauge reads at full throttle, as a ratio; None without readings.
    readings : int
        How many it rests on; of a log, means of a setup in a band of throttle.
    states : tuple of HeldState
        Where it was read, each with the chance that lambda 1 is held there.
    gauge : float or None
        Mean reading there, on the gauge's own scale.
    elsewhere : float
        Chance, if the ECU holds lambda there, that what the gauge's sensor stands in is not of
        lambda 1, with all setups or with one: a leak, say.
    deviations : tuple of GaugeDeviation
        Where that is suspected: how far the states, or the one setup, stand off, the farthest
        first.
    """

    code: str
    offset: Interval | None
    readings: int
    states: tuple[HeldState, ...]
    gauge: float | None
    elsewhere: float
    deviations: tuple[GaugeDeviation, ...]


@dataclass(frozen=True, kw_only=True)
class Pull:
    """How hard one setup pulls, by itself and against the reference.

    Attributes
    ----------
    setup : str
        Name of the setup in session.toml.
    runs : int
        How many of its runs count.
    force_n : Interval
        Mean wheel force over the hill, in the weather of the runs brought to the reference air.
    power_w : Interval
        The same force at the mean speed of the runs.
    speed_gain_m_s : float
        Difference of mean exit speed to the reference, as riders quote it (shown speeds); without
        runs that disagree with the others and are named for it.
    raw_gain : float or None
        Relative gain before the weather correction; None of the reference.
    gain : Gain or None
        Against the reference; None of the reference.
    visible_with_more : float or None
        The smallest visible gain if two more runs of each setup are ridden.
    more_runs : int or None
        Runs of it and of the reference, beyond those there are, that would likely tell its gain
        apart; None where that takes more than anybody would ride, or there is next to no gain.
    """

    setup: str
    runs: int
    force_n: Interval
    power_w: Interval
    speed_gain_m_s: float
    raw_gain: float | None
    gain: Gain | None
    visible_with_more: float | None = None
    more_runs: int | None = None

    @property
    def verdict(self) -> str:
        """``"reference"``, ``"faster"``, ``"slower"`` or ``"not told apart"``."""
        return self.gain.verdict if self.gain else "reference"


@dataclass(frozen=True, kw_only=True)
class Run:
    """One row of runs.csv with what follows from it; None where there is nothing.

    Attributes
    ----------
    run : float
        Its number.
    setup : str
        Name of the setup in session.toml.
    rider : str
        Name of the rider in session.toml.
    state : str
        Of the throttle: full, cruise or idle.
    shown_entry_m_s : float or None
        Shown by the speedometer at the start line. [m/s]
    shown_exit_m_s : float or None
        Shown by the speedometer at the marker. [m/s]
    gauge_low : float or None
        Lowest reading, on the gauge's own scale.
    gauge_high : float or None
        Highest reading, on the gauge's own scale.
    temperature_k : float or None
        Of the air. [K]
    density_kg_m3 : float or None
        Of the air. [kg/m3]
    sae_j1349 : float or None
        Factor that brings engine output to reference air, SAE J1349.
    iso_1585 : float or None
        The same by ISO 1585.
    within_limits : bool or None
        Whether both standards allow their factor.
    stated_force_n : float or None
        Wheel force that follows from the stated values alone, in the air of the run. [N]
    force_n : float or None
        Wheel force brought to reference air, with what all runs say of drag, slope, wind and
        riders taken out. [N]
    knock : str
        none, light, heavy, heard (nobody said how loud) or noted (by the note alone); empty:
        nobody listened.
    head_temperature_k : float or None
        Right after the run. [K]
    exclude : str
        Why the rider leaves it out; empty: it counts.
    note : str
        As typed.
    reading_weight : float or None
        How much its gauge reading counts, 0 to 1.
    force_weight : float or None
        How much its speeds count, 0 to 1.
    """

    run: float
    setup: str
    rider: str
    state: str
    shown_entry_m_s: float | None
    shown_exit_m_s: float | None
    gauge_low: float | None
    gauge_high: float | None
    temperature_k: float | None
    density_kg_m3: float | None
    sae_j1349: float | None
    iso_1585: float | None
    within_limits: bool | None
    stated_force_n: float | None
    force_n: float | None
    knock: str
    head_temperature_k: float | None
    exclude: str
    note: str
    reading_weight: float | None = None
    force_weight: float | None = None

    @property
    def knocked(self) -> bool:
        """Whether knock was heard; an empty ``knock`` means that nobody wrote anything down."""
        return self.knock in KNOCKED

    @property
    def counts(self) -> bool:
        """Whether the rider lets it count."""
        return not self.exclude


@dataclass(frozen=True)
class FuelLimit:
    """A fuel of the session that must not be burnt.

    Attributes
    ----------
    fuel : str
        Name of the fuel in session.toml.
    code : str
        ``"ethanol"`` (by volume, 0 to 1) or ``"octane"``.
    value, limit : float or Octane
        Of the fuel, and what the maker of the motorcycle allows.
    engine : str or None
        The one engine that it is not enough for, its compression raised; None: any.
    """

    fuel: str
    code: str
    value: float | Octane
    limit: float | Octane
    engine: str | None


@dataclass(frozen=True)
class Knock:
    """Knock that was heard, whether or not the run counts.

    Attributes
    ----------
    setup : str
        Name of the setup in session.toml.
    run : float
        Number of the run.
    level : str
        ``"light"``, ``"heavy"``, ``"heard"`` (nobody said how loud) or ``"noted"`` (the note says
        so, the column does not).
    """

    setup: str
    run: float
    level: str


@dataclass(frozen=True)
class Gate:
    """Why a combination is shut.

    Attributes
    ----------
    code : str
        ``"knock"``, ``"knock implied"``, ``"knock unexplained"``, ``"ethanol"``, ``"octane"``,
        ``"lean"``, ``"air"``, ``"rich"``, ``"heat"``, ``"flow"`` or ``"idle"``.
    knock : Knock or None
        What was heard, for the three that begin with knock.
    because : Combination or None
        The combination that knocked, whose head was too hot, or that idles too rich, where it is
        another one.
    fuel_limit : FuelLimit or None
        For a fuel that is not allowed.
    value, limit : float or None
        Of the others: odds of being leaner, share of the rider's air in which it likely is, lambda,
        head temperature [K], chance of running out of time. A lean or a rich gate without a value:
        every reading stood at that end of the gauge.
    """

    code: str
    knock: Knock | None = None
    because: "Combination | None" = None
    fuel_limit: FuelLimit | None = None
    value: float | None = None
    limit: float | None = None


@dataclass(frozen=True, kw_only=True)
class Combination:
    """One engine with one injector on one fuel.

    Attributes
    ----------
    engine : str
        Name of the engine in session.toml.
    injector : str
        Name of the injector in session.toml.
    fuel : str
        Name of the fuel in session.toml.
    parts : str
        What else is fitted, as typed.
    setup : str or None
        The name under which it was ridden; None: it was not.
    owned : bool
        Whether the injector is at hand.
    as_made : bool
        Whether engine and injector are those that the maker delivered: the reference's.
    source : str
        Of its mixture: ``"read"``, ``"predicted"`` or ``"unknown"``.
    lambda_ : Interval or None
        At full throttle.
    odds : Odds or None
        About the band that the advice is for.
    own_sd : float or None
        Of the logarithm of its lambda, without the gauge's error that all readings share.
    harm : float or None
        Expected harm of its mixture, in per cent of pull, by
        :func:`tuninglib.analysis.worth.harm_of`.
    gain, worth : float or None
        Expected gain over the reference by runs and displacement together, and that less the
        harm, in per cent of pull; for choosing.
    beyond : str
        ``"lean"`` or ``"rich"`` where there are readings, and every one stood at that end of the
        gauge; else empty.
    listened : int
        Full-throttle runs on which somebody wrote down whether it knocked.
    knocks : tuple of Knock
        Knock that was heard with it, in the order of the runs.
    octane : Octane or None
        Of the fuel, as typed.
    compression : float or None
        Of the engine.
    flow_m3_s : float
        Of the injector on this bike. [m3/s]
    open_time_fraction : Interval or None
        Share of the cycle that the middle of the band needs at the highest engine speed.
    hottest_k : float or None
        Highest head temperature that was read with it. [K]
    idle_lambda : float or None
        Mean reading at idle with its injector, where there is one.
    lean_air : float or None
        Share of the air that the rider states in which it is likelier leaner than the band than
        not; None where no air is stated.
    gate : Gate or None
        The first that shuts it; None: it stands open.
    may_be_tried : bool
        Whether it may be ridden, or was not yet and may be tried with an eye on the gauge.
    """

    engine: str
    injector: str
    fuel: str
    parts: str = ""
    setup: str | None = None
    owned: bool = False
    as_made: bool = False
    source: str = "unknown"
    lambda_: Interval | None = None
    odds: Odds | None = None
    own_sd: float | None = None
    harm: float | None = None
    gain: float | None = None
    worth: float | None = None
    beyond: str = ""
    listened: int = 0
    knocks: tuple[Knock, ...] = ()
    octane: Octane | None = None
    compression: float | None = None
    flow_m3_s: float = float("nan")
    open_time_fraction: Interval | None = None
    hottest_k: float | None = None
    idle_lambda: float | None = None
    lean_air: float | None = None
    gate: Gate | None = None
    may_be_tried: bool = False

    @property
    def key(self) -> tuple:
        """What tells it from every other combination of the session."""
        return self.engine, self.injector, self.fuel, self.setup


@dataclass(frozen=True, kw_only=True)
class Prospect:
    """One injector on one engine, tried or a candidate.

    Attributes
    ----------
    injector : str
        Name of the injector in session.toml.
    flow_m3_s : float
        As stated, brought to the bike's fuel pressure.
    tried : bool
        Whether it has readings of its own.
    outside_tried_range : bool
        Whether its flow lies outside those that were read.
    fuels : tuple of Combination
        On each fuel, the leanest first.
    price : float or None
        To buy one, in the session's currency.
    """

    injector: str
    flow_m3_s: float
    tried: bool
    outside_tried_range: bool
    fuels: tuple[Combination, ...]
    price: float | None

    @property
    def harm(self) -> float:
        """Mean expected harm over the fuels."""
        known = [one.harm for one in self.fuels if one.harm is not None]
        return sum(known) / len(known)

    def on(self, fuel: str) -> Combination | None:
        """The combination on one fuel; None of a fuel that is not there."""
        return next((one for one in self.fuels if one.fuel == fuel), None)


@dataclass(frozen=True)
class LadderCurve:
    """Lambda against injector flow on one fuel, for a picture.

    Attributes
    ----------
    fuel : str
        Name of the fuel in session.toml.
    flow_m3_s : tuple of float
        Stated injector flow. [m3/s]
    lambda_ : tuple of float
        Lambda at each flow.
    low : tuple of float
        Lower end of the 95 % interval at each flow.
    high : tuple of float
        Upper end of the 95 % interval at each flow.
    reading_flow_m3_s : tuple of float
        Stated flow of the injector of each reading. [m3/s]
    reading_lambda : tuple of float
        Lambda of each reading.
    """

    fuel: str
    flow_m3_s: tuple[float, ...]
    lambda_: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    reading_flow_m3_s: tuple[float, ...]
    reading_lambda: tuple[float, ...]


@dataclass(frozen=True)
class FlowWanted:
    """The stated flow of an injector that is not listed and would most likely be in the band.

    Attributes
    ----------
    flow_m3_s : float
        [m3/s]
    inside, leaner : float
        Its chance of being in the band, and leaner, each on the fuel where it is worst.
    """

    flow_m3_s: float
    inside: float
    leaner: float


@dataclass(frozen=True)
class Ladder:
    """What the injector ladder says.

    Attributes
    ----------
    engine : str
        The engine that the next injector is for.
    prospects : tuple of Prospect
        Those of the least expected harm first; those that are shut last.
    curves : tuple of LadderCurve
        Lambda against injector flow, one curve a fuel; empty where nothing is predicted.
    responses : tuple of tuninglib.statistics.flow_response.Response
        One for each state of the throttle.
    suspicions : tuple of tuninglib.statistics.ladder.InjectorCheck
        Injectors whose readings say that their stated flow is off.
    readings : int
        Full-throttle readings that it rests on.
    withheld : str or None
        Why nothing is predicted: ``"corrects"``, where lambda does not follow flow at full
        throttle.
    not_predicted : tuple of str
        Injectors of which nothing is known for that reason.
    """

    engine: str
    prospects: tuple[Prospect, ...]
    curves: tuple[LadderCurve, ...]
    responses: tuple[Response, ...]
    suspicions: tuple[InjectorCheck, ...]
    readings: int
    withheld: str | None = None
    not_predicted: tuple[str, ...] = ()


@dataclass(frozen=True)
class Doubt:
    """Something written down that disagrees with the rest of the session.

    Attributes
    ----------
    code : str
        ``"reading"``: a gauge reading far from what the others say of its setup; ``"readings
        disagree"``: nobody can tell which one is wrong; ``"wide spread"``: low and high are
        further apart than a steady engine's; ``"run"``, ``"runs disagree"``: the same of speeds on
        the way up, ``"way down"`` on the way back; ``"gain"``: a setup's force is far from what
        the others and displacement let expect; ``"flow direction"``: more flow reads leaner;
        ``"fuel direction"``: more ethanol reads richer; ``"stated"``: the runs together speak
        against what is stated of something that they share; ``"note"``: the note speaks of knock,
        the column does not; ``"trend"``: readings move over the day.
    runs : tuple of float
        Their numbers; empty where it is about whole setups.
    setup : str
        Of ``"stated"``: the reference.
    other : str or None
        The setup that it goes the wrong way against: the one with less flow, or less ethanol.
    weight : float or None
        With what weight it counts, 0 to 1; of several runs the highest.
    off : float or None
        Reading or wheel force over what the others say, minus 1; of two that disagree, the one
        over the other; of a gain, force over what is expected; of setups, reading over the
        other's; of ``"stated"``, by how many times its ± the runs would have it elsewhere; of
        ``"trend"``, by how much readings moved from the first run to the last.
    what : str or None
        Of ``"stated"``: name of the unknown.
    """

    code: str
    runs: tuple[float, ...]
    setup: str
    other: str | None = None
    weight: float | None = None
    off: float | None = None
    what: str | None = None


@dataclass(frozen=True)
class OctaneMargin:
    """Whether a fuel has enough octane for an engine.

    Attributes
    ----------
    engine : str
        Name of the engine in session.toml.
    fuel : str
        Name of the fuel in session.toml.
    margin : str
        ``"enough"``, ``"unclear"``, ``"not enough"`` or ``"unknown"``.
    octane : Octane or None
        Of the fuel, as typed; None where it is not known.
    need : Octane
        What the maker asks for.
    compression_rise : float
        Over the engine as it was made.
    rise_unknown : bool
        Whether the engine was changed and nobody wrote down its compression.
    """

    engine: str
    fuel: str
    margin: str
    octane: Octane | None
    need: Octane
    compression_rise: float
    rise_unknown: bool = False


def one_each(combinations: Sequence[Combination], ride: Combination | None = None) -> dict:
    """One combination for each engine, injector and fuel: the one that every table speaks of.

    Parameters
    ----------
    combinations : sequence of Combination
    ride : Combination or None
        What is ridden now; it goes first.

    Returns
    -------
    dict of tuple to Combination
        Engine, injector and fuel to the combination. Of several that were ridden with other parts
        it is the leanest.
    """

    def rank(one):
        lean = -one.lambda_.value if one.lambda_ is not None else 0.0
        other = ride is None or one.key != ride.key
        return other, one.setup is None, lean, str(one.setup)

    found = {}
    for one in sorted(combinations, key=rank):
        found.setdefault((one.engine, one.injector, one.fuel), one)
    return found


# What was heard -----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class HeardPull:
    """One pull in one gear.

    Attributes
    ----------
    begin_s, end_s : float
        In the recording.
    low_rpm, high_rpm : float
        Engine speed there.
    """

    begin_s: float
    end_s: float
    low_rpm: float
    high_rpm: float


@dataclass(frozen=True, kw_only=True)
class HeardRing:
    """Something in the band of knock that was not there on the safest setup's runs.

    Attributes
    ----------
    run : float
        Number of the run.
    begin_s, end_s : float
        In the recording.
    low_hz, high_hz : float
        The band.
    against : str
        The setup whose runs it is held against.
    """

    run: float
    begin_s: float
    end_s: float
    low_hz: float
    high_hz: float
    against: str


@dataclass(frozen=True, kw_only=True)
class Recording:
    """One recording.

    Attributes
    ----------
    name : str
        Of its table in session.toml.
    seconds : float
        Its length.
    heard_share : float
        Of these, with an engine speed.
    why_not : str
        What is most of the rest: ``"past"`` (recorded beside the road), ``"octave"`` (half or
        double cannot be told), ``"clipped"``, ``"drowned"``; empty where nearly all is heard.
    clipped_share : float
        Of its samples.
    pulls : tuple of HeardPull
        Candidates for runs.
    gear_changes_s : tuple of float
        When engine speed stepped.
    sd_ratio : float or None
        Usual standard deviation of an engine speed, over it.
    slip : Interval or None
        By how much the engine turned faster for the road speed in one part of the runs than in
        another, where another log has the speed.
    rings : tuple of HeardRing
        Places to listen to. None of them says nothing of knock.
    loud_s : tuple of float
        When something short and loud stood out near the ends of pulls, such as a horn.
    """

    name: str
    seconds: float
    heard_share: float
    why_not: Literal["", "past", "octave", "clipped", "drowned"]
    clipped_share: float
    pulls: tuple[HeardPull, ...]
    gear_changes_s: tuple[float, ...]
    sd_ratio: float | None
    slip: Interval | None = None
    rings: tuple[HeardRing, ...] = ()
    loud_s: tuple[float, ...] = ()
