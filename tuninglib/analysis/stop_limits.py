"""Limits at which a test run is ended at once: where the gauge is too lean, the head too hot."""

import math
from dataclasses import dataclass

from tuninglib.session.defaults import Band, band_of

# At the spark plug of an air-cooled engine (common practice, from memory).
USUAL_HOTTEST_K = 503.15


@dataclass(frozen=True, kw_only=True)
class StopLimits:
    """Limits of one session.

    Attributes
    ----------
    band : Band or None
        Whose lean edge ends a run; None if it is not known.
    reading : float or None
        What the gauge shows at that edge, at the last step that is not leaner; None where the
        gauge's scale is not known.
    resolution : float or None
        Of the gauge.
    hottest_k : float
        Of the head. [K]
    hottest_is_stated : bool
        Whether the rider states it; else it is the usual one.
    liquid : bool
        Whether the engine has a coolant whose temperature counts, too.
    """

    band: Band | None
    reading: float | None
    resolution: float | None
    hottest_k: float
    hottest_is_stated: bool
    liquid: bool

    def too_lean(self, low: float, high: float) -> bool:
        """Whether the middle of a steady range is leaner than the edge; not if neither is known.

        Parameters
        ----------
        low, high : float
            On the gauge's own scale.
        """
        return self.reading is not None and (low + high) / 2 > self.reading + 1e-9

    def too_hot(self, head_k: float) -> bool:
        """Whether a head temperature is above the limit.

        Parameters
        ----------
        head_k : float
            [K]
        """
        return head_k > self.hottest_k + 1e-9


def stop_limits(known) -> StopLimits:
    """Limits of a session, which need not be complete yet.

    Parameters
    ----------
    known : tuninglib.session.load.Session, or what stands of one
        See :func:`tuninglib.session.read_toml.what_stands`.
    """
    target, use, gauge, bike = known.target, known.use, known.gauge, known.bike
    band = None
    if target is not None and use is not None and target.lowest < target.highest:
        band = band_of(known)
    stated = bike.highest_head_temperature if bike is not None else None
    return StopLimits(
        band=band,
        reading=_shown(band.highest, gauge) if band and gauge and gauge.scale else None,
        resolution=gauge.resolution if gauge else None,
        hottest_k=stated.value if stated else USUAL_HOTTEST_K,
        hottest_is_stated=stated is not None,
        liquid=use is not None and use.cooling == "liquid",
    )


def _shown(lambda_: float, gauge) -> float:
    """The last step of the gauge that is not leaner than a lambda."""
    exact = lambda_ * gauge.scale * (1 + gauge.accuracy.value)
    if gauge.resolution <= 0:
        return exact
    return math.floor(exact / gauge.resolution + 1e-9) * gauge.resolution
