"""Injectors on the bench, typed into a workbook: flow and dead time, and both into the session."""

from pathlib import Path

import ipywidgets as widgets

from tuninglib import units
from tuninglib.interval import Z_95
from tuninglib.lab import kit
from tuninglib.lab.explore import written
from tuninglib.physics.blend import PETROL_DENSITY_KG_M3
from tuninglib.physics.injector import flow_on_fuel
from tuninglib.report.cells import spaced
from tuninglib.report.display import Prose
from tuninglib.rounding import decimals_for, fixed, quantity_text
from tuninglib.session.bench_flow_file import BENCHFLOW, HEADER, parse_volumes
from tuninglib.session.edit import write_values
from tuninglib.session.read_toml import tables_as_typed
from tuninglib.statistics.bench_flow import fit_bench_flow
from tuninglib.text_files import SessionError, printable, read_text
from tuninglib.whole_files import write_together


def bench_flow(session_folder):
    """A place to type caught volumes, what they say, and buttons that keep both.

    Parameters
    ----------
    session_folder : path
    """
    folder = Path(session_folder)
    try:
        tables = tables_as_typed(folder)
        path = folder / BENCHFLOW
        start = read_text(path) if path.is_file() else HEADER
    except SessionError as error:
        return widgets.HTML(kit.words_html(kit.problems_prose(error)))
    system = tables["session"].get("units", "metric")
    typed = widgets.Textarea(
        value=start,
        description="caught volumes, one in each row",
        rows=10,
        continuous_update=False,
        style={"description_width": "8rem"},
        layout={"width": "28rem", "max_width": "100%"},
    )
    controls = {
        "text": typed,
        "reading": kit.slider("the beaker is read to", "± mL", 0.5, low=0.05, high=10, step=0.05),
        "density": kit.slider(
            "density of the test fluid", "kg/m³", PETROL_DENSITY_KG_M3, low=650, high=1000, step=1
        ),
    }

    def found():
        sd = controls["reading"].value * 1e-6 / Z_95
        return {
            name: fit_bench_flow(
                pulses=own.pulses, open_s=own.open_s, volume_m3=own.volume_m3, volume_sd_m3=sd
            )
            for name, own in parse_volumes(typed.value).items()
        }

    def on_petrol(one):
        """Flow of petrol: an orifice lets through less volume of what is denser."""
        factor = flow_on_fuel(
            1.0,
            rated_density_kg_m3=controls["density"].value,
            density_kg_m3=PETROL_DENSITY_KG_M3,
        )
        return one.flow_m3_s.scaled(factor)

    def answer(**_):
        items = []
        for name, one in found().items():
            items.append((spaced(name), bench_sentence(on_petrol(one), one.dead_time_s, system)))
        items.append(("How", _HOW))
        return kit.Said((Prose(tuple(items)), Prose(_CAUTIONS, style="caution")))

    def write():
        known = tables_as_typed(folder)["injectors"]
        values = {}
        for name, one in found().items():
            if name not in known:
                raise ValueError(f"{name!r} is not one of the injectors of session.toml")
            own = values_for_session(on_petrol(one), one.dead_time_s)
            # It was measured at the bike's own pressure.
            if "flow_pressure" in known[name]:
                own["flow_pressure"] = None
            values[f"injectors.{name}"] = own
        return written(write_values(folder, values))

    def save():
        parse_volumes(typed.value)
        kept = write_together({folder / BENCHFLOW: typed.value.rstrip("\n") + "\n"}, keep=True)
        remark = f"; the earlier file is kept as {kept[0].name}" if kept else ""
        return Prose((("Written", f"{printable(str(folder / BENCHFLOW))}{remark}."),))

    return kit.panel(
        controls,
        answer,
        more=(
            kit.action("Keep the rows", f"Writes {BENCHFLOW} into the session's folder", save),
            kit.action(
                "Write these values into my session",
                "Sets flow, tolerance and dead_time of these injectors in session.toml",
                write,
            ),
        ),
    )


_HOW = (
    "at the bike's fuel pressure and battery voltage, volume against width is a straight line: its "
    "slope is the flow, where it meets zero is the dead time. Two widths are the least, such as 4 "
    "and 12 ms with 1000 pulses each; more tell how well it holds. ± is a 95 % interval. Flow is "
    "given for petrol of 745 kg/m³."
)
_CAUTIONS = (
    (
        "Watch",
        "petrol sprayed into the open is a mist that any spark lights. Use a test fluid that does "
        "not burn so easily, outdoors, away from flames and hot parts, with an extinguisher at "
        "hand, eye protection on, and the lines clamped.",
    ),
)


def bench_sentence(flow, dead_time, system: str) -> str:
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
    half = 1e3 * (dead_time.high - dead_time.low) / 2
    places = decimals_for(half)
    return f"{text}, dead time {fixed(1e3 * dead_time.value, places)} ± {fixed(half, places)} ms."


def values_for_session(flow, dead_time) -> dict:
    """Keys of an injector's table as they are written into session.toml.

    Parameters
    ----------
    flow, dead_time
        As of :func:`bench_sentence`.
    """
    half = (flow.high - flow.low) / 2
    per_minute, width = (units.to_display(one, "flow", "metric") for one in (flow.value, half))
    places = max(decimals_for(width), 0)
    values = {
        "flow": f"{per_minute:.{places}f} cc/min +/- {width:.{places + 1}f} cc/min",
        # What it was stated with no longer counts: the bench has measured this one.
        "tolerance": "0.1 %",
    }
    if dead_time is not None:
        width = 1e3 * (dead_time.high - dead_time.low) / 2
        places = max(decimals_for(width), 0)
        values["dead_time"] = f"{1e3 * dead_time.value:.{places}f} ms +/- {width:.{places + 1}f} ms"
    return values
