"""What a session folder may say: every key of session.toml and every column of runs.csv, once.

The dataclasses are the contract. Reading, validating, the fill-in session of ``tuninglib new`` and
the table in the README all come from their fields.
"""

import dataclasses
import datetime
from dataclasses import dataclass, field

from tuninglib.interval import Measured
from tuninglib.physics.engine import displacement_m3


def quantity(
    unit, help_, *, example, low=None, high=None, default=dataclasses.MISSING, or_by_mass=None
):
    """Field for a value with a unit, kept in SI with its 95 % half-width.

    ``or_by_mass`` is a density in kg/m3: a mass may be typed instead of a volume, and is divided
    by it.
    """
    more = {"low": low, "high": high, "or_by_mass": or_by_mass}
    return _field("quantity", help_, example, default, unit=unit, **more)


def number(help_, *, example, low=None, high=None, default=dataclasses.MISSING):
    """Field for a plain number."""
    return _field("number", help_, example, default, low=low, high=high)


def text(help_, *, example="", default=dataclasses.MISSING):
    """Field for free text."""
    return _field("text", help_, example, default)


def choice(help_, *choices, default=dataclasses.MISSING):
    """Field for one of a few words."""
    return _field("choice", help_, choices[0], default, choices=choices)


def reference(table, help_, *, example, default=dataclasses.MISSING):
    """Field for the name of an entry in another table."""
    return _field("reference", help_, example, default, table=table)


def _field(kind, help_, example, default, **more):
    metadata = {"kind": kind, "help": help_, "example": example, **more}
    return field(default=default, metadata=metadata)


@dataclass(frozen=True, kw_only=True)
class About:
    """What, when, and in which units the report prints."""

    title: str = text("a name for this outing", example="Bigger cylinder, first weekend")
    date: datetime.date = _field("date", "the day, year first", "2026-05-16", dataclasses.MISSING)
    reference: str = reference("setups", "the setup that gains are counted from", example="stock")
    units: str = choice(
        "what the report prints; you may type in any unit",
        "metric",
        "us",
        "imperial",
        default="metric",
    )
    currency: str = text("for prices and costs", example="EUR", default="")
    note: str = text("anything worth knowing", default="")


@dataclass(frozen=True, kw_only=True)
class Bike:
    """The motorcycle, the same for every setup."""

    mass: Measured = quantity(
        "kg",
        "ready to ride with fuel, without rider",
        example="124 kg +/- 2 kg",
        low=40,
        high=500,
    )
    rotating_mass: Measured | None = quantity(
        "kg",
        "what wheels and engine add to the mass when speeding up; left out: 7 % of the bike",
        example="8 kg +/- 3 kg",
        low=0,
        high=80,
        default=None,
    )
    drag_area: Measured | None = quantity(
        "m**2",
        "drag coefficient times frontal area, from a coast-down; left out: published table",
        example="0.55 m2 +/- 0.05 m2",
        low=0.1,
        high=1.5,
        default=None,
    )
    rolling_coefficient: Measured | None = quantity(
        "1",
        "rolling resistance over weight, from a coast-down; left out: published table",
        example="0.018 +/- 0.004",
        low=0.002,
        high=0.1,
        default=None,
    )
    fuel_pressure: Measured | None = quantity(
        "Pa",
        "across the injector (gauge pressure of the fuel rail)",
        example="3 bar",
        low=5e4,
        high=2e6,
        default=None,
    )
    density_compensation: str = choice(
        "does the controller lean on air temperature and pressure?",
        "unknown",
        "yes",
        "no",
        default="unknown",
    )
    highest_ethanol: Measured | None = quantity(
        "1", "the most that the maker allows", example="10 %", low=0, high=1, default=None
    )
    lowest_ron: float | None = number(
        "research octane number that the maker asks for",
        example="95",
        low=60,
        high=130,
        default=None,
    )


@dataclass(frozen=True, kw_only=True)
class Engine:
    """One state of what breathes: cylinder, head, cam, exhaust, air filter."""

    bore: Measured = quantity("m", "of the cylinder", example="62 mm", low=0.02, high=0.2)
    stroke: Measured = quantity("m", "of the piston", example="60 mm", low=0.02, high=0.2)
    cylinders: float = number("how many", example="1", low=1, high=8, default=1.0)
    highest_speed: Measured | None = quantity(
        "1/min",
        "the highest engine speed in the test",
        example="9000 rpm",
        low=1000,
        high=20000,
        default=None,
    )
    breathing: Measured = quantity(
        "1",
        "share of the displacement that is filled at full throttle (volumetric efficiency)",
        example="0.85 +/- 0.08",
        low=0.3,
        high=1.3,
        default=Measured(0.85, 0.08),
    )
    compression_ratio: float | None = number(
        "swept plus clearance volume over clearance volume",
        example="10.1",
        low=4,
        high=20,
        default=None,
    )

    @property
    def displacement_m3(self) -> float:
        """Displacement of all cylinders. [m3]"""
        return displacement_m3(
            bore_m=self.bore.value, stroke_m=self.stroke.value, cylinders=self.cylinders
        )


@dataclass(frozen=True, kw_only=True)
class Rider:
    """Somebody who rides test runs, or who will be handed the report."""

    mass: Measured = quantity("kg", "dressed to ride", example="84 kg +/- 2 kg", low=25, high=250)


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One stretch of the hill."""

    length: Measured = quantity("m", "along the road", example="150 m", low=1, high=20000)
    grade: Measured = quantity(
        "1", "rise over horizontal distance", example="5.5 +/- 0.3 %", low=-0.4, high=0.4
    )


@dataclass(frozen=True, kw_only=True)
class Hill:
    """The test hill, from the start line to the marker."""

    length: Measured = quantity(
        "m",
        "along the road, start line to marker",
        example="400 m +/- 2 m",
        low=20,
        high=5000,
    )
    grade: Measured = quantity(
        "1",
        "rise over horizontal distance, on average",
        example="6.0 +/- 0.3 %",
        low=0.0,
        high=0.4,
    )
    altitude: Measured | None = quantity(
        "m", "above the sea", example="310 m", low=-450, high=6000, default=None
    )
    surface: str = text("of the road", example="dry asphalt", default="")
    pieces: tuple = field(default=(), metadata={"kind": "pieces"})


@dataclass(frozen=True, kw_only=True)
class Weather:
    """The air of the day; a column of runs.csv, where there is one, goes first."""

    temperature: Measured | None = quantity(
        "K", "of the air", example="18 degC", low=233.15, high=328.15, default=None
    )
    pressure: Measured | None = quantity(
        "Pa",
        "where the hill is, not reduced to sea level",
        example="978 hPa",
        low=5e4,
        high=1.1e5,
        default=None,
    )
    humidity: Measured = quantity(
        "1", "relative", example="55 %", low=0, high=1, default=Measured(0.5, 0.3)
    )
    headwind: Measured = quantity(
        "m/s",
        "against the rider on the way up, with what you are unsure of",
        example="0 +/- 1.5 m/s",
        low=-15,
        high=15,
        default=Measured(0.0, 1.5),
    )


@dataclass(frozen=True, kw_only=True)
class Gauge:
    """The wideband lambda gauge."""

    scale: float | None = number(
        "what it prints at lambda 1: 14.7 for most; 1 if it prints lambda; left out: not known",
        example="14.7",
        low=0.9,
        high=16,
        default=None,
    )
    resolution: float = number(
        "the last step that it prints", example="0.1", low=0, high=1, default=0.1
    )
    lowest: float | None = number(
        "the richest that it can print", example="10.0", low=0.4, high=16, default=None
    )
    highest: float | None = number(
        "the leanest that it can print", example="20.0", low=1, high=40, default=None
    )
    accuracy: Measured = quantity(
        "1",
        "how far lambda may be off, all readings alike",
        example="0 +/- 2 %",
        low=-0.05,
        high=0.05,
        default=Measured(0.0, 0.02),
    )


@dataclass(frozen=True, kw_only=True)
class Speedometer:
    """What the entry and exit speeds were read from."""

    factor: Measured | None = quantity(
        "1",
        "true speed over shown speed; left out: from checks, or what the law allows",
        example="0.96 +/- 0.01",
        low=0.8,
        high=1.1,
        default=None,
    )
    resolution: Measured = quantity(
        "m/s",
        "the smallest step that you can read",
        example="1 km/h",
        low=0,
        high=3,
        default=Measured(1 / 3.6),
    )

    checks: tuple = field(
        default=(),
        metadata={
            "kind": "speed pairs",
            "help": "shown and true speed, from GPS or a timed distance, two pairs or more",
            "example": [["60 km/h", "57.2 km/h"], ["50 km/h", "300 m in 22.6 s"]],
            "unit": "m/s",
            "low": 1.0,
            "high": 70.0,
        },
    )


@dataclass(frozen=True, kw_only=True)
class Target:
    """The band of lambda aimed for at full throttle."""

    lowest: float = number("richest lambda wanted", example="0.83", low=0.6, high=1.2, default=0.83)
    highest: float = number(
        "leanest lambda wanted", example="0.90", low=0.6, high=1.2, default=0.90
    )


@dataclass(frozen=True, kw_only=True)
class Fuel:
    """One fuel that the rider can buy."""

    ethanol: Measured | None = quantity(
        "1",
        "by volume, as labelled or measured; left out: somewhere from 0 to 10 %",
        example="5 +/- 1 %",
        low=0,
        high=1,
        default=None,
    )
    ron: float | None = number(
        "research octane number", example="98", low=60, high=130, default=None
    )
    petrol_density: Measured | None = quantity(
        "kg/m**3",
        "of its petrol part at 15 degC",
        example="745 kg/m3",
        low=650,
        high=850,
        default=None,
    )
    price: float | None = number("for one litre", example="1.89", low=0, high=1e5, default=None)
    note: str = text("anything worth knowing", default="")


@dataclass(frozen=True, kw_only=True)
class Injector:
    """One injector: tried, or a candidate to buy."""

    # The trade's 10.5 cc/min for one pound an hour stands for 0.72 kg/L (common practice).
    flow: Measured = quantity(
        "m**3/s",
        "static flow as stated, or as measured; 1 lb/h counts as 10.5 cc/min",
        example="165 cc/min",
        low=1e-7,
        high=1e-4,
        or_by_mass=720.0,
    )
    tolerance: Measured = quantity(
        "1",
        "how far it may be off what is stated (95 %); small if you measured it",
        example="7 %",
        low=0.001,
        high=0.5,
        default=Measured(0.07),
    )
    flow_pressure: Measured | None = quantity(
        "Pa",
        "at which the flow is stated; left out: the bike's own",
        example="3 bar",
        low=5e4,
        high=2e6,
        default=None,
    )
    dead_time: Measured = quantity(
        "s",
        "from the pulse to the flow",
        example="1.0 +/- 0.4 ms",
        low=0,
        high=0.005,
        default=Measured(0.001, 0.0004),
    )
    price: float | None = number("to buy one", example="38", low=0, high=1e6, default=None)
    note: str = text("anything worth knowing", default="")


@dataclass(frozen=True, kw_only=True)
class Setup:
    """One combination of parts and fuel under test."""

    engine: str = reference("engines", "which engine", example="stock")
    injector: str = reference("injectors", "which injector", example="stock")
    fuel: str = reference("fuels", "which fuel is in the tank", example="e5")
    parts: str = text("what else is fitted", example="open exhaust", default="")
    cost: float | None = number(
        "of the parts that make it differ", example="120", low=0, high=1e7, default=None
    )
    note: str = text("anything worth knowing", default="")


@dataclass(frozen=True, kw_only=True)
class Assumptions:
    """What the sums take for granted until you say better."""

    run_scatter: Measured = quantity(
        "1",
        "standard deviation of wheel force from run to run, used only where nothing is repeated",
        example="4 %",
        low=0.001,
        high=0.5,
        default=Measured(0.04),
    )
    rider_effect: Measured = quantity(
        "1",
        "how far riders differ in wheel force by how they sit and shift",
        example="0 +/- 3 %",
        low=-0.01,
        high=0.01,
        default=Measured(0.0, 0.03),
    )
    flow_response: Measured = quantity(
        "1",
        "how lambda follows flow before anything is read: 1 = fuel table, 0 = corrected",
        example="1.0 +/- 0.3",
        low=-1,
        high=3,
        default=Measured(1.0, 0.3),
    )
    breathing_change: Measured = quantity(
        "1",
        "how far breathing may differ between engines beyond displacement",
        example="0 +/- 10 %",
        low=-0.2,
        high=0.2,
        default=Measured(0.0, 0.10),
    )
    rider_drag: Measured = quantity(
        "1",
        "how far riders differ in drag area",
        example="0 +/- 10 %",
        low=-0.1,
        high=0.1,
        default=Measured(0.0, 0.10),
    )
    drift: Measured = quantity(
        "1",
        "how far wheel force may drift from the first run to the last, beyond the weather",
        example="0 +/- 4 %",
        low=-0.05,
        high=0.05,
        default=Measured(0.0, 0.04),
    )
    air_density: Measured = quantity(
        "1",
        "how far the air density may be off, all runs alike",
        example="0 +/- 1 %",
        low=-0.02,
        high=0.02,
        default=Measured(0.0, 0.01),
    )
    leaner_limit: Measured = quantity(
        "1",
        "odds of being leaner than the band above which a setup is not recommended",
        example="50 %",
        low=0.01,
        high=0.99,
        default=Measured(0.5),
    )


# Tables that stand once, and tables that hold named entries.
SINGLE = {
    "session": About,
    "bike": Bike,
    "hill": Hill,
    "weather": Weather,
    "gauge": Gauge,
    "speedometer": Speedometer,
    "target": Target,
    "assumptions": Assumptions,
}
NAMED = {
    "engines": Engine,
    "riders": Rider,
    "fuels": Fuel,
    "injectors": Injector,
    "setups": Setup,
}
REQUIRED_TABLES = ("session", "bike", "hill")


@dataclass(frozen=True)
class Column:
    """One column of runs.csv."""

    kind: str
    help: str
    unit: str = ""
    required: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple = ()
    si_name: str = ""


COLUMNS = {
    "run": Column("number", "its number, each once", required=True, low=0, high=1e6),
    "setup": Column("name", "a setup of session.toml", required=True),
    "rider": Column("name", "a rider of session.toml", required=True),
    "entry_speed": Column(
        "quantity", "at the start line", "m/s", low=1.0, high=70, si_name="entry_speed_m_s"
    ),
    "exit_speed": Column(
        "quantity", "at the marker", "m/s", low=1.0, high=70, si_name="exit_speed_m_s"
    ),
    "gauge_low": Column("number", "lowest reading during the run", low=0.4, high=40),
    "gauge_high": Column("number", "highest reading during the run", low=0.4, high=40),
    "state": Column(
        "choice",
        "throttle of the reading; idle and cruise rows have no speeds",
        choices=("full", "cruise", "idle"),
    ),
    "down_entry_speed": Column(
        "quantity",
        "rolling back down out of gear, at the marker",
        "m/s",
        low=0.5,
        high=70,
        si_name="down_entry_speed_m_s",
    ),
    "down_exit_speed": Column(
        "quantity",
        "rolling back down out of gear, at the start line",
        "m/s",
        low=0.5,
        high=70,
        si_name="down_exit_speed_m_s",
    ),
    "air_temperature": Column(
        "quantity", "of the air", "K", low=233.15, high=328.15, si_name="air_temperature_k"
    ),
    "air_pressure": Column(
        "quantity", "where the hill is", "Pa", low=5e4, high=1.1e5, si_name="air_pressure_pa"
    ),
    "humidity": Column("quantity", "relative", "1", low=0, high=1, si_name="humidity_ratio"),
    "headwind": Column(
        "quantity",
        "against the rider on the way up",
        "m/s",
        low=-15,
        high=15,
        si_name="headwind_m_s",
    ),
    "knock": Column("choice", "heard on the run", choices=("none", "light", "heavy")),
    "head_temperature": Column(
        "quantity", "right after the run", "K", low=250, high=700, si_name="head_temperature_k"
    ),
    "exclude": Column("text", "why this run does not count; empty: it counts"),
    "note": Column("text", "anything"),
}
