"""What is ridden, in session.toml: bike, engines, riders, fuels, injectors and setups.

As in :mod:`tuninglib.session.schema`, the dataclasses are the contract.
"""

import math
from dataclasses import dataclass

from tuninglib.interval import Measured
from tuninglib.physics.engine import compression_ratio, displacement_m3
from tuninglib.physics.fuels import Octane
from tuninglib.physics.gearing import ROLLING_SHARE, overall_ratio, tyre_diameter_m
from tuninglib.session.fields import (
    MISSING,
    choice,
    exact,
    number,
    octane,
    one_of,
    price,
    quantity,
    reference,
    text,
    yes_or_no,
)


@dataclass(frozen=True, kw_only=True)
class Bike:
    """The motorcycle, the same for every setup."""

    name: str = text(
        "one name for this bike in all its outings, and for no other: the season page goes by it",
        "the blue one",
    )
    mass: Measured = quantity(
        ("kg", 40, 500),
        "ready to ride with fuel, without rider",
        "124 kg +/- 2 kg",
        default=MISSING,
    )
    rotating_mass: Measured | None = quantity(
        ("kg", 0, 80),
        "what wheels and engine add to the mass when speeding up; left out: 7 % of the bike",
        "8 kg +/- 3 kg",
    )
    drag_area: Measured | None = quantity(
        ("m**2", 0.1, 1.5),
        "drag coefficient times frontal area, from a coast-down; left out: published table",
        "0.55 m2 +/- 0.05 m2",
    )
    rolling_coefficient: Measured | None = quantity(
        ("1", 0.002, 0.1),
        "rolling resistance over weight, from a coast-down; left out: published table",
        "0.018 +/- 0.004",
    )
    fuel_pressure: Measured | None = quantity(
        ("Pa", 5e4, 2e6), "across the injector (gauge pressure of the fuel rail)", "3 bar"
    )
    density_compensation: str = choice(
        "does the ECU correct for air temperature and pressure? yes: both (it has a sensor for "
        "each); no: neither; temperature or pressure: only that one; left out: told from the "
        "readings, as far as their air differed",
        "unknown, yes, no, temperature, pressure",
    )
    oxygen_sensor: str = yes_or_no(
        "does the ECU have a working oxygen sensor, so that it holds lambda 1 at idle and cruise?"
    )
    tank: Measured | None = exact(
        ("m**3", 5e-4, 0.1), "usable fuel in a full tank, for the range", "10 L"
    )
    highest_ethanol: Measured | None = exact(("1", 0, 1), "the most that the maker allows", "10 %")
    lowest_ron: float | None = number(
        "research octane number that the maker asks for", "95", (60, 130)
    )
    lowest_octane: Octane | None = octane(
        "octane number that the maker asks for, with its scale", example="91 AKI"
    )
    octane_compression: float | None = number(
        "compression ratio that this octane number is for; left out: that of the smallest engine",
        "9.4",
        (4, 20),
        to_one=True,
    )
    highest_head_temperature: Measured | None = exact(
        ("K", 350, 650),
        "no setup is ridden hotter than this; say in a setup's note where it is measured",
        "220 degC",
    )

    def __post_init__(self):
        one_of(self, "lowest_ron", "lowest_octane")

    @property
    def octane_need(self) -> Octane | None:
        """What the maker asks for, on the scale that it was typed in."""
        return self.lowest_octane or (Octane(self.lowest_ron, "RON") if self.lowest_ron else None)


@dataclass(frozen=True, kw_only=True)
class Gears:
    """From the crank to the road, in the gear of the test."""

    primary: float | None = number("ratio of the primary drive", "3.35", (0.5, 8), to_one=True)
    gear: float | None = number(
        "ratio of the gear that the hill was ridden in", "1.05", (0.3, 6), to_one=True
    )
    front: float | None = number("teeth of the front sprocket", "14", (8, 40), whole=True)
    rear: float | None = number("teeth of the rear sprocket", "42", (10, 100), whole=True)
    tyre: str = text("size of the rear tyre; or circumference", "90/90-18")
    circumference: Measured | None = quantity(
        ("m", 0.8, 2.6),
        "distance in one turn of the rear wheel with the rider on, measured on the ground",
        "1.86 m +/- 0.01 m",
    )
    slip: Measured = quantity(
        ("1", 0, 0.15),
        "how much faster the driven wheel turns than it rolls",
        "2 +/- 1 %",
        default=Measured(0.02, 0.01),
    )
    efficiency: Measured = quantity(
        ("1", 0.6, 1), "of gearbox and chain", "92 +/- 4 %", default=Measured(0.92, 0.04)
    )

    def __post_init__(self):
        one_of(self, "tyre", "circumference")
        if self.tyre and not 0.8 <= self.rolling_circumference.value <= 2.6:
            raise ValueError(
                f"has the tyre {self.tyre!r}, which rolls {self.rolling_circumference.value:.2f} m "
                "in one turn, outside 0.8 to 2.6 m; check its size"
            )

    @property
    def is_known(self) -> bool:
        """Whether engine speeds follow from it."""
        numbers = (self.primary, self.gear, self.front, self.rear)
        return None not in numbers and bool(self.tyre or self.circumference)

    @property
    def rolling_circumference(self) -> Measured:
        """As measured, or from the size of the tyre and how much a rider squeezes it."""
        if self.circumference is not None:
            return self.circumference
        value = math.pi * tyre_diameter_m(self.tyre) * ROLLING_SHARE
        return Measured(value, 0.015 * value)

    def ratio(self) -> float:
        """Turns of the crank for one of the wheel."""
        return overall_ratio(
            primary=self.primary, gear=self.gear, front_teeth=self.front, rear_teeth=self.rear
        )


@dataclass(frozen=True, kw_only=True)
class Engine:
    """One state of the engine and of what it breathes through: head, cam, exhaust, air filter."""

    bore: Measured | None = exact(
        ("m", 0.02, 0.2),
        "of the cylinder; or displacement instead of bore and stroke",
        "62 mm",
        asked=True,
        instead="displacement",
    )
    stroke: Measured | None = exact(
        ("m", 0.02, 0.2), "of the piston", "60 mm", asked=True, instead="displacement"
    )
    displacement: Measured | None = exact(
        ("m**3", 1e-5, 3e-3),
        "of all cylinders; or bore and stroke instead",
        "181 cc",
        instead="bore",
    )
    cylinders: float = number("how many", "1", (1, 8), default=1.0, whole=True)
    highest_speed: Measured | None = exact(
        ("1/min", 1000, 20000), "the highest engine speed in the test", "9000 rpm"
    )
    since_opened: Measured | None = exact(
        ("m", 0, 1e9),
        "ridden between opening the engine and its first full-throttle run here",
        "350 km",
    )
    running_in: Measured | None = exact(
        ("m", 0, 1e7), "that the maker of its parts asks for before full throttle", "300 km"
    )
    breathing: Measured = quantity(
        ("1", 0.3, 1.3),
        "share of the displacement that is filled at full throttle (volumetric efficiency)",
        "0.85 +/- 0.08",
        default=Measured(0.85, 0.08),
    )
    compression_ratio: float | None = number(
        "swept plus clearance volume over clearance volume", "10.1", (4, 20), to_one=True
    )
    clearance_volume: Measured | None = exact(
        ("m**3", 1e-6, 1e-3),
        "above the piston at top dead centre, gasket included, of one cylinder (by burette)",
        "19.5 cc",
    )

    def __post_init__(self):
        measured = (self.bore, self.stroke)
        if self.displacement is None and None in measured:
            raise ValueError(
                'needs bore and stroke, or displacement; write for example bore = "62 mm" and '
                'stroke = "60 mm"'
            )
        if self.displacement is not None and measured != (None, None):
            raise ValueError(
                "has displacement as well as bore or stroke, which say the same thing; keep the "
                "one that you trust"
            )
        one_of(self, "compression_ratio", "clearance_volume")

    @property
    def compression(self) -> float | None:
        """Compression ratio: as stated, or from the measured volume."""
        if self.compression_ratio is not None or self.clearance_volume is None:
            return self.compression_ratio
        return compression_ratio(
            swept_volume_m3=self.displacement_m3 / self.cylinders,
            clearance_volume_m3=self.clearance_volume.value,
        )

    @property
    def displacement_m3(self) -> float:
        """Displacement of all cylinders. [m3]"""
        if self.displacement is not None:
            return self.displacement.value
        return displacement_m3(
            bore_m=self.bore.value, stroke_m=self.stroke.value, cylinders=self.cylinders
        )


@dataclass(frozen=True, kw_only=True)
class Rider:
    """Somebody who rides test runs, or will be given the report."""

    mass: Measured = quantity(("kg", 25, 250), "dressed to ride", "84 kg +/- 2 kg", default=MISSING)


@dataclass(frozen=True, kw_only=True)
class Fuel:
    """One fuel that the rider can buy."""

    ethanol: Measured | None = quantity(
        ("1", 0, 1),
        "by volume, as labelled or measured; left out: somewhere from 0 to 10 %",
        "5 +/- 1 %",
    )
    ron: float | None = number("research octane number", "98", (60, 130))
    octane: Octane | None = octane(
        "octane number as the pump shows it, with its scale", example="91 AKI"
    )
    petrol_density: Measured | None = quantity(
        ("kg/m**3", 650, 850), "of its petrol without the ethanol, at 15 degC", "745 kg/m3"
    )
    price: float | None = price(
        "per litre, or with its volume", example="1.79 EUR/L", within=(0, 1e5)
    )
    note: str = text("anything worth knowing")

    def __post_init__(self):
        one_of(self, "ron", "octane")

    @property
    def octane_number(self) -> Octane | None:
        """Its octane number on the scale that it was typed in; None if it is not known."""
        return self.octane or (Octane(self.ron, "RON") if self.ron else None)


@dataclass(frozen=True, kw_only=True)
class Injector:
    """One injector: tried, or a candidate to buy."""

    # The trade's 10.5 cc/min for one pound an hour stands for 0.72 kg/L (common practice).
    flow: Measured = quantity(
        ("m**3/s", 1e-7, 1e-4),
        "static flow as stated, or as measured; cc alone are cc/min, 1 lb/h counts as 10.5 cc/min",
        "165 cc/min",
        or_by_mass=720.0,
        default=MISSING,
    )
    tolerance: Measured = exact(
        ("1", 0.001, 0.5),
        "how far the flow may be off as stated (95 %); small if you measured it",
        "7 %",
        default=Measured(0.07),
    )
    flow_pressure: Measured | None = quantity(
        ("Pa", 5e4, 2e6), "at which the flow is stated; left out: the bike's own", "3 bar"
    )
    dead_time: Measured = quantity(
        ("s", 0, 0.005),
        "from the start of the pulse to the start of flow",
        "1.0 +/- 0.4 ms",
        default=Measured(0.001, 0.0004),
    )
    price: float | None = number("to buy one", "38", (0, 1e6), money=True)
    owned: str = yes_or_no(
        "is one at hand? left out: yes for those that a setup uses, no for the others"
    )
    note: str = text("anything worth knowing")


@dataclass(frozen=True, kw_only=True)
class Setup:
    """One combination of parts and fuel under test."""

    engine: str = reference("engines", "which engine", example="stock")
    injector: str = reference("injectors", "which injector", example="stock")
    fuel: str = reference("fuels", "which fuel is in the tank", example="e5")
    parts: str = text("what else is fitted", "open exhaust")
    cost: float | None = number("of the parts that make it different", "120", (0, 1e7), money=True)
    note: str = text("anything worth knowing")
