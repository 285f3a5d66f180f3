"""Another rider, hill or wind under sliders: marker speed between two bounds."""

from tuninglib import units
from tuninglib.analysis.what_if import Question, answers
from tuninglib.lab import kit
from tuninglib.report.display import Prose
from tuninglib.report.what_if import REFUSALS
from tuninglib.rounding import percent, quantity_text


def another_rider(results):
    """Sliders for rider, hill and wind; marker speed at the same force and at the same power.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    ipywidgets widget, or Prose where there is nothing to ask
    """
    setup = results.what_if_setup
    if setup is None:
        return Prose((("", "Without speeds of a reference setup there is nothing to carry over."),))
    system = results.session.about.units
    run = results.road.equivalent[setup]
    length = sum(run.lengths_m)
    grade = sum(a * b for a, b in zip(run.lengths_m, run.grade_ratios, strict=True)) / length

    def at(value, kind):
        return units.to_display(value, kind, system)

    def label(kind):
        return units.unit_label(kind, system)

    controls = {
        "mass": kit.slider(
            "rider, dressed to ride",
            label("mass"),
            at(run.rider_mass_kg, "mass"),
            low=round(at(40.0, "mass")),
            high=round(at(140.0, "mass")),
            step=1,
        ),
        "length": kit.slider(
            "length of the hill",
            label("length"),
            at(length, "length"),
            low=round(at(50.0, "length"), -1),
            high=round(at(1500.0, "length"), -1),
            step=10,
        ),
        "grade": kit.slider("grade", "%", 100 * grade, low=0, high=20, step=0.1),
        "wind": kit.slider(
            "headwind; minus: from behind",
            label("speed"),
            at(run.headwind_m_s, "speed"),
            low=-round(at(8.0, "speed")),
            high=round(at(8.0, "speed")),
            step=1,
        ),
    }
    start = {name: control.value for name, control in controls.items()}

    def answer(**values):
        return kit.Said(rider_words(results, run, setup, question_of(values, start, system)))

    return kit.panel(controls, answer)


def question_of(values: dict, start: dict, system: str) -> Question:
    """What the sliders ask; one that stands where it started asks nothing.

    Parameters
    ----------
    values, start : dict of str to float
        ``mass``, ``length``, ``grade``, ``wind`` in the units of the labels.
    system : str
    """

    def asked(name, kind):
        if not kit.moved(values[name], start[name]):
            return None
        return units.from_display(values[name], kind, system)

    hill = {}
    if any(kit.moved(values[name], start[name]) for name in ("length", "grade")):
        hill = {
            "lengths_m": (units.from_display(values["length"], "length", system),),
            "grade_ratios": (values["grade"] / 100,),
        }
    return Question(
        rider_mass_kg=asked("mass", "mass"), headwind_m_s=asked("wind", "speed"), **hill
    )


def rider_words(results, run, setup: str, question: Question) -> tuple:
    """Marker speeds for one question, in sentences."""
    system = results.session.about.units
    (one,) = answers(run, [question])
    name = setup.replace("_", " ")
    entry = f"{units.to_display(run.entry_m_s, 'speed', system):.0f}"
    label = units.unit_label("speed", system)
    if one.refusal:
        return (Prose((("No answer", f"{REFUSALS[one.refusal]}."),), style="caution"),)
    items = [
        (
            "With the same force at the wheel",
            f"{quantity_text(one.at_force, 'speed', system)} at the marker.",
        ),
        (
            "With the same power at the wheel",
            f"{quantity_text(one.at_power, 'speed', system)} at the marker.",
        ),
        (
            "",
            f"Setup {name}, {entry} {label} at the start line; true speeds, not what a speedometer "
            "shows. The gearing is not known: the truth lies between the two.",
        ),
    ]
    if question.grade_ratios:
        items.append(
            (
                "",
                f"The hill is taken as one even slope of {percent(question.grade_ratios[0], 1)}, "
                "exactly.",
            )
        )
    return (Prose(tuple(items)),)
