"""Mixture by throttle and engine speed from the log of a gauge, and where the ECU corrects."""

from tuninglib.report.cells import NONE, mixture_of, spaced
from tuninglib.report.display import Prose, Table
from tuninglib.rounding import fixed, interval_text, listing, percent


def sentences(results) -> Prose:
    """Where lambda stays whatever injector is fitted, and spots that are leaner than the mean.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    items = []
    for setup in dict.fromkeys(one.setup for one in results.followings):
        own = [one for one in results.followings if one.setup == setup]
        for place, said in (
            (
                "stays",
                "lambda stays as with {reference}, though it differs at full throttle: the ECU "
                "corrects there, and another injector does not change the mixture.",
            ),
            (
                "follows",
                "lambda differs from that of {reference} as much as at full throttle: there the "
                "ECU goes by its table.",
            ),
            (
                "unclear",
                "the log is too short to tell whether lambda follows the injector; ride on there "
                "for longer, with both.",
            ),
        ):
            bands = [_throttle(one) for one in own if one.place == place]
            if bands:
                text = said.format(reference=spaced(results.reference))
                label = f"By throttle, {spaced(setup)}"
                items.append((label, f"at {listing(bands)} of throttle {text}"))
    items += _lean_spots(results)
    return Prose(tuple(items), style="points")


def _throttle(one) -> str:
    return f"{percent(one.low)} to {percent(min(one.high, 1.0))}"


def _lean_spots(results):
    """Engine speeds at which a setup is leaner than the band, though its mean is not."""
    highest = results.band.highest
    for one in results.bands:
        if one.by != "engine speed" or one.lambda_ is None:
            continue
        mean = mixture_of(results, one.setup)
        if mean is None or mean.lambda_ is None or mean.lambda_.value > highest:
            continue
        if one.lambda_.value > highest:
            yield (
                "Lean spot",
                f"{spaced(one.setup)} reads {_lambda(one.lambda_)} at full throttle from "
                f"{one.low:.0f} to {one.high:.0f} rpm, leaner than the band up to "
                f"{fixed(highest, 2)}, while its mean is inside. Engines fail at their leanest "
                "spot: go by this reading, not by the mean.",
            )


def _lambda(interval) -> str:
    return interval_text(interval, least_decimals=2, most_decimals=3)


def table(results) -> Table | Prose:
    """Lambda of each setup by throttle, and at full throttle by engine speed.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    if not results.bands:
        return Prose(())
    rows = [
        (
            _throttle(one) if one.by == "throttle" else f"{one.low:.0f} to {one.high:.0f} rpm",
            spaced(one.setup),
            NONE if one.lambda_ is None else _lambda(one.lambda_),
            fixed(one.seconds, 0),
            str(one.stretches),
        )
        for one in results.bands
    ]
    return Table(
        "Settled lambda in the log, by throttle and by engine speed",
        ("Throttle, or engine speed at full throttle", "Setup", "Lambda", "Seconds", "Stretches"),
        tuple(rows),
        "A stretch counts from 1.5 s and the gauge's lag after it was entered. In brackets: 95 % "
        "by the scatter of the stretches; what the gauge is off all alike is not in it.",
    )
