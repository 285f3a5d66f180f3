"""The gain: wheel force against the reference, with what the test could not tell."""

from tuninglib.analysis.analyse import Results
from tuninglib.report import cautions
from tuninglib.report.page_parts import (
    Prose,
    Table,
    count_of,
    gain_text,
    signed,
    spaced,
    spaced_list,
    system_of,
    table_of,
)
from tuninglib.rounding import percent
from tuninglib.statistics.gain import Gain

# Above this a smallest visible gain says nothing: no change of parts brings so much.
_BEYOND_ANY_CHANGE = 0.60


def sentences(results: Results) -> Prose:
    """Of each setup whether it is stronger, and how sure that is."""
    if not results.pulls:
        timed = any(run.shown_exit_m_s is not None for run in results.runs)
        what = (
            f"No run of {spaced(results.reference)} that counts has speeds" if timed
            else "There are no speeds in this outing"
        )  # fmt: skip
        return Prose((("", f"{what}, so no gain can be worked out."),))
    items, told = [], {}
    for record in results.pulls:
        if record.gain is None:
            continue
        if _kind(record.gain) == "decided":
            told.setdefault(verdict_text(record.gain), []).append(record.setup)
            continue
        text = _SENTENCES[_kind(record.gain)](results, record)
        items.append((spaced(record.setup), text))
    # How much is in the verdict's picture and in the table.
    items[:0] = [
        (f"{side.capitalize()} than {spaced(results.reference)}", f"{spaced_list(setups)}.")
        for side, setups in told.items()
    ]
    items += cautions.of_speeds(results)
    items += [("Note", sentence) for sentence in _notes(results)]
    return Prose(tuple(items), style="points")


def _kind(gain) -> str:
    """What is said of a gain: as sure as it is, or that it is doubted."""
    return "doubted" if gain.doubted else gain.strength


def _size(gain) -> tuple:
    """A gain as a size, and the word for its side."""
    if gain.ratio.value >= 0:
        return gain_text(gain.ratio), "stronger"
    return gain_text(gain.ratio.turned()), "weaker"


def _leaning(results, record) -> str:
    size, side = _size(record.gain)
    text = f"likely {side} than {spaced(results.reference)} by {size}"
    if not results.road.repeated:
        text += ", if runs scatter as they usually do"
    if results.road.one_after_the_other:
        return f"{text}, unless the time of day caused it (see below)."
    forbidden = record.setup in {one.setup for one in results.plan.shut}
    if record.more_runs is None or forbidden:
        return f"{text}."
    return f"{text}. About {count_of(record.more_runs, 'more run')} of each would confirm it."


def _open(results, record) -> str:
    text = (
        f"no difference from {spaced(results.reference)} was shown: {gain_text(record.gain.ratio)}."
    )
    visible = record.gain.smallest_visible
    if visible > _BEYOND_ANY_CHANGE:
        return (
            f"{text} This outing could not have shown any gain that such a change brings; two more "
            f"runs of each would most likely show {percent(record.visible_with_more)}."
        )
    return f"{text} A difference of {percent(visible)} or more would most likely have shown."


def _doubted(results, record) -> str:
    return (
        f"{gain_text(record.gain.ratio)} against {spaced(results.reference)}, but its speeds do "
        "not fit the other runs, so it is not used (see below)."
    )


_SENTENCES = {"leaning": _leaning, "open": _open, "doubted": _doubted}


def verdict_text(gain: Gain | None, *, in_blocks: bool = False) -> str:
    """The same in a word or two, for tables.

    Parameters
    ----------
    gain : tuninglib.statistics.gain.Gain or None
        None of the reference.
    in_blocks : bool
        Whether the setups were ridden one after the other, so that what is likely may be the
        day's.
    """
    if gain is None:
        return "reference"
    if in_blocks and gain.strength == "leaning" and not gain.doubted:
        return "may be the time of day"
    side = "stronger" if gain.ratio.value >= 0 else "weaker"
    words = {"decided": side, "leaning": f"likely {side}", "open": "too close to call"}
    return "check its runs" if gain.doubted else words[gain.strength]


def _notes(results):
    """What the gains rest on: repeats, riders, scatter."""
    road = results.road
    if not road.repeated:
        usual = percent(results.session.assumptions.run_scatter.value, 1)
        yield (
            "too few runs were repeated to tell how runs scatter on this outing; the intervals "
            f"rest on what is usual: {usual} (standard deviation), give or take a factor of 2.7. "
            "One more run of any setup narrows all of them."
        )
    else:
        yield (
            f"from run to run the wheel force scatters by {percent(road.scatter_sd, 1)} (standard "
            "deviation), reading and gusts included. That figure rests on these runs and on what "
            "is usual."
        )
    single = [pull.setup for pull in road.pulls if pull.runs == 1]
    if single and road.repeated:
        its = "its" if len(single) == 1 else "their"
        yield (
            f"{spaced_list(single)} ran only once: {its} scatter is assumed to be that of the "
            "others."
        )
    down = int(results.session.runs["shown_down_exit_m_s"].notna().sum())
    if down:
        yield (
            f"on {down} runs the bike was rolled back down out of gear; that measures drag and "
            "wind on the same hill minutes later, and the forces above make use of it."
        )
    yield from _confounded(results)
    read = {one.setup for one in results.combinations if one.setup and one.source == "read"}
    if read and results.reference not in read:
        yield (
            f"{spaced(results.reference)} has no gauge reading, so part of what is gained over it "
            "may be mixture alone."
        )
    if road.one_after_the_other:
        yield (
            f"the setups were ridden one after the other, and {spaced(results.reference)} not "
            "again at the end, so a dying wind, a warming engine or a gauge that drifts can look "
            "like a gain or a loss. The intervals are wider for that, but allow for no more than a "
            f"usual day. Next time ride {spaced(results.reference)} first and last, or take turns."
        )


def _confounded(results):
    """Setups that share no rider with the reference."""
    riders = {}
    for run in results.runs:
        if run.force_n is not None:
            riders.setdefault(run.setup, set()).add(run.rider)
    base = riders.get(results.reference, set())
    apart = [name for name, own in riders.items() if not own & base]
    if apart:
        yield (
            f"{spaced_list(apart)} had no rider in common with {spaced(results.reference)}, so a "
            "difference between riders cannot be told from one between setups; the interval is "
            "wider for it."
        )


def table(results: Results) -> Table | Prose:
    """Wheel force, power and gain of each setup."""
    system, over = system_of(results), spaced(results.reference)
    in_blocks = results.road is not None and results.road.one_after_the_other

    columns = {
        "Setup": lambda pull: spaced(pull.setup),
        "Verdict": lambda pull: verdict_text(pull.gain, in_blocks=in_blocks),
        "Gain in pull [%]": lambda pull: pull.gain and gain_text(pull.gain.ratio, ""),
        ("Marker speed", "speed"): lambda pull: (
            pull.gain and signed(pull.speed_gain_m_s, "speed", system)
        ),
        ("Wheel force", "force"): lambda pull: pull.force_n,
        ("Wheel power", "power"): lambda pull: pull.power_w,
        "Runs": lambda pull: str(pull.runs),
    }
    shown_by = "the speedometer" if results.session.logged_step_m_s is None else "the log"
    note = (
        "In brackets: 95 % intervals. Errors that all setups share (slope, drag, mass) make the "
        "force uncertain, as far as session.toml states them, but mostly cancel in the gain. "
        f"Marker speed is as {shown_by} shows it, against the mean of {over}."
    )
    count = len(results.pulls) - 1
    if count > 1:
        note += (
            f" {count} setups are compared with {over}. The intervals are for one comparison each; "
            "likely is left out only where a difference is clear even after allowing for all "
            f"{count}."
        )
    return table_of(results.pulls, columns, f"Against {over}", note, system=system)
