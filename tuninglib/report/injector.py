"""The injector: whether the ECU corrects, and which one to fit or buy next.

How lambda follows injector flow, state by state; then which injector, on which fuel, with what
chance.
"""

from collections.abc import Sequence

from matplotlib.axes import Axes

from tuninglib import units
from tuninglib.analysis.analyse import Results
from tuninglib.analysis.records import LadderCurve
from tuninglib.analysis.worth import EVEN
from tuninglib.report import page_parts
from tuninglib.report.advice import band_text, gate_sentence
from tuninglib.report.mixture import place_words, settling
from tuninglib.report.page_parts import (
    Picture,
    Prose,
    Table,
    as_points,
    count_of,
    picture,
    plain,
    spaced,
    system_of,
    table_of,
)
from tuninglib.rounding import fixed, interval_text, listing, odds_text, percent, quantity_text
from tuninglib.session.defaults import Band, leaner_limit_of

# Is the ECU correcting? ---------------------------------------------------------------------------

_VERDICTS = {
    "corrects": "lambda does not follow flow: the ECU corrects by its oxygen sensor here, and "
    "another injector does not change the mixture",
    "table": "lambda follows flow: the ECU runs from its fuel table here and ignores the oxygen "
    "sensor",
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
_MEANING = {
    "Oxygen sensor": "a device or a resistor that alters the oxygen sensor's signal acts where "
    "the ECU corrects. Where the ECU runs from its table it acts only through what the ECU has "
    "learned and carries over (common practice).",
    "Room to trim": "where the ECU corrects, it can add or take away only so much, often about 20 "
    "to 25 % (common practice). An injector further off than that shows at idle and cruise, too.",
    "Learned trims": "many ECUs store what they correct at idle and cruise and add it at full "
    "throttle, too: after another injector the full-throttle mixture can drift back over the next "
    "rides. Read the gauge again then (common practice).",
    "Temperature sensors": "a resistor on the sensor of the air's or the engine's temperature is "
    "another matter: it makes the ECU add fuel wherever it runs from its table, as a rule at full "
    "throttle too (common practice).",
    "Cold start and acceleration": "their extra fuel comes from tables, so a larger injector "
    "makes them richer even where the ECU corrects once warm and steady (common practice).",
    "Narrowband sensor": "it switches near lambda 1: about four fifths of its voltage swing lie "
    "between about 14.5 and 14.9 on a 14.7 scale, and outside it says little (chemical "
    "equilibrium and the Nernst equation). It cannot meter a full-throttle mixture.",
}


def response_sentences(results: Results) -> Prose:
    """Whether lambda follows the injector, state by state, and what it means for gadgets."""
    ladder = results.ladder
    text = (
        "The ECU (engine control unit) runs from its fuel table, or corrects by its oxygen "
        "sensor. Where lambda stays put on injectors of different flow, the ECU corrects."
    )
    items = [("", text)]
    for one in ladder.responses if ladder else ():
        verdict = _FULL_CORRECTS if ladder.withheld == "corrects" else _VERDICTS[one.verdict]
        items.append(("Full throttle", f"{verdict} ({_basis(one)})."))
    for one in results.gauge_check.states:
        label = place_words(one).removeprefix("at ")
        items.append((f"{label[0].upper()}{label[1:]}", _held(one)))
    return as_points([*items, *_MEANING.items()])


def _basis(one) -> str:
    """How many readings and injectors an answer rests on."""
    return f"{count_of(one.readings, 'reading')}, {count_of(one.injectors, 'injector')}"


def _held(one) -> str:
    """Whether the ECU corrects at idle, at cruise, or in a band of the throttle."""
    chance = f"{odds_text(one.chance)} ({_basis(one)})"
    if not one.settled:
        said = f"the chance that the ECU corrects by its oxygen sensor here is {chance}"
        return f"{said}; {settling(one)}"
    said = (
        "the ECU runs from its fuel table here and ignores the oxygen sensor: the chance that it "
        "corrects is"
    )
    if one.chance > 0.5:
        said = (
            "the ECU corrects by its oxygen sensor here, and another injector does not change the "
            "mixture: the chance of that is"
        )
    return f"{said} {chance}."


def in_numbers(results: Results) -> str:
    """How strongly lambda follows flow at full throttle; empty where nothing was read.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    found = results.ladder.responses if results.ladder else ()
    return ", ".join(f"full throttle {interval_text(one.response)}" for one in found)


# The next injector --------------------------------------------------------------------------------


def sentences(results: Results) -> Prose:
    """Which stated flow is not believable, and what limits the predictions."""
    items, system = [], system_of(results)
    for one in results.ladder.suspicions if results.ladder else ():
        implied = quantity_text(one.implied_flow_m3_s, "flow", system)
        stated = plain(one.stated_flow_m3_s, "flow", system)
        text = f"reads as if it flowed {implied}, not the stated {stated}."
        items.append((f"Injector {one.injector}", text))
    items += [("Note", sentence) for sentence in _notes(results)]
    return Prose(tuple(items))


def _notes(results):
    """What limits the advice on injectors."""
    record = results.ladder
    if record is None:
        return
    if record.withheld:
        said = "at full throttle lambda did not follow flow, so none is predicted for"
        if record.not_predicted:
            yield f"{said} {listing(record.not_predicted)}."
        return
    tried = [p for p in record.prospects if p.tried]
    if len(tried) == 1:
        yield (
            "only one injector was read, so how lambda follows flow is assumed; the "
            "intervals are wide for that reason."
        )
    by_flow = sorted(record.prospects, key=lambda prospect: prospect.flow_m3_s)
    outside = [p.injector for p in by_flow if p.outside_tried_range]
    if outside:
        yield (
            f"the flow{'s' * (len(outside) > 1)} of {listing(outside)} "
            f"{'lies' if len(outside) == 1 else 'lie'} outside those that were read: this is "
            "extrapolated."
        )
    if len(tried) == len(record.prospects):
        yield (
            "no candidate is listed: to see the chances of other injectors, add them to "
            "session.toml."
        )


def _in_short(results, one) -> str:
    """What speaks against a combination, or for it, in a few words."""
    step = results.plan.next
    if one.gate is not None:
        return gate_sentence(results, one)
    if results.plan.ride is not None and one.key == results.plan.ride.key:
        return "ride now"
    if one.injector == step.injector and one.fuel in step.fuels and step.code in ("fit", "buy"):
        return "next"
    if one.odds.inside < one.odds.leaner:
        return "likely leaner than the band"
    return "possible" if one.odds.inside >= one.odds.richer else "likely richer than the band"


def table(results: Results) -> Table | Prose:
    """Each injector on each fuel, tried or not, with its odds of the target band."""
    if results.ladder is None:
        return Prose(())
    flows = {one.injector: one.flow_m3_s for one in results.ladder.prospects}
    columns = {
        "Injector and fuel": lambda one: f"{one.injector} on {one.fuel}",
        "In short": lambda one: _in_short(results, one),
        "Lambda (95 % interval)": lambda one: interval_text(one.lambda_),
        "Chance inside": lambda one: odds_text(one.odds.inside),
        "Chance leaner": lambda one: odds_text(one.odds.leaner),
        "Expected harm": lambda one: fixed(one.harm, 1),
        ("Flow", "flow"): lambda one: flows[one.injector],
        "Open time of a cycle": lambda one: _whole_percent(one.open_time_fraction),
    }
    rows = [one for prospect in results.ladder.prospects for one in prospect.fuels]
    limit = percent(leaner_limit_of(results.session))
    made = f", the bike as its maker made it above {percent(EVEN)}"
    made = made if any(one.as_made for one in rows) else ""
    note = (
        f"On the engine '{spaced(results.ladder.engine)}'; as read where an injector was ridden, "
        f"else as predicted. An injector with a chance above {limit} of being leaner is ruled "
        f"out{made}. "
        "Expected harm is in per cent of pull. Open time, dead time included, is at the highest "
        "engine speed; above about 85 % an injector runs out (common practice)."
    )
    return table_of(rows, columns, "Injectors, tried and to buy", note, system=system_of(results))


def _whole_percent(share) -> str | None:
    return share and interval_text(share.scaled(100), "%", least_decimals=0, most_decimals=0)


def figure(results: Results) -> Picture | Prose:
    """Lambda against injector flow on each fuel: the curve, its interval, the readings.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results

    Returns
    -------
    Picture, or Prose that says why there is none
    """
    if results.ladder is None:
        return Prose((("", "There is no usable reading at full throttle to draw a line through."),))
    system, band = results.session.about.units, results.band
    if results.ladder.withheld:
        return Prose((("", "No line is drawn: at full throttle lambda did not follow flow."),))
    curves = results.ladder.curves

    def drawn(width_in):
        fuels = [curve.fuel for curve in curves]
        figure, (ax,) = page_parts.figure_of(width_in, 3.3, legend=fuels)
        page_parts.add_legend(figure, _draw(ax, curves, band, system), fuels)
        untried = [one for one in results.ladder.prospects if not one.tried]
        for one in untried:
            flow = units.to_display(one.flow_m3_s, "flow", system)
            ax.axvline(flow, color=page_parts.SOFT, linewidth=0.9, linestyle=":")
            ax.annotate(
                one.injector, (flow, 0.99), xycoords=("data", "axes fraction"), rotation=90,
                ha="right", va="top",
            )  # fmt: skip
        return figure

    falls = f"from {curves[0].lambda_[0]:.2f} to {curves[0].lambda_[-1]:.2f}"
    alt = (
        f"Lambda against injector flow with 95 % intervals on {count_of(len(curves), 'fuel')}. On "
        f"{curves[0].fuel} it falls {falls} over the flows shown; the target band is "
        f"{band_text(results)}."
    )
    return picture(drawn, alt, f"{_title_of(results)}.", _KEY.format(band=band_text(results)))


def _title_of(results) -> str:
    """What the picture comes to, in the words of the plan."""
    step, ride = results.plan.next, results.plan.ride
    if step.code in ("fit", "buy"):
        return f"Next: injector {step.injector}, for {listing(step.fuels)}"
    if step.code == "list injectors":
        return "None of the injectors listed fits the band"
    if step.code == "change fuel" and step.fuels:
        return (
            f"Injector {step.injector} stays on the engine '{spaced(step.engine)}', "
            f"on {listing(step.fuels)}"
        )
    stays = ride is not None and ride.engine == results.ladder.engine
    if stays and step.code not in ("change fuel", "find knock", "find heat"):
        return f"Injector {ride.injector} stays on the engine '{spaced(ride.engine)}'"
    return f"Lambda against injector flow on the engine '{spaced(results.ladder.engine)}'"


_KEY = (
    "Lines: lambda on each fuel, with 95 % intervals; marks: readings; dotted: not tried yet; "
    "shaded: target band, lambda {band}."
)


def _draw(ax: Axes, curves: Sequence[LadderCurve], band: Band, system: str) -> list:
    """Curves of lambda against flow, their intervals and the readings; what stands for each."""
    ax.axhspan(band.lowest, band.highest, color=page_parts.BAND, linewidth=0, zorder=0)
    # By hand: a label that begins with _, as a fuel's name may, would be left out.
    shown: list = []
    for index, curve in enumerate(curves):
        colour, mark, line = page_parts.look_of(index)
        flow = units.to_display(curve.flow_m3_s, "flow", system)
        ax.fill_between(flow, curve.low, curve.high, color=colour, alpha=0.13, linewidth=0)
        ax.plot(flow, curve.lambda_, color=colour, linestyle=line)
        read = units.to_display(curve.reading_flow_m3_s, "flow", system)
        ax.plot(read, curve.reading_lambda, mark, color=colour, markersize=6, fillstyle="none")
        shown += ax.plot([], [], mark, color=colour, linestyle=line, fillstyle="none")
    ax.set_xlabel(f"stated injector flow [{units.unit_label('flow', system)}]")
    page_parts.title(ax, "Lambda (up: leaner)")
    ax.grid()
    return shown
