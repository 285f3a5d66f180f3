"""Lambda of an injector on a fuel: the ladder of a session, asked at any point."""

from dataclasses import dataclass

import numpy as np

from tuninglib.analysis.fuel import fuel_terms
from tuninglib.analysis.injector import AIR_DENSITY_KG_M3
from tuninglib.analysis.readings import flow_on_bike, ladder_columns, weighed_readings
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.blend import PETROL_DENSITY_KG_M3, Blend
from tuninglib.physics.engine import air_mass_per_cycle_kg, cycle_time_s, fuel_mass_per_cycle_kg
from tuninglib.physics.injector import mass_flow_kg_s, metering_demand, open_time_s
from tuninglib.session.defaults import air_of_runs, ethanol_of, petrol_density_of
from tuninglib.statistics.ladder import fit_ladder
from tuninglib.statistics.ladder_prediction import Odds, predict

_POINTS = 60


@dataclass(frozen=True, kw_only=True)
class AskedLadder:
    """What the sliders ask: a session's fit, and what does not change under them.

    Attributes
    ----------
    fit : tuninglib.statistics.ladder.LadderFit
    engine : str
    flow_m3_s : array
        Of the curve. [m3/s]
    reading_flow_m3_s, reading_lambda_by_fuel : array
        Of each reading on this engine; lambda times what the fuel asks for, so that it can be
        brought to any fuel.
    petrol_density_kg_m3 : float
    fuels : dict of float to dict
        Ethanol of each fuel of the session to its name and what is not known of it.
    """

    fit: object
    engine: str
    flow_m3_s: np.ndarray
    reading_flow_m3_s: np.ndarray
    reading_lambda_by_fuel: np.ndarray
    petrol_density_kg_m3: float
    fuels: dict

    def blend(self, ethanol_volume_fraction: float) -> Blend:
        """The session's petrol with this much ethanol."""
        return Blend(ethanol_volume_fraction, petrol_density_kg_m3=self.petrol_density_kg_m3)


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """Lambda of one injector on one fuel, and the curve that it lies on.

    Attributes
    ----------
    lambda_, true_ratio : Interval
    odds : Odds
    outside_tried_range : bool
    open_time_s, cycle_time_s : float or None
    curve : Interval of array
        Lambda at the flows of the ladder.
    reading_lambda : array
        Of each reading, brought to this fuel.
    """

    lambda_: Interval
    odds: Odds
    true_ratio: Interval
    outside_tried_range: bool
    open_time_s: float | None
    cycle_time_s: float | None
    curve: Interval
    reading_lambda: np.ndarray


def ladder_of(results) -> AskedLadder | None:
    """The ladder of a session, ready to be asked; None where nothing can be predicted."""
    session = results.judged
    if results.ladder is None or results.ladder.withheld:
        return None
    air = air_of_runs(session)
    columns = ladder_columns(session, air, weighed_readings(session, air))
    own = np.array([name == results.ladder.engine for name in columns["engine"]])
    fuel = metering_demand(columns["stoichiometric_ratio"], columns["density_kg_m3"])
    middle = (columns["lambda_low"] + columns["lambda_high"]) / 2
    flows = [flow_on_bike(session, name) for name in session.injectors]
    kept = results.ridden_setup
    return AskedLadder(
        fit=fit_ladder(**columns),
        engine=results.ladder.engine,
        flow_m3_s=np.linspace(min(flows) * 0.9, max(flows) * 1.1, _POINTS),
        reading_flow_m3_s=columns["flow_m3_s"][own],
        reading_lambda_by_fuel=(middle * fuel)[own],
        petrol_density_kg_m3=petrol_density_of(session.fuels[kept.fuel]).value,
        fuels={
            round(ethanol_of(record).value, 6): {
                key: value
                for key, value in fuel_terms(session, name).items()
                if key in ("fuel", "fuel_sd")
            }
            for name, record in session.fuels.items()
        },
    )


def outlook(
    results, ladder: AskedLadder, *, ethanol, lowest, highest, flow_m3_s, tolerance
) -> Outlook:
    """Lambda, odds and open time of an untried injector.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    ladder : AskedLadder
    ethanol : float
        By volume, 0 to 1.
    lowest, highest : float
        The target band.
    flow_m3_s : float
        At the bike's fuel pressure. [m3/s]
    tolerance : float
        How far the flow may be off what is stated (95 %), as a ratio.
    """
    blend = ladder.blend(ethanol)
    ratio, density = float(blend.stoichiometric_ratio), float(blend.density_kg_m3)
    fuel = ladder.fuels.get(round(ethanol, 6), {})
    line = predict(
        ladder.fit,
        # The asked flow goes along with the curve: one prediction instead of two.
        flow_m3_s=np.append(ladder.flow_m3_s, flow_m3_s),
        engine=ladder.engine,
        stoichiometric_ratio=ratio,
        density_kg_m3=density,
        tolerance=tolerance / Z_95,
        **fuel,
    )
    lambda_ = line.lambda_.at(-1)
    record = results.session.engines[ladder.engine]
    time = cycle = None
    if record.highest_speed:
        air = air_mass_per_cycle_kg(
            displacement_m3=record.displacement_m3 / record.cylinders,
            air_density_kg_m3=AIR_DENSITY_KG_M3,
            volumetric_efficiency=record.breathing.value,
        )
        middle = float(np.sqrt(lowest * highest))
        time = open_time_s(
            fuel_mass_per_cycle_kg(air_mass_kg=air, lambda_=middle, stoichiometric_ratio=ratio),
            mass_flow_kg_s=mass_flow_kg_s(
                flow_m3_s, density_kg_m3=density, rated_density_kg_m3=PETROL_DENSITY_KG_M3
            ),
            dead_time_s=_dead_time_s(results.session),
        )
        cycle = cycle_time_s(record.highest_speed.value)
    return Outlook(
        lambda_=lambda_,
        odds=line.odds(low=lowest, high=highest).at(-1),
        true_ratio=lambda_.scaled(ratio),
        outside_tried_range=bool(line.extrapolated[-1]),
        open_time_s=time,
        cycle_time_s=cycle,
        curve=line.lambda_.at(slice(-1)),
        reading_lambda=ladder.reading_lambda_by_fuel / metering_demand(ratio, density),
    )


def _dead_time_s(session) -> float:
    """The longest of the injectors listed."""
    return max(one.dead_time.value for one in session.injectors.values())
