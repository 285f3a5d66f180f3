"""Every run as it was written down."""

from tuninglib import units
from tuninglib.report import doubts
from tuninglib.report.cells import NONE, headed, shown, spaced, system_of
from tuninglib.report.display import Table
from tuninglib.rounding import decimals_of_step, gauge_text
from tuninglib.session.defaults import speedometer_step


def table(results) -> Table:
    """Every run as written down, with the wheel force that follows from it."""
    system, gauge = system_of(results), results.session.gauge
    step = units.to_display(speedometer_step(results.session).value, "speed", system)
    # A step that was typed in another unit needs no more decimals than one.
    digits = min(decimals_of_step(round(step, 3)), 1)
    rows = []
    for run in results.runs:
        reading = (
            NONE
            if run.gauge_low is None
            else f"{gauge_text(run.gauge_low, gauge)} to {gauge_text(run.gauge_high, gauge)}"
        )
        rows.append(
            (
                f"{run.run:g}",
                spaced(run.setup),
                run.rider,
                shown(run.shown_entry_m_s, "speed", system, digits),
                shown(run.shown_exit_m_s, "speed", system, digits),
                reading,
                shown(run.temperature_k, "temperature", system),
                shown(run.density_kg_m3, "density", system, 3),
                shown(run.stated_force_n, "force", system),
                _remarks_on(run),
            )
        )
    header = (
        "Run",
        "Setup",
        "Rider",
        headed("Entry", "speed", system),
        headed("Exit", "speed", system),
        "Gauge",
        headed("Air", "temperature", system),
        headed("Density", "density", system),
        headed("Force", "force", system),
        "Note",
    )
    note = (
        "Force is what the run's own numbers give with the stated masses, slope and road load, in "
        "the air of the run and without any correction. The forces and gains further up also weigh "
        "what all runs together say of drag, slope, wind and riders."
    )
    shown_by = "the speedometer" if results.session.logged_step_m_s is None else "the log"
    return Table(f"Speeds as shown by {shown_by}", header, tuple(rows), note)


def _remarks_on(run) -> str:
    parts = (
        "" if run.state == "full" else run.state,
        f"left out: {run.exclude}" if run.exclude else "",
        doubts.on_run(run),
        run.note,
    )
    return "; ".join(part for part in parts if part)
