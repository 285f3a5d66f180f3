"""What an analysis yields: frozen records in SI, every number with its 95 % interval."""

from dataclasses import dataclass

from tuninglib.interval import Interval
from tuninglib.statistics.gain import Gain
from tuninglib.statistics.ladder_prediction import Odds


@dataclass(frozen=True)
class Mixture:
    """The full-throttle mixture of one setup, as read.

    Attributes
    ----------
    setup, fuel : str
    readings : int
        Runs with a reading that counts.
    pegged : int
        Runs whose reading stood at the gauge's end; they are left out.
    gauge : Interval
        On the gauge's own scale.
    lambda_ : Interval
    true_ratio : Interval
        Air to fuel by mass, for the fuel that was in the tank.
    odds : Odds
    place : str
        ``"inside"``, ``"richer"``, ``"leaner"`` or ``"unsure"``, against the target band.
    """

    setup: str
    fuel: str
    readings: int
    pegged: int
    gauge: Interval | None
    lambda_: Interval | None
    true_ratio: Interval | None
    odds: Odds | None
    place: str


@dataclass(frozen=True)
class GaugeDeviation:
    """A state or a setup that stands off lambda 1 where the ECU holds it.

    Attributes
    ----------
    kind : str
        ``"state"`` or ``"setup"``.
    name : str
    off : float
        Mean reading over lambda 1 minus 1, beyond the stated bias; above 0: leaner.
    """

    kind: str
    name: str
    off: float


@dataclass(frozen=True)
class GaugeCheck:
    """The gauge where the ECU holds lambda 1: at idle and at cruise.

    Attributes
    ----------
    code : str
        ``"applied"``: the offset found takes the place of the stated accuracy. ``"lean"`` or
        ``"rich"``: the readings stand so far off lambda 1 that something else than the gauge is
        suspected. ``"unproven"``: they do not show that the ECU corrects. ``"no readings"``.
    offset : Interval or None
        How much too high the gauge reads, as a ratio; None unless it is applied.
    readings : int
        How many it rests on.
    states : tuple of str
        Where the ECU demonstrably corrects.
    gauge : float or None
        Mean reading there, on the gauge's own scale.
    deviations : tuple of GaugeDeviation
        What stands clearly off, the farthest first.
    """

    code: str
    offset: Interval | None
    readings: int
    states: tuple
    gauge: float | None
    deviations: tuple


@dataclass(frozen=True, kw_only=True)
class Pull:
    """How hard one setup pulls, by itself and against the reference.

    Attributes
    ----------
    setup : str
    runs : int
    force_n : Interval
        Mean wheel force over the hill, in the weather of the runs brought to the reference air.
    power_w : Interval
        The same force at the mean speed of the runs.
    speed_gain_m_s : float
        Difference of mean exit speed to the reference, as riders quote it (shown speeds).
    raw_gain : float or None
        Relative gain before the weather correction; None of the reference.
    gain : Gain or None
        Against the reference; None of the reference.
    """

    setup: str
    runs: int
    force_n: Interval
    power_w: Interval
    speed_gain_m_s: float
    raw_gain: float | None
    gain: Gain | None

    @property
    def verdict(self) -> str:
        """``"reference"``, ``"faster"``, ``"slower"`` or ``"not told apart"``."""
        return self.gain.verdict if self.gain else "reference"


@dataclass(frozen=True, kw_only=True)
class Run:
    """One row of runs.csv with what follows from it; None where there is nothing.

    Speeds are as shown by the speedometer, in m/s. ``stated_force_n`` follows from the stated
    values alone, in the air of the run; ``force_n`` is brought to the reference air and has what
    all runs together say of drag, slope, wind and riders taken out.
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

    @property
    def counts(self) -> bool:
        """Whether the rider lets it count."""
        return not self.exclude


@dataclass(frozen=True, kw_only=True)
class FuelProspect:
    """One injector on one fuel.

    Attributes
    ----------
    fuel : str
    lambda_, gauge : Interval
        True lambda, and the same on the gauge's own scale.
    odds : Odds
        About the target band.
    open_time_fraction : float or None
        Share of the cycle that the middle of the band needs at the highest engine speed; None
        where that is not known.
    """

    fuel: str
    lambda_: Interval
    gauge: Interval
    odds: Odds
    open_time_fraction: float | None


@dataclass(frozen=True, kw_only=True)
class Prospect:
    """One injector on the bigger engine, tried or a candidate.

    Attributes
    ----------
    injector : str
    flow_m3_s : float
        As stated, brought to the bike's fuel pressure.
    tried, outside_tried_range : bool
    fuels : tuple of FuelProspect
        The leanest first.
    open_time_s, cycle_time_s : float or None
        At the highest engine speed, dead time included.
    price : float or None
    knocked : bool
        Knock was heard with this injector.
    recommended : bool
    reason : str
        Why it is, or is not.
    """

    injector: str
    flow_m3_s: float
    tried: bool
    outside_tried_range: bool
    fuels: tuple
    open_time_s: float | None
    cycle_time_s: float | None
    price: float | None
    knocked: bool
    recommended: bool
    reason: str

    @property
    def least_inside(self) -> float:
        """Odds of the target band on the fuel where they are least."""
        return min(one.odds.inside for one in self.fuels)

    def on(self, fuel: str) -> FuelProspect | None:
        """The same on one fuel; None of a fuel that is not there."""
        return next((one for one in self.fuels if one.fuel == fuel), None)


@dataclass(frozen=True)
class LadderCurve:
    """Lambda against injector flow on one fuel, for a picture."""

    fuel: str
    flow_m3_s: tuple
    lambda_: tuple
    low: tuple
    high: tuple
    reading_flow_m3_s: tuple
    reading_lambda: tuple


@dataclass(frozen=True)
class Ladder:
    """What the injector ladder says.

    Attributes
    ----------
    engine : str
        The engine that the next injector is for.
    prospects : tuple of Prospect
        Best first.
    advice : str
        ``"stay"``, ``"buy"`` or ``"none"``.
    injector : str or None
        The one to stay with or to buy.
    fitted : str or None
        The one in the setup that is kept.
    curves : tuple of LadderCurve
    responses : tuple of tuninglib.statistics.ladder_checks.Response
        One for each state of the throttle.
    suspicions : tuple of tuninglib.statistics.ladder_checks.InjectorCheck
        Injectors whose readings say that their stated flow is off.
    first_guess : Interval or None
        Flow for the middle of the band on the leanest fuel. [m3/s]
    readings : int
    withheld : str or None
        Why nothing is said of what was not read: ``"corrects"`` where lambda does not follow flow
        at full throttle. Then there are no curves, no suspicions, no first guess and no advice,
        and prospects only for injectors and fuels that were read on this engine.
    not_predicted : tuple of str
        Injectors that are left out for that reason.
    """

    engine: str
    prospects: tuple
    advice: str
    injector: str | None
    fitted: str | None
    curves: tuple
    responses: tuple
    suspicions: tuple
    first_guess: Interval | None
    readings: int
    withheld: str | None
    not_predicted: tuple


@dataclass(frozen=True)
class FuelLimit:
    """A fuel of the session that the maker of the motorcycle does not allow.

    Attributes
    ----------
    fuel : str
    code : str
        ``"ethanol"`` (by volume, 0 to 1) or ``"octane"`` (RON).
    value, limit : float
        Of the fuel, and what the maker allows.
    """

    fuel: str
    code: str
    value: float
    limit: float


@dataclass(frozen=True)
class Knock:
    """Knock that was heard, whether or not the run counts.

    Attributes
    ----------
    setup : str
    run : float
    level : str
        ``"light"`` or ``"heavy"``.
    """

    setup: str
    run: float
    level: str


@dataclass(frozen=True)
class RuledOut:
    """Why a setup is never recommended.

    Attributes
    ----------
    code : str
        ``"knock"``, ``"lean"``, ``"ethanol"`` or ``"octane"``.
    knock : Knock or None
        The last one that was heard with it.
    """

    code: str
    knock: Knock | None = None


@dataclass(frozen=True)
class Choice:
    """Which setup to keep, and on what grounds.

    Attributes
    ----------
    keep : str or None
        None if no setup can be recommended.
    ties : tuple of str
        Setups that this test cannot tell from it, and that are not ruled out.
    ruled_out : dict of str to RuledOut
        Setups that are never recommended.
    grounds : str
        ``"gain"``, ``"mixture"`` or ``"only one"``.
    """

    keep: str | None
    ties: tuple
    ruled_out: dict
    grounds: str
