"""Is the ECU correcting? How lambda follows injector flow, state by state."""

from tuninglib.report.display import Prose
from tuninglib.rounding import interval_text

_STATES = {"full": "Full throttle", "cruise": "Cruise", "idle": "Idle"}
_VERDICTS = {
    "corrects": "lambda does not follow flow: the ECU corrects by its oxygen sensor here, and "
    "another injector does not change the mixture",
    "table": "lambda follows flow: the ECU runs from its fuel table here, and the oxygen sensor is "
    "ignored here",
    "cannot tell": "the readings cannot tell whether the ECU corrects; read the gauge with two "
    "injectors that differ by a tenth or more",
}
_FULL_CORRECTS = (
    "lambda does not follow flow, although it should at full throttle: the ECU trims the mixture "
    "there by its oxygen sensor, or carries over what it has learned at part throttle. Another "
    "injector will not move it, so none is predicted and no stated flow is doubted. Check that "
    "these readings were really taken at full throttle and in open loop. A narrowband sensor can "
    "hold lambda 1 only: where the gauge reads richer, think of what was learned, or of injectors "
    "that were mixed up"
)
_MEANING = (
    (
        "Oxygen sensor",
        "a device or a resistor that alters the oxygen sensor's signal acts where the ECU "
        "corrects. Where the ECU runs from its table it acts only through what the ECU has learned "
        "and carries over (common practice).",
    ),
    (
        "Room to trim",
        "where the ECU corrects, it can add or take away only so much, often about 20 to 25 % "
        "(common practice). An injector that is farther off shows at idle and cruise, too.",
    ),
    (
        "Learned trims",
        "many ECUs store what they correct at idle and cruise and add it at full throttle, too: "
        "after another injector the full-throttle mixture can drift back over the next rides. Read "
        "the gauge again then (common practice).",
    ),
    (
        "Temperature sensors",
        "a resistor on the sensor of the air's or the engine's temperature is another matter: it "
        "makes the ECU add fuel wherever it runs from its table, as a rule at full throttle too "
        "(common practice).",
    ),
    (
        "Cold start and acceleration",
        "their extra fuel comes from tables, so a larger injector makes them richer even where the "
        "ECU corrects once warm and steady (common practice).",
    ),
    (
        "Narrowband sensor",
        "it switches near lambda 1: about four fifths of its voltage swing lie between about 14.5 "
        "and 14.9 on a 14.7 scale, and outside it says little (chemical equilibrium and the Nernst "
        "equation). It cannot meter a full-throttle mixture.",
    ),
)


def sentences(results) -> Prose:
    """Whether lambda follows the injector, state by state, and what it means for gadgets."""
    ladder = results.ladder
    items = [
        (
            "",
            "The ECU (engine control unit) runs from its fuel table, or corrects by its oxygen "
            "sensor. Where lambda stays put on injectors of different flow it corrects.",
        )
    ]
    items += [
        (
            _STATES[one.state],
            f"{_verdict(ladder, one)} ({one.readings} readings, {one.injectors} injectors).",
        )
        for one in (ladder.responses if ladder else ())
    ]
    return Prose((*items, *_MEANING), style="points")


def in_numbers(results) -> str:
    """How strongly lambda follows flow, state by state; empty where nothing was read.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    found = results.ladder.responses if results.ladder else ()
    return ", ".join(f"{_STATES[one.state].lower()} {interval_text(one.response)}" for one in found)


def _verdict(ladder, one) -> str:
    if one.state == "full" and ladder.withheld == "corrects":
        return _FULL_CORRECTS
    return _VERDICTS[one.verdict]
