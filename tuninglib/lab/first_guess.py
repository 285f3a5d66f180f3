"""The first guess under sliders: flow as a range, open time, and where a chart misleads."""

from dataclasses import replace

from tuninglib import units
from tuninglib.analysis.first_guess import DEAD_TIME_S, Change, guess_of
from tuninglib.analysis.injector import HIGHEST_SHARE, flow_on_bike
from tuninglib.lab import kit
from tuninglib.physics.blend import Blend
from tuninglib.physics.injector import metering_demand
from tuninglib.report.display import Prose
from tuninglib.rounding import fixed, percent, quantity_text
from tuninglib.session.defaults import ethanol_of

NO_CHART = "no chart at hand"
# Of what small injectors and their drivers do, and of what trims are usual (common practice).
SHORTEST_PULSE_S, TRIM_AUTHORITY = 1.5e-3, 0.20


# Where the sliders start before there is a session: a small single (invented).
USUAL = Change(
    flow_m3_s=150e-6 / 60,
    flow_tolerance=0.07,
    lambda_read=0.87,
    lambda_wanted=0.87,
    gauge_accuracy=0.02,
    old_displacement_m3=150e-6,
    new_displacement_m3=175e-6,
    breathing_ratio=1.0,
    breathing_half_width=0.10,
    old_pressure_pa=3e5,
    new_pressure_pa=3e5,
    old_ethanol=0.05,
    new_ethanol=0.05,
    breathing=0.85,
    engine_speed_rpm=9000.0,
)


def change_of(results) -> Change:
    """From the reference of a session to its other engine, on the same fuel.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session = results.session
    setup = session.setups[results.reference]
    new_name = results.ladder.engine if results.ladder else list(session.engines)[-1]
    new = session.engines[new_name]
    mixture = next(one for one in results.mixtures if one.setup == results.reference)
    middle = (session.target.lowest * session.target.highest) ** 0.5
    pressure = session.bike.fuel_pressure.value if session.bike.fuel_pressure else 3e5
    ethanol = ethanol_of(session.fuels[setup.fuel]).value
    return Change(
        flow_m3_s=flow_on_bike(session, setup.injector),
        flow_tolerance=session.injectors[setup.injector].tolerance.value,
        lambda_read=mixture.lambda_.value if mixture.lambda_ else middle,
        lambda_wanted=middle,
        gauge_accuracy=results.judged.gauge.accuracy.half_width,
        old_displacement_m3=session.engines[setup.engine].displacement_m3,
        new_displacement_m3=new.displacement_m3,
        breathing_ratio=1.0,
        breathing_half_width=session.assumptions.breathing_change.half_width,
        old_pressure_pa=pressure,
        new_pressure_pa=pressure,
        old_ethanol=ethanol,
        new_ethanol=ethanol,
        breathing=new.breathing.value,
        engine_speed_rpm=new.highest_speed.value if new.highest_speed else 9000.0,
        cylinders=new.cylinders,
    )


def first_guess(results=None, *, system: str = "metric"):
    """Sliders for the old and the new engine, target, pressure and fuel.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results, optional
        Where the sliders start; left out: a usual small engine, before there is a session.
    system : str
        System of units of that.
    """
    start = USUAL if results is None else change_of(results)
    system = system if results is None else results.session.about.units

    def shown(what, kind, value, low, high, step):
        label = units.unit_label(kind, system)
        low, high = (round(units.to_display(x, kind, system), 1) for x in (low, high))
        value = units.to_display(value, kind, system)
        return kit.slider(what, label, value, low=low, high=high, step=step)

    def plain(what, unit, value, low, high, step):
        return kit.slider(what, unit, value, low=low, high=high, step=step)

    bar = 0.1 if system == "metric" else 1
    controls = {
        "flow": shown("now: injector flow", "flow", start.flow_m3_s, 50e-6 / 60, 600e-6 / 60, 1),
        "old_cc": shown(
            "now: displacement", "displacement", start.old_displacement_m3, 4e-5, 1e-3, 1
        ),
        "read": plain("now: lambda read", "lambda", start.lambda_read, 0.7, 1.2, 0.005),
        "old_ethanol": plain("now: ethanol", "% by volume", 100 * start.old_ethanol, 0, 85, 0.5),
        "old_pressure": shown(
            "now: fuel pressure", "fuel_pressure", start.old_pressure_pa, 1e5, 6e5, bar
        ),
        "new_cc": shown(
            "planned: displacement", "displacement", start.new_displacement_m3, 4e-5, 1e-3, 1
        ),
        "breathing": plain("planned: breathing against now", "%", 0, -25, 25, 1),
        "unsure": plain(
            "breathing may be off by",
            "±%, 95 of 100",
            100 * start.breathing_half_width,
            0,
            25,
            1,
        ),
        "wanted": plain("planned: target lambda", "lambda", start.lambda_wanted, 0.7, 1.1, 0.005),
        "new_ethanol": plain(
            "planned: ethanol", "% by volume", 100 * start.new_ethanol, 0, 85, 0.5
        ),
        "new_pressure": shown(
            "planned: fuel pressure", "fuel_pressure", start.new_pressure_pa, 1e5, 6e5, bar
        ),
        "speed": plain("highest engine speed", "rpm", start.engine_speed_rpm, 4000, 14000, 100),
        "chosen": shown("planned: flow; 0: that called for", "flow", 0.0, 0.0, 600e-6 / 60, 1),
        "idle": plain("now: pulse at a warm idle", "ms", 1e3 * start.idle_pulse_s, 1, 6, 0.05),
        "own_valves": kit.choice("valves per cylinder, my engine", (2, 3, 4, 5)),
        "chart_valves": kit.choice("valves per cylinder, of a chart", (NO_CHART, 2, 3, 4, 5)),
        "chart_ethanol": plain("ethanol of the chart's fuel", "% by volume", 0, 0, 85, 0.5),
    }

    def si(value, kind):
        return units.from_display(value, kind, system)

    def answer(**v):
        change = replace(
            start,
            flow_m3_s=si(v["flow"], "flow"),
            lambda_read=v["read"],
            lambda_wanted=v["wanted"],
            old_displacement_m3=si(v["old_cc"], "displacement"),
            new_displacement_m3=si(v["new_cc"], "displacement"),
            breathing_ratio=1 + v["breathing"] / 100,
            breathing_half_width=v["unsure"] / 100,
            old_pressure_pa=si(v["old_pressure"], "fuel_pressure"),
            new_pressure_pa=si(v["new_pressure"], "fuel_pressure"),
            old_ethanol=v["old_ethanol"] / 100,
            new_ethanol=v["new_ethanol"] / 100,
            engine_speed_rpm=v["speed"],
            idle_pulse_s=v["idle"] / 1e3,
            chosen_m3_s=si(v["chosen"], "flow") or None,
        )
        return kit.Said(
            guess_words(
                system,
                change,
                own_valves=v["own_valves"],
                chart_valves=v["chart_valves"],
                chart_ethanol=v["chart_ethanol"] / 100,
            )
        )

    return kit.panel(controls, answer)


def guess_words(system, change: Change, *, own_valves, chart_valves, chart_ethanol) -> tuple:
    """A first guess in sentences.

    Parameters
    ----------
    system : str
    change : Change
    own_valves, chart_valves : int or str
        Valves for each cylinder, of the engine and of a chart that is compared with; or
        :data:`NO_CHART`.
    chart_ethanol : float
        Of the chart's fuel, by volume, 0 to 1.
    """
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
    items.append(
        (
            "At idle",
            f"a pulse of {1e3 * change.idle_pulse_s:.2f} ms becomes {1e3 * guess.idle_pulse_s:.2f} "
            f"ms (dead time {1e3 * DEAD_TIME_S:g} ms taken).",
        )
    )
    least, most = (f"{'+' if one > 0 else ''}{percent(one)}" for one in guess.trims)
    items.append(
        (
            "Where the ECU corrects",
            f"at part load it must trim by {least} to {most}, depending on whether its table goes "
            "by throttle or by manifold pressure; many can trim 20 to 25 % (common practice).",
        )
    )
    watch = []
    if guess.idle_pulse_s < SHORTEST_PULSE_S:
        watch.append(
            f"pulses below about {1e3 * SHORTEST_PULSE_S:g} ms are seldom steady (common practice, "
            "from memory): idle may hunt or stall."
        )
    if max(abs(one) for one in guess.trims) > TRIM_AUTHORITY:
        watch.append(
            "that trim may be more than the ECU can do: it would stay rich or lean at part load, "
            "and set a fault."
        )
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
