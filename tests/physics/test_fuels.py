"""Blends and octane numbers: by hand, against what standards print, and what is refused."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tuninglib.physics import fuels
from tuninglib.physics.fuels import (
    PER_COMPRESSION,
    SENSITIVITY,
    Blend,
    Octane,
    known_higher,
    octane_margin,
    on_scale,
)
from tuninglib.physics.stoichiometry import stoichiometric_ratio

CONTENTS = st.floats(0.0, 1.0)


def test_pure_petrol_is_petrol():
    petrol = Blend(0.0, petrol_density_kg_m3=735.0, petrol_heating_value_j_kg=43e6)
    assert petrol.density_kg_m3 == 735.0
    assert petrol.ethanol_mass_fraction == 0.0
    assert petrol.stoichiometric_ratio == stoichiometric_ratio("CH1.85")
    assert petrol.lower_heating_value_j_kg == 43e6
    assert petrol.lower_heating_value_j_m3 == 43e6 * 735.0
    assert petrol.oxygen_mass_fraction == 0.0
    assert petrol.hydrogen_to_carbon == pytest.approx(1.85, rel=1e-12)


def test_pure_ethanol_is_ethanol():
    ethanol = Blend(1.0)
    assert ethanol.density_kg_m3 == 794.0
    assert ethanol.ethanol_mass_fraction == 1.0
    assert ethanol.stoichiometric_ratio == pytest.approx(stoichiometric_ratio("C2H5OH"), rel=1e-12)
    assert ethanol.oxygen_mass_fraction == pytest.approx(15.999 / 46.069, rel=1e-12)
    assert ethanol.hydrogen_to_carbon == pytest.approx(3.0, rel=1e-12)
    assert ethanol.oxygen_to_carbon == pytest.approx(0.5, rel=1e-12)


@pytest.mark.parametrize(
    # By hand. A light petrol brings E10 above the 3.7 % of EN 228.
    ("content", "petrol_density", "per_cent"),
    [(0.10, 720.0, 3.791), (0.10, 745.0, 3.677), (0.10, 775.0, 3.549), (0.05, 745.0, 1.845)],
)
def test_oxygen(content, petrol_density, per_cent):
    fuel = Blend(content, petrol_density_kg_m3=petrol_density)
    assert 100 * fuel.oxygen_mass_fraction == pytest.approx(per_cent, abs=1e-3)


def test_petrol_formula_may_hold_oxygen_already():
    with_oxygen = Blend(0.0, petrol_formula="CH1.85O0.03")
    assert with_oxygen.oxygen_to_carbon == pytest.approx(0.03, rel=1e-12)
    assert with_oxygen.stoichiometric_ratio < Blend(0.0).stoichiometric_ratio


@given(CONTENTS)
def test_atoms_per_carbon_give_the_same_stoichiometric_ratio(content):
    fuel = Blend(content)
    formula = f"CH{fuel.hydrogen_to_carbon:.9f}O{fuel.oxygen_to_carbon:.9f}"
    assert stoichiometric_ratio(formula) == pytest.approx(fuel.stoichiometric_ratio, rel=1e-7)


def test_denser_petrol_runs_richer():
    light, heavy = (Blend(0.05, petrol_density_kg_m3=d) for d in (720.0, 775.0))
    assert fuels.lambda_shift(light, heavy) < 1.0


def test_density_of_hot_petrol():
    # By hand: α·Δt = 1.21e-3·60 = 0.0726; 745·exp(-0.0726·(1 + 0.8·0.0726))
    assert fuels.density_at_temperature(745.0, 348.15, 0.0) == pytest.approx(689.91, abs=0.005)


@given(st.floats(1e-4, 0.05), CONTENTS, st.floats(0.0, 0.05), CONTENTS)
def test_topping_up_keeps_the_ethanol(tank_m3, tank, added_m3, added):
    content = fuels.content_after_topping_up(
        tank_volume_m3=tank_m3,
        tank_ethanol_volume_fraction=tank,
        added_volume_m3=added_m3,
        added_ethanol_volume_fraction=added,
    )
    assert content * (tank_m3 + added_m3) == pytest.approx(
        tank * tank_m3 + added * added_m3, rel=1e-12, abs=1e-15
    )


@given(st.floats(1e-4, 0.05), CONTENTS, CONTENTS, st.floats(0.01, 0.99))
def test_volume_to_add_gives_what_was_wanted(tank_m3, tank, added, share):
    assume(abs(tank - added) > 1e-3)
    wanted = tank + share * (added - tank)
    added_m3 = fuels.volume_to_add(
        tank_volume_m3=tank_m3,
        tank_ethanol_volume_fraction=tank,
        added_ethanol_volume_fraction=added,
        wanted_ethanol_volume_fraction=wanted,
    )
    reached = fuels.content_after_topping_up(
        tank_volume_m3=tank_m3,
        tank_ethanol_volume_fraction=tank,
        added_volume_m3=added_m3,
        added_ethanol_volume_fraction=added,
    )
    assert reached == pytest.approx(wanted, abs=1e-9)


TANK = {
    "tank_volume_m3": 0.003,
    "tank_ethanol_volume_fraction": 0.05,
    "added_ethanol_volume_fraction": 0.85,
    "wanted_ethanol_volume_fraction": 0.25,
}


@pytest.mark.parametrize("added", [0.05, 0.85])
def test_nothing_to_add_where_the_tank_is_right(added):
    right = {"wanted_ethanol_volume_fraction": 0.05, "added_ethanol_volume_fraction": added}
    assert fuels.volume_to_add(**{**TANK, **right}) == 0.0


@pytest.mark.parametrize(
    "change",
    [
        {"wanted_ethanol_volume_fraction": 0.90},  # beyond what is added
        {"wanted_ethanol_volume_fraction": 0.85},  # only an endless amount would do
        {"wanted_ethanol_volume_fraction": 0.0},  # the other way
        {"added_ethanol_volume_fraction": 0.05},  # the same as in the tank
        {"wanted_ethanol_volume_fraction": np.array([0.25, 0.90])},
    ],
)
def test_impossible_content_is_refused(change):
    message = "wanted ethanol content is .* but must be between 0.05 in the tank and .*; choose"
    with pytest.raises(ValueError, match=message):
        fuels.volume_to_add(**{**TANK, **change})


def test_octane_interaction():
    # x = 0.2173 in E10: 20·0.2173·0.7827 = 3.40
    plain, bent = (
        fuels.blend_octane(
            Blend(0.10), petrol_octane=91.0, ethanol_octane=109.0, interaction=interaction
        )
        for interaction in (0.0, 20.0)
    )
    assert bent - plain == pytest.approx(3.40, abs=0.005)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Blend(10.0), "ethanol content is 10 but must be at most 1; .* 0.10 for 10 %"),
        (lambda: Blend(-0.1), "ethanol content is -0.1"),
        (lambda: Blend(np.array([0.1, 1.1])), "ethanol content is 1.1"),
        (lambda: Blend(0.1, petrol_density_kg_m3=0.745), "petrol density is 0.745 kg/m3 but "),
        (lambda: Blend(0.1, petrol_heating_value_j_kg=43.0), "heating value is 43 J/kg but"),
        (lambda: Blend(0.1, petrol_formula="CO2"), "'CO2' needs no air to burn"),
        (lambda: fuels.density_at_temperature(745.0, 20.0, 0.1), "fuel temperature is 20 K but "),
        (lambda: fuels.density_at_temperature(0.745, 293.0, 0.1), "fuel density is 0.745 kg/m3"),
        (lambda: fuels.density_at_temperature(745.0, 293.0, 10.0), "ethanol content is 10 but "),
        (lambda: fuels.volume_to_add(**{**TANK, "tank_volume_m3": 0.0}), "volume in the tank is 0"),
        (lambda: fuels.volume_to_add(**{**TANK, "tank_ethanol_volume_fraction": 5.0}),
         "ethanol content of the tank is 5"),
        (lambda: fuels.volume_to_add(**{**TANK, "added_ethanol_volume_fraction": 85.0}),
         "ethanol content of the added fuel is 85"),
        (lambda: fuels.volume_to_add(**{**TANK, "wanted_ethanol_volume_fraction": 25.0}),
         "wanted ethanol content is 25"),
        (
            lambda: fuels.content_after_topping_up(
                tank_volume_m3=0.0,
                tank_ethanol_volume_fraction=0.05,
                added_volume_m3=0.0,
                added_ethanol_volume_fraction=0.85,
            ),
            "volume after topping up is 0 m3 but must be above 0 m3; give some fuel",
        ),
        (
            lambda: fuels.content_after_topping_up(
                tank_volume_m3=0.003,
                tank_ethanol_volume_fraction=0.05,
                added_volume_m3=-0.001,
                added_ethanol_volume_fraction=0.85,
            ),
            "volume added is -0.001 m3 but must be at least 0 m3; check the sign",
        ),
        (lambda: fuels.blend_octane(Blend(0.1), petrol_octane=9.1, ethanol_octane=109.0),
         "octane number of petrol is 9.1"),
        (
            lambda: fuels.blend_octane(
                Blend(0.1),
                petrol_octane=91.0,
                ethanol_octane=109.0,
                petrol_molar_mass_kg_mol=108.0,
            ),
            "petrol molar mass is 108 kg/mol but .* 108 g/mol is 0.108",
        ),
        (lambda: fuels.charge_cooling_j_kg_air(Blend(0.1), lambda_=0.0), "lambda is 0 but "),
    ],
)  # fmt: skip
def test_non_physical_input_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


# Octane numbers -----------------------------------------------------------------------------------


# Unleaded petrol is to have at least RON 95 and MON 85; the number on an American pump is half the
# sum of both.
@pytest.mark.outside(source="EN 228: RON 95 and MON 85; 16 CFR 306.0(a): half the sum of both")
def test_european_petrol_on_the_other_scales():
    ron, mon = 95.0, 85.0
    research = Octane(ron, "RON")
    assert on_scale(research, "MON").low <= mon <= on_scale(research, "MON").high
    pump = on_scale(research, "AKI")
    assert pump.value == (ron + mon) / 2
    assert on_scale(Octane(mon, "MON"), "AKI").value == (ron + mon) / 2
    assert pump.low < pump.value < pump.high


@pytest.mark.parametrize("scale", ["RON", "MON", "AKI"])
def test_on_its_own_scale_a_number_is_exact(scale):
    found = on_scale(Octane(91.0, scale), scale)
    assert (found.low, found.value, found.high) == (91.0, 91.0, 91.0)


@pytest.mark.parametrize(
    ("octane", "scale", "low", "high"),
    [
        (Octane(91.0, "AKI"), "RON", 95.0, 97.0),
        (Octane(95.0, "RON"), "AKI", 89.0, 91.0),
        (Octane(95.0, "RON"), "MON", 83.0, 87.0),
        (Octane(85.0, "MON"), "RON", 93.0, 97.0),
        (Octane(85.0, "MON"), "AKI", 89.0, 91.0),
        (Octane(90.0, "AKI"), "MON", 84.0, 86.0),
    ],
)
def test_other_scales_by_hand(octane, scale, low, high):
    """Half of 8 to 12 lies between AKI and either; the whole of it between RON and MON."""
    found = on_scale(octane, scale)
    assert (found.low, found.high) == (low, high)
    assert found.low < found.value < found.high


@pytest.mark.parametrize(
    ("one", "other", "higher"),
    [
        (Octane(98.0, "RON"), Octane(95.0, "RON"), True),
        (Octane(95.0, "RON"), Octane(95.0, "RON"), False),
        (Octane(95.0, "RON"), Octane(98.0, "RON"), False),
        # 91 AKI is 95 to 97 RON; 98 RON is 92 to 94 AKI.
        (Octane(98.0, "RON"), Octane(91.0, "AKI"), True),
        (Octane(97.0, "RON"), Octane(91.0, "AKI"), False),
        (Octane(91.0, "AKI"), Octane(94.0, "RON"), True),
        (Octane(91.0, "AKI"), Octane(95.0, "RON"), False),
        (None, Octane(95.0, "RON"), False),
        (Octane(95.0, "RON"), None, False),
        (None, None, False),
    ],
)
def test_higher_only_where_it_is_known(one, other, higher):
    assert known_higher(one, other) is higher


def test_no_two_fuels_are_each_higher_than_the_other():
    fuels = [Octane(v, s) for s in ("RON", "MON", "AKI") for v in range(80, 101)]
    assert not [
        (one, other)
        for one in fuels
        for other in fuels
        if known_higher(one, other) and known_higher(other, one)
    ]


@pytest.mark.parametrize(
    ("fuel", "need", "rise", "margin"),
    [
        (Octane(95.0, "RON"), Octane(95.0, "RON"), 0.0, "enough"),
        (Octane(94.9, "RON"), Octane(95.0, "RON"), 0.0, "not enough"),
        # One unit of compression: 98 to 100 of 95.
        (Octane(100.0, "RON"), Octane(95.0, "RON"), 1.0, "enough"),
        (Octane(99.9, "RON"), Octane(95.0, "RON"), 1.0, "unclear"),
        (Octane(98.0, "RON"), Octane(95.0, "RON"), 1.0, "unclear"),
        (Octane(97.9, "RON"), Octane(95.0, "RON"), 1.0, "not enough"),
        # Lowered: the maker's number stays.
        (Octane(94.0, "RON"), Octane(95.0, "RON"), -2.0, "not enough"),
        (Octane(95.0, "RON"), Octane(95.0, "RON"), -2.0, "enough"),
        # Other scales: 91 AKI is 95 to 97 RON, 90 AKI is 94 to 96.
        (Octane(91.0, "AKI"), Octane(95.0, "RON"), 0.0, "enough"),
        (Octane(90.0, "AKI"), Octane(95.0, "RON"), 0.0, "unclear"),
        (Octane(88.0, "AKI"), Octane(95.0, "RON"), 0.0, "not enough"),
        (Octane(95.0, "RON"), Octane(91.0, "AKI"), 0.0, "unclear"),
        (Octane(91.0, "RON"), Octane(87.0, "AKI"), 0.0, "unclear"),
    ],
)
def test_margin(fuel, need, rise, margin):
    assert octane_margin(fuel, need, compression_rise=rise) == margin


def test_more_compression_never_helps_and_more_octane_never_hurts():
    ranks = {"not enough": 0, "unclear": 1, "enough": 2}
    need = Octane(95.0, "RON")
    for number in range(90, 106):
        fuel, more = Octane(float(number), "RON"), Octane(number + 1.0, "RON")
        by_rise = [
            ranks[octane_margin(fuel, need, compression_rise=rise / 10)] for rise in range(20)
        ]
        assert by_rise == sorted(by_rise, reverse=True)
        for rise in (0.0, 0.5, 1.0):
            had = ranks[octane_margin(fuel, need, compression_rise=rise)]
            assert ranks[octane_margin(more, need, compression_rise=rise)] >= had


def test_the_ranges_hold_their_values():
    for interval in (SENSITIVITY, PER_COMPRESSION):
        assert 0 < interval.low < interval.value < interval.high


@pytest.mark.parametrize("value", [49.9, 140.1])
def test_a_number_that_no_fuel_has_is_refused(value):
    with pytest.raises(ValueError, match=f"octane number .*{value}.*see the pump"):
        Octane(value, "RON")


def test_an_unknown_scale_is_refused():
    with pytest.raises(ValueError, match="'PON' is not an octane scale; write one of RON"):
        Octane(91.0, "PON")


def test_it_is_printed_as_on_the_pump():
    assert str(Octane(91.0, "AKI")) == "91 AKI"
    assert str(Octane(95.5, "RON")) == "95.5 RON"
