"""Numbers as the report prints them: rounded to their uncertainty, in the rider's units."""

import math
from collections.abc import Iterable
from typing import Any

from tuninglib import units
from tuninglib.interval import Interval


def decimals_for(half_width: float) -> int:
    """Decimal places that a half-width of an interval leaves meaningful; negative: tens, hundreds.

    Parameters
    ----------
    half_width : float
        Of the 95 % interval, in the unit printed.

    Notes
    -----
    The rule of the Particle Data Group [1]_: if the three highest digits of the uncertainty are
    100 to 354, keep two digits of it; 355 to 949, one; 950 to 999, round up to 1000 and keep two.

    Examples
    --------
    >>> decimals_for(0.827), decimals_for(0.119), decimals_for(0.967)
    (1, 2, 1)

    References
    ----------
    .. [1] Particle Data Group, Review of Particle Physics, Introduction, section 5.3 "Rounding".
    """
    if not half_width > 0 or not math.isfinite(half_width):
        raise ValueError(f"a half-width of {half_width} has no digits to round to")
    exponent = math.floor(math.log10(half_width))
    leading = int(half_width / 10.0 ** (exponent - 2) + 1e-9)
    if leading < 355:
        digits = 2
    elif leading < 950:
        digits = 1
    else:
        digits, exponent = 2, exponent + 1
    return digits - 1 - exponent


def fixed(value: float, decimals: int) -> str:
    """A number with so many decimals (negative: rounded to tens, hundreds), a true minus sign.

    Twelve digits are looked at: the last of the others differ from machine to machine, and would
    turn a tie up here and down there.

    Examples
    --------
    >>> fixed(-0.04, 1), fixed(1234.5, -2)
    ('0.0', '1200')
    """
    if not math.isfinite(value):
        # Sentences are made of this: what is no number never gets into one.
        raise ValueError(f"{value} is no number that can be printed")
    value = float(f"{value:.12g}")
    text = f"{round(value, decimals):.{max(decimals, 0)}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def interval_text(
    interval: Interval, unit: str = "", *, least_decimals: int = -3, most_decimals: int = 9
) -> str:
    """Value and interval, for example ``13 % (8 to 18 %)``.

    Parameters
    ----------
    interval : Interval
        In the unit printed.
    unit : str
        Printed after the numbers.
    least_decimals, most_decimals : int
        Never print fewer decimals, nor more, than this.

    Examples
    --------
    >>> interval_text(Interval(13.21, 8.1, 18.2), "%")
    '13 % (8 to 18 %)'
    """
    label = f" {unit}" if unit else ""
    if interval.half_width <= 0:
        return f"{interval.value:.4g}{label}"
    decimals = min(max(decimals_for(interval.half_width), least_decimals), most_decimals)
    value, low, high = (fixed(x, decimals) for x in (interval.value, interval.low, interval.high))
    return f"{value}{label} ({low} to {high}{label})"


def in_units(interval: Interval, kind: str, system: str) -> Interval:
    """An interval of SI values in the unit that this system of units prints."""
    return Interval(
        *(units.to_display(x, kind, system) for x in (interval.value, interval.low, interval.high))
    )


def quantity_text(interval: Interval, kind: str, system: str) -> str:
    """An interval of SI values as text in the rider's unit.

    Examples
    --------
    >>> quantity_text(Interval(10.0, 9.0, 11.0), "speed", "metric")
    '36 km/h (32 to 40 km/h)'
    """
    return interval_text(in_units(interval, kind, system), units.unit_label(kind, system))


def decimals_of_step(step: float) -> int:
    """Decimals that show every step of a reading.

    Examples
    --------
    >>> decimals_of_step(0.1), decimals_of_step(0.5), decimals_of_step(1.0), decimals_of_step(0.0)
    (1, 1, 0, 2)
    """
    return 2 if step <= 0 else max(0, math.ceil(-math.log10(step) - 1e-9))


def gauge_text(reading: float, gauge: Any) -> str:
    """A reading as the gauge itself would print it.

    Parameters
    ----------
    reading : float
    gauge : tuninglib.session.schema.Gauge
    """
    if gauge.scale is None and gauge.resolution is None:
        # Nobody knows what it shows: as it was typed.
        return f"{reading:g}"
    return fixed(reading, decimals_of_step(gauge.step))


def percent(ratio: float, decimals: int = 0) -> str:
    """A ratio as per cent.

    Examples
    --------
    >>> percent(-0.034, 1)
    '−3.4 %'
    """
    return f"{fixed(100 * ratio, decimals)} %"


def odds_text(probability: float) -> str:
    """A probability in words that promise no more than it supports.

    Examples
    --------
    >>> odds_text(0.998), odds_text(0.83), odds_text(0.002)
    ('over 99 %', '83 %', 'under 1 %')
    """
    if probability > 0.99:
        return "over 99 %"
    if probability < 0.01:
        return "under 1 %"
    return f"{round(100 * probability)} %"


def listing(words: Iterable[str]) -> str:
    """Words joined as a sentence does.

    Examples
    --------
    >>> listing(["a", "b", "c"])
    'a, b and c'
    """
    words = list(words)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
