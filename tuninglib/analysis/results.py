"""Everything that an analysis yields, in one frozen record."""

from dataclasses import dataclass

from tuninglib.analysis.fuel_use import Outlay
from tuninglib.analysis.gain import Road
from tuninglib.analysis.gearing import Gearing
from tuninglib.analysis.plan import Plan
from tuninglib.analysis.readings import shown_at_lambda_one, with_check
from tuninglib.analysis.records import GaugeCheck, Ladder
from tuninglib.analysis.season_record import OutingRecord
from tuninglib.analysis.what_if import Answer
from tuninglib.session.defaults import Band, band_of
from tuninglib.session.load import Session


@dataclass(frozen=True, kw_only=True, repr=False)
class Results:
    """Everything that a report says, in SI.

    Attributes
    ----------
    session : Session
    runs : tuple of Run
    gauge_check : GaugeCheck
        Of the gauge at idle and cruise.
    mixtures : tuple of Mixture
    road : Road or None
    ladder : Ladder or None
    doubts : tuple of Doubt
        What the rest of the session speaks against.
    knocks : tuple of Knock
        In the order of the runs.
    combinations : tuple of Combination
        Ridden ones first, each with its gate.
    plan : Plan
        The advice, made once.
    flips : tuple of Flip
        The nearest facts that would change it.
    fuel_limits : tuple of FuelLimit
    octane : tuple of OctaneMargin
    what_if_setup : str or None
        The setup that the fellow rider is told about.
    what_if : tuple of ForRider
        Marker speed of that setup under riders from light to heavy.
    flat_top_speeds : Answer or None
        Of that setup, on a flat road without wind.
    gearing : Gearing or None
        Of that setup; None where it is not known.
    climbs : tuple of Climb
        Long ones, with the head's temperature read on the way.
    fuel_use : tuple of FuelUse
        Of the setups that were filled.
    outlay : Outlay
    logs : tuple of LogRead
    bands : tuple of BandMixture
        Lambda by throttle and engine speed, from the log of a gauge.
    followings : tuple of Following
        Where lambda follows another injector, by throttle.
    force_curves : tuple of ForceCurve
        Wheel force against speed, the reference first; empty without logged speeds.
    pressure_source : str
        ``"stated"``, ``"altitude"`` or ``"sea level"``.
    provenance : tuple
    """

    session: Session
    runs: tuple
    gauge_check: GaugeCheck
    mixtures: tuple
    road: Road | None
    ladder: Ladder | None
    doubts: tuple
    knocks: tuple
    combinations: tuple
    plan: Plan
    flips: tuple
    fuel_limits: tuple
    octane: tuple
    what_if_setup: str | None
    what_if: tuple
    flat_top_speeds: Answer | None
    gearing: Gearing | None
    climbs: tuple
    fuel_use: tuple
    outlay: Outlay
    logs: tuple
    bands: tuple
    followings: tuple
    force_curves: tuple
    pressure_source: str
    provenance: tuple
    season: OutingRecord

    def __repr__(self) -> str:
        """A few lines: what was tested, and where to look."""
        about = self.session.about
        gains = (
            f"{pull.setup} {100 * pull.gain.ratio.value:+.1f} %" for pull in self.pulls if pull.gain
        )
        lines = (
            f"Results of {about.title!r}, {about.date}: {len(self.runs)} rows, "
            f"{len(self.session.setups)} setups",
            f"  wheel force over {self.reference}: {', '.join(gains) or 'not known'}",
            f"  ride now: {self.plan.ride.setup if self.plan.ride else 'none of them'}",
            "  see .plan .pulls .mixtures .ladder .knocks .runs .what_if .session",
        )
        return "\n".join(lines)

    @property
    def reference(self) -> str:
        """The setup that gains are counted from."""
        return self.session.about.reference

    @property
    def ridden_setup(self):
        """Parts and fuel of what is to be ridden now, or else of the reference."""
        ride = self.plan.ride
        return self.session.setups[ride.setup if ride else self.reference]

    @property
    def judged(self) -> Session:
        """The session with its gauge as the check found it, which every lambda here rests on."""
        return with_check(self.session, self.gauge_check)

    @property
    def shown_at_lambda_one(self) -> float | None:
        """What the gauge shows at a true lambda of 1; None where its scale is not known."""
        return None if self.session.gauge.scale is None else shown_at_lambda_one(self.judged)

    @property
    def band(self) -> Band:
        """The band of lambda that the advice is for."""
        return band_of(self.session)

    @property
    def knocked(self) -> tuple:
        """Setups with which knock was heard."""
        return tuple(dict.fromkeys(knock.setup for knock in self.knocks))

    @property
    def pulls(self) -> tuple:
        """What each setup pulls, the reference first; empty without speeds."""
        return self.road.pulls if self.road else ()
