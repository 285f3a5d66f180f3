"""What is not known of a fuel, in the amount that it asks for; and fuels that lack octane."""

import numpy as np
import pytest

from tuninglib.analysis.mixture import fuel_limits, fuel_terms
from tuninglib.physics.fuels import Blend
from tuninglib.physics.injector import metering_demand
from tuninglib.session.load import load_session


def asked(ethanol, density):
    blend = Blend(ethanol, petrol_density_kg_m3=density)
    return np.log(metering_demand(blend.stoichiometric_ratio, blend.density_kg_m3))


@pytest.mark.parametrize(("ethanol", "half"), [(0.095, 0.015), (0.7, 0.08)])
def test_the_doubt_of_a_fuel_is_that_of_its_content_and_its_density(edit, ethanol, half):
    """Differences over the whole of what is typed, not over a small step."""
    typed = f'ethanol = "{100 * ethanol:g} +/- {100 * half:g} %"'
    edit("session.toml", 'ethanol = "9.5 +/- 0.5 %"', typed)
    for widest in (5, 30):
        told = f'petrol_density = "745 +/- {widest} kg/m3"\noctane = "95 RON"'
        edit("session.toml", 'octane = "95 RON"', told)
        session = load_session(edit("session.toml", "[fuels.e10]", "[fuels.e10]"))
        by_content = (asked(ethanol + half, 745.0) - asked(ethanol - half, 745.0)) / 2
        by_density = (asked(ethanol, 745.0 + widest) - asked(ethanol, 745.0 - widest)) / 2
        terms = fuel_terms(session, "e10")
        expected = np.hypot(by_content, by_density)
        assert 1.96 * terms.sd == pytest.approx(expected, rel=0.03)
        edit("session.toml", told, 'octane = "95 RON"')


def test_a_fuel_below_the_makers_octane_is_said_once_and_of_no_engine(edit):
    limits = fuel_limits(
        load_session(edit("session.toml", 'octane = "95 RON"', 'octane = "85 RON"'))
    )
    (low,) = [one for one in limits if one.fuel == "e10"]
    assert (low.code, low.engine) == ("octane", None)
    # Enough for the maker, but not for the raised compression of one engine.
    folder = edit("session.toml", 'octane = "85 RON"', 'octane = "91 RON"')
    (low,) = [one for one in fuel_limits(load_session(folder)) if one.fuel == "e10"]
    assert (low.code, low.engine) == ("octane", "big")
    # Nothing is asked for: nothing is too low.
    folder = edit("session.toml", 'lowest_octane = "91 RON"', "")
    assert [one for one in fuel_limits(load_session(folder)) if one.code == "octane"] == []
