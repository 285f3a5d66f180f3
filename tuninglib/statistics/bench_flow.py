"""An injector on the bench: what it lets through, and how long it takes to open, from a beaker."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tuninglib.checks import require
from tuninglib.statistics.repeats import Estimate, estimate

# How many repeats the stated reading error of the beaker is worth (ours).
_PRIOR_DOF = 4.0


class BenchFlow(NamedTuple):
    """Flow and dead time of one injector.

    Attributes
    ----------
    flow_m3_s : Estimate
        While it is open.
    dead_time_s : Estimate or None
        None where it was only held open.
    """

    flow_m3_s: Estimate
    dead_time_s: Estimate | None


def fit_bench_flow(
    *, pulses: ArrayLike, open_s: ArrayLike, volume_m3: ArrayLike, volume_sd_m3: float
) -> BenchFlow:
    """Flow and dead time from volumes that were caught.

    Parameters
    ----------
    pulses : array (n,)
        How many; 0 where the injector was held open.
    open_s : array (n,)
        Width of one pulse, or how long it was held open. [s]
    volume_m3 : array (n,)
    volume_sd_m3 : float
        Standard deviation of one reading of the beaker.

    Returns
    -------
    BenchFlow

    Raises
    ------
    ValueError
        If the rows leave flow or dead time open: two widths, or one and a row held open, are the
        least.

    Notes
    -----
    N pulses of width w give ``V = N q (w - d)``, an injector held open ``V = q t``: a straight line
    through volumes, by least squares. The dead time is where it meets zero; its error is
    propagated to first order (JCGM 100:2008, 5.1.2). The scatter of a volume joins the stated one,
    worth four repeats, with what the rows show.

    Examples
    --------
    >>> import numpy as np
    >>> found = fit_bench_flow(pulses=np.array([1000, 1000]), open_s=np.array([0.004, 0.010]),
    ...                        volume_m3=np.array([7.5e-6, 22.5e-6]), volume_sd_m3=0.2e-6)
    >>> round(found.flow_m3_s.value * 6e7, 3), round(found.dead_time_s.value * 1e3, 3)
    (150.0, 1.0)
    """
    pulses, open_s, volume = (np.asarray(one, dtype=float) for one in (pulses, open_s, volume_m3))
    require(open_s, "open time", "s", above=0, remedy="write how long it was open")
    require(volume, "volume", "m3", above=0, remedy="write what was caught")
    require(volume_sd_m3, "reading error", "m3", above=0, remedy="look at the beaker")
    pulsed = pulses > 0
    # V = q (N w) − (q d) N is linear in q and q d; held open, no pulse opens and N is 0.
    design = np.column_stack([np.where(pulsed, pulses, 1.0) * open_s, -pulses])
    columns = slice(0, 2) if pulsed.any() else slice(0, 1)
    design = design[:, columns]
    if np.linalg.matrix_rank(design / np.abs(design).max(0)) < design.shape[1]:
        raise ValueError(
            "one pulse width alone cannot tell flow from dead time; measure at a second, much "
            "longer width, or hold the injector open for a minute"
        )
    found, *_ = np.linalg.lstsq(design, volume, rcond=None)
    rest = volume - design @ found
    # Two or three rows tell no scatter, so that the stated error counts as some rows more.
    dof = _PRIOR_DOF + volume.size - design.shape[1]
    sd = float(np.sqrt((_PRIOR_DOF * volume_sd_m3**2 + rest @ rest) / dof))
    covariance = sd**2 * np.linalg.inv(design.T @ design)
    flow = float(found[0])
    if flow <= 0:
        raise ValueError("longer pulses gave less; check widths, pulses and volumes")
    flow_found = estimate(flow, standard_error=float(np.sqrt(covariance[0, 0])), dof=dof)
    if not pulsed.any():
        return BenchFlow(flow_found, None)
    dead = float(found[1]) / flow
    # Of a quotient, d = (q d)/q: what flow and intercept are off together counts, too.
    slope = np.array([-dead, 1.0]) / flow
    error = float(np.sqrt(slope @ covariance @ slope))
    return BenchFlow(flow_found, estimate(dead, standard_error=error, dof=dof))
