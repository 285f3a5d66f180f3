"""The injector ladder of many days: what all their readings say together."""

from dataclasses import dataclass

import numpy as np

from tuninglib.statistics.gauge_readings import prepare_readings
from tuninglib.statistics.ladder import LadderFit, Priors, solve


@dataclass(frozen=True)
class ReadingCell:
    """What a day's readings of one engine, injector and fuel come to.

    Attributes
    ----------
    engine, injector, fuel : str
    flow_m3_s : float
        Of the injector. [m3/s]
    log_mean : float
        Mean logarithm of lambda times what the fuel asks for, less the known offset.
    sd : float
        Of that mean, as assumed.
    squares : float
        The readings' squares about it, over their assumed variances.
    count : int
        Of readings.
    """

    engine: str
    injector: str
    fuel: str
    flow_m3_s: float
    log_mean: float
    sd: float
    squares: float
    count: int


def reading_cells(
    *,
    lambda_low,
    lambda_high,
    flow_m3_s,
    injector,
    engine,
    fuel,
    stoichiometric_ratio,
    density_kg_m3,
    resolution=0.0,
    offset=0.0,
    weight=1.0,
    run_sd=None,
) -> tuple[ReadingCell, ...]:
    """A day's full-throttle readings as few numbers, which say all that they say.

    Parameters
    ----------
    lambda_low, lambda_high, flow_m3_s, injector, engine, fuel, stoichiometric_ratio, \
density_kg_m3, resolution, offset, weight
        As in :func:`tuninglib.statistics.ladder.fit_ladder`.
    run_sd : float, optional
        From run to run with nothing changed; left out: that of the priors.

    Returns
    -------
    tuple of ReadingCell

    Examples
    --------
    >>> cell, = reading_cells(lambda_low=[0.86, 0.87], lambda_high=[0.88, 0.89], injector="a",
    ...                       flow_m3_s=[2.5e-6] * 2, engine="stock", fuel="e5",
    ...                       stoichiometric_ratio=14.3, density_kg_m3=745.0)
    >>> cell.count, cell.sd
    (2, 0.0078)
    """
    readings = prepare_readings(
        lambda_low=lambda_low,
        lambda_high=lambda_high,
        flow_m3_s=flow_m3_s,
        injector=injector,
        engine=engine,
        stoichiometric_ratio=stoichiometric_ratio,
        density_kg_m3=density_kg_m3,
        resolution=resolution,
        offset=offset,
    )
    observed = readings.log_lambda + readings.log_fuel - readings.offset
    noise = np.hypot(Priors().run_sd if run_sd is None else run_sd, readings.relative_sd)
    precision = np.broadcast_to(weight, noise.shape) / noise**2
    fuels = [fuel] * len(observed) if isinstance(fuel, str) else list(fuel)
    names = list(zip(readings.engine, readings.injector, fuels, strict=True))
    found = []
    for name in dict.fromkeys(names):
        own = np.array([other == name for other in names])
        total = float(precision[own].sum())
        mean = float(precision[own] @ observed[own] / total)
        squares = float(precision[own] @ (observed[own] - mean) ** 2)
        flow = float(np.mean(readings.flow_m3_s[own]))
        found.append(ReadingCell(*name, flow, mean, total**-0.5, squares, int(own.sum())))
    return tuple(found)


def pool_readings(days, *, displacement, tolerance, fuel_sd, day_sd, priors=None) -> LadderFit:
    """The ladder of all days' readings.

    Parameters
    ----------
    days : sequence of sequence of ReadingCell
    displacement : dict of str to float
        Of each engine, in any one unit.
    tolerance, fuel_sd : dict of str to float
        Of each injector and each fuel, as in :func:`tuninglib.statistics.ladder.fit_ladder`.
    day_sd : float
        By how much the readings of one day may be off together: gauge, air and fuel of the day.
    priors : Priors, optional

    Returns
    -------
    LadderFit
        In which ``noise_scale`` is of the noise and of what days differ by alike.

    Notes
    -----
    The cost grows with the number of days: their readings end in as many rows as there are
    unknowns (:func:`tuninglib.statistics.normal_mixture.few_rows`).

    Examples
    --------
    >>> cell = ReadingCell("stock", "a", "e5", 2.5e-6, 2.5, 0.008, 1.0, 2)
    >>> fit = pool_readings([[cell]] * 3, displacement={"stock": 150.0}, tolerance={"a": 0.03},
    ...                     fuel_sd={"e5": 0.0}, day_sd=0.01)
    >>> fit.terms
    ('response', 'level', 'injector a', 'gauge')
    """
    cells = [(at, cell) for at, day in enumerate(days) for cell in day]
    if not cells:
        raise ValueError("there is no reading on any day")
    day, kept = zip(*cells, strict=True)
    return solve(
        observed=np.array([cell.log_mean for cell in kept]),
        noise_sd=np.array([cell.sd for cell in kept]),
        flow_m3_s=np.array([cell.flow_m3_s for cell in kept]),
        injector=[cell.injector for cell in kept],
        engine=[cell.engine for cell in kept],
        fuel=[cell.fuel for cell in kept],
        displacement=displacement,
        tolerance=tolerance,
        fuel_sd=fuel_sd,
        priors=priors or Priors(),
        day=np.array(day),
        day_sd=day_sd,
        within=(sum(cell.squares for cell in kept), sum(cell.count - 1 for cell in kept)),
    )
