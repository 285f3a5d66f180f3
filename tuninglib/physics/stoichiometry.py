"""Formulas, the air that a fuel needs, and lambda by gauge, by exhaust gas and by oxygen sensor."""

import re
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import limited, plain, positive, require_or_missing

# Standard atomic weights, IUPAC 2021, abridged to five figures. [g/mol]
ATOMIC_MASS_G_MOL = {"H": 1.0080, "C": 12.011, "N": 14.007, "O": 15.999, "S": 32.06, "Ar": 39.95}

# Dry air, mole fractions as rounded in engine handbooks (they add up to 1). The simpler
# "O2 + 3.76 N2" gives stoichiometric ratios 0.7 % lower.
DRY_AIR_MOLE_FRACTION = {"O2": 0.20946, "N2": 0.78084, "Ar": 0.00934, "CO2": 0.00036}

GAS_CONSTANT_J_MOL_K = 8.314462618  # SI 2019, exact to the digits given
FARADAY_CONSTANT_C_MOL = 96485.33212  # SI 2019, exact to the digits given
STANDARD_PRESSURE_PA = 101325.0  # standard atmosphere, exact by definition


def parse_formula(formula: str) -> dict[str, float]:
    """Atoms of each element in a chemical formula.

    Parameters
    ----------
    formula : str
        For example ``"C8H18"``, ``"C2H5OH"``, ``"CH1.85O0.03"``; no brackets.

    Returns
    -------
    dict of str to float
        Element symbol to number of atoms.

    Examples
    --------
    >>> parse_formula("C2H5OH")
    {'C': 2.0, 'H': 6.0, 'O': 1.0}
    """
    terms = re.findall(r"([A-Z][a-z]?)(\d+\.?\d*|\.\d+)?", formula)
    if not terms or "".join(symbol + count for symbol, count in terms) != formula:
        raise ValueError(
            f"{formula!r} is not a chemical formula; write symbols and numbers, such as C8H18"
        )
    atoms: dict[str, float] = {}
    for symbol, count in terms:
        if symbol not in ATOMIC_MASS_G_MOL:
            raise ValueError(
                f"{formula!r} has the element {symbol!r}, which is in no fuel here; "
                f"use {', '.join(ATOMIC_MASS_G_MOL)}"
            )
        atoms[symbol] = atoms.get(symbol, 0.0) + (float(count) if count else 1.0)
    return atoms


def molar_mass_kg_mol(formula: str) -> float:
    """Mass of one mole of a formula.

    Parameters
    ----------
    formula : str
        As in :func:`parse_formula`.

    Returns
    -------
    molar_mass_kg_mol : float
        [kg/mol]

    Examples
    --------
    >>> round(molar_mass_kg_mol("H2O"), 6)
    0.018015
    """
    return sum(ATOMIC_MASS_G_MOL[s] * n for s, n in parse_formula(formula).items()) / 1000


DRY_AIR_MOLAR_MASS_KG_MOL = sum(
    fraction * molar_mass_kg_mol(gas) for gas, fraction in DRY_AIR_MOLE_FRACTION.items()
)


@cache
def stoichiometric_ratio(formula: str) -> float:
    """Mass of dry air that burns a unit mass of fuel completely.

    Parameters
    ----------
    formula : str
        Formula of the fuel, as in :func:`parse_formula`. For a blend, see
        :class:`tuninglib.physics.fuels.Blend`.

    Returns
    -------
    stoichiometric_ratio : float
        [kg air/kg fuel]

    Notes
    -----
    Atom balance: carbon to CO2, hydrogen to H2O, sulfur to SO2, nitrogen to N2, so that a formula
    needs C + H/4 + S − O/2 moles of O2 [1]_. Air is ``DRY_AIR_MOLE_FRACTION``.

    Examples
    --------
    >>> round(stoichiometric_ratio("C8H18"), 2)
    15.13

    References
    ----------
    .. [1] J. B. Heywood, Internal Combustion Engine Fundamentals, chapter 3.
    """
    atoms = parse_formula(formula)
    needs = {"C": 1.0, "H": 0.25, "S": 1.0, "O": -0.5}
    oxygen = sum(share * atoms.get(element, 0.0) for element, share in needs.items())
    if oxygen <= 0:
        said = f"{formula!r} needs no air to burn, so it is not a fuel"
        raise ValueError(f"{said}; check the formula")
    air_kg = oxygen / DRY_AIR_MOLE_FRACTION["O2"] * DRY_AIR_MOLAR_MASS_KG_MOL
    return air_kg / molar_mass_kg_mol(formula)


def lambda_from_gauge(reading: ArrayLike, *, gauge_scale: ArrayLike) -> float | np.ndarray:
    """Lambda behind the air-fuel ratio that a wideband gauge shows.

    Parameters
    ----------
    reading : float or array
        What the gauge shows. [the gauge's air-fuel ratio]
    gauge_scale : float or array
        What it shows at lambda 1; 1 if it shows lambda. [same]

    Returns
    -------
    lambda_ : same shape
        [-]

    Notes
    -----
    A wideband sensor measures lambda; the gauge multiplies by its own scale, whatever fuel is in
    the tank.

    Examples
    --------
    >>> round(lambda_from_gauge(12.8, gauge_scale=14.7), 4)
    0.8707
    """
    reading = positive(reading, "gauge reading", "", remedy="check the reading")
    gauge_scale = positive(gauge_scale, "gauge scale", "", remedy="give what it shows at lambda 1")
    return plain(reading / gauge_scale)


def true_ratio(lambda_: ArrayLike, *, stoichiometric_ratio: ArrayLike) -> float | np.ndarray:
    """Air-fuel ratio by mass of the fuel that is really in the tank.

    Parameters
    ----------
    lambda_ : float or array
        [-]
    stoichiometric_ratio : float or array
        Of that fuel. [kg air/kg fuel]

    Returns
    -------
    true_ratio : same shape
        [kg air/kg fuel]

    Examples
    --------
    >>> round(true_ratio(0.88, stoichiometric_ratio=14.0), 2)
    12.32
    """
    lambda_ = positive(lambda_, "lambda", "")
    stoichiometric_ratio = positive(stoichiometric_ratio, "stoichiometric ratio", "kg/kg")
    return plain(lambda_ * stoichiometric_ratio)


def exhaust_lambda(
    *,
    carbon_dioxide_mole_fraction: ArrayLike,
    carbon_monoxide_mole_fraction: ArrayLike,
    oxygen_mole_fraction: ArrayLike,
    hydrogen_to_carbon: ArrayLike,
    oxygen_to_carbon: ArrayLike = 0.0,
    hydrocarbon_mole_fraction: ArrayLike = 0.0,
    nitric_oxide_mole_fraction: ArrayLike = 0.0,
    water_gas_constant: ArrayLike = 3.5,
) -> float | np.ndarray:
    """Lambda from the composition of dry exhaust gas.

    Parameters
    ----------
    carbon_dioxide_mole_fraction, carbon_monoxide_mole_fraction : float or array
        In the dried gas, 0 to 1. [mol/mol]
    oxygen_mole_fraction : float or array
        [mol/mol]
    hydrogen_to_carbon, oxygen_to_carbon : float or array
        Atoms per carbon atom in the fuel. [-]
    hydrocarbon_mole_fraction : float or array
        Unburnt fuel, counted as carbon atoms. [mol/mol]
    nitric_oxide_mole_fraction : float or array
        [mol/mol]
    water_gas_constant : float
        (CO·H2O)/(CO2·H2) at which the gas froze. [-]

    Returns
    -------
    lambda_ : same shape
        [-]

    Notes
    -----
    Brettschneider's oxygen balance [1]_: oxygen found, in CO2, CO, O2, NO and the water that was
    dried out, over oxygen needed by all the carbon that came through,

    λ = {CO2 + CO/2 + O2 + NO/2 + [(H/4)·K/(K + CO/CO2) − O/2]·(CO2 + CO)} /
    {(1 + H/4 − O/2)·(CO2 + CO + HC)}.

    Examples
    --------
    >>> lambda_ = exhaust_lambda(
    ...     carbon_dioxide_mole_fraction=0.12371,
    ...     carbon_monoxide_mole_fraction=0.04454,
    ...     oxygen_mole_fraction=0.0,
    ...     hydrogen_to_carbon=1.85,
    ... )
    >>> round(lambda_, 3)
    0.88

    References
    ----------
    .. [1] J. Brettschneider, Berechnung des Luftverhältnisses λ von Luft-Kraftstoff-Gemischen
       (1979).
    """
    remedy = "give mole fractions of the dry gas, 0.12 for 12 %"
    share = {"unit": "", "at_most": 0.25, "remedy": remedy}
    co2 = require_or_missing(carbon_dioxide_mole_fraction, what="CO2", above=0, **share)
    co = require_or_missing(carbon_monoxide_mole_fraction, what="CO", at_least=0, **share)
    o2 = require_or_missing(oxygen_mole_fraction, what="O2", at_least=0, **share)
    hc = require_or_missing(hydrocarbon_mole_fraction, what="HC", at_least=0, **share)
    no = require_or_missing(nitric_oxide_mole_fraction, what="NO", at_least=0, **share)
    h = positive(hydrogen_to_carbon, "hydrogen to carbon ratio", "")
    o = limited(oxygen_to_carbon, "oxygen to carbon ratio", "", 0, 1, "check the formula")
    k = positive(water_gas_constant, "water-gas constant", "")
    found = co2 + co / 2 + o2 + no / 2 + (h / 4 * k / (k + co / co2) - o / 2) * (co2 + co)
    return plain(found / ((1 + h / 4 - o / 2) * (co2 + co + hc)))


def nernst_emf_v(
    oxygen_pressure_inside_pa: ArrayLike,
    *,
    reference_oxygen_pressure_pa: ArrayLike = DRY_AIR_MOLE_FRACTION["O2"] * STANDARD_PRESSURE_PA,
    temperature_k: ArrayLike = 973.15,
) -> float | np.ndarray:
    """Voltage of a zirconia oxygen cell, the narrowband sensor.

    Parameters
    ----------
    oxygen_pressure_inside_pa : float or array
        Partial pressure of oxygen at the exhaust side, at equilibrium. [Pa]
    reference_oxygen_pressure_pa : float
        At the air side; by default that of dry air at standard pressure. [Pa]
    temperature_k : float or array
        Of the cell. [K]

    Returns
    -------
    emf_v : same shape
        Positive when the exhaust side has less oxygen. [V]

    Notes
    -----
    Nernst: E = R·T/(4·F)·ln(p_ref/p). Rich of lambda 1 the voltage hardly moves, which is why
    such a sensor switches but does not meter a full-throttle mixture.

    Examples
    --------
    >>> round(nernst_emf_v(1e-15 * 101325), 4)
    0.6913
    """
    inside_pa = positive(oxygen_pressure_inside_pa, "oxygen pressure inside", "Pa")
    outside_pa = positive(reference_oxygen_pressure_pa, "reference oxygen pressure", "Pa")
    remedy = "give kelvin, degC plus 273.15"
    temperature_k = limited(temperature_k, "sensor temperature", "K", 400, 1500, remedy)
    slope_v = GAS_CONSTANT_J_MOL_K * temperature_k / (4 * FARADAY_CONSTANT_C_MOL)
    return plain(slope_v * np.log(outside_pa / inside_pa))
