"""Lambda from exhaust gas and from oxygen cells against papers and against chemical equilibrium."""

import functools

import pytest

from tuninglib.physics.fuels import Blend
from tuninglib.physics.stoichiometry import (
    exhaust_lambda,
    lambda_from_gauge,
    nernst_emf_v,
    true_ratio,
)

AIR = "O2:0.20946, N2:0.78084, Ar:0.0097"
EQUILIBRIUM = pytest.mark.outside(source="Cantera chemical equilibrium, NASA gas data")


@functools.cache
def burnt_gas(names):
    cantera = pytest.importorskip("cantera")
    cantera.suppress_thermo_warnings()
    known = {s.name: s for s in cantera.Species.list_from_file("nasa_gas.yaml")}
    return cantera.Solution(thermo="ideal-gas", species=[known[name] for name in names])


FUELS = ("C8H18,isooctane", "C7H8", "C2H5OH")
# What an exhaust analyser sees: no radicals, no methane.
FROZEN = ("CO2", "CO", "H2", "H2O", "O2", "N2", "Ar", *FUELS)
ALL = ("CO2", "CO", "H2", "H2O", "O2", "N2", "Ar", "OH", "H", "O", "NO", "CH4", *FUELS)


def water_gas_constant(gas):
    amounts = gas.mole_fraction_dict()
    return amounts["CO"] * amounts["H2O"] / (amounts["CO2"] * amounts["H2"])


@EQUILIBRIUM
@pytest.mark.parametrize(
    ("fuel", "hydrogen", "oxygen", "lambda_"),
    [
        (FUELS[0], 18 / 8, 0.0, 0.75),
        (FUELS[0], 18 / 8, 0.0, 1.10),
        (FUELS[1], 8 / 7, 0.0, 0.85),
        (FUELS[2], 3.0, 0.5, 0.85),
        (FUELS[2], 3.0, 0.5, 1.00),
    ],
)
def test_lambda_of_equilibrium_exhaust(fuel, hydrogen, oxygen, lambda_):
    gas = burnt_gas(FROZEN)
    gas.set_equivalence_ratio(1 / lambda_, fuel, AIR)
    gas.TP = 1700.0, 101325.0
    gas.equilibrate("TP")
    wet = gas.mole_fraction_dict()
    dry = {name: amount / (1 - wet["H2O"]) for name, amount in wet.items()}
    found = exhaust_lambda(
        carbon_dioxide_mole_fraction=dry["CO2"], carbon_monoxide_mole_fraction=dry["CO"],
        oxygen_mole_fraction=dry["O2"], hydrogen_to_carbon=hydrogen, oxygen_to_carbon=oxygen,
        water_gas_constant=water_gas_constant(gas),
    )  # fmt: skip
    assert found == pytest.approx(lambda_, abs=1e-5)


@EQUILIBRIUM
def test_usual_water_gas_constant_is_that_of_hot_exhaust():
    # 3.5 is the constant of the paper; equilibrium passes it between 1600 and 1800 K.
    constants = []
    for temperature_k in (1600.0, 1800.0):
        gas = burnt_gas(FROZEN)
        gas.set_equivalence_ratio(1 / 0.9, FUELS[0], AIR)
        gas.TP = temperature_k, 101325.0
        gas.equilibrate("TP")
        constants.append(water_gas_constant(gas))
    assert constants[0] < 3.5 < constants[1]


def equilibrium_emf_v(lambda_, celsius):
    gas = burnt_gas(ALL)
    gas.set_equivalence_ratio(1 / lambda_, FUELS[0], AIR)
    gas.TP = celsius + 273.15, 101325.0
    gas.equilibrate("TP", rtol=1e-12, max_steps=5000)
    chemical = gas.chemical_potentials[gas.species_index("O2")]
    return nernst_emf_v(gas["O2"].X[0] * gas.P, temperature_k=gas.T), chemical, gas


@EQUILIBRIUM
@pytest.mark.parametrize("lambda_", [0.85, 1.05])
def test_voltage_is_the_difference_of_chemical_potential(lambda_):
    # An oxygen cell measures Δμ/(4·F); the library gives μ of oxygen on both sides directly.
    emf, inside, gas = equilibrium_emf_v(lambda_, 700.0)
    gas.TPX = gas.T, gas.P, AIR
    outside = gas.chemical_potentials[gas.species_index("O2")]
    reference = (outside - inside) / (4 * 96485.33212e3)  # J/kmol
    assert emf == pytest.approx(reference, abs=1e-6)


@EQUILIBRIUM
@pytest.mark.parametrize("celsius", [600.0, 800.0])
def test_cell_switches_at_lambda_one(celsius):
    rich, lean = (equilibrium_emf_v(lambda_, celsius)[0] for lambda_ in (0.9999, 1.0001))
    assert rich > 0.450 > lean


@EQUILIBRIUM
def test_narrowband_cannot_meter_a_rich_mixture():
    # From lambda 0.80 to 0.95 the voltage moves by 70 mV, while it moves by 700 mV around 1.
    rich, richer, lean = (equilibrium_emf_v(lambda_, 700.0)[0] for lambda_ in (0.95, 0.80, 1.01))
    assert (richer - rich) * 1000 == pytest.approx(70.0, abs=2.0)
    assert rich - lean > 10 * (richer - rich)


@EQUILIBRIUM
def test_four_fifths_of_the_swing_lie_between_14_5_and_14_9():
    # The report's sentence on narrowband sensors, on a 14.7 scale from 11.8 to 17.6.
    rich, low, high, lean = (
        equilibrium_emf_v(shown / 14.7, 700.0)[0] for shown in (11.8, 14.5, 14.9, 17.6)
    )
    assert (low - high) / (rich - lean) == pytest.approx(0.8, abs=0.02)


def test_true_ratio_of_a_gauge_reading_on_e10():
    # A gauge on a 14.7 scale shows 12.8 on E10: lambda 0.8707, truly 12.18.
    lambda_ = lambda_from_gauge(12.8, gauge_scale=14.7)
    assert lambda_ == pytest.approx(0.8707, abs=5e-5)
    ours = true_ratio(lambda_, stoichiometric_ratio=Blend(0.10).stoichiometric_ratio)
    assert ours == pytest.approx(12.18, abs=0.005)
