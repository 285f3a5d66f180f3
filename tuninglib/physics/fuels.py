"""Petrol with ethanol: density, energy, oxygen, octane, and how lambda moves with it.

Octane numbers have three scales: RON and MON are measured; AKI, the number on American pumps, is
their mean. They are different numbers for the same fuel: one must never be read as another.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import limited, plain, positive, require, require_or_missing
from tuninglib.interval import Interval
from tuninglib.physics.injector import metering_demand
from tuninglib.physics.stoichiometry import (
    ATOMIC_MASS_G_MOL,
    molar_mass_kg_mol,
    parse_formula,
    stoichiometric_ratio,
)

ETHANOL_FORMULA = "C2H6O"
ETHANOL_DENSITY_KG_M3 = 794.0  # 15 degC; reference equations of state give 793.7
ETHANOL_HEATING_VALUE_J_KG = 26.8e6  # lower, liquid, 25 degC; from heats of formation
ETHANOL_LATENT_HEAT_J_KG = 921e3  # US DOE fuel properties table, 396 Btu/lb
ETHANOL_EXPANSION_1_K = 1.08e-3  # mean over 10 to 30 degC, reference equation of state

PETROL_FORMULA = "CH1.85"  # petrol without oxygen; default of 40 CFR 1065.655 (from memory)
PETROL_DENSITY_KG_M3 = 745.0  # 15 degC; middle of the EN 228 range
# 116 090 Btu/US gal (US DOE, GREET) at PETROL_DENSITY_KG_M3. Lower, liquid.
PETROL_HEATING_VALUE_J_KG = 43.43e6
PETROL_LATENT_HEAT_J_KG = 349e3  # US DOE fuel properties table, about 150 Btu/lb
PETROL_MOLAR_MASS_KG_MOL = 0.108  # mean; 0.100 to 0.110 is usual (from memory)
# ASTM D1250 table 54B at 745 kg/m3 (its constants from memory); 1.14e-3 to 1.28e-3 over EN 228.
PETROL_EXPANSION_1_K = 1.21e-3

_REFERENCE_TEMPERATURE_K = 288.15  # 15 degC, at which the fuel trade states densities


@dataclass(frozen=True)
class Blend:
    """Petrol with a share of ethanol, by volume at 15 degC.

    Parameters
    ----------
    ethanol_volume_fraction : float or array
        0 for pure petrol, 0.10 for E10, 1 for ethanol. [-]
    petrol_density_kg_m3 : float or array
        Of the petrol part, at 15 degC. [kg/m3]
    petrol_formula : str
        Mean formula of the petrol part, as in
        :func:`tuninglib.physics.stoichiometry.parse_formula`.
    petrol_heating_value_j_kg : float or array
        Lower heating value of the petrol part. [J/kg]

    Notes
    -----
    Volumes are taken to add up. Real blends swell by 0.1 to 0.2 % on mixing (from memory), less
    than pump petrols differ. Everything else is a balance of mass.

    Examples
    --------
    >>> round(Blend(0.10).stoichiometric_ratio, 2)
    13.99
    """

    ethanol_volume_fraction: float
    petrol_density_kg_m3: float = field(default=PETROL_DENSITY_KG_M3, kw_only=True)
    petrol_formula: str = field(default=PETROL_FORMULA, kw_only=True)
    petrol_heating_value_j_kg: float = field(default=PETROL_HEATING_VALUE_J_KG, kw_only=True)

    def __post_init__(self):
        for name, checked in (
            ("ethanol_volume_fraction", _content(self.ethanol_volume_fraction, "ethanol content")),
            ("petrol_density_kg_m3", _density(self.petrol_density_kg_m3, "petrol density")),
            ("petrol_heating_value_j_kg", _heating_value(self.petrol_heating_value_j_kg)),
        ):
            object.__setattr__(self, name, plain(checked))
        stoichiometric_ratio(self.petrol_formula)  # raises if it is no fuel

    @property
    def density_kg_m3(self) -> float | np.ndarray:
        """Density at 15 degC. [kg/m3]"""
        x = self.ethanol_volume_fraction
        return x * ETHANOL_DENSITY_KG_M3 + (1 - x) * self.petrol_density_kg_m3

    @property
    def ethanol_mass_fraction(self) -> float | np.ndarray:
        """Share of ethanol by mass. [-]"""
        return self.ethanol_volume_fraction * ETHANOL_DENSITY_KG_M3 / self.density_kg_m3

    @property
    def stoichiometric_ratio(self) -> float | np.ndarray:
        """Dry air that burns a unit mass of the blend. [kg air/kg fuel]"""
        formulas = (ETHANOL_FORMULA, self.petrol_formula)
        return self._by_mass(*map(stoichiometric_ratio, formulas))

    @property
    def lower_heating_value_j_kg(self) -> float | np.ndarray:
        """Lower heating value by mass. [J/kg]"""
        return self._by_mass(ETHANOL_HEATING_VALUE_J_KG, self.petrol_heating_value_j_kg)

    @property
    def lower_heating_value_j_m3(self) -> float | np.ndarray:
        """Lower heating value by volume at 15 degC. [J/m3]"""
        return self.lower_heating_value_j_kg * self.density_kg_m3

    @property
    def latent_heat_j_kg(self) -> float | np.ndarray:
        """Heat of vaporisation, that of the parts added up. [J/kg]"""
        return self._by_mass(ETHANOL_LATENT_HEAT_J_KG, PETROL_LATENT_HEAT_J_KG)

    @property
    def oxygen_mass_fraction(self) -> float | np.ndarray:
        """Share of oxygen by mass. [-]"""
        return self._atoms_mol_kg("O") * ATOMIC_MASS_G_MOL["O"] / 1000

    @property
    def hydrogen_to_carbon(self) -> float | np.ndarray:
        """Hydrogen atoms per carbon atom. [-]"""
        return self._atoms_mol_kg("H") / self._atoms_mol_kg("C")

    @property
    def oxygen_to_carbon(self) -> float | np.ndarray:
        """Oxygen atoms per carbon atom. [-]"""
        return self._atoms_mol_kg("O") / self._atoms_mol_kg("C")

    def _by_mass(self, ethanol, petrol):
        return petrol + self.ethanol_mass_fraction * (ethanol - petrol)

    def _atoms_mol_kg(self, element):
        ethanol, petrol = (
            parse_formula(formula).get(element, 0.0) / molar_mass_kg_mol(formula)
            for formula in (ETHANOL_FORMULA, self.petrol_formula)
        )
        return self._by_mass(ethanol, petrol)


def _content(value, what) -> np.ndarray:
    return limited(value, what, "", 0, 1, "give a fraction by volume, 0.10 for 10 %")


def _density(value, what) -> np.ndarray:
    return limited(value, what, "kg/m3", 650, 850, "0.745 kg/L is 745 kg/m3")


def _heating_value(value) -> np.ndarray:
    return limited(value, "petrol heating value", "J/kg", 30e6, 50e6, "43 MJ/kg is 43e6 J/kg")


def _octane(value, what) -> np.ndarray:
    return limited(value, what, "", 40, 140, "check whether it is RON or MON")


def lambda_shift(from_blend: Blend, to_blend: Blend) -> float | np.ndarray:
    """Ratio of lambda after a change of fuel to lambda before it, nothing else changed.

    Parameters
    ----------
    from_blend, to_blend : Blend
        The fuel before and after.

    Returns
    -------
    lambda_ratio : float or array
        Above 1 if the second fuel runs leaner. [-]

    Notes
    -----
    Holds where the controller does not correct: the injector is open as long, and delivers with the
    root of density (:func:`tuninglib.physics.injector.metering_demand`), into the same air.

    Examples
    --------
    >>> round(lambda_shift(Blend(0.0), Blend(0.10)), 3)
    1.039
    """
    before, after = (
        metering_demand(b.stoichiometric_ratio, b.density_kg_m3) for b in (from_blend, to_blend)
    )
    return before / after


def density_at_temperature(
    density_15_kg_m3: ArrayLike, temperature_k: ArrayLike, ethanol_volume_fraction: ArrayLike
) -> float | np.ndarray:
    """Density of a blend at the temperature it is injected or poured at.

    Parameters
    ----------
    density_15_kg_m3 : float or array
        At 15 degC. [kg/m3]
    temperature_k : float or array
        Of the fuel. [K]
    ethanol_volume_fraction : float or array
        [-]

    Returns
    -------
    density_kg_m3 : same shape
        [kg/m3]

    Notes
    -----
    ρ = ρ15·exp(−α·Δt·(1 + 0.8·α·Δt)), the form of ASTM D1250, with α of petrol and of ethanol
    weighted by volume. Good to 0.2 % for pump petrols over ±20 K.

    Examples
    --------
    >>> round(density_at_temperature(745.0, 303.15, 0.0), 1)
    731.4
    """
    density = _density(density_15_kg_m3, "fuel density")
    remedy = "degC plus 273.15 is K"
    temperature_k = limited(temperature_k, "fuel temperature", "K", 233.15, 363.15, remedy)
    content = _content(ethanol_volume_fraction, "ethanol content")
    alpha = PETROL_EXPANSION_1_K + content * (ETHANOL_EXPANSION_1_K - PETROL_EXPANSION_1_K)
    swelling = alpha * (temperature_k - _REFERENCE_TEMPERATURE_K)
    return plain(density * np.exp(-swelling * (1 + 0.8 * swelling)))


def content_after_topping_up(
    *,
    tank_volume_m3: ArrayLike,
    tank_ethanol_volume_fraction: ArrayLike,
    added_volume_m3: ArrayLike,
    added_ethanol_volume_fraction: ArrayLike,
) -> float | np.ndarray:
    """Ethanol content of what is in the tank after another fuel is poured in.

    Parameters
    ----------
    tank_volume_m3, added_volume_m3 : float or array
        What was in the tank, and what is added. [m3]
    tank_ethanol_volume_fraction, added_ethanol_volume_fraction : float or array
        [-]

    Returns
    -------
    ethanol_volume_fraction : same shape
        [-]

    Examples
    --------
    >>> content_after_topping_up(
    ...     tank_volume_m3=0.003,
    ...     tank_ethanol_volume_fraction=0.05,
    ...     added_volume_m3=0.001,
    ...     added_ethanol_volume_fraction=0.85,
    ... )
    0.25
    """
    poured = {"unit": "m3", "at_least": 0, "remedy": "check the sign"}
    tank_m3 = require_or_missing(tank_volume_m3, what="volume in the tank", **poured)
    added_m3 = require_or_missing(added_volume_m3, what="volume added", **poured)
    tank = _content(tank_ethanol_volume_fraction, "ethanol content of the tank")
    added = _content(added_ethanol_volume_fraction, "ethanol content of the added fuel")
    total_m3 = tank_m3 + added_m3
    total_m3 = positive(total_m3, "volume after topping up", "m3", remedy="give some fuel")
    return plain((tank_m3 * tank + added_m3 * added) / total_m3)


def volume_to_add(
    *,
    tank_volume_m3: ArrayLike,
    tank_ethanol_volume_fraction: ArrayLike,
    added_ethanol_volume_fraction: ArrayLike,
    wanted_ethanol_volume_fraction: ArrayLike,
) -> float | np.ndarray:
    """Volume of another fuel that brings the tank to a wanted ethanol content.

    Parameters
    ----------
    tank_volume_m3 : float or array
        What is in the tank. [m3]
    tank_ethanol_volume_fraction : float or array
        Of what is in the tank. [-]
    added_ethanol_volume_fraction : float or array
        Of what is poured in. [-]
    wanted_ethanol_volume_fraction : float or array
        [-]

    Returns
    -------
    added_volume_m3 : same shape
        [m3]

    Raises
    ------
    ValueError
        If no volume of that fuel gives the wanted content.

    Examples
    --------
    >>> volume_to_add(
    ...     tank_volume_m3=0.003,
    ...     tank_ethanol_volume_fraction=0.05,
    ...     added_ethanol_volume_fraction=0.85,
    ...     wanted_ethanol_volume_fraction=0.25,
    ... )
    0.001
    """
    tank_m3 = positive(tank_volume_m3, "volume in the tank", "m3")
    tank = _content(tank_ethanol_volume_fraction, "ethanol content of the tank")
    added = _content(added_ethanol_volume_fraction, "ethanol content of the added fuel")
    wanted = _content(wanted_ethanol_volume_fraction, "wanted ethanol content")
    if np.any((wanted != tank) & ((wanted - tank) * (added - wanted) <= 0)):
        raise ValueError(
            f"wanted ethanol content is {wanted} but must be between {tank} in the tank and "
            f"{added} in the added fuel; choose another fuel to add"
        )
    # Nothing is wanted of a fuel like the tank's: 0/1 stands for 0/0.
    nothing = (wanted == tank) & (added == wanted)
    return plain(tank_m3 * (wanted - tank) / (added - wanted + nothing))


def blend_octane(
    blend: Blend,
    *,
    petrol_octane: ArrayLike,
    ethanol_octane: ArrayLike,
    petrol_molar_mass_kg_mol: ArrayLike = PETROL_MOLAR_MASS_KG_MOL,
    interaction: ArrayLike = 0.0,
) -> float | np.ndarray:
    """Octane number of a blend from those of its parts, by moles.

    Parameters
    ----------
    blend : Blend
    petrol_octane : float or array
        RON or MON of the petrol part. [-]
    ethanol_octane : float or array
        The same kind of number for ethanol: about RON 108, MON 92 (US DOE). [-]
    petrol_molar_mass_kg_mol : float or array
        Mean, of the petrol part. [kg/mol]
    interaction : float or array
        Z below; fitted to measurements of one petrol, 0 where there are none. [-]

    Returns
    -------
    octane : same shape
        [-]

    Notes
    -----
    ON = (1 − x)·ON_petrol + x·ON_ethanol + Z·x·(1 − x), x the mole fraction of ethanol [1]_. The
    form is published; with Z = 0 it is an estimate, some points off for a given petrol. It never
    stands in for the pump's label.

    Examples
    --------
    >>> round(blend_octane(Blend(0.10), petrol_octane=91.0, ethanol_octane=109.0), 1)
    94.9

    References
    ----------
    .. [1] J. E. Anderson, T. J. Wallington, Novel method to estimate the octane ratings of
       ethanol-gasoline mixtures using base fuel properties, Energy & Fuels 34 (2020).
    """
    petrol = _octane(petrol_octane, "octane number of petrol")
    ethanol = _octane(ethanol_octane, "octane number of ethanol")
    remedy = "108 g/mol is 0.108"
    mass = limited(petrol_molar_mass_kg_mol, "petrol molar mass", "kg/mol", 0.06, 0.2, remedy)
    z = require_or_missing(interaction, "interaction", "", remedy="0 if unknown")
    w = blend.ethanol_mass_fraction
    ethanol_mol = w / molar_mass_kg_mol(ETHANOL_FORMULA)
    x = ethanol_mol / (ethanol_mol + (1 - w) / mass)
    return plain((1 - x) * petrol + x * ethanol + z * x * (1 - x))


def charge_cooling_j_kg_air(blend: Blend, *, lambda_: ArrayLike = 1.0) -> float | np.ndarray:
    """Heat that the fuel takes up by evaporating, per mass of air.

    Parameters
    ----------
    blend : Blend
    lambda_ : float or array
        [-]

    Returns
    -------
    heat_j_kg : same shape
        [J/kg air]

    Notes
    -----
    Latent heat over λ·stoichiometric ratio: an upper bound of how far the charge is cooled, since
    part of the heat comes from the port and the valve. Divide by 1005 J/(kg·K) for kelvins.

    Examples
    --------
    >>> round(charge_cooling_j_kg_air(Blend(0.85)) / 1000, 0)
    86.0
    """
    lambda_ = require_or_missing(lambda_, "lambda", "", above=0)
    return plain(blend.latent_heat_j_kg / (lambda_ * blend.stoichiometric_ratio))


# Octane numbers on their three scales -------------------------------------------------------------

SCALES = ("RON", "MON", "AKI")
# RON minus MON of pump petrol: 10 by the least numbers of EN 228 (95 and 85), about 8 to 12
# (common practice).
SENSITIVITY = Interval(10.0, 8.0, 12.0)
# What one unit of compression ratio asks for, in octane numbers, of one chamber (rule of thumb;
# handbooks have more at low compression, 9 to 5, and 4 from about 10 on).
PER_COMPRESSION = Interval(4.0, 3.0, 5.0)
# How far each scale lies below RON, in shares of the sensitivity.
_BELOW = {"RON": 0.0, "AKI": 0.5, "MON": 1.0}


@dataclass(frozen=True)
class Octane:
    """An octane number on its own scale.

    Parameters
    ----------
    value : float
        The number.
    scale : str
        ``"RON"``, ``"MON"`` or ``"AKI"``.

    Examples
    --------
    >>> str(Octane(91.0, "AKI"))
    '91 AKI'
    """

    value: float
    scale: str

    def __post_init__(self):
        require(self.value, "octane number", "", at_least=50, at_most=140, remedy="see the pump")
        if self.scale not in SCALES:
            wanted = f"write one of {', '.join(SCALES)}"
            raise ValueError(f"{self.scale!r} is not an octane scale; {wanted}")

    def __str__(self) -> str:
        return f"{self.value:g} {self.scale}"


def on_scale(octane: Octane, scale: str) -> Interval:
    """An octane number on another scale, with the range that pump petrol leaves open.

    Parameters
    ----------
    octane : Octane
    scale : str
        ``"RON"``, ``"MON"`` or ``"AKI"``.

    Returns
    -------
    Interval

    Notes
    -----
    AKI = (RON + MON)/2, and RON − MON is taken as ``SENSITIVITY``.

    Examples
    --------
    >>> on_scale(Octane(91.0, "AKI"), "RON")
    Interval(value=96.0, low=95.0, high=97.0)
    """
    share = _BELOW[octane.scale] - _BELOW[scale]
    ends = sorted((share * SENSITIVITY.low, share * SENSITIVITY.high))
    return Interval(octane.value + share * SENSITIVITY.value, *(octane.value + x for x in ends))


def known_higher(one: Octane | None, other: Octane | None) -> bool:
    """Whether one fuel's octane number is known to be higher than another's.

    Parameters
    ----------
    one, other : Octane or None
        What is not known is not higher.

    Examples
    --------
    >>> known_higher(Octane(98.0, "RON"), Octane(91.0, "AKI"))
    True
    >>> known_higher(Octane(96.0, "RON"), Octane(91.0, "AKI"))
    False
    """
    if one is None or other is None:
        return False
    return on_scale(one, other.scale).low > other.value


def known_not_lower(one: Octane | None, other: Octane | None) -> bool:
    """Whether one fuel's octane number is known not to be lower than another's.

    Parameters
    ----------
    one, other : Octane or None
        What is not known may be lower.

    Examples
    --------
    >>> known_not_lower(Octane(95.0, "RON"), Octane(95.0, "RON"))
    True
    >>> known_not_lower(None, Octane(95.0, "RON"))
    False
    """
    if one is None or other is None:
        return False
    return on_scale(one, other.scale).low >= other.value


def octane_margin(fuel: Octane, need: Octane, *, compression_rise: float = 0.0) -> str:
    """Whether a fuel has enough octane for an engine whose compression was raised.

    Parameters
    ----------
    fuel : Octane
    need : Octane
        What the maker asks for.
    compression_rise : float
        Compression ratio now less that of the engine as it was made.

    Returns
    -------
    margin : str
        ``"enough"``, ``"unclear"`` or ``"not enough"``.

    Notes
    -----
    Where the compression was lowered, the maker's number stays.

    Examples
    --------
    >>> octane_margin(Octane(95.0, "RON"), Octane(95.0, "RON"))
    'enough'
    >>> octane_margin(Octane(98.0, "RON"), Octane(95.0, "RON"), compression_rise=0.8)
    'unclear'
    >>> octane_margin(Octane(87.0, "AKI"), Octane(95.0, "RON"))
    'not enough'
    """
    rise = max(compression_rise, 0.0)
    least = need.value + PER_COMPRESSION.low * rise
    most = need.value + PER_COMPRESSION.high * rise
    has = on_scale(fuel, need.scale)
    if has.low >= most:
        return "enough"
    return "not enough" if has.high < least else "unclear"
