"""What was tested: the day, the hill, the bike, and the setups."""

from tuninglib.report import remarks
from tuninglib.report.cells import NONE, headed, money, plain, shown, spaced, system_of
from tuninglib.report.display import Prose, Table
from tuninglib.rounding import listing, percent


def sentences(results) -> Prose:
    """The day, the hill and the bike in a few sentences."""
    session, system = results.session, results.session.about.units
    runs = [run for run in results.runs if run.force_n is not None]
    hill = session.hill
    riders = listing(
        f"{name} ({plain(rider.mass.value, 'mass', system)} dressed)"
        for name, rider in session.riders.items()
    )
    text = (
        f"{len(runs)} full-throttle runs count, on a hill of "
        f"{plain(hill.length.value, 'length', system)} at {percent(hill.grade.value, 1)}, with a "
        f"bike of {plain(session.bike.mass.value, 'mass', system)}; riders: {riders}."
    )
    items = [("", text)]
    if runs and not remarks.air_was_not_read(session):
        temperatures = [run.temperature_k for run in runs]
        low, high = (
            plain(t, "temperature", system) for t in (min(temperatures), max(temperatures))
        )
        items.append(("", f"The air was {low if low == high else f'between {low} and {high}'}."))
    left_out = [run for run in results.runs if run.exclude]
    if left_out:
        reasons = "; ".join(f"run {run.run:g}: {run.exclude}" for run in left_out)
        items.append(("Left out by the rider", f"{reasons}."))
    if session.about.note:
        items.append(("The rider's note", session.about.note))
    items += [("Note", remark) for remark in remarks.remarks(results)]
    return Prose(tuple(items))


def table(results) -> Table:
    """What was fitted and in the tank for each setup, and how often it ran."""
    session = results.session
    rows = []
    for name, setup in session.setups.items():
        engine = session.engines[setup.engine]
        runs = [
            run for run in results.runs if run.setup == name and run.counts and run.state == "full"
        ]
        rows.append(
            (
                spaced(name),
                setup.parts or NONE,
                shown(engine.displacement_m3, "displacement", system_of(results)),
                setup.injector,
                setup.fuel,
                str(len(runs)),
                money(setup.cost, session),
            )
        )
    header = (
        "Setup",
        "Parts",
        headed("Engine", "displacement", system_of(results)),
        "Injector",
        "Fuel",
        "Full-throttle runs",
        "Cost of parts",
    )
    return Table("The setups", header, tuple(rows))
