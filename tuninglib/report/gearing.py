"""Engine speeds on the hill, what limits the top speed, and one tooth taller."""

from tuninglib.report.cells import spaced
from tuninglib.report.display import Prose
from tuninglib.rounding import fixed, interval_text, quantity_text


def sentences(results) -> Prose:
    """What the gearing makes of the setup that is told about.

    Parameters
    ----------
    results : tuninglib.analysis.results.Results
    """
    found = results.gearing
    if found is None:
        text = "it is not known; [gearing] in session.toml would tell engine speeds and the crank."
        return Prose((("Gearing", text),))
    system = results.session.about.units
    items = [
        (
            spaced(found.setup),
            f"{_rpm(found.entry_rpm)} at the start line, {_rpm(found.exit_rpm)} at the marker "
            f"({fixed(found.ratio, 2)} turns of the crank for one of the wheel).",
        ),
        (
            "At the crank",
            f"{interval_text(found.torque_n_m, 'N·m')} and "
            f"{quantity_text(found.power_w, 'power', system)}, mean over the hill; losses of "
            "gearbox and chain are part of the interval.",
        ),
    ]
    if found.limit_speed_m_s is not None:
        items.append(("Top speed", _limit(found, system)))
    items.append(("One tooth more in front", _taller(found, system)))
    return Prose(tuple(items), style="points")


def _rpm(interval) -> str:
    return interval_text(interval, "rpm", most_decimals=0)


def _limit(found, system) -> str:
    speed = quantity_text(found.limit_speed_m_s, "speed", system)
    said = {
        "revs": "; on the flat the engine runs out of revs before drag stops it: taller gearing "
        "would be faster there",
        "drag": "; on the flat drag stops it before: shorter gearing would lose nothing there",
        "unclear": "; on the flat that is about where drag stops it, too",
        "": "",
    }[found.limited_by]
    return f"{fixed(found.limit_rpm, 0)} rpm are {speed}{said}."


def _taller(found, system) -> str:
    taller = found.taller
    if taller.marker.at_force is None:
        return f"{taller.front_teeth:g} teeth are too far from what was tested to say."
    pull = (
        "and it still gains speed there"
        if taller.still_speeds_up
        else "and it gains no more speed there: it is at its limit on this hill"
    )
    return (
        f"with {taller.front_teeth:g} teeth and the same torque "
        f"{quantity_text(taller.marker.at_force, 'speed', system)} at the marker, true speed, at "
        f"{_rpm(taller.exit_rpm)}, {pull}."
    )
