"""What the rows so far say, in words for somebody at the roadside."""

from tuninglib.report.advice import combination_name, gate_sentence, next_sentence, ride_sentence
from tuninglib.report.cells import plain, spaced, spaced_list
from tuninglib.report.display import Prose
from tuninglib.report.heat import knock_sentence
from tuninglib.report.stop_rules import edge_text, hottest_text
from tuninglib.rounding import decimals_of_step, fixed, listing


def sentences(results, interim, system: str) -> Prose:
    """Go on, stop or decided, in one or two sentences each.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results or None
        None of a session that is not complete.
    interim : tuninglib.analysis.interim.Interim
    system : str
        System of units, for temperatures.
    """
    items = list(_SAID[interim.code](results, interim, system))
    if interim.problems:
        items.append(("Not complete", _missing(interim.problems)))
    return Prose(tuple(items), style="caution" if interim.code == "stop" else "paragraphs")


def _stop(results, interim, system):
    yield "Stop", _STOPS[interim.why](results, interim, system)
    if _is_unexplained(results):
        yield "Next", next_sentence(results)


def _is_unexplained(results) -> bool:
    """Whether it knocked, and not because of the mixture."""
    return results is not None and results.plan.next.code == "find knock"


def _knock(results, interim, system) -> str:
    text = f"{knock_sentence(interim.knock)} with {spaced(interim.setup)}."
    shut = spaced_list(interim.shut)
    if _is_unexplained(results):
        # Richer is not what helps then; what does, comes next.
        return f"{text} Ended with it: {shut}." if shut else text
    text += (
        " Do not ride it again until it runs richer, cooler or on fuel of a higher octane number."
    )
    if results is None:
        return f"{text} That ends all leaner setups on this engine, too."
    return f"{text} No safer, and ended with it: {shut}." if shut else text


def _lean(results, interim, system) -> str:
    limits = interim.limits
    decimals = decimals_of_step(limits.resolution)
    low, high = (fixed(one, decimals) for one in (interim.low, interim.high))
    shown = low if low == high else f"{low} to {high}"
    text = (
        f"run {interim.run:g} with {spaced(interim.setup)} showed {shown}, leaner than "
        f"{edge_text(limits)}. Look for a leak in intake and exhaust, and at the fuel pressure; if "
        "there is none, ride nothing as lean as this."
    )
    if interim.shut:
        return f"{text} As lean or leaner, as far as is known: {spaced_list(interim.shut)}."
    return text


def _heat(results, interim, system) -> str:
    whose = "your limit of" if interim.limits.hottest_is_stated else "the usual limit of"
    return (
        f"the head reached {plain(interim.head_k, 'temperature', system)} on run "
        f"{interim.run:g}, above {whose} {hottest_text(interim.limits, system)}. Let it cool, and "
        "find out why before you ride on."
    )


def _closed(results, interim, system) -> str:
    return (
        f"{combination_name(interim.combination)} is ruled out: "
        f"{gate_sentence(results, interim.combination)}. Ride it no more as it is."
    )


_STOPS = {"knock": _knock, "lean": _lean, "heat": _heat, "closed": _closed}


def _go_on(results, interim, system):
    rides = listing(f"{spaced(name)} {runs}" for name, runs in interim.to_ride)
    yield "Go on", f"still to ride: {rides}."
    if interim.closed:
        reasons = "; ".join(
            f"{spaced(name)}: {gate_sentence(results, one)}" for name, one in interim.closed
        )
        yield "Not to be ridden", f"{reasons}."


def _decided(results, interim, system):
    heard = (
        " But nobody wrote down whether it knocked: listen before you trust it."
        if "knock" in results.plan.missing
        else ""
    )
    yield "Decided", f"nothing that is still planned is likely to change it.{heard}"
    yield "Ride now", ride_sentence(results)
    yield "Next", next_sentence(results)


def _ridden(results, interim, system):
    yield "Ridden as planned", "but it is not decided."
    yield "Next", next_sentence(results)


def _unknown(results, interim, system):
    return ()


_SAID = {
    "stop": _stop,
    "go on": _go_on,
    "decided": _decided,
    "ridden": _ridden,
    "unknown": _unknown,
}


def _missing(problems) -> str:
    more = f" ({len(problems) - 1} more: tuninglib check)" if len(problems) > 1 else ""
    return f"what the rows say together is not known until this is fixed: {problems[0]}{more}"
