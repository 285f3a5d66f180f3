"""A coast-down typed into a workbook: the fit, its picture, and the values into the session."""

from dataclasses import replace
from pathlib import Path

import ipywidgets as widgets
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from tuninglib import units
from tuninglib.analysis.coast_down import fit_of, half_widths, rounded, start_of, values_for_session
from tuninglib.lab import kit
from tuninglib.lab.explore import written
from tuninglib.lab.live_image import DPI, Image, png_of
from tuninglib.physics.hill import Ride
from tuninglib.physics.road_load import RoadLoad
from tuninglib.report.display import Prose
from tuninglib.report.drawing import COLOURS
from tuninglib.rounding import fixed
from tuninglib.session.coast_down_file import COASTDOWN, Falls, parse_falls
from tuninglib.session.edit import write_values
from tuninglib.statistics.coast_down import coast_time_s
from tuninglib.text_files import SessionError, printable
from tuninglib.whole_files import write_together


def coast_down(session_folder):
    """A place to type timed falls of speed, their fit, and buttons that keep both.

    Parameters
    ----------
    session_folder : path
    """
    folder = Path(session_folder)
    try:
        start = start_of(folder)
    except SessionError as error:
        return widgets.HTML(kit.words_html(kit.problems_prose(error)))
    system = start.system

    def shown(label, kind, value, low, high, step):
        ends = (round(units.to_display(x, kind, system)) for x in (low, high))
        low, high = ends
        value = units.to_display(value, kind, system)
        unit = units.unit_label(kind, system)
        return kit.slider(label, unit, value, low=low, high=high, step=step)

    typed = widgets.Textarea(
        value=start.text,
        description="timed falls, one in each row",
        rows=12,
        continuous_update=False,
        style={"description_width": "8rem"},
        layout={"width": "28rem", "max_width": "100%"},
    )
    pressure_step = 0.05 if system == "us" else 1
    controls = {
        "text": typed,
        "bike": shown("bike, ready to ride", "mass", start.bike_kg, 40, 400, 1),
        "rider": shown("rider, dressed to ride", "mass", start.rider_kg, 40, 160, 1),
        "temperature": shown("air", "temperature", start.temperature_k, 253.15, 318.15, 1),
        "pressure": shown("air", "pressure", start.pressure_pa, 6e4, 1.08e5, pressure_step),
        "factor": kit.slider(
            "true speed over shown speed", "", start.speed_factor, low=0.85, high=1.05, step=0.005
        ),
        "doubt": kit.slider(
            "which may be off by",
            "±%, 95 of 100",
            100 * start.factor_half_width / start.speed_factor,
            low=0,
            high=10,
            step=0.1,
        ),
    }

    def fitted(*, text, bike, rider, temperature, pressure, factor, doubt):
        falls = parse_falls(text)
        road, rolled = fit_of(
            falls,
            bike_kg=units.from_display(bike, "mass", system),
            rider_kg=units.from_display(rider, "mass", system),
            temperature_k=units.from_display(temperature, "temperature", system),
            pressure_pa=units.from_display(pressure, "pressure", system),
            speed_factor=factor,
        )
        return road, rolled, falls

    def answer(**values):
        road, rolled, falls = fitted(**values)
        return kit.Said(
            fit_words(road, falls, system, values["doubt"] / 100),
            fit_picture(road, rolled, falls, values["factor"], system),
        )

    def values_now():
        return {name: control.value for name, control in controls.items()}

    def write():
        road, _, _ = fitted(**values_now())
        doubt = controls["doubt"].value / 100
        return written(write_values(folder, {"bike": values_for_session(road, doubt)}))

    def save():
        parse_falls(typed.value)
        path = folder / COASTDOWN
        kept = write_together({path: typed.value.rstrip("\n") + "\n"}, keep=True)
        remark = f"; the earlier file is kept as {kept[0].name}" if kept else ""
        return Prose((("Written", f"{printable(str(path))}{remark}."),))

    return kit.panel(
        controls,
        answer,
        more=(
            kit.action("Keep the rows", f"Writes {COASTDOWN} into the session's folder", save),
            kit.action(
                "Write these values into my session",
                "Sets drag_area and rolling_coefficient under [bike] in session.toml",
                write,
            ),
        ),
    )


def fit_words(road: RoadLoad, falls: Falls, system: str, factor_doubt: float = 0.0) -> tuple:
    """What the coast-down says.

    Parameters
    ----------
    road : tuninglib.physics.road_load.RoadLoad
    falls : tuninglib.session.coast_down_file.Falls
    system : str
    factor_doubt : float
        Half-width of the speedometer's factor over the factor.
    """
    area, rolling = half_widths(road, factor_doubt)
    shown, half = (units.to_display(one, "area", system) for one in (road.drag_area_m2, area))
    wind = units.to_display(abs(road.headwind_m_s), "speed", system)
    way = "out" if road.headwind_m_s >= 0 else "back"
    items = [
        (
            "Drag area",
            f"{rounded(shown, half)} ± {rounded(half, half)} {units.unit_label('area', system)} "
            "(drag coefficient times frontal area, with this rider).",
        ),
        (
            "Rolling coefficient",
            f"{rounded(road.rolling_coefficient, rolling)} ± {rounded(rolling, rolling)}.",
        ),
        (
            "Wind",
            f"{fixed(wind, 1)} {units.unit_label('speed', system)} against the rider on the way "
            f"{way}, from the difference of the directions.",
        ),
        (
            "From",
            f"{falls.time_s.size} timed falls of {len(set(falls.run.tolist()))} rolls; ± is a "
            "95 % interval.",
        ),
    ]
    shown = [Prose(tuple(items))]
    watch = []
    if road.rolling_coefficient < 0.003 or road.rolling_coefficient > 0.05:
        watch.append("such a rolling coefficient would surprise; check slope, units and times.")
    if not 0.2 < road.drag_area_m2 < 1.0:
        watch.append("such a drag area would surprise; check units, times and the speedometer.")
    if watch:
        shown.append(Prose(tuple(("Watch", one) for one in watch), style="caution"))
    return tuple(shown)


def fit_picture(road: RoadLoad, ride: Ride, falls: Falls, factor: float, system) -> Image:
    """How fast the speed fell, against speed, each way; and what the fit says."""
    figure = Figure(figsize=(4.6, 3.3), dpi=DPI, layout="constrained")
    FigureCanvasAgg(figure)
    ax = figure.subplots()
    ax.spines[["top", "right"]].set_visible(False)
    label = units.unit_label("speed", system)
    drop = (falls.shown_from_m_s - falls.shown_to_m_s) * factor
    middle = (falls.shown_from_m_s + falls.shown_to_m_s) / 2 * factor
    grid = np.linspace(max(2.0, middle.min() * 0.85), middle.max() * 1.1, 40)
    for name, direction, marker, line, colour in (
        ("out", 1, "o", "-", COLOURS[0]),
        ("back", -1, "s", "--", COLOURS[1]),
    ):
        own = falls.direction == direction
        ax.plot(
            units.to_display(middle[own], "speed", system),
            units.to_display(drop[own] / falls.time_s[own], "speed", system),
            marker,
            color=colour,
            markerfacecolor="none",
            label=f"{name}, timed",
        )
        step = 0.2
        time = coast_time_s(
            replace(ride, wind_m_s=direction * road.headwind_m_s),
            from_speed_m_s=grid + step / 2,
            to_speed_m_s=grid - step / 2,
        )
        ax.plot(
            units.to_display(grid, "speed", system),
            units.to_display(step / time, "speed", system),
            line,
            color=colour,
            label=f"{name}, fit",
        )
    ax.set_ylim(0)
    ax.set_xlabel(f"true speed [{label}]", fontsize=9)
    ax.set_ylabel(f"fall of speed in one second [{label}]", fontsize=9)
    ax.grid(color="#e4e2dc", linewidth=0.7)
    ax.legend(fontsize=8.5, frameon=False)
    figure.canvas.draw()
    alt = (
        f"Fall of speed in one second against speed for {falls.time_s.size} timed falls, out and "
        f"back, with the fit: drag area {road.drag_area_m2:.2f} square metres, rolling "
        f"coefficient {road.rolling_coefficient:.3f}."
    )
    return Image(png_of(figure.canvas), alt, 598)
