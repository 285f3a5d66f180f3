"""What rounding of the speeds that were read does to a road test."""

import numpy as np

from tuninglib.checks import require
from tuninglib.statistics.unknowns import Nuisance, Runs


def reading_nuisances(runs: Runs, *, resolution_m_s) -> tuple[Nuisance, ...]:
    """Rounding of the speeds that were read.

    Parameters
    ----------
    runs : Runs
    resolution_m_s : float
        Smallest step that was read, in true speed. [m/s]

    Returns
    -------
    nuisances : tuple of Nuisance

    Notes
    -----
    A rounded reading has the variance a²/12 of a rectangular distribution of width a [1]_. If the
    true speeds of repeats spread over more than a third of a step, their rounding errors are as
    good as independent; if the readings do not spread at all, the repeats share one error and
    their mean keeps all of a²/12. Between the two, errors of normally spread speeds have the
    correlation 6/π² Σ exp(−4π²j²σ²/a²)/j², j = 1, 2, ..., taken here with the spread of the
    readings within a setup and rider, less a²/12, as σ².

    Examples
    --------
    >>> from tuninglib.physics.hill import Hill
    >>> runs = Runs(hill=Hill(400.0, 0.06), setup=[0, 0], rider=0, mass_kg=200.0,
    ...             entry_speed_m_s=[12.0, 14.0], exit_speed_m_s=[17.0, 18.0],
    ...             air_density_kg_m3=1.2, drag_area_m2=0.55, rolling_coefficient=0.015)
    >>> found = reading_nuisances(runs, resolution_m_s=0.12)
    >>> [(list(one.changes), one.each_run) for one in found]
    [(['entry_speed_m_s'], True), (['exit_speed_m_s'], True)]

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 4.3.7 and F.2.2.1.
    """
    a = float(
        require(resolution_m_s, what="resolution", unit="m/s", at_least=0, remedy="0.28 for 1 km/h")
    )
    if a == 0:
        return ()
    sd = a / np.sqrt(12)
    _, cell = np.unique(np.stack([runs.setup, runs.rider]), axis=1, return_inverse=True)
    cell = cell.reshape(-1)
    found = []
    for name in (
        "entry_speed_m_s",
        "exit_speed_m_s",
        "down_entry_speed_m_s",
        "down_exit_speed_m_s",
    ):
        speeds = getattr(runs, name)
        if not np.isfinite(speeds).any():
            continue
        shared = _shared_rounding(speeds, cell, a)
        found.append(Nuisance("reading", {name: sd * np.sqrt(1 - shared)}, each_run=True))
        if shared > 1e-6:
            for one in range(cell.max() + 1):
                member = (cell == one) * sd * np.sqrt(shared)
                found.append(Nuisance("reading", {name: member}))
    return tuple(found)


def _shared_rounding(speeds, cell, resolution):
    """Correlation of the rounding errors of repeats."""
    squares, dof = 0.0, 0
    for one in range(cell.max() + 1):
        own = speeds[(cell == one) & np.isfinite(speeds)]
        if own.size > 1:
            squares += ((own - own.mean()) ** 2).sum()
            dof += own.size - 1
    if dof == 0:
        return 0.0
    spread2 = max(squares / dof / resolution**2 - 1 / 12, 0.0)
    j = np.arange(1, 20)
    terms = np.exp(-4 * np.pi**2 * j**2 * spread2) / j**2
    return min(terms.sum() / (1 / j**2).sum(), 1.0)
