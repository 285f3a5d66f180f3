"""Measurements of one's own typed into a workbook: a coast-down, and injectors on the bench.

Each shows the fit and its picture, and writes the values into the session when it is asked to.
"""

from dataclasses import replace
from functools import partial
from pathlib import Path

import ipywidgets as widgets
import numpy as np

from tuninglib import units
from tuninglib.analysis.coast_down import fit_of, half_widths, rounded, start_of, values_for_session
from tuninglib.interval import Z_95, Interval
from tuninglib.lab import kit
from tuninglib.physics.fuels import PETROL_DENSITY_KG_M3
from tuninglib.physics.injector import flow_on_fuel
from tuninglib.physics.motion import Ride
from tuninglib.physics.road_load import RoadLoad
from tuninglib.report.page_parts import COLOURS, Prose, spaced, with_unit
from tuninglib.rounding import decimals_for, fixed, quantity_text
from tuninglib.session.read_table import BENCHFLOW, COASTDOWN
from tuninglib.session.read_toml import tables_as_typed
from tuninglib.session.tables import BENCH_HEADER, Falls, parse_falls, parse_volumes
from tuninglib.statistics.bench_flow import fit_bench_flow
from tuninglib.statistics.coast_down import coast_time_s
from tuninglib.text_files import SessionError, printable, read_text
from tuninglib.whole_files import write_together

# The coast-down -----------------------------------------------------------------------------------


def coast_down(session_folder: Path | str) -> widgets.VBox:
    """A place to type timed falls of speed, their fit, and buttons that keep both.

    Parameters
    ----------
    session_folder : path
    """
    folder = Path(session_folder)
    try:
        start = start_of(folder)
    except SessionError as error:
        return kit.unreadable(error)
    system, controls = start.system, _controls(start)

    def answer(*, text, doubt, **measured):
        falls = parse_falls(text)
        road, rolled = fit_of(falls, **measured)
        picture = fit_picture(road, rolled, falls, measured["speed_factor"], system)
        return kit.Said(fit_words(road, falls, system, doubt), picture)

    def write():
        values = kit.values_of(controls)
        falls, doubt = parse_falls(values.pop("text")), values.pop("doubt")
        road, _ = fit_of(falls, **values)
        return kit.write(folder, {"bike": values_for_session(road, doubt)})

    text = "Sets drag_area and rolling_coefficient under [bike] in session.toml"
    more = _keeping(folder / COASTDOWN, controls["text"], parse_falls, text, write)
    return kit.panel(controls, answer, name=f"coast-down of {folder}", more=more)


def _controls(start) -> dict:
    mass, temperature, pressure = kit.of_kinds(start.system, "mass", "temperature", "pressure")
    step, factor = 0.05 if start.system == "us" else 1, start.speed_factor
    doubt, off = kit.percent("±%, 95 of 100"), start.factor_half_width / factor
    return {
        "text": _typed(start.text, "timed falls, one in each row", rows=12),
        "bike_kg": kit.slider("bike, ready to ride", mass, start.bike_kg, (40, 400), 1),
        "rider_kg": kit.slider("rider, dressed to ride", mass, start.rider_kg, (40, 160), 1),
        "temperature_k": kit.slider("air", temperature, start.temperature_k, (253.15, 318.15), 1),
        "pressure_pa": kit.slider("air", pressure, start.pressure_pa, (6e4, 1.08e5), step),
        "speed_factor": kit.slider("true speed over shown speed", "", factor, (0.85, 1.05), 0.005),
        "doubt": kit.slider("which may be off by", doubt, off, (0, 0.1), 0.1),
    }


def _typed(text, what, rows):
    """A place to type a table."""
    return widgets.Textarea(
        value=text,
        description=what,
        rows=rows,
        continuous_update=False,
        style={"description_width": "8rem"},
        layout=kit.WIDE,
    )


def _keeping(path, typed, parse, tooltip, write) -> tuple:
    """Buttons that keep a table that was typed, and what follows from it."""

    def save():
        parse(typed.value)
        kept = write_together({path: typed.value.rstrip("\n") + "\n"}, keep=True)
        remark = f"; the earlier file is kept as {kept[0].name}" if kept else ""
        return Prose((("Written", f"{printable(str(path))}{remark}."),))

    return (
        kit.action("Keep the rows", f"Writes {path.name} into the outing's folder", save),
        kit.action("Write these values into my session", tooltip, write),
    )


def fit_words(road: RoadLoad, falls: Falls, system: str, factor_doubt: float) -> tuple:
    """What the coast-down says.

    Parameters
    ----------
    road : tuninglib.physics.road_load.RoadLoad
    falls : tuninglib.session.tables.Falls
    system : str
    factor_doubt : float
        Half-width of the speedometer's factor over the factor.
    """
    area, rolling = half_widths(road, factor_doubt)
    shown, half = (units.to_display(one, "area", system) for one in (road.drag_area_m2, area))
    wind = with_unit(abs(road.headwind_m_s), "speed", system, 1)
    way = "out" if road.headwind_m_s >= 0 else "back"
    rolls, label = len(set(falls.run.tolist())), units.unit_label("area", system)
    said = {
        "Drag area": f"{rounded(shown, half)} ± {rounded(half, half)} {label} (drag coefficient "
        "times frontal area, with this rider).",
        "Rolling coefficient": f"{rounded(road.rolling_coefficient, rolling)} ± "
        f"{rounded(rolling, rolling)}.",
        "Wind": f"{wind} against the rider on the way {way}, from the difference of the "
        "directions.",
        "From": f"{falls.time_s.size} timed falls of {rolls} rolls; ± is a 95 % interval.",
    }
    watch = []
    if road.rolling_coefficient < 0.003 or road.rolling_coefficient > 0.05:
        watch.append("that is an unusual rolling coefficient; check slope, units and times.")
    if not 0.2 < road.drag_area_m2 < 1.0:
        watch.append("that is an unusual drag area; check units, times and the speedometer.")
    return kit.with_watch(said, watch)


def fit_picture(road: RoadLoad, ride: Ride, falls: Falls, factor: float, system: str) -> kit.Image:
    """How fast the speed fell, against speed, each way; and what the fit says."""
    label = units.unit_label("speed", system)
    ax = kit.small_axes(3.3, f"true speed [{label}]", f"fall of speed in one second [{label}]")
    shown = partial(units.to_display, kind="speed", system=system)
    drop = (falls.shown_from_m_s - falls.shown_to_m_s) * factor
    middle = (falls.shown_from_m_s + falls.shown_to_m_s) / 2 * factor
    grid = np.linspace(max(2.0, middle.min() * 0.85), middle.max() * 1.1, 40)
    ways = ("out", 1, "o", "-", COLOURS[0]), ("back", -1, "s", "--", COLOURS[1])
    for name, direction, marker, line, colour in ways:
        own = falls.direction == direction
        timed = shown(middle[own]), shown(drop[own] / falls.time_s[own])
        ax.plot(*timed, marker, color=colour, markerfacecolor="none", label=f"{name}, timed")
        step = 0.2
        blown = replace(ride, wind_m_s=direction * road.headwind_m_s)
        ends = {"from_speed_m_s": grid + step / 2, "to_speed_m_s": grid - step / 2}
        time = coast_time_s(blown, **ends)
        ax.plot(shown(grid), shown(step / time), line, color=colour, label=f"{name}, fit")
    ax.set_ylim(0)
    ax.legend(fontsize=8.5, frameon=False)
    ax.figure.canvas.draw()
    alt = (
        f"Fall of speed in one second against speed for {falls.time_s.size} timed falls, out and "
        f"back, with the fit: drag area {with_unit(road.drag_area_m2, 'area', system, 2)}, rolling "
        f"coefficient {road.rolling_coefficient:.3f}."
    )
    return kit.Image(kit.png_of(ax.figure.canvas), alt)


# Injectors on the bench ---------------------------------------------------------------------------


def bench_flow(session_folder: Path | str) -> widgets.VBox:
    """A place to type caught volumes, what they say, and buttons that keep both.

    Parameters
    ----------
    session_folder : path
    """
    folder = Path(session_folder)
    try:
        tables = tables_as_typed(folder)
        path = folder / BENCHFLOW
        start = read_text(path) if path.is_file() else BENCH_HEADER
    except SessionError as error:
        return kit.unreadable(error)
    system = tables["session"].get("units", "metric")
    typed = _typed(start, "caught volumes, one in each row", rows=10)
    (density,), petrol = kit.of_kinds(system, "density"), PETROL_DENSITY_KG_M3
    step = 1 if system != "us" else 0.1
    controls = {
        "text": typed,
        "reading": kit.slider("the beaker is read to", "± mL", 0.5, (0.05, 10), 0.05),
        "density": kit.slider("density of the test fluid", density, petrol, (650, 1000), step),
    }

    def found(*, text, reading, density):
        """Flow of petrol and dead time, by injector."""
        for name, own in parse_volumes(text).items():
            one = fit_bench_flow(**vars(own), volume_sd_m3=reading * 1e-6 / Z_95)
            # An orifice lets through less volume of what is denser.
            share = flow_on_fuel(1.0, rated_density_kg_m3=density, density_kg_m3=petrol)
            yield name, one.flow_m3_s.scaled(share), one.dead_time_s

    def answer(**values):
        said = {spaced(name): bench_sentence(*one, system) for name, *one in found(**values)}
        rated = f"{density.shown(petrol):.4g} {density.unit}"
        said["How"] = f"{_HOW} Flow is given for petrol of {rated}."
        return kit.Said(kit.with_watch(said, _CAUTIONS))

    def write():
        known = tables_as_typed(folder)["injectors"]
        values = {}
        for name, flow, dead_time in found(**kit.values_of(controls)):
            if name not in known:
                raise ValueError(f"{name!r} is not one of the injectors in session.toml")
            own = bench_values_for_session(flow, dead_time)
            # It was measured at the bike's own pressure.
            if "flow_pressure" in known[name]:
                own["flow_pressure"] = None
            values[f"injectors.{name}"] = own
        return kit.write(folder, values)

    text = "Sets flow, tolerance and dead_time of these injectors in session.toml"
    more = _keeping(folder / BENCHFLOW, typed, parse_volumes, text, write)
    return kit.panel(controls, answer, name=f"bench of {folder}", more=more)


_HOW = (
    "at the bike's fuel pressure and battery voltage, volume against width is a straight line: "
    "its slope is the flow, and the width at which it meets zero is the dead time. Two widths are "
    "the least, such as 4 and 12 ms with 1000 pulses each; more tell how well it holds. ± is a 95 "
    "% interval."
)
_CAUTIONS = (
    "petrol sprayed into the open is a mist that any spark lights. Use a test fluid that does "
    "not burn so easily, outdoors, away from flames and hot parts, with an extinguisher at "
    "hand, eye protection on, and the lines clamped.",
)


def bench_sentence(flow: Interval, dead_time: Interval | None, system: str) -> str:
    """Flow and dead time of one injector.

    Parameters
    ----------
    flow : tuninglib.interval.Interval
        [m3/s]
    dead_time : tuninglib.interval.Interval or None
        [s]
    system : str
    """
    text = f"{quantity_text(flow, 'flow', system)} of petrol"
    if dead_time is None:
        return f"{text}; held open only, so nothing is known of its dead time."
    half = 1e3 * dead_time.half_width
    places = decimals_for(half)
    return f"{text}, dead time {fixed(1e3 * dead_time.value, places)} ± {fixed(half, places)} ms."


def bench_values_for_session(flow: Interval, dead_time: Interval | None) -> dict:
    """Keys of an injector's table as they are written into session.toml.

    Parameters
    ----------
    flow, dead_time
        As of :func:`bench_sentence`.
    """
    per_minute, width = (
        units.to_display(x, "flow", "metric") for x in (flow.value, flow.half_width)
    )
    places = max(decimals_for(width), 0)
    values = {
        "flow": f"{per_minute:.{places}f} cc/min +/- {width:.{places + 1}f} cc/min",
        # What it was stated with no longer counts: the bench has measured this one.
        "tolerance": "0.1 %",
    }
    if dead_time is not None:
        width = 1e3 * dead_time.half_width
        places = max(decimals_for(width), 0)
        values["dead_time"] = f"{1e3 * dead_time.value:.{places}f} ms +/- {width:.{places + 1}f} ms"
    return values
