"""What no single cell shows: values that contradict each other, and runs that nobody rode.

Also a whole table of speeds in another unit than its header says, or with its two lines swapped.
All are found before anything is worked out from them.
"""

import datetime
import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tuninglib.physics.air import standard_pressure_pa
from tuninglib.physics.gearing import engine_speed_rpm
from tuninglib.physics.motion import Hill, Ride, exit_speed_m_s, wheel_force_n
from tuninglib.session.defaults import air_of_runs, hill_of, road_load_of, speedometer_factor
from tuninglib.session.read_table import COLUMNS, RUNS, SPEED_COLUMNS
from tuninglib.session.read_toml import TOML
from tuninglib.session.records import Session
from tuninglib.text_files import Problem
from tuninglib.units import convert, to_display, unit_label

# What a wideband gauge can mean at all.
LOWEST_LAMBDA, HIGHEST_LAMBDA = 0.5, 2.0
# Leaner than this an air-cooled engine burns its piston at full throttle (common practice).
LEANEST_TARGET = 0.95
# Above this a run is not believed. Racing singles without charging reach about 150 kW a litre at
# the crankshaft (common practice); on the road the speeds are far likelier to be wrong.
HIGHEST_POWER_W_M3 = 130e6
# Mean wheel power over the hill above which a report asks. Road singles reach 60 to 80 kW a litre
# at their best engine speed, less on average (common practice).
SURPRISING_OUTPUT_W_M3 = 55e6
# And below which one does. At full throttle a four-stroke's mean pressure, as far as it arrives at
# the wheel, is 6 bar or more (common practice); with that, it would turn below 2800 rpm.
SMALL_OUTPUT_W_M3 = 14e6
# How far one run's wheel force may be from the median of the session. What is nearer may be a gust:
# it is taken in, and its weight is that of a run far from its repeats.
WITHIN_SESSION = 1.7
# A way that goes down by more than this is not the way up.
_DOWNHILL = 0.005
# Beyond this of its setup's, it is asked whether the run was typed in the other unit.
_ASKED = 1.3
KMH_IN_MPH = 1.609344
# A unit that is typed under another one, and what that makes of a speed.
_MIXED_UP = (("km/h", "mph", KMH_IN_MPH), ("mph", "km/h", 1 / KMH_IN_MPH))
# Slower than this share of its speed at the slower end no bike is on the way (ours).
_NEARLY_STANDS = 0.35
# So near to that quotient, at both lines, a setup or a run was typed in the other unit.
_NEAR_A_UNIT = 0.12
# A wind from behind of this share of the speed leaves no way through the air.
SHARE_OF_WIND = 0.9
# Weather moves the pressure of a place so far from that of the standard atmosphere at most, or
# nearly: lows of 960 and highs of 1050 hPa at sea level (common knowledge of the weather).
_WEATHER_PA = 5500.0
# Engine speeds at the marker that no full-throttle run has [rpm]; or as shares of the stated
# highest one, with what speedometer, tyre and slip may be off (common practice).
LOWEST_TURNS, HIGHEST_TURNS = 1000.0, 20000.0
SHARES_OF_HIGHEST = (0.25, 1.25)
# Grades that are written down to whole per cents differ by no more, or nearly.
_ROUNDED_GRADE = 0.006
# Columns that are both filled in, or both empty.
PAIRS = (
    ("gauge_low", "gauge_high"),
    ("entry_speed", "exit_speed"),
    ("down_entry_speed", "down_exit_speed"),
)
# What is said of a row by itself; the phone's page says it in the same words.
SAID_OF_ROWS = {
    "beyond": "{reading:g}{where} is beyond what the gauge can show ({low:g} to {high:g}); check "
    "the reading",
    "no mixture": "{reading:g}{where} is lambda {lambda_:.2f} on a scale of {scale:g}, outside "
    "{low:g} to {high:g}; check the reading and the gauge's scale",
    "swapped": "{low:g} is above gauge_high {high:g}; swap the two",
    "not full": "speeds belong to full-throttle runs; this row says {state}",
    "from behind": "a wind of {behind:.3g} {unit} from behind is as fast as the bike at "
    "{speed:.3g} {unit}; check it (against the rider is positive)",
}
_REMEDY = "check speeds, unit (km/h or mph?) and setup, or give a reason in exclude"


def contradictions(session: Session) -> Iterator[Problem]:
    """Problems of values that are possible one by one, but not together.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Yields
    ------
    Problem
    """
    yield from _target(session.target)
    counted = [row for row in session.runs.itertuples() if not row.exclude]
    for row in counted:
        yield from _gauge(row, session.gauge)
    for row in counted:
        yield from _speeds(row)
    yield from _wind(session, counted)
    yield from _unit_of_a_setup(counted, session.about.units)
    yield from _pressure(session)
    yield from _hill(session.hill)
    yield from _places(session.found)
    yield from _dates(session)
    yield from _stretches(session)


def _stretches(session):
    """Stretches of a recording are of one, and lie in it."""
    for name, log in session.logs.items():
        trace = session.traces[name]
        for key in ("marks", "play"):
            typed, message = getattr(log, key), ""
            if typed and trace.kind != "sound":
                message = f"is for sound recordings, and {log.file} is none; leave it out"
            elif typed and typed[-1][1] > trace.time_s[-1] + 1:
                message = (
                    f"ends after {log.file}, which is {trace.time_s[-1]:.0f} s long; shorten it"
                )
            if message:
                yield Problem(TOML, message, column=f"logs.{name} {key}")


def _dates(session):
    """A log is of the session's day; a zone, or an outing past midnight, makes it the next."""
    for name, trace in session.traces.items():
        if trace.dated_s is None:
            continue
        ends = (trace.dated_s, trace.dated_s + float(trace.time_s[-1]))
        first, last = ((_EPOCH + datetime.timedelta(seconds=one)).date() for one in ends)
        day = datetime.timedelta(days=1)
        if not first - day <= session.about.date <= last + day:
            message = (
                f"was logged on {first}, but the date in {TOML} is {session.about.date}; name the "
                "log of that day, or correct the date"
            )
            yield Problem(session.logs[name].file, message)


_EPOCH = datetime.datetime(1970, 1, 1)


def _target(target):
    if not target.lowest < target.highest:
        message = f"lowest ({target.lowest:g}) must be below highest ({target.highest:g})"
        yield Problem(TOML, message, column="target")
    if target.highest > LEANEST_TARGET:
        message = (
            f"highest ({target.highest:g}) is leaner than {LEANEST_TARGET:g}: no engine is tuned "
            "that lean at full throttle; write 0.9 or less"
        )
        yield Problem(TOML, message, column="target")


def _gauge(row, gauge):
    low, high = gauge.lowest or 0.0, gauge.highest or math.inf
    where = " in the log of this run" if row.readings_logged else ""
    # One reading for both is judged once.
    for key in ("gauge_low", "gauge_high")[: 1 + (row.gauge_low != row.gauge_high)]:
        reading = getattr(row, key)
        slots = {"reading": reading, "where": where, "low": low, "high": high}
        if reading < low or reading > high:
            yield _said(row, key, "beyond", **slots)
        lambda_ = reading / gauge.scale if gauge.scale else 1.0
        if lambda_ < LOWEST_LAMBDA or lambda_ > HIGHEST_LAMBDA:
            slots |= {"low": LOWEST_LAMBDA, "high": HIGHEST_LAMBDA, "scale": gauge.scale}
            yield _said(row, key, "no mixture", lambda_=lambda_, **slots)
    if row.gauge_low > row.gauge_high:
        yield _said(row, "gauge_low", "swapped", low=row.gauge_low, high=row.gauge_high)
    yield from _lacking(row, PAIRS[0])


def _said(row, column, code, **slots) -> Problem:
    return Problem(RUNS, SAID_OF_ROWS[code].format(**slots), row=row.row, column=column)


def _speeds(row):
    for pair in PAIRS[1:]:
        yield from _lacking(row, pair)
    if row.state != "full" and not math.isnan(row.shown_exit_m_s):
        yield _said(row, "state", "not full", state=row.state)


def _wind(session, counted):
    """A wind from behind that is faster than the bike, in the row or of the day."""
    day, units = session.weather.headwind.value, session.about.units
    for row in counted:
        wind = day if math.isnan(row.headwind_m_s) else row.headwind_m_s
        ends = (row.shown_entry_m_s, row.shown_exit_m_s)
        slowest = min((speed for speed in ends if not math.isnan(speed)), default=math.inf)
        if -wind >= SHARE_OF_WIND * slowest:
            behind, speed = (to_display(one, "speed", units) for one in (-wind, slowest))
            slots = {"behind": behind, "speed": speed, "unit": unit_label("speed", units)}
            yield _said(row, "headwind", "from behind", **slots)


def _unit_of_a_setup(counted, units):
    """A setup whose speeds are to the others' as km/h are to mph, at both lines."""
    ends = {}
    for row in counted:
        if not math.isnan(row.shown_exit_m_s):
            ends.setdefault(row.setup, []).append((row.shown_entry_m_s, row.shown_exit_m_s))
    for name, own in ends.items():
        others = [pair for other, pairs in ends.items() if other != name for pair in pairs]
        if not others:
            continue
        own, others = (np.median(pairs, axis=0) for pairs in (own, others))
        if wrong := _typed_in(own / others):
            ours, theirs = (to_display(float(pair[0]), "speed", units) for pair in (own, others))
            message = (
                f"the speeds of {name!r} are {own[1] / others[1]:.2f} times those of the other "
                f"setups at both lines (at the start line {ours:.0f} against {theirs:.0f} "
                f"{unit_label('speed', units)}), as if {wrong} were typed under the other unit; "
                "convert them to the header's unit"
            )
            yield Problem(RUNS, message, column="entry_speed")
            return


def _typed_in(ratio: np.ndarray) -> str | None:
    """The unit that speeds were typed in, if they are to the others' as km/h are to mph."""
    for unit, _, factor in _MIXED_UP:
        if np.all(np.abs(ratio / factor - 1) < _NEAR_A_UNIT):
            return unit
    return None


def _lacking(row, pair):
    """A column of a pair that is empty while the other is not."""
    empty = [key for key in pair if math.isnan(getattr(row, COLUMNS[key].si_name or key))]
    if len(empty) == 1:
        yield Problem(RUNS, lacking_said(empty[0]), row=row.row, column=empty[0])


def lacking_said(key: str) -> str:
    """What is said of a column that is empty while its partner is not.

    Parameters
    ----------
    key : str
    """
    if key in PAIRS[0]:
        return "is empty while its partner is not; write the same number in both if it did not move"
    once = " (or once for all runs, under [hill])" * (key == "entry_speed")
    return f"is empty while its partner is not; write it{once}, or a reason in exclude"


def _pressure(session):
    """A pressure reduced to sea level, as forecasts give it, at a hill that lies higher."""
    pressure, altitude = session.weather.pressure, session.hill.altitude
    if pressure is None or altitude is None:
        return
    usual = standard_pressure_pa(altitude.value)
    if abs(pressure.value - usual) > _WEATHER_PA + pressure.half_width:
        system = session.about.units
        form = ".1f" if system == "us" else ".0f"
        stated, expected = (_shown(x, "pressure", system, form) for x in (pressure.value, usual))
        high = _shown(altitude.value, "length", system)
        message = (
            f"a pressure of {stated} does not fit {high} above the sea, where {expected} is usual; "
            "forecasts give it for sea level: write what a barometer shows on the hill, or leave "
            "it out"
        )
        yield Problem(TOML, message, column="pressure")


def _shown(value, kind, system, form=".0f") -> str:
    return f"{to_display(value, kind, system):{form}} {unit_label(kind, system)}"


def _places(found):
    """Start and marker typed the wrong way round: by the track the way between them goes down."""
    if found and found.grade is not None and found.grade.high < -_DOWNHILL:
        down = f"{-100 * found.grade.value:.1f} %"
        message = (
            f"start and marker look swapped: in the track of {found.log} the road from start to "
            f"marker goes downhill at {down}; swap the two"
        )
        yield Problem(TOML, message, column="hill")


def _hill(hill):
    if not hill.pieces:
        return
    total, length = sum(piece.length.value for piece in hill.pieces), hill.length
    if abs(total - length.value) > max(2 * length.half_width, 0.005 * length.value):
        both = f"the pieces add up to {total:.4g} m, but length is {length.value:.4g} m"
        message = f"{both}; make them agree"
        yield Problem(TOML, message, column="hill")
        return
    parts = [(piece.length.value / total, piece.grade) for piece in hill.pieces]
    grade, half = (sum(w * getattr(g, of) for w, g in parts) for of in ("value", "half_width"))
    if abs(grade - hill.grade.value) > max(half + hill.grade.half_width, _ROUNDED_GRADE):
        stated = f"grade is {100 * hill.grade.value:.3g} %; make them agree"
        message = f"the pieces climb {100 * grade:.3g} % on average, but {stated}"
        yield Problem(TOML, message, column="grade")


def implausible_runs(session: Session) -> Iterator[Problem]:
    """Problems of single runs that only show once the motion up the hill is worked out.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Yields
    ------
    Problem
    """
    runs = session.runs
    rows = runs[(runs["exclude"] == "") & runs["shown_exit_m_s"].notna()]
    if rows.empty:
        return
    shown = rows[["shown_entry_m_s", "shown_exit_m_s"]].to_numpy()
    factor, ride = _rides(session, rows, shown)
    entries, exits = factor.value * shown.T
    forces = np.asarray(wheel_force_n(ride, entry_speed_m_s=entries, exit_speed_m_s=exits))
    # A bike that nearly stands on a steep piece: what is not known to a hair of hill and masses
    # decides whether it came up at all.
    slowest = _slowest(ride, forces, entries)
    stands = rows["row"][~(slowest >= _NEARLY_STANDS * np.minimum(entries, exits))]
    if stands.size:
        row = int(stands.iloc[0])
        message = (
            "no constant pull gives these speeds on this hill: the bike would almost stop on its "
            "steepest piece; check the speeds, and the pieces with their grades and order"
        )
        yield Problem(RUNS, message, row=row, column="exit_speed")
        return
    if wrong := _unit_of_the_header(session, rows, ride, (entries, exits)):
        yield wrong
        return
    median, system = float(np.median(forces)), session.about.units
    by_setup = rows.assign(force=forces).groupby("setup")["force"].agg(["size", "median"])
    slower = rows["shown_exit_m_s"] < rows["shown_entry_m_s"]
    unpulled = int(np.sum(forces <= 0))
    if len(rows) > 1 and slower.all() and unpulled:
        message = (
            f"on all {len(rows)} runs the bike was slower at the marker than at the start line, "
            f"and {unpulled} of them would have needed no pull at all: entry_speed and exit_speed "
            "look swapped; put each heading over its own column"
        )
        yield Problem(RUNS, message, row=1, column="exit_speed")
        return
    sizes = {name: session.engines[s.engine].displacement_m3 for name, s in session.setups.items()}
    for row, force, exit_speed in zip(rows.itertuples(), forces, exits, strict=True):
        start = to_display(row.shown_entry_m_s, "speed", system)
        said = f"{start:.3g} to {_shown(row.shown_exit_m_s, 'speed', system, '.3g')}"
        displacement_m3 = sizes[row.setup]
        highest = HIGHEST_POWER_W_M3 * displacement_m3
        count, own = by_setup.loc[row.setup]
        if force <= 0:
            message = f"{said} up this hill needs no pull at all; {_REMEDY}"
        elif force * exit_speed > highest:
            message = (
                f"{said} up this hill needs {force * exit_speed / 1000:.0f} kW at the wheel, more "
                f"than the {highest / 1000:.0f} kW that an engine of "
                f"{displacement_m3 * 1e6:.0f} cc can give; {_REMEDY}"
            )
        elif count > 2 and not _near(force, own, _ASKED) and (unit := _unit_of_a_run(row, rows)):
            message = (
                f"{said} takes {force / own:.2f} times the wheel force of this setup's median run, "
                f"as if {unit} were typed under the other unit; convert it to the header's unit"
            )
        elif forces.size > 2 and not _near(force, median, WITHIN_SESSION):
            message = (
                f"{said} takes {force / median:.2f} times the wheel force of this outing's median "
                f"run (limit {1 / WITHIN_SESSION:.2f} to {WITHIN_SESSION:g}); {_REMEDY}"
            )
        else:
            continue
        yield Problem(RUNS, message, row=row.row, column="exit_speed")


def impossible_turns(session: Session) -> Iterator[Problem]:
    """A gearing with which the engine turned as none does at the marker.

    Comes last, as it takes the speeds for right.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Yields
    ------
    Problem
        One at most.
    """
    gears, runs = session.gearing, session.runs
    if not gears.is_known:
        return
    for row in runs[runs["exclude"] == ""].itertuples():
        stated = session.engines[session.setups[row.setup].engine].highest_speed
        low, high = LOWEST_TURNS, HIGHEST_TURNS
        if stated is not None:
            low, high = SHARES_OF_HIGHEST[0] * stated.value, SHARES_OF_HIGHEST[1] * stated.value
        way_m = gears.rolling_circumference.value
        turns = engine_speed_rpm(row.shown_exit_m_s, ratio=gears.ratio(), circumference_m=way_m)
        if turns < low or turns > high:
            limits = f"(highest_speed {stated.value:.0f} rpm)" if stated else "that engines can do"
            message = (
                f"with this gearing the engine would turn {turns:.0f} rpm at the marker (row "
                f"{row.row} of {RUNS}), outside the {low:.0f} to {high:.0f} rpm {limits}; check "
                "primary, gear, tyre and the sprockets, which are easily swapped"
            )
            yield Problem(TOML, message, column="gearing")
            return


def _near(force, middle, factor) -> bool:
    return middle / factor <= force <= middle * factor


def _unit_of_a_run(row, rows) -> str | None:
    """The unit that a run was typed in, by the other runs of its setup."""
    ends = ["shown_entry_m_s", "shown_exit_m_s"]
    if row.entry_taken:
        ends = ends[1:]
    own = np.array([getattr(row, end) for end in ends])
    return _typed_in(own / rows.loc[rows["setup"] == row.setup, ends].median().to_numpy())


def _unit_of_the_header(session, rows, ride, speeds) -> Problem | None:
    """A header in a unit that is not the session's, under which no engine is as strong or weak."""
    usual = unit_label("speed", session.about.units)
    scale = float(convert(1.0, usual, session.speed_units.get("exit_speed", usual)))
    if abs(scale - 1) < 0.01:
        return None
    sizes = [session.engines[session.setups[one].engine].displacement_m3 for one in rows["setup"]]
    entries, exits = speeds
    # A speed at the start line that was said once has a unit of its own.
    entry_scale = np.where(rows["entry_taken"], 1.0, scale)

    def output(low, high):
        force = wheel_force_n(ride, entry_speed_m_s=low, exit_speed_m_s=high)
        return float(np.median(force * (low + high) / 2 / sizes))

    typed, meant = output(entries, exits), output(entries * entry_scale, exits * scale)
    if SMALL_OUTPUT_W_M3 < typed < SURPRISING_OUTPUT_W_M3:
        return None
    if not SMALL_OUTPUT_W_M3 < meant < SURPRISING_OUTPUT_W_M3:
        return None
    header = session.speed_units["exit_speed"]
    message = (
        f"in {header} these speeds take {typed / 1e6:.1f} kW per litre at the wheel, outside the "
        f"{SMALL_OUTPUT_W_M3 / 1e6:.0f} to {SURPRISING_OUTPUT_W_M3 / 1e6:.0f} of full throttle, "
        f"but in {usual} they take {meant / 1e6:.1f}; write {usual} in the header, or, if they are "
        f"{header}, convert them to {usual}"
    )
    return Problem(RUNS, message, row=1, column="exit_speed")


def _rides(session, rows, shown):
    """True over shown speed, and the way up of each row, both at the most likely values."""
    factor = speedometer_factor(session, float(np.median(shown)))
    riders = np.array([session.riders[name].mass.value for name in rows["rider"]])
    mass = session.bike.mass.value + riders
    road = road_load_of(session, float(mass.mean()))
    ride = Ride(
        hill=hill_of(session),
        mass_kg=mass,
        rotating_mass_kg=road.rotating_mass_kg.value,
        air_density_kg_m3=air_of_runs(session).loc[rows.index, "density_kg_m3"].to_numpy(),
        drag_area_m2=road.drag_area_m2.value,
        rolling_coefficient=road.rolling_coefficient.value,
    )
    return factor, ride


def _slowest(ride, forces, entries):
    """Lowest speed of each ride where one piece ends; NaN where it cannot be ridden. [m/s]"""
    hill = ride.hill
    ways = [
        replace(ride, hill=Hill(hill.lengths_m[..., :count], hill.grade_ratios[..., :count]))
        for count in range(1, hill.lengths_m.shape[-1] + 1)
    ]
    ends = [exit_speed_m_s(way, force_n=forces, entry_speed_m_s=entries) for way in ways]
    return np.minimum.reduce(ends)


# A whole table in the other unit ------------------------------------------------------------------
# No single run shows it: all are wrong alike. What gives it away is the speedometer's own step,
# and the way back down, which gravity rides and no engine.

# Of the speeds, so many at most are on the stated steps as they stand; and so many are needed.
_ON_STEPS, _FEWEST = 0.5, 8
# A speed is on a step if it is within this share of it.
_NEAR = 0.02
# Standard deviations: so far from what gravity does is wrong, so near is what was meant.
_FAR, _MEANT = 4.0, 2.0
# What is not stated of a hill, a road and a day: slope, rolling, wind [m/s], and what the air does.
_GRADE_SD, _ROLLING_SD, _WIND_SD, _DRAG_SD = 0.003, 0.004, 1.0, 0.15


def whole_table(session: Session) -> Iterator[Problem]:
    """Problems that all speeds of a session have alike.

    Parameters
    ----------
    session : tuninglib.session.records.Session

    Yields
    ------
    Problem
        One at most.
    """
    runs = session.runs[session.runs["exclude"] == ""]
    if problem := _steps(session, runs) or _way_down(session, runs):
        yield problem


def _steps(session, runs) -> Problem | None:
    """Speeds that are on the speedometer's steps only if they are brought to the other unit."""
    if session.speedometer.resolution is None:
        return None
    step = session.speedometer.resolution.value
    # An entry speed that was said once for all runs is no reading.
    read = runs.copy()
    read.loc[read["entry_taken"], "shown_entry_m_s"] = np.nan
    read.loc[read["speeds_logged"], ["shown_entry_m_s", "shown_exit_m_s"]] = np.nan
    by_column = {key: read[COLUMNS[key].si_name].dropna().to_numpy() for key in SPEED_COLUMNS}
    # The whole table first, then one column under another unit than its neighbours.
    tried = [("entry_speed", "speed", np.concatenate([*by_column.values()]))]
    tried += [(key, key, speeds) for key, speeds in by_column.items()]
    for column, what, speeds in tried:
        typed, under = _other_unit(step, speeds)
        if typed:
            number = to_display(float(step), "speed", "metric" if typed == "km/h" else "us")
            message = (
                f"no {what} falls on the speedometer's steps of {number:g} {typed} (resolution), "
                f"but all {len(speeds)} do if they are {typed} and not {under}; write {typed} in "
                "the header, or the right resolution under [speedometer]"
            )
            return Problem(RUNS, message, row=1, column=column)
    return None


def _other_unit(step, speeds) -> tuple:
    """The unit in which all speeds are on the steps, and the one in which few are; else empty."""
    if step <= 0 or len(speeds) < _FEWEST or len(np.unique(speeds.round(6))) < 4:
        return "", ""

    def on_steps(values):
        return float(np.mean(np.abs(values / step - np.round(values / step)) < _NEAR))

    if on_steps(speeds) <= _ON_STEPS:
        for typed, under, factor in _MIXED_UP:
            if on_steps(speeds / factor) == 1.0:
                return typed, under
    return "", ""


def _way_down(session, runs) -> Problem | None:
    """Ways down that gravity cannot have ridden, while in the other unit it could."""
    there = runs["shown_down_entry_m_s"].notna() & runs["shown_down_exit_m_s"].notna()
    rows = runs[there]
    if len(rows) < 2:
        return None
    push, sds = _push(session, rows, 1.0)
    if not sds >= _FAR:
        return None
    off = {
        f"{typed} under a header in {under}": _push(session, rows, 1 / factor)[1]
        for typed, under, factor in _MIXED_UP
    }
    off["typed with start line and marker swapped"] = _push(session, rows, 1.0, -1)[1]
    # What accuses nobody is no number.
    meant = min(off, key=lambda said: np.nan_to_num(off[said], nan=np.inf))
    if not off[meant] <= _MEANT:
        return None
    system = session.about.units
    message = (
        f"rolling down at these speeds would need a {'push' if push > 0 else 'brake'} of "
        f"{_shown(abs(push), 'force', system)} (middle of {len(rows)} runs); "
        f"it needs none if they are {meant}; fix the header or the columns, or the hill's grade"
    )
    return Problem(RUNS, message, row=1, column="down_exit_speed")


def _push(session, rows, factor, order=1) -> tuple:
    """Force that the ways down need beside gravity [N], and how many standard deviations it is.

    The force is that of the middle run; what is not known is moved by its standard deviation, one
    after the other, and the motion worked out anew. What stalls or blows away accuses nobody.
    """
    shown = rows[["shown_down_entry_m_s", "shown_down_exit_m_s"]].to_numpy()[:, ::order] * factor
    scale, up = _rides(session, rows, shown)
    road, hill = road_load_of(session, float(up.mass_kg.mean())), session.hill
    area, rolling, day = road.drag_area_m2, road.rolling_coefficient, session.weather.headwind
    # What blew against the rider on the way up blows from behind on the way down.
    wind = -rows["headwind_m_s"].fillna(day.value).to_numpy()
    back = up.hill.reversed()

    def middle(*, grade=0.0, rolled=0.0, drag=0.0, gust=0.0, shows=0.0):
        speeds = shown * (scale.value + shows)
        if np.any(speeds + (wind + gust)[:, None] <= 0):
            return np.nan
        ride = replace(
            up,
            hill=Hill(back.lengths_m, back.grade_ratios + grade),
            drag_area_m2=area.value + drag,
            rolling_coefficient=rolling.value + rolled,
            wind_m_s=wind + gust,
        )
        ends = {"entry_speed_m_s": speeds[:, 0], "exit_speed_m_s": speeds[:, 1]}
        return float(np.median(wheel_force_n(ride, **ends)))

    sds = {
        "grade": max(hill.grade.sd, _GRADE_SD, *(piece.grade.sd for piece in hill.pieces)),
        "rolled": max(rolling.sd, _ROLLING_SD),
        "drag": max(area.sd, _DRAG_SD * area.value),
        "gust": float(np.hypot(day.sd, _WIND_SD)),
        "shows": scale.sd,
    }
    push = middle()
    sd = float(np.sqrt(sum((middle(**{name: by}) - push) ** 2 for name, by in sds.items())))
    return (push, abs(push) / sd) if np.isfinite(sd) else (push, np.nan)
