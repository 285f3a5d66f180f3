"""The first guess under sliders: flow as a range, open time, and where a chart misleads."""

from tuninglib import units
from tuninglib.analysis.first_guess import Change, guess_of
from tuninglib.analysis.injector import HIGHEST_SHARE, flow_on_bike
from tuninglib.lab import kit
from tuninglib.physics.blend import Blend
from tuninglib.physics.injector import metering_demand
from tuninglib.report.display import Prose
from tuninglib.rounding import fixed, percent, quantity_text
from tuninglib.session.defaults import ethanol_of

NO_CHART = "no chart at hand"


def first_guess(results):
    """Sliders for the old and the new engine, target, pressure and fuel.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session = results.session
    system = session.about.units
    setup = session.setups[results.reference]
    old = session.engines[setup.engine]
    new_name = results.ladder.engine if results.ladder else list(session.engines)[-1]
    new = session.engines[new_name]
    mixture = next(one for one in results.mixtures if one.setup == results.reference)
    middle = (session.target.lowest * session.target.highest) ** 0.5
    pressure = session.bike.fuel_pressure.value if session.bike.fuel_pressure else 3e5
    ethanol = 100 * ethanol_of(session.fuels[setup.fuel]).value
    speed = new.highest_speed.value if new.highest_speed else 9000.0
    flow_now = flow_on_bike(session, setup.injector)

    def shown(what, kind, value, low, high, step):
        label = units.unit_label(kind, system)
        low, high = (round(units.to_display(x, kind, system), 1) for x in (low, high))
        value = units.to_display(value, kind, system)
        return kit.slider(what, label, value, low=low, high=high, step=step)

    def plain(what, unit, value, low, high, step):
        return kit.slider(what, unit, value, low=low, high=high, step=step)

    bar = 0.1 if system == "metric" else 1
    read = mixture.lambda_.value if mixture.lambda_ else middle
    controls = {
        "flow": shown("now: injector flow", "flow", flow_now, 50e-6 / 60, 600e-6 / 60, 1),
        "old_cc": shown("now: displacement", "displacement", old.displacement_m3, 4e-5, 1e-3, 1),
        "read": plain("now: lambda read", "lambda", read, 0.7, 1.2, 0.005),
        "old_ethanol": plain("now: ethanol", "% by volume", ethanol, 0, 85, 0.5),
        "old_pressure": shown("now: fuel pressure", "fuel_pressure", pressure, 1e5, 6e5, bar),
        "new_cc": shown(
            "planned: displacement", "displacement", new.displacement_m3, 4e-5, 1e-3, 1
        ),
        "breathing": plain("planned: breathing against now", "%", 0, -25, 25, 1),
        "unsure": plain(
            "breathing may be off by",
            "±%, 95 of 100",
            100 * session.assumptions.breathing_change.half_width,
            0,
            25,
            1,
        ),
        "wanted": plain("planned: target lambda", "lambda", middle, 0.7, 1.1, 0.005),
        "new_ethanol": plain("planned: ethanol", "% by volume", ethanol, 0, 85, 0.5),
        "new_pressure": shown("planned: fuel pressure", "fuel_pressure", pressure, 1e5, 6e5, bar),
        "speed": plain("highest engine speed", "rpm", speed, 4000, 14000, 100),
        "own_valves": kit.choice("valves per cylinder, my engine", (2, 3, 4, 5)),
        "chart_valves": kit.choice("valves per cylinder, of a chart", (NO_CHART, 2, 3, 4, 5)),
        "chart_ethanol": plain("ethanol of the chart's fuel", "% by volume", 0, 0, 85, 0.5),
    }

    def si(value, kind):
        return units.from_display(value, kind, system)

    def answer(**v):
        change = Change(
            flow_m3_s=si(v["flow"], "flow"),
            flow_tolerance=session.injectors[setup.injector].tolerance.value,
            lambda_read=v["read"],
            lambda_wanted=v["wanted"],
            gauge_accuracy=results.judged.gauge.accuracy.half_width,
            old_displacement_m3=si(v["old_cc"], "displacement"),
            new_displacement_m3=si(v["new_cc"], "displacement"),
            breathing_ratio=1 + v["breathing"] / 100,
            breathing_half_width=v["unsure"] / 100,
            old_pressure_pa=si(v["old_pressure"], "fuel_pressure"),
            new_pressure_pa=si(v["new_pressure"], "fuel_pressure"),
            old_ethanol=v["old_ethanol"] / 100,
            new_ethanol=v["new_ethanol"] / 100,
            breathing=new.breathing.value,
            engine_speed_rpm=v["speed"],
            cylinders=new.cylinders,
        )
        return kit.Said(
            guess_words(
                session,
                change,
                own_valves=v["own_valves"],
                chart_valves=v["chart_valves"],
                chart_ethanol=v["chart_ethanol"] / 100,
            )
        )

    return kit.panel(controls, answer)


def guess_words(session, change: Change, *, own_valves, chart_valves, chart_ethanol) -> tuple:
    """A first guess in sentences.

    Parameters
    ----------
    session : tuninglib.session.load.Session
    change : Change
    own_valves, chart_valves : int or str
        Valves for each cylinder, of the engine and of a chart that is compared with; or
        :data:`NO_CHART`.
    chart_ethanol : float
        Of the chart's fuel, by volume, 0 to 1.
    """
    system = session.about.units
    guess = guess_of(change)
    runs_out = units.to_display(guess.runs_out_m3_s, "flow", system)
    label = units.unit_label("flow", system)
    items = [
        (
            "Injector to look for",
            f"{quantity_text(guess.flow_m3_s, 'flow', system)} at the new fuel pressure.",
        )
    ]
    if change.new_pressure_pa != change.old_pressure_pa:
        stated = quantity_text(guess.stated_at_old_pressure_m3_s, "flow", system)
        items.append(("Stated at the old pressure", f"the same injector is one of {stated}."))
    share = guess.open_time_s / guess.cycle_time_s
    items.append(
        (
            "Open time",
            f"{guess.open_time_s * 1e3:.1f} ms of the {guess.cycle_time_s * 1e3:.1f} ms of one "
            f"cycle at {change.engine_speed_rpm:.0f} rpm ({percent(share)}).",
        )
    )
    items.append(
        (
            "Runs out",
            f"at full speed an injector below {fixed(runs_out, 0)} {label} would need more than "
            f"{percent(HIGHEST_SHARE)} of the cycle.",
        )
    )
    watch = []
    if guess.runs_out_m3_s > guess.flow_m3_s.low:
        watch.append(
            "the lower end of the range would run out of time at full speed and run lean there: "
            "ask for a higher fuel pressure or a lower engine speed."
        )
    watch += chart_warnings(
        change, own_valves=own_valves, chart_valves=chart_valves, chart_ethanol=chart_ethanol
    )
    watch.append(
        "a first guess is no reading. Start at the rich end of the range, read the gauge on a "
        "short gentle run, then go on."
    )
    return (
        Prose(tuple(items)),
        Prose(tuple(("Watch", sentence) for sentence in watch), style="caution"),
    )


def chart_warnings(change: Change, *, own_valves, chart_valves, chart_ethanol) -> list:
    """Where a chart of injectors by displacement would mislead."""
    if chart_valves == NO_CHART:
        return []
    found = []
    if chart_valves != own_valves:
        found.append(
            f"the chart is for {chart_valves} valves per cylinder, your engine has {own_valves}: "
            "heads with other valves breathe differently at the same displacement, and every "
            "per cent of breathing is a per cent of flow. Do not take its flow as it is."
        )
    chart, own = (
        metering_demand(b.stoichiometric_ratio, b.density_kg_m3)
        for b in (Blend(chart_ethanol), Blend(change.new_ethanol))
    )
    off = chart / own - 1
    if abs(off) > 0.005:
        less = "too small" if off > 0 else "too large"
        found.append(
            f"the chart is for {percent(chart_ethanol, 1)} ethanol, your fuel has "
            f"{percent(change.new_ethanol, 1)}: its flows are {percent(abs(off), 1)} {less} for "
            "you, for the fuel alone."
        )
    return found
