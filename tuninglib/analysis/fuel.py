"""Fuels against what the maker allows, what the engine now needs, and what injectors deliver."""

import numpy as np

from tuninglib.analysis.records import FuelLimit, OctaneMargin
from tuninglib.physics.blend import Blend
from tuninglib.physics.injector import metering_demand
from tuninglib.physics.octane import octane_margin
from tuninglib.session.defaults import blend_of, ethanol_of, petrol_density_of


def octane_margins(session) -> tuple:
    """Octane of each fuel against the need of each engine that was fitted.

    Parameters
    ----------
    session : tuninglib.session.load.Session

    Returns
    -------
    tuple of OctaneMargin
        Empty where the maker's number is not known.

    Notes
    -----
    The maker's number is for the engine as it was made, which the reference setup is taken to be;
    an engine of higher compression needs more.
    """
    need = session.bike.octane_need
    if need is None:
        return ()
    made = session.engines[session.setups[session.about.reference].engine].compression
    found = []
    for engine in dict.fromkeys(setup.engine for setup in session.setups.values()):
        compression = session.engines[engine].compression
        known = made is not None and compression is not None
        rise = max(compression - made, 0.0) if known else 0.0
        for name, fuel in session.fuels.items():
            has = fuel.octane_number
            margin = "unknown" if has is None else octane_margin(has, need, compression_rise=rise)
            found.append(OctaneMargin(engine, name, margin, has, need, rise))
    return tuple(found)


def fuel_limits(session) -> tuple:
    """Fuels that must not be burnt.

    Parameters
    ----------
    session : tuninglib.session.load.Session

    Returns
    -------
    tuple of FuelLimit
        A fuel that breaks two limits stands there twice; one that only one engine cannot take
        names that engine.
    """
    most, found = session.bike.highest_ethanol, []
    for name, fuel in session.fuels.items():
        ethanol = ethanol_of(fuel)
        if most and ethanol.value > most.value + 1e-9:
            found.append(FuelLimit(name, "ethanol", ethanol.value, most.value, None))
    need = session.bike.octane_need
    for name, fuel in session.fuels.items():
        has = fuel.octane_number
        if need is not None and has is not None and octane_margin(has, need) == "not enough":
            found.append(FuelLimit(name, "octane", has, need, None))
    below = {limit.fuel for limit in found if limit.code == "octane"}
    for one in octane_margins(session):
        if one.margin == "not enough" and one.fuel not in below:
            found.append(FuelLimit(one.fuel, "octane", one.octane, one.need, one.engine))
    return tuple(found)


def fuel_terms(session, fuel: str) -> dict:
    """What a fuel is to the ladder, with how far what it asks for may be off.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    fuel : str

    Returns
    -------
    dict
        Arguments of :func:`tuninglib.statistics.ladder_prediction.predict`.
    """
    record = session.fuels[fuel]
    blend, ethanol, density = blend_of(record), ethanol_of(record), petrol_density_of(record)

    def demand(share, petrol):
        one = Blend(share, petrol_density_kg_m3=petrol)
        return float(np.log(metering_demand(one.stoichiometric_ratio, one.density_kg_m3)))

    step = 1e-3 if ethanol.value < 0.5 else -1e-3
    here = demand(ethanol.value, density.value)
    by_ethanol = (demand(ethanol.value + step, density.value) - here) / step
    by_density = demand(ethanol.value, density.value + 1.0) - here
    return {
        "stoichiometric_ratio": float(blend.stoichiometric_ratio),
        "density_kg_m3": float(blend.density_kg_m3),
        "fuel": fuel,
        "fuel_sd": float(np.hypot(by_ethanol * ethanol.sd, by_density * density.sd)),
    }
