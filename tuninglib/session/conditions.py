"""The air of each run: from its row, else from the session, else from the altitude."""

import numpy as np
import pandas as pd

from tuninglib.physics.air import (
    air_density_kg_m3,
    correction_iso_1585,
    correction_sae_j1349,
    standard_pressure_pa,
)


def air_of_runs(session) -> pd.DataFrame:
    """Air at each row of runs.csv, and what it does to engine output.

    Parameters
    ----------
    session : tuninglib.session.load.Session

    Returns
    -------
    pandas.DataFrame
        Indexed like ``session.runs``: ``temperature_k``, ``pressure_abs_pa``, ``humidity_ratio``,
        ``headwind_m_s``, ``density_kg_m3``, ``sae_j1349`` and ``iso_1585`` (factors),
        ``within_limits`` (both standards allow their factor).
    """
    weather, runs = session.weather, session.runs
    air = pd.DataFrame(
        {
            "temperature_k": _filled(runs["air_temperature_k"], weather.temperature),
            "pressure_abs_pa": runs["air_pressure_pa"].fillna(day_pressure_pa(session)[0]),
            "humidity_ratio": _filled(runs["humidity_ratio"], weather.humidity),
            "headwind_m_s": _filled(runs["headwind_m_s"], weather.headwind),
        }
    )
    state = {
        "temperature_k": air["temperature_k"].to_numpy(),
        "pressure_abs_pa": air["pressure_abs_pa"].to_numpy(),
        "relative_humidity": air["humidity_ratio"].to_numpy(),
    }
    sae, iso = correction_sae_j1349(**state), correction_iso_1585(**state)
    return air.assign(
        density_kg_m3=air_density_kg_m3(**state),
        sae_j1349=sae.factor,
        iso_1585=iso.factor,
        within_limits=np.asarray(sae.within_limits) & np.asarray(iso.within_limits),
    )


def day_pressure_pa(session) -> tuple:
    """Air pressure of the day where the hill is, and where the number comes from.

    Returns
    -------
    pressure_abs_pa : float
        [Pa]
    source : str
        ``"stated"``, ``"altitude"`` (standard atmosphere) or ``"sea level"``.
    """
    if session.weather.pressure is not None:
        return session.weather.pressure.value, "stated"
    if session.hill.altitude is not None:
        return float(standard_pressure_pa(session.hill.altitude.value)), "altitude"
    return float(standard_pressure_pa(0.0)), "sea level"


def _filled(column, measured):
    return column if measured is None else column.fillna(measured.value)
