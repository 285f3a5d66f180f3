"""Wheel forces and gains of a session: its rows brought to the road-test functions and back."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tuninglib.analysis.doubts import doubts_of_gains, doubts_of_speeds, doubts_of_the_stated
from tuninglib.analysis.records import Doubt, Pull
from tuninglib.analysis.season_record import ForcesOfDay, forces_of_day
from tuninglib.analysis.what_if import EquivalentRun, equivalent_run
from tuninglib.interval import Measured
from tuninglib.physics.air import STANDARD_GRAVITY_M_S2
from tuninglib.physics.motion import travel_time_s, wheel_force_n
from tuninglib.session.defaults import (
    Taken,
    TakenRoadLoad,
    air_of_runs,
    day_temperature_of,
    hill_of,
    road_load_of,
    speedometer_factor,
    speedometer_step,
)
from tuninglib.session.records import Session
from tuninglib.statistics.gain import ALPHA, Gain, estimate_gains
from tuninglib.statistics.planning import repeats_needed, smallest_visible_gain
from tuninglib.statistics.population import (
    RUN_SCATTER,
    WIND_OVER_THE_OUTING_M_S,
    LogNormal,
    Scatters,
)
from tuninglib.statistics.repeats import NAMED
from tuninglib.statistics.road_runs import Runs, StatedSds, Unknown, usual_unknowns


@dataclass(frozen=True)
class Road:
    """What the road tests of a session say.

    Attributes
    ----------
    pulls : tuple of Pull
        The reference first.
    pairs : tuple of Gain
        Of all pairs of setups, the later against the earlier.
    scatter_sd : float
        Relative, from run to run: what is usual and what the runs say, together.
    repeated : bool
        Whether the runs themselves say how they scatter.
    weight_of_run : dict
        Index of a row to the weight with which its speeds counted, 0 to 1.
    doubts : tuple of Doubt
        Runs whose speeds are far from what the other runs say, and stated values that they
        contradict.
    one_after_the_other : bool
        Whether the setups were ridden in blocks, and the reference not before and after others.
    force_of_run, stated_force_of_run : dict
        Index of a row of runs.csv to its wheel force: brought to the reference air, with what the
        runs together say of drag, slope, wind and riders; and in the air of the run, at the stated
        values, as anybody can work it out. [N]
    drag_area_m2, rolling_coefficient, rotating_mass_kg, speed_factor : Taken
        As used, with where it is from.
    equivalent : dict
        Setup to the :class:`tuninglib.analysis.what_if.EquivalentRun` of its runs.
    of_day : ForcesOfDay
        What the season takes of it.
    """

    pulls: tuple[Pull, ...]
    pairs: tuple[Gain, ...]
    scatter_sd: float
    repeated: bool
    weight_of_run: dict[int, float]
    doubts: tuple[Doubt, ...]
    one_after_the_other: bool
    force_of_run: dict[int, float]
    stated_force_of_run: dict[int, float]
    drag_area_m2: Taken
    rolling_coefficient: Taken
    rotating_mass_kg: Taken
    speed_factor: Taken
    equivalent: dict[str, EquivalentRun]
    of_day: ForcesOfDay

    @property
    def load(self) -> TakenRoadLoad:
        """Drag, rolling and rotating mass as used."""
        return TakenRoadLoad(self.drag_area_m2, self.rolling_coefficient, self.rotating_mass_kg)

    @property
    def shares(self) -> dict:
        """Setup to the shares of its gain's variance by source."""
        return {pull.setup: pull.gain.shares for pull in self.pulls if pull.gain}


def usual_scatters(session: Session) -> Scatters:
    """What scatter is usual on a day, by what the session says of it.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    """
    return Scatters(run=LogNormal(session.assumptions.run_scatter.value, RUN_SCATTER.log_sd))


def usable_rows(session: Session) -> pd.DataFrame:
    """Rows with speeds, at full throttle, that the rider lets count."""
    runs = session.runs
    timed = runs[["shown_entry_m_s", "shown_exit_m_s"]].notna().all(axis=1)
    return runs[(runs["state"] == "full") & (runs["exclude"] == "") & timed]


# One point of grade.
_A_POINT = 0.01


def steeper_by_a_point_n(session: Session) -> float:
    """How much more force the runs would have taken if the hill were one point steeper. [N]

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Notes
    -----
    m g (sin θ′ − sin θ), of the mean mass; rolling resistance changes by a thousandth of it.
    """
    riders = [session.riders[name].mass.value for name in usable_rows(session)["rider"]]
    mass, grade = session.bike.mass.value + float(np.mean(riders)), hill_of(session)
    angles = np.arctan(grade.mean_grade_ratio + np.array([0.0, _A_POINT]))
    return float(mass * STANDARD_GRAVITY_M_S2 * np.diff(np.sin(angles))[0])


def analyse_road(session: Session, air: pd.DataFrame) -> Road | None:
    """Wheel force of every run, and gains against the reference.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    air : pandas.DataFrame
        Of :func:`tuninglib.session.defaults.air_of_runs`.

    Returns
    -------
    Road or None
        None if no run has speeds, or the reference has none.
    """
    rows = usable_rows(session)
    reference = session.about.reference
    if rows.empty or reference not in set(rows["setup"]):
        return None
    ridden = set(rows["setup"])
    setups = [reference, *(s for s in session.setups if s in ridden and s != reference)]
    riders = [name for name in session.riders if name in set(rows["rider"])]
    runs, load, factor = _runs_of(session, air, rows, setups, riders)
    fit = estimate_gains(
        runs,
        unknowns=_unknowns(session, runs, rows, riders, load, factor),
        resolution_m_s=speedometer_step(session).value * factor.value,
        usual=usual_scatters(session),
    )
    weight = _weight_of_runs(runs, fit.weighed)

    def of_run(values):
        return dict(zip(rows.index.tolist(), values.tolist(), strict=True))

    stated = wheel_force_n(
        runs.ride, entry_speed_m_s=runs.true_entry_m_s, exit_speed_m_s=runs.true_exit_m_s
    )
    engines = [session.setups[name].engine for name in setups]
    of_gains = doubts_of_gains(
        fit,
        setups,
        [session.engines[name].displacement_m3 for name in engines],
        engines,
        {name: rows.loc[rows["setup"] == name, "run"].tolist() for name in setups},
    )
    doubted = {doubt.setup for doubt in of_gains}
    blocks = _one_after_the_other(rows, setups)
    named = [
        tuple(_as_said(gain, setups, blocks, doubted) for gain in gains)
        for gains in (fit.gains, fit.pairs)
    ]
    return Road(
        pulls=_pulls(rows, setups, runs, fit, named[0], blocks),
        pairs=named[1],
        scatter_sd=fit.scatter_sd,
        repeated=fit.repeated,
        weight_of_run=of_run(weight),
        doubts=(
            *doubts_of_speeds(rows, runs, fit.weighed, weight),
            *of_gains,
            *doubts_of_the_stated(fit, reference),
        ),
        one_after_the_other=blocks,
        force_of_run=of_run(fit.run_force_n),
        stated_force_of_run=of_run(stated),
        **vars(load),
        speed_factor=factor,
        equivalent=_equivalent_runs(session, setups, runs, weight, fit),
        of_day=forces_of_day(session, setups, riders, load, factor, fit),
    )


def _runs_of(session, air, rows, setups, riders) -> tuple:
    """The rows as the road-test functions take them, and what was taken of drag and speedometer."""
    of_rider = rows["rider"].map(lambda name: session.riders[name].mass.value).to_numpy()
    mass = session.bike.mass.value + of_rider
    shown = rows[["shown_entry_m_s", "shown_exit_m_s"]].to_numpy()
    factor = speedometer_factor(session, float(shown.mean()))
    road, day = road_load_of(session, float(mass.mean())), air.loc[rows.index]
    runs = Runs(
        hill=hill_of(session),
        setup=[setups.index(name) for name in rows["setup"]],
        rider=[riders.index(name) for name in rows["rider"]],
        true_entry_m_s=shown[:, 0] * factor.value,
        true_exit_m_s=shown[:, 1] * factor.value,
        mass_kg=mass,
        rotating_mass_kg=road.rotating_mass_kg.value,
        air_density_kg_m3=day["density_kg_m3"].to_numpy(),
        drag_area_m2=road.drag_area_m2.value,
        rolling_coefficient=road.rolling_coefficient.value,
        headwind_m_s=day["headwind_m_s"].to_numpy(),
        log_correction=np.log(day["sae_j1349"].to_numpy()),
        true_down_entry_m_s=rows["shown_down_entry_m_s"].to_numpy() * factor.value,
        true_down_exit_m_s=rows["shown_down_exit_m_s"].to_numpy() * factor.value,
    )
    return runs, road, factor


def _one_after_the_other(rows, setups) -> bool:
    """Whether no setup was ridden again after another, so that the time of day goes with setups."""
    ridden = rows.sort_values("run", kind="stable")["setup"].tolist()
    blocks = [name for at, name in enumerate(ridden) if at == 0 or ridden[at - 1] != name]
    return len(setups) > 1 and len(rows) > len(setups) and len(blocks) == len(setups)


def _weight_of_runs(runs, weighed) -> np.ndarray:
    """Weight of each run: of its way up or its way down, whichever is less."""
    weight = weighed.weight[: runs.setup.size].copy()
    back = runs.has_way_down
    weight[back] = np.minimum(weight[back], weighed.weight[runs.setup.size :])
    return weight


def _equivalent_runs(session, setups, runs, weight, fit) -> dict:
    """The run that stands for each setup's runs."""
    taken = session.assumptions
    # Another rider differs from the mean of the day's as any two do.
    other = (taken.rider_effect.sd, taken.rider_drag.sd)
    found = {}
    for number, setup in enumerate(setups):
        own = np.where(runs.setup == number, weight, 0.0)
        run = equivalent_run(
            setup, runs, own, fit, bike_mass_kg=session.bike.mass.value, other_rider_sds=other
        )
        if run is not None:
            found[setup] = run
    return found


def _unknowns(session, runs, rows, riders, load, speed_factor) -> tuple:
    """What is not known exactly, as the session states it."""
    hill, taken = session.hill, session.assumptions
    stated = StatedSds(
        bike_mass_sd_kg=session.bike.mass.sd,
        rotating_mass_sd_kg=load.rotating_mass_kg.sd,
        rider_mass_sd_kg=np.array([session.riders[name].mass.sd for name in riders]),
        drag_area_sd_m2=load.drag_area_m2.sd,
        rolling_coefficient_sd=load.rolling_coefficient.sd,
        grade_sd=0.0 if any(p.grade.half_width for p in hill.pieces) else hill.grade.sd,
        length_sd_m=hill.length.sd,
        speed_factor_sd=speed_factor.sd / speed_factor.value,
        wind_sd_m_s=session.weather.headwind.sd,
        air_density_sd_ratio=taken.air_density.sd,
        # How far two riders differ is what each of them has of his own, twice.
        rider_effect_sd=taken.rider_effect.sd / np.sqrt(2),
        rider_drag_sd_ratio=taken.rider_drag.sd / np.sqrt(2),
        drift_sd=taken.drift.sd,
        wind_over_the_outing_m_s=WIND_OVER_THE_OUTING_M_S,
    )
    usual = usual_unknowns(
        runs,
        stated,
        order=rows["run"].to_numpy(),
        wind_written=rows["headwind_m_s"].notna().to_numpy(),
    )
    only = np.eye(len(hill.pieces))
    pieces = tuple(
        Unknown("grade", {"grade_ratios": only[at] * piece.grade.sd}, which=at + 1)
        for at, piece in enumerate(hill.pieces)
        if piece.grade.half_width
    )
    return (
        *usual,
        *pieces,
        *_of_the_entry(session, rows, speed_factor),
        *_of_the_weather(session, runs, rows),
    )


def _of_the_entry(session, rows, factor) -> list:
    """What is not known of an entry speed that is said once for all runs.

    Half of its variance is a habit, the same on every run; half is each run's own.
    """
    taken = rows["entry_taken"].to_numpy()
    if not taken.any() or not session.hill.entry_speed.half_width:
        return []
    half = session.hill.entry_speed.sd * factor.value / np.sqrt(2)
    change = {"true_entry_m_s": np.where(taken, half, 0.0)}
    return [Unknown("entry speed", change), Unknown("entry speed", change, each_run=True)]


# What the air of the day is worked out from, where rows do not say.
_WEATHER = (
    ("weather", "temperature"),
    ("weather", "pressure"),
    ("weather", "humidity"),
    ("hill", "altitude"),
)


def _of_the_weather(session, runs, rows) -> list:
    """What is not known of the day's temperature, pressure and humidity, where rows do not say."""
    found, before = [], air_of_runs(session).loc[rows.index]
    for part, name in _WEATHER:
        stated = getattr(getattr(session, part), name)
        if name == "temperature":
            stated = day_temperature_of(session)
        if stated is None or not stated.half_width:
            continue
        moved = Measured(stated.value - stated.sd)
        day = replace(session, **{part: replace(getattr(session, part), **{name: moved})})
        after = air_of_runs(day).loc[rows.index]
        changes = {
            "air_density_kg_m3": before["density_kg_m3"] - after["density_kg_m3"],
            "log_correction": np.log(before["sae_j1349"] / after["sae_j1349"]),
        }
        if any(change.any() for change in changes.values()):
            found.append(Unknown("weather", {k: v.to_numpy() for k, v in changes.items()}))
    return found


# What a wind that dies over the day can make of nothing: 7 % in simulated days.
_MADE_BY_THE_DAY = 0.08


def _as_said(gain, setups, one_after_the_other, doubted) -> Gain:
    """A gain with the names of its setups, and told apart only as far as the whole day lets it.

    Where setups were ridden one after the other, the time of day may have made it; what is
    certainly more than that stands.
    """
    named = replace(gain, setup=setups[gain.setup], over=setups[gain.over])
    named = replace(named, doubted=bool(doubted & {named.setup, named.over}))
    stands = gain.ratio.low > _MADE_BY_THE_DAY or gain.ratio.high < -_MADE_BY_THE_DAY
    apart = gain.told_apart and not named.doubted and (stands or not one_after_the_other)
    return replace(named, told_apart=apart)


def _visible_with_more(fit, runs, number) -> float:
    """The smallest visible gain of a setup, with two runs more of each."""
    fewest = min(int(np.sum(runs.setup == one)) for one in (0, number))
    return smallest_visible_gain(repeats=fewest + 2, **_test_of(fit))


def _test_of(fit) -> dict:
    """Scatter, setups and rate of false alarms of the comparisons with the reference."""
    setups = len(fit.forces)
    return {"scatter_sd": fit.scatter_sd, "setups": setups, "alpha": ALPHA / (setups - 1)}


# More runs of one setup than this are no advice; and a gain below this is not worth any.
_MOST_RUNS, _SMALLEST_GAIN = 10, 0.01


def _more_runs(fit, gain, ridden, one_after_the_other) -> int | None:
    """Runs of a setup, beyond those there are, that would likely tell its gain apart."""
    if gain is None or gain.doubted or abs(gain.ratio.value) < _SMALLEST_GAIN:
        return None
    try:
        needed = repeats_needed(abs(gain.ratio.value), most=ridden + _MOST_RUNS, **_test_of(fit))
    except ValueError:
        # More than anybody would ride.
        return None
    # Taking turns needs two of each at least.
    return max(math.ceil(needed) - ridden, 2 if one_after_the_other else 1)


def _exits(rows, weight) -> dict:
    """Mean speed at the second line as shown; without runs that are named, where others are."""
    means = rows.groupby("setup")["shown_exit_m_s"].mean()
    sound = rows[weight >= NAMED].groupby("setup")["shown_exit_m_s"].mean()
    return means.to_dict() | sound.to_dict()


def _pulls(rows, setups, runs, fit, named, one_after_the_other) -> tuple:
    times = travel_time_s(
        runs.ride,
        force_n=fit.run_force_n / np.exp(runs.log_correction),
        entry_speed_m_s=runs.true_entry_m_s,
    )
    mean_speed = runs.hill.length_m / times
    exits = _exits(rows, _weight_of_runs(runs, fit.weighed))
    gains = {gain.setup: gain for gain in named}
    # What the gains would be without bringing the runs to the reference air.
    raw = fit.log_force - fit.weights @ runs.log_correction
    pulls = []
    for number, setup in enumerate(setups):
        force, own = fit.forces[number].force_n, runs.setup == number
        pulls.append(
            Pull(
                setup=setup,
                runs=int(own.sum()),
                force_n=force,
                power_w=force.scaled(float(mean_speed[own].mean())),
                speed_gain_m_s=float(exits[setup] - exits[setups[0]]),
                raw_gain=float(np.expm1(raw[number] - raw[0])) if number else None,
                gain=gains.get(setup),
                visible_with_more=_visible_with_more(fit, runs, number) if number else None,
                more_runs=_more_runs(fit, gains.get(setup), int(own.sum()), one_after_the_other),
            )
        )
    return tuple(pulls)
