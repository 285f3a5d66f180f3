"""Combinations of engine, injector and fuel: what is known of each, ridden or predicted.

Advice is about a combination, never about an injector alone: the same injector on another fuel or
another engine is another combination.
"""

from dataclasses import dataclass, field

from tuninglib.interval import Interval

# How much worse a hundredth of lambda is on the lean side than on the rich one (ours).
LEAN_WEIGHT = 4.0


@dataclass(frozen=True, kw_only=True)
class Combination:
    """One engine with one injector on one fuel.

    Attributes
    ----------
    engine, injector, fuel, parts : str
    setup : str or None
        The name under which it was ridden; None: it is predicted.
    owned : bool
        Whether the injector is at hand.
    lambda_ : Interval or None
        At full throttle, as read where it was ridden, else as predicted.
    odds : tuningodds or None
        About the target band.
    harm : float or None
        Expected harm of its mixture, see :func:`expected_harm`.
    listened : int
        Full-throttle runs on which somebody listened for knock.
    knocks : tuple of Knock
    octane : Interval or None
        RON of the fuel, as far as it is known.
    compression : float or None
        Of the engine.
    flow_m3_s : float
        Of the injector on this bike. [m3/s]
    open_time_fraction : float or None
        Share of the cycle at the highest engine speed.
    hottest_k : float or None
        Highest head temperature that was read with it. [K]
    """

    engine: str
    injector: str
    fuel: str
    parts: str = ""
    setup: str | None = None
    owned: bool = False
    lambda_: Interval | None = None
    odds: object = None
    harm: float | None = None
    listened: int = 0
    knocks: tuple = ()
    octane: Interval | None = None
    compression: float | None = None
    flow_m3_s: float = field(default=float("nan"))
    open_time_fraction: float | None = None
    hottest_k: float | None = None
