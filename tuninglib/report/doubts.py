"""Doubts: what was written down that the rest of the session speaks against, and what to check."""

from tuninglib.analysis.readings import WIDEST_STEADY_LAMBDA
from tuninglib.report.cells import mixture_of, spaced
from tuninglib.rounding import fixed, gauge_text, listing, percent
from tuninglib.statistics.robust import NAMED

_OF_READINGS = ("reading", "readings disagree", "flow direction", "fuel direction")
# Odds of being leaner than the band above which nobody is sent out with a setup again.
_LEAN = 0.1
_LAST_WORD = "If you know what went wrong, say so in the column exclude, and it is left out."


def of_readings(results) -> list:
    """Labels and sentences about gauge readings and the order of setups."""
    words = {
        "reading": _reading,
        "readings disagree": _readings_disagree,
        "flow direction": _flow_direction,
        "fuel direction": _fuel_direction,
    }
    found = [words[d.code](results, d) for d in results.doubts if d.code in _OF_READINGS]
    wide = [doubt for doubt in results.doubts if doubt.code == "wide spread"]
    return found + ([_wide(results, wide)] if wide else [])


def of_speeds(results) -> list:
    """Labels and sentences about the speeds of runs."""
    words = {"run": _run, "runs disagree": _runs_disagree, "way down": _way_down}
    found = [words[doubt.code](results, doubt) for doubt in results.doubts if doubt.code in words]
    stated = [doubt for doubt in results.doubts if doubt.code == "stated"]
    return found + ([_stated(stated)] if stated else [])


def _stated(found) -> tuple:
    what = listing(
        f"{doubt.what} (by {fixed(doubt.off, 1)} times its ±)"
        if doubt.off > 1
        else f"{doubt.what} (within its ±, but with the rest)"
        for doubt in found
    )
    return (
        "Against session.toml",
        "all runs together do not go with what is stated of slope, wind, masses, drag and the "
        f"speedometer; they would fit best with another {what}. Slope and wind look alike here: "
        "check the grade first, then masses and the speedometer. The intervals do not hold a "
        "mistake in what is stated.",
    )


def on_run(run) -> str:
    """With what weight a run's reading and speeds count, where that is less than half or so."""
    parts = [
        f"{what} {weight_text(weight)}"
        for what, weight in (
            ("reading counts", run.reading_weight),
            ("speeds count", run.force_weight),
        )
        if weight is not None and weight < NAMED
    ]
    return "; ".join(parts)


def weight_text(weight: float) -> str:
    """A weight with two decimals.

    Examples
    --------
    >>> weight_text(0.0021), weight_text(0.126)
    ('under 0.01', '0.13')
    """
    return "under 0.01" if weight < 0.01 else fixed(weight, 2)


def _label(doubt) -> str:
    runs = listing(f"{number:g}" for number in doubt.runs)
    return f"Run{'s' if len(doubt.runs) > 1 else ''} {runs} ({spaced(doubt.setup)})"


def _middles(results, doubt) -> list:
    """What the gauge showed on the runs of a doubt, as the gauge prints it."""
    middle = {
        run.run: (run.gauge_low + run.gauge_high) / 2
        for run in results.runs
        if run.gauge_low is not None and run.run in doubt.runs
    }
    return [middle[number] for number in doubt.runs]


def _reading(results, doubt) -> tuple:
    gauge, (middle,) = results.session.gauge, _middles(results, doubt)
    side = "leaner" if doubt.off > 0 else "richer"
    return (
        _label(doubt),
        f"reads {gauge_text(middle, gauge)} where the other readings say "
        f"{gauge_text(middle / (1 + doubt.off), gauge)} ({percent(abs(doubt.off))} {side}). It "
        f"counts with weight {weight_text(doubt.weight)} instead of 1. Check what was written "
        "down; if it is right, look for a misfire, an air leak or a throttle that was not fully "
        f"open. {_LAST_WORD}",
    )


def _readings_disagree(results, doubt) -> tuple:
    gauge = results.session.gauge
    read = listing(gauge_text(middle, gauge) for middle in _middles(results, doubt))
    return (
        _label(doubt),
        f"read {read}, and {_undecided(doubt)} with weight {weight_text(doubt.weight)}, which "
        f"makes the interval wide. Check what was written down{_again(results, doubt)}. "
        + _LAST_WORD,
    )


def _undecided(doubt) -> str:
    if len(doubt.runs) == 2:
        return "two cannot tell which one is wrong. Both are kept"
    return "there is no majority to tell which are wrong. All are kept"


def _again(results, doubt) -> str:
    """The advice to ride a setup again; never one that knocked or may be lean."""
    mixture = mixture_of(results, doubt.setup)
    may_be_lean = mixture is None or mixture.odds is None or mixture.odds.leaner > _LEAN
    if doubt.setup in results.knocked or may_be_lean:
        return ""
    return ", or ride that setup once more"


def _wide(results, doubts) -> tuple:
    scale = results.session.gauge.scale
    limit = fixed(WIDEST_STEADY_LAMBDA * scale, 1 if scale > 1.5 else 3)
    runs = [number for doubt in doubts for number in doubt.runs]
    read = [run for run in results.runs if run.reading_weight is not None and run.state == "full"]
    which = f"run{'s' if len(runs) > 1 else ''} {listing(f'{n:g}' for n in sorted(runs))}"
    if len(runs) == len(read) > 1:
        which = f"all {len(runs)} runs"
    return (
        "Wide readings",
        f"on {which} low and high are more than {limit} apart on this gauge, further than at "
        "steady full throttle. Write down the steady range after two or three seconds of full "
        "throttle, not the extremes of the whole run. As it is, the steady reading may be anywhere "
        "between the two: these readings count less, and the intervals are wider.",
    )


def _flow_direction(results, doubt) -> tuple:
    return (
        f"{spaced(doubt.setup)} and {spaced(doubt.other)}",
        f"{spaced(doubt.setup)} reads {percent(doubt.off, 1)} leaner than {spaced(doubt.other)}, "
        "although its injector flows more and should read richer. Check that the injectors or the "
        "fuels were not swapped, that the stated flows are right, and that there is no air leak.",
    )


def _fuel_direction(results, doubt) -> tuple:
    return (
        f"{spaced(doubt.setup)} and {spaced(doubt.other)}",
        f"{spaced(doubt.setup)} reads {percent(-doubt.off, 1)} richer than {spaced(doubt.other)}, "
        "although its fuel has more ethanol and should read leaner. Check that the fuels were not "
        "swapped, and that the tank was empty before it was filled.",
    )


def _run(results, doubt) -> tuple:
    size = f"{percent(abs(doubt.off))} {'more' if doubt.off > 0 else 'less'}"
    return (
        _label(doubt),
        f"its speeds need {size} wheel force than the other runs say. It counts with weight "
        f"{weight_text(doubt.weight)} instead of 1. Check both speeds as they were written down; "
        "if they are right, think of the gear, a gust or a throttle that was not fully open. "
        + _LAST_WORD,
    )


def _runs_disagree(results, doubt) -> tuple:
    size = f"differ by {percent(doubt.off)}" if doubt.off else "differ"
    return (
        _label(doubt),
        f"their wheel forces {size}, more than runs do from one to the next, and "
        f"{_undecided(doubt)} with weight {weight_text(doubt.weight)}, which makes the interval of "
        f"this setup wide. Check the speeds as they were written down{_again(results, doubt)}. "
        + _LAST_WORD,
    )


def _way_down(results, doubt) -> tuple:
    return (
        _label(doubt),
        "the speeds of its way down do not fit the other runs. They count with weight "
        f"{weight_text(doubt.weight)} instead of 1. Check both as they were written down, and that "
        f"the clutch was pulled all the way. {_LAST_WORD}",
    )
