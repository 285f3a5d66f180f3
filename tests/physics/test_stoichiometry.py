import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tuninglib.physics.stoichiometry import (
    exhaust_lambda,
    lambda_from_gauge,
    nernst_emf_v,
    parse_formula,
    stoichiometric_ratio,
    true_ratio,
)

EXHAUST = {
    "carbon_dioxide_mole_fraction": 0.12371,
    "carbon_monoxide_mole_fraction": 0.04454,
    "oxygen_mole_fraction": 0.0,
    "hydrogen_to_carbon": 1.85,
}


@pytest.mark.parametrize(
    ("formula", "atoms"),
    [
        ("C8H18", {"C": 8, "H": 18}),
        ("CH1.85O0.03", {"C": 1, "H": 1.85, "O": 0.03}),
        ("CH1.85O.03", {"C": 1, "H": 1.85, "O": 0.03}),
        ("C2H5OH", {"C": 2, "H": 6, "O": 1}),
        ("ArN2", {"Ar": 1, "N": 2}),
    ],
)
def test_parse_formula(formula, atoms):
    assert parse_formula(formula) == atoms


@pytest.mark.parametrize("formula", ["", "c8h18", "C8H18 ", "C8(H9)2", "8C", "C8-H18", "C1..2"])
def test_parse_formula_refuses_what_is_no_formula(formula):
    with pytest.raises(ValueError, match="is not a chemical formula; write symbols and numbers"):
        parse_formula(formula)


def test_parse_formula_refuses_an_unknown_element():
    with pytest.raises(ValueError, match="element 'Pb', which is in no fuel here"):
        parse_formula("PbC8H20")


@pytest.mark.parametrize("formula", ["CO2", "H2O", "O2", "N2"])
def test_stoichiometric_ratio_refuses_what_does_not_burn(formula):
    with pytest.raises(ValueError, match="needs no air to burn, so it is not a fuel"):
        stoichiometric_ratio(formula)


def test_stoichiometric_ratio_does_not_depend_on_how_a_formula_is_scaled():
    assert stoichiometric_ratio("CH2.25") == pytest.approx(stoichiometric_ratio("C8H18"), rel=1e-12)


def test_sulfur_needs_air():
    # S + O2: 32.06 g need 1/0.20946 mol of air of 28.9657 g/mol.
    assert stoichiometric_ratio("S") == pytest.approx(28.96573 / 0.20946 / 32.06, rel=1e-6)


def test_gauge_that_shows_lambda():
    assert lambda_from_gauge(0.87, gauge_scale=1.0) == 0.87


def complete_combustion(hydrogen, oxygen, lambda_, unburnt=0.0, nitric_oxide=0.0):
    """Dry exhaust of one carbon atom, lean, by atom balance; some fuel goes through unburnt."""
    need = 1 + hydrogen / 4 - oxygen / 2
    burnt = 1 - unburnt
    air_oxygen = lambda_ * need
    o2 = air_oxygen - burnt * need - nitric_oxide / 2
    n2 = 3.774 * air_oxygen - nitric_oxide / 2
    total = burnt + o2 + n2 + unburnt + nitric_oxide
    return {
        "carbon_dioxide_mole_fraction": burnt / total, "carbon_monoxide_mole_fraction": 0.0,
        "oxygen_mole_fraction": o2 / total, "hydrocarbon_mole_fraction": unburnt / total,
        "nitric_oxide_mole_fraction": nitric_oxide / total, "hydrogen_to_carbon": hydrogen,
        "oxygen_to_carbon": oxygen,
    }  # fmt: skip


@given(
    st.floats(1.0, 4.0), st.floats(0.0, 0.5), st.floats(1.01, 1.3), st.floats(0, 0.02),
    st.floats(0.0, 0.01),
)  # fmt: skip
def test_exhaust_lambda_of_lean_exhaust(hydrogen, oxygen, lambda_, unburnt, nitric_oxide):
    exhaust = complete_combustion(hydrogen, oxygen, lambda_, unburnt, nitric_oxide)
    assert exhaust_lambda(**exhaust) == pytest.approx(lambda_, rel=1e-12)


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("carbon_dioxide_mole_fraction", 12.4, "CO2 is 12.4 but must be at most 0.25; give"),
        ("carbon_dioxide_mole_fraction", 0.0, "CO2 is 0 but must be above 0"),
        ("carbon_monoxide_mole_fraction", -0.01, "CO is -0.01"),
        ("oxygen_mole_fraction", 1.2, "O2 is 1.2 but must be at most 0.25; .* 0.12 for 12 %"),
        ("hydrogen_to_carbon", 0.0, "hydrogen to carbon ratio is 0 but must be above 0"),
        ("oxygen_to_carbon", -0.1, "oxygen to carbon ratio is -0.1 .*; check the formula"),
        ("water_gas_constant", 0.0, "water-gas constant is 0"),
    ],
)  # fmt: skip
def test_exhaust_lambda_refuses(key, value, message):
    with pytest.raises(ValueError, match=message):
        exhaust_lambda(**{**EXHAUST, key: value})


def test_cell_gives_nothing_between_equal_gases():
    assert nernst_emf_v(2e4, reference_oxygen_pressure_pa=2e4) == 0.0
    assert nernst_emf_v(3e4, reference_oxygen_pressure_pa=2e4) < 0.0


CALLS = [
    (
        lambda x: lambda_from_gauge(x, gauge_scale=14.7),
        12.8,
        "gauge reading is .*; check the reading",
    ),
    (lambda x: lambda_from_gauge(12.8, gauge_scale=x), 14.7, "gauge scale is"),
    (lambda x: true_ratio(x, stoichiometric_ratio=14.0), 0.87, "lambda is"),
    (lambda x: true_ratio(0.87, stoichiometric_ratio=x), 14.0, "stoichiometric ratio is"),
    (lambda x: exhaust_lambda(**{**EXHAUST, "carbon_monoxide_mole_fraction": x}), 0.04, "CO is"),
    (nernst_emf_v, 1e-10, "oxygen pressure inside is"),
    (lambda x: nernst_emf_v(1e-10, reference_oxygen_pressure_pa=x), 2e4, "reference oxygen"),
    (lambda x: nernst_emf_v(1e-10, temperature_k=x), 973.15, "sensor temperature is"),
]


@pytest.mark.parametrize(("call", "value", "message"), CALLS)
def test_negative_input_is_refused(call, value, message):
    with pytest.raises(ValueError, match=message):
        call(-value)
    with pytest.raises(ValueError, match=message):
        call(np.array([value, -value]))
