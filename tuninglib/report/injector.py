"""The next injector: which one, on which fuel, with what odds."""

from tuninglib import units
from tuninglib.report.cells import NONE, headed, plain, shown, system_of
from tuninglib.report.display import Picture, Prose, Table, picture
from tuninglib.report.drawing import BAND, COLOURS, INK, MARKERS, SOFT, figure_of, title
from tuninglib.rounding import gauge_text, interval_text, listing, odds_text, percent, quantity_text


def sentences(results) -> Prose:
    """Which injector next, how its odds come about, and which stated flow is not believable."""
    items = [("Advice", next_sentence(results))]
    ladder = results.ladder
    if ladder is not None:
        for suspicion in ladder.suspicions:
            system = results.session.about.units
            items.append(
                (
                    f"Injector {suspicion.injector}",
                    f"reads as if it flowed "
                    f"{quantity_text(suspicion.implied_flow_m3_s, 'flow', system)}, not the "
                    f"{plain(suspicion.stated_flow_m3_s, 'flow', system)} that it is stated with.",
                )
            )
    items += [("Note", sentence) for sentence in _notes(results)]
    return Prose(tuple(items))


def next_sentence(results) -> str:
    """Which injector to try next, or why to stay, in a sentence or two."""
    ladder = results.ladder
    if ladder is None and any(mixture.pegged for mixture in results.mixtures):
        return (
            "every reading stood at the gauge's end, so no injector can be advised: fit one that "
            "brings the reading back into the gauge's range, on the rich side first."
        )
    if ladder is None:
        return (
            "read the lambda gauge on the next runs: without a usable reading no injector can be "
            "advised."
        )
    if ladder.withheld:
        return (
            "no injector can be advised: at full throttle lambda did not follow injector flow, so "
            "the ECU (engine control unit) trims the mixture there by its oxygen sensor, and "
            "another injector will not move it. Check first whether these readings were really "
            "taken at full throttle and in open loop."
        )
    if ladder.advice == "none":
        return (
            "none of the injectors listed is likely to be inside the target band on every fuel; "
            "list others in session.toml." + _wanted_flow(results)
        )
    record = next(p for p in ladder.prospects if p.injector == ladder.injector)
    leanest = record.fuels[0]
    text = (
        f"on {leanest.fuel}, the leanest of the fuels, lambda {interval_text(leanest.lambda_)} and "
        f"odds of the band {odds_text(leanest.odds.inside)}"
    )
    if ladder.advice == "stay":
        return (
            f"stay with injector {ladder.injector}: {text}. None of the others listed has odds "
            "that are better by a tenth or more. Richer would run cooler and cost fuel."
        )
    price = ""
    if record.price is not None:
        price = f" for {record.price:g} {results.session.about.currency}".rstrip()
    verb = "fit" if record.tried else "buy"
    return f"{verb} injector {ladder.injector}{price}: {text}{_than_staying(ladder)}."


def _than_staying(ladder) -> str:
    """What the fitted injector offers instead, on the same fuel."""
    fitted = next((p for p in ladder.prospects if p.injector == ladder.fitted), None)
    if fitted is None:
        return ""
    odds = fitted.fuels[0].odds
    return (
        f"; with {ladder.fitted}, which is fitted now, they are {odds_text(odds.inside)}, and "
        f"{odds_text(odds.leaner)} of being leaner"
    )


def _wanted_flow(results) -> str:
    guess = results.ladder.first_guess
    if guess is None:
        return ""
    system = results.session.about.units
    return (
        f" The middle of the band on the leanest fuel asks for "
        f"{quantity_text(guess, 'flow', system)}."
    )


def _notes(results) -> list:
    """What limits the advice on injectors."""
    record, found = results.ladder, []
    if record is None:
        return found
    if record.withheld:
        left_out = listing(record.not_predicted)
        return [f"for that reason no lambda is predicted for {left_out}."] if left_out else []
    tried = [p for p in record.prospects if p.tried]
    if len(tried) == 1:
        found.append(
            "only one injector was read, so how lambda follows flow is taken on trust; the "
            "intervals are wide for that reason."
        )
    outside = [p.injector for p in record.prospects if p.outside_tried_range]
    if outside:
        found.append(
            f"{listing(outside)} lies outside the flows that were read: there the line is "
            "stretched beyond what was tried."
        )
    if not any(not p.tried for p in record.prospects):
        found.append(
            "no candidate is listed: add injectors that no setup uses to session.toml to see "
            "their odds."
        )
    compensation = results.session.bike.density_compensation
    densities = [run.density_kg_m3 for run in results.runs if run.gauge_low is not None]
    spread = max(densities) / min(densities) - 1 if densities else 0.0
    if compensation == "unknown" and spread > 0.015:
        found.append(
            f"the air density changed by {percent(spread, 1)} over the readings; if the controller "
            "does not compensate for it, lambda moved as much (say so in density_compensation)."
        )
    return found


def table(results) -> Table | Prose:
    """Each injector on each fuel, tried or not, with its odds of the target band."""
    if results.ladder is None or not results.ladder.prospects:
        return Prose(())
    system = system_of(results)
    rows = []
    for p in results.ladder.prospects:
        for number, one in enumerate(p.fuels):
            first = number == 0
            share = (
                percent(p.open_time_s / p.cycle_time_s)
                if p.open_time_s and p.cycle_time_s
                else NONE
            )
            rows.append(
                (
                    p.injector if first else f"{p.injector} ",
                    shown(p.flow_m3_s, "flow", system) if first else "",
                    one.fuel,
                    interval_text(one.lambda_),
                    gauge_text(one.gauge.value, results.session.gauge),
                    odds_text(one.odds.inside),
                    odds_text(one.odds.leaner),
                    share if first else "",
                    p.reason if first else "",
                )
            )
    header = (
        "Injector",
        headed("Flow", "flow", system),
        "Fuel",
        "Lambda (95 % interval)",
        "Gauge",
        "Odds inside",
        "Odds leaner",
        "Open time of a cycle",
        "In short",
    )
    note = (
        f"On the engine {results.ladder.engine!r}. Open time, dead time included, is for the "
        "richer fuel demand at the highest engine speed; above about 85 % an injector runs out "
        "(common practice)."
    )
    return Table("Injectors, tried and to buy", header, tuple(rows), note)


def figure(results) -> Picture | Prose:
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
    if results.ladder.withheld:
        return Prose((("", "No line is drawn: at full throttle lambda did not follow flow."),))
    system, target = results.session.about.units, results.session.target
    drawn, (ax,) = figure_of(3.6)
    draw(ax, results.ladder.curves, target.lowest, target.highest, system)
    for prospect in results.ladder.prospects:
        flow = units.to_display(prospect.flow_m3_s, "flow", system)
        if not prospect.tried:
            ax.axvline(flow, color=SOFT, linewidth=0.9, linestyle=":")
            ax.annotate(
                prospect.injector,
                (flow, 0.99),
                xycoords=("data", "axes fraction"),
                rotation=90,
                fontsize=8.5,
                ha="right",
                va="top",
                color=INK,
            )
    named = results.ladder.injector
    message = {
        "stay": f"Stay with {named}: nothing else has clearly better odds",
        "buy": f"{named} has the best odds of the target band",
        "none": "No injector can be named yet",
    }[results.ladder.advice]
    title(ax, message)
    curve = results.ladder.curves[0]
    alt = (
        f"Lambda against injector flow with 95 % intervals on {len(results.ladder.curves)} fuels. "
        f"On {curve.fuel} it falls from {curve.lambda_[0]:.2f} to {curve.lambda_[-1]:.2f} over the "
        f"flows shown; the target band is {target.lowest:.2f} to {target.highest:.2f}."
    )
    return picture(drawn, alt)


def draw(ax, curves, lowest, highest, system) -> None:
    """Curves of lambda against flow, their intervals and the readings, on given axes.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    curves : sequence of tuninglib.analysis.results.LadderCurve
    lowest, highest : float
        The target band.
    system : str
        System of units that is printed.
    """
    ax.axhspan(lowest, highest, color=BAND, zorder=0, label="target band")
    for index, curve in enumerate(curves):
        colour = COLOURS[index % len(COLOURS)]
        flow = units.to_display(curve.flow_m3_s, "flow", system)
        ax.fill_between(flow, curve.low, curve.high, color=colour, alpha=0.15, linewidth=0)
        ax.plot(flow, curve.lambda_, color=colour, linestyle=("-", "--", "-.")[index % 3])
        if len(curve.reading_flow_m3_s):
            ax.plot(
                units.to_display(curve.reading_flow_m3_s, "flow", system),
                curve.reading_lambda,
                MARKERS[index % len(MARKERS)],
                color=colour,
                markersize=4.5,
                markerfacecolor="none",
                label=f"{curve.fuel}, read",
            )
        ax.plot([], [], color=colour, linestyle=("-", "--", "-.")[index % 3], label=curve.fuel)
    ax.set_xlabel(f"stated injector flow [{units.unit_label('flow', system)}]", fontsize=9)
    ax.set_ylabel("lambda (up: leaner)", fontsize=9)
    ax.grid(color="#e4e2dc", linewidth=0.7)
    ax.set_axisbelow(True)
    ax.legend(fontsize=8.5, frameon=False, loc="lower left")
