"""What session.toml may say: its tables, and the keys of those that say how it was tested.

The dataclasses are the contract, here and in :mod:`tuninglib.session.machine`. Reading,
validating and the fill-in session of ``tuninglib new`` all come from their fields.
"""

import datetime
import math
from dataclasses import dataclass

from tuninglib.interval import Measured
from tuninglib.session import machine
from tuninglib.session.fields import (
    MISSING,
    choice,
    date,
    doubt,
    exact,
    mixture,
    names,
    number,
    numbers,
    one_of,
    pieces,
    place,
    quantity,
    reference,
    references,
    spans,
    speed_pairs,
    text,
    yes_or_no,
)
from tuninglib.session.trace import CHANNELS
from tuninglib.statistics.population import RIDER_EFFECT_SD, RUN_SCATTER

# Stands before the title of an outing that nobody rode, on every page made from it.
INVENTED = "DEMO, INVENTED"


def marked(title: str, invented: str) -> str:
    """A title that says so if the outing is made up.

    Examples
    --------
    >>> marked("A summer", "yes")
    'DEMO, INVENTED: A summer'
    """
    made_up = invented == "yes" and not title.startswith(INVENTED)
    return f"{INVENTED}: {title}" if made_up else title


@dataclass(frozen=True, kw_only=True)
class About:
    """What was tested and when, and the units of the report."""

    title: str = text(
        "a name for this outing; left out: its date", "Bigger cylinder, first weekend"
    )
    date: datetime.date = date("the day, year first", example="2026-05-16")
    reference: str = reference(
        "setups",
        "the setup that gains are counted from; left out: the first one",
        example="stock",
        default="",
    )
    units: str = choice("what the report prints; you may type in any unit", "metric, us, imperial")
    currency: str = text("for prices and costs", "EUR")
    invented: str = choice("is it made up, as an example or to try things out?", "no, yes")
    note: str = text("anything worth knowing")

    def __post_init__(self):
        """An outing without a title goes by its day; what is made up says so in its title."""
        if not self.title.strip():
            object.__setattr__(self, "title", f"Outing of {self.date}")
        object.__setattr__(self, "title", marked(self.title, self.invented))


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One stretch of the hill."""

    length: Measured = quantity(("m", 1, 20000), "along the road", "150 m", default=MISSING)
    grade: Measured = quantity(
        ("1", -0.4, 0.4),
        "rise over horizontal distance",
        "5.5 +/- 0.3 %",
        default=MISSING,
        slope=True,
    )


@dataclass(frozen=True, kw_only=True)
class MeasuredHill:
    """The test hill, from the start line to the marker."""

    length: Measured = quantity(
        ("m", 20, 5000), "along the road, start line to marker", "400 m +/- 2 m", default=MISSING
    )
    grade: Measured | None = quantity(
        ("1", 0.0, 0.4),
        "rise over horizontal distance, on average; or rise instead",
        "6.0 +/- 0.3 %",
        asked=True,
        instead="rise",
        slope=True,
    )
    rise: Measured | None = quantity(
        ("m", 0, 1500),
        "height of the marker over the start line; the grade follows from it and from length",
        "24 m +/- 1 m",
        instead="grade",
    )
    entry_speed: Measured | None = quantity(
        ("m/s", 1, 70),
        "shown at the start line on every run with none in runs.csv, and how far off at most",
        "48 km/h +/- 2 km/h",
        plus_minus="needed",
        widest=5.0,
    )
    altitude: Measured | None = quantity(("m", -450, 6000), "above the sea", "310 m")
    start: tuple | None = place(
        "of the start line, as a map shows it; with marker, the runs are found in a track",
        example="47.25012, -38.64966",
    )
    marker: tuple | None = place("of the marker", example="47.25243, -38.64598")
    surface: str = text("of the road", "dry asphalt")
    pieces: tuple = pieces(Piece)

    def __post_init__(self):
        """The grade of a rise takes the place of what was typed."""
        if (self.start is None) != (self.marker is None):
            raise ValueError("needs both start and marker, or neither; write the other one, too")
        if self.grade is None and self.rise is None:
            raise ValueError('needs either grade or rise; write for example grade = "6.0 %"')
        if self.rise is not None:
            risen = _grade_of(self.rise, self.length)
            grade = risen if self.grade is None else _the_wider(self.grade, risen)
            object.__setattr__(self, "grade", grade)
            object.__setattr__(self, "rise", None)


# A grade and a rise that are written down to two digits may differ by so much of the grade.
_ROUNDED = 0.03


def _the_wider(typed: Measured, risen: Measured) -> Measured:
    """Of two grades that agree the one that promises less; refused if they contradict."""
    apart = abs(typed.value - risen.value)
    if apart > max(typed.half_width + risen.half_width, _ROUNDED * risen.value):
        raise ValueError(
            f"has a grade of {100 * typed.value:.3g} %, but its rise over its length makes "
            f"{100 * risen.value:.3g} %; keep the one that you trust"
        )
    return typed if typed.half_width >= risen.half_width else risen


def _grade_of(rise: Measured, length: Measured) -> Measured:
    """Rise over horizontal distance, from the rise and the length along the road."""
    if rise.value >= 0.35 * length.value:
        raise ValueError(
            f"has a rise that is {100 * rise.value / length.value:.3g} % of its length, steeper "
            "than any street; check both and their units"
        )
    flat = math.sqrt(length.value**2 - rise.value**2)
    by_rise, by_length = length.value**2 / flat**3, rise.value * length.value / flat**3
    half = math.hypot(by_rise * rise.half_width, by_length * length.half_width)
    return Measured(rise.value / flat, half)


@dataclass(frozen=True, kw_only=True)
class Weather:
    """The air of the day; a column of runs.csv, where there is one, is used instead."""

    temperature: Measured | None = quantity(("K", 233.15, 328.15), "of the air", "18 degC")
    pressure: Measured | None = quantity(
        ("Pa", 5e4, 1.1e5), "where the hill is, not reduced to sea level", "978 hPa"
    )
    # Deserts have 2 %; a share of at most 1 that is typed under per cent would be no more than 1 %.
    humidity: Measured = quantity(("1", 0.011, 1), "relative", "55 %", default=Measured(0.5, 0.3))
    headwind: Measured = quantity(
        ("m/s", -15, 15),
        "against the rider on the way up, and how far it may be off",
        "0 +/- 1.5 m/s",
        default=Measured(0.0, 1.5),
        widest=10.0,
    )


# A gauge whose scale is below shows lambda, any other a ratio of air to fuel.
SHOWS_LAMBDA = 1.5


@dataclass(frozen=True, kw_only=True)
class Gauge:
    """The wideband lambda gauge."""

    scale: float | None = mixture(
        "what it shows at lambda 1: 14.7 for most; 1 if it shows lambda; left out: not known",
        example="14.7",
        within=(0.9, 16),
    )
    resolution: float | None = number(
        "the smallest step that it shows; left out: 0.1, or 0.01 if it shows lambda",
        "0.1",
        (0.001, 1),
    )
    lowest: float | None = number("the richest that it can show", "10.0", (0.4, 16))
    highest: float | None = number("the leanest that it can show", "20.0", (1, 40))
    accuracy: Measured = doubt(
        "how far lambda may be off, by the same on all readings", (0.02, 0.05, 0.2)
    )

    @property
    def step(self) -> float:
        """The smallest step that it shows: as stated, or what is usual on its scale."""
        if self.resolution is not None:
            return self.resolution
        return 0.01 if self.scale is not None and self.scale < SHOWS_LAMBDA else 0.1


@dataclass(frozen=True, kw_only=True)
class Speedometer:
    """What the entry and exit speeds were read from."""

    factor: Measured | None = quantity(
        ("1", 0.7, 1.1),
        "true speed over shown speed; left out: from checks, or what the law allows",
        "0.96 +/- 0.01",
    )
    resolution: Measured | None = exact(
        ("m/s", 0.01, 3),
        "the smallest step that you can read; left out: one whole unit of the speeds typed",
        "1 km/h",
    )
    checks: tuple = speed_pairs(
        "shown and true speed, from GPS or a timed distance, two pairs or more",
        example=[["60 km/h", "57.2 km/h"], ["50 km/h", "300 m in 22.6 s"]],
        within=(1.0, 70.0),
    )

    def __post_init__(self):
        one_of(self, "factor", "checks")


@dataclass(frozen=True, kw_only=True)
class Target:
    """The band of lambda aimed for at full throttle."""

    lowest: float = number("richest lambda wanted", "0.83", (0.6, 1.2), default=0.83)
    highest: float = number("leanest lambda wanted", "0.90", (0.6, 1.2), default=0.90)


@dataclass(frozen=True, kw_only=True)
class Use:
    """How the bike will be ridden once the tests are over; the advice is for that."""

    fuels: tuple = references(
        "fuels", "that may be in the tank; left out: those of the setups", example=["e5", "e10"]
    )
    riding: str = choice(
        "climbs and motorway mean minutes of full load, which need a richer mixture; left out: "
        "of two equal ones the richer, and a caution",
        "unknown, town, mixed, climbs, motorway",
    )
    cooling: str = choice(
        "of the engine; left out: assumed to be air alone", "unknown, air, oil cooler, liquid"
    )
    wanted: str = choice(
        "what goes first where pull, mixture and heat do not agree",
        "balanced, pull first, cool first",
    )
    air: Measured | None = quantity(
        ("K", 233.15, 328.15),
        "the coldest and the hottest that you ride in; left out: -5 to 35 degC",
        "5 to 35 degC",
    )
    altitude: Measured | None = quantity(
        ("m", -450, 6000),
        "the lowest and the highest that you ride; left out: the hill's",
        "0 to 1200 m",
    )

    @property
    def sustained(self) -> bool:
        """Whether minutes of full load are to be expected: so unless something else is said."""
        return self.riding not in ("town", "mixed")

    @property
    def sustained_as_said(self) -> bool:
        """Whether the rider said so."""
        return self.riding in ("climbs", "motorway")

    @property
    def air_cooled(self) -> bool:
        """Whether air cools the head: so unless it has a coolant; an oil cooler cools the oil."""
        return self.cooling != "liquid"


@dataclass(frozen=True, kw_only=True)
class Upkeep:
    """Limits for what wears, from the maker's manual; see upkeep.csv."""

    lowest_compression: Measured | None = exact(("Pa", 2e5, 3e6), "cranking", "11 bar")
    highest_leak_down: Measured | None = exact(("1", 0.01, 1), "of the cylinder", "15 %")
    intake_clearance: Measured | None = quantity(
        ("m", 0, 1e-3), "from the least to the most", "0.05 to 0.12 mm"
    )
    exhaust_clearance: Measured | None = quantity(
        ("m", 0, 1e-3), "from the least to the most", "0.08 to 0.15 mm"
    )
    plug_gap: Measured | None = quantity(
        ("m", 1e-4, 2.5e-3), "from the least to the most", "0.7 to 0.9 mm"
    )
    highest_oil_use: Measured | None = exact(
        ("m**2", 1e-12, 1e-8), "oil for the distance", "0.5 mL/km"
    )
    check_after: Measured | None = exact(
        ("s", 60, 3.6e6), "at full throttle, all outings together, to be reminded", "60 min"
    )


@dataclass(frozen=True, kw_only=True)
class Assumptions:
    """What is assumed until you say otherwise."""

    run_scatter: Measured = exact(
        ("1", 0.001, 0.5),
        "how far wheel force usually scatters from run to run (standard deviation); your repeats "
        "refine it",
        "2.6 %",
        default=Measured(RUN_SCATTER.median),
    )
    rider_effect: Measured = doubt(
        "how far riders differ in wheel force by how they sit and shift",
        (2 * RIDER_EFFECT_SD, 0.01, 0.2),
    )
    flow_response: Measured = quantity(
        ("1", -1, 3),
        "how lambda follows flow before anything is read: 1 = fuel table, 0 = corrected",
        "1.0 +/- 0.3",
        default=Measured(1.0, 0.3),
        plus_minus="needed",
        widest=2.0,
    )
    breathing_change: Measured = doubt(
        "how far breathing may differ between engines, apart from displacement", (0.10, 0.2, 0.5)
    )
    rider_drag: Measured = doubt("how far riders differ in drag area", (0.10, 0.1, 0.5))
    drift: Measured = doubt(
        "how far wheel force may drift from the first run to the last, apart from the weather",
        (0.04, 0.05, 0.3),
    )
    air_density: Measured = doubt(
        "how far the air density may be off, by the same on all runs", (0.01, 0.02, 0.1)
    )
    day_to_day: Measured = doubt(
        "how far wheel force of all setups together differs from day to day, weather aside",
        (0.05, 0.01, 0.3),
    )
    mixture_day_to_day: Measured = doubt(
        "how far lambda of all setups together differs from day to day, gauge and fuel included",
        (0.02, 0.01, 0.2),
    )
    leaner_limit: Measured | None = exact(
        ("1", 0.01, 0.99),
        "chance of being leaner than the band above which a setup is not recommended; left out: "
        "10 %, 15 % with pull first, 5 % with cool first",
        "10 %",
    )
    richest_lambda: float = number(
        "lambda below which fuel washes the oil off the bore, so that a setup is not recommended",
        "0.75",
        (0.5, 0.9),
        default=0.75,
    )


@dataclass(frozen=True, kw_only=True)
class Log:
    """What a device recorded during the outing: a track, a table of numbers, or sound."""

    file: str = text(
        "in this folder: a track as GPX, a table as CSV or text, or a sound recording made on the "
        "bike, of a four-stroke (WAV; with the extra sound also m4a, mp3, ogg, opus, 3gp)",
        example="phone.gpx",
        default=MISSING,
    )
    columns: tuple = names(
        "what a table calls its columns, for those that are not recognised",
        example={"time": "t", "gauge": "my gauge"},
        keys=("time", *CHANNELS),
    )
    units: tuple = names(
        "of columns whose heading in the table names none",
        example={"time": "s", "throttle": "%"},
        keys=("time", *CHANNELS),
    )
    time_format: str = text(
        "of times with a date that is not year first, in strftime codes", "%d.%m.%Y %H:%M:%S"
    )
    shift: Measured | None = quantity(
        ("s", -1e6, 1e6),
        "what to add to the times of a gauge's log to get the track's; left out: found from what "
        "both logs show",
        "41.3 s +/- 0.5 s",
        plus_minus="needed",
        widest=30.0,
    )
    delay: Measured | None = quantity(
        ("s", 0, 5),
        "how late the gauge shows the mixture; left out: found from the log, or 0.2 to 1.5 s",
        "0.6 s +/- 0.2 s",
        plus_minus="needed",
        widest=2.0,
    )
    runs: tuple = numbers(
        "run numbers of runs.csv in the order ridden, one for each run found in the track, 0 for "
        "one that is not in runs.csv; left out: one after the other",
        example=[1, 2, 0, 3],
        within=(0, 1e6),
    )
    pulls_are_runs: str = yes_or_no(
        "of a sound recording: does each pull in it go from the start line, where the throttle was "
        "opened, to the marker, where it was shut, in one gear?"
    )
    marks: tuple = spans(
        "of a sound recording: seconds into it at which each run passed the start line and the "
        "marker, as a horn or a word told; instead of pulls_are_runs",
        example=["12.3 to 33.9 s", "95 to 116.4 s"],
        most=60,
        longest_s=300.0,
    )
    play: tuple = spans(
        "of a sound recording: seconds of it to hear in the report, 5 at most; left out: none",
        example="12.4 to 13.1 s",
        most=1,
        longest_s=5.0,
    )
    note: str = text("anything worth knowing")


# Tables that stand once, and tables that hold named entries.
SINGLE = {
    "session": About,
    "bike": machine.Bike,
    "hill": MeasuredHill,
    "weather": Weather,
    "gauge": Gauge,
    "speedometer": Speedometer,
    "target": Target,
    "use": Use,
    "gearing": machine.Gears,
    "upkeep": Upkeep,
    "assumptions": Assumptions,
}
NAMED = {
    "engines": machine.Engine,
    "riders": machine.Rider,
    "fuels": machine.Fuel,
    "injectors": machine.Injector,
    "setups": machine.Setup,
    "logs": Log,
}
# Named entries of which a session needs none.
OPTIONAL = ("logs",)
REQUIRED_TABLES = ("session", "bike", "hill")
