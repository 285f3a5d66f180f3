"""What the sums use where the rider has said nothing, with its interval and its source."""

from tuninglib.interval import Z_95, Measured
from tuninglib.physics.hill import Hill
from tuninglib.physics.road_load import (
    ROTATING_MASS_RATIO,
    ROTATING_MASS_RATIO_SD,
    default_road_load,
)
from tuninglib.statistics.speedometer import speed_factor, unknown_factor

# Petrol at a European pump, E5 and E10 alike (EN 228).
_PUMP_ETHANOL = Measured(0.05, 0.05)


def ethanol_of(fuel) -> Measured:
    """Ethanol by volume of a fuel: as stated, or what pump petrol may have."""
    return fuel.ethanol or _PUMP_ETHANOL


def hill_of(session) -> Hill:
    """The session's hill as the road-test functions take it."""
    pieces = session.hill.pieces
    if not pieces:
        return Hill(session.hill.length.value, session.hill.grade.value)
    return Hill([piece.length.value for piece in pieces], [piece.grade.value for piece in pieces])


def speedometer_factor(session, shown_m_s: float) -> tuple:
    """True speed over shown speed, and where it comes from.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    shown_m_s : float
        A typical speed as shown. [m/s]

    Returns
    -------
    factor : Measured
        As stated, from checks, or the middle of what UN R39 allows.
    source : str
    """
    if session.speedometer.factor is not None:
        return session.speedometer.factor, "session.toml"
    if session.speedometer.checks:
        shown, true = zip(*session.speedometer.checks, strict=True)
        found = speed_factor(shown, true)
        count = len(session.speedometer.checks)
        return Measured(
            found.value, (found.high - found.low) / 2
        ), f"{count} checks in session.toml"
    factor, sd = unknown_factor(shown_m_s)
    return Measured(factor, Z_95 * sd), "no calibration: legal range of UN R39"


def road_load_of(session, mass_kg: float) -> tuple:
    """Drag area, rolling coefficient and rotating mass as used, and where they come from."""
    bike = session.bike
    table = default_road_load(mass_kg)
    sources = dict.fromkeys(("drag_area", "rolling_coefficient"), table.source)
    area = Measured(table.drag_area_m2, Z_95 * table.drag_area_sd_m2)
    rolling = Measured(table.rolling_coefficient, Z_95 * table.rolling_coefficient_sd)
    rotating = Measured(
        ROTATING_MASS_RATIO * bike.mass.value, Z_95 * ROTATING_MASS_RATIO_SD * bike.mass.value
    )
    sources["rotating_mass"] = "7 % of the bike (rule of UN GTR 2, from memory)"
    if bike.drag_area is not None:
        area, sources["drag_area"] = bike.drag_area, "session.toml"
    if bike.rolling_coefficient is not None:
        rolling, sources["rolling_coefficient"] = bike.rolling_coefficient, "session.toml"
    if bike.rotating_mass is not None:
        rotating, sources["rotating_mass"] = bike.rotating_mass, "session.toml"
    return area, rolling, rotating, sources
