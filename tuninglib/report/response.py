"""Is the controller correcting? How lambda follows injector flow, state by state."""

from tuninglib.report.display import Prose
from tuninglib.rounding import interval_text

_STATES = {"full": "Full throttle", "cruise": "Cruise", "idle": "Idle"}


def sentences(results) -> Prose:
    """Whether lambda follows the injector, state by state, and what it means for gadgets."""
    verdicts = {
        "corrects": "lambda does not follow flow: the controller corrects by its own sensor here, "
        "and another injector does not change the mixture",
        "table": "lambda follows flow: the controller runs from its fuel table here, and its own "
        "sensor has no say",
        "cannot tell": "the readings cannot tell whether the controller corrects; read the gauge "
        "with two injectors that differ by a tenth or more",
    }
    ladder = results.ladder
    items = [
        (
            _STATES[one.state],
            f"{verdicts[one.verdict]} (response {interval_text(one.response)}; 1 follows, 0 "
            f"corrects; {one.readings} readings, {one.injectors} injectors).",
        )
        for one in (ladder.responses if ladder else ())
    ]
    items.append(
        (
            "What it means",
            "a device that alters the signal of the controller's own sensor can only matter where "
            "the controller corrects. A narrowband sensor says little richer than about 12.5 or "
            "leaner than about 15.5 on a 14.7 scale (common practice).",
        )
    )
    return Prose(tuple(items), style="points")
