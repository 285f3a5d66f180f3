"""What is in the tank after topping up, and what that does to the gauge; under sliders."""

from dataclasses import dataclass

from tuninglib import units
from tuninglib.lab import kit
from tuninglib.physics.blend import (
    PETROL_DENSITY_KG_M3,
    Blend,
    content_after_topping_up,
    lambda_shift,
    volume_to_add,
)
from tuninglib.report.display import Prose
from tuninglib.rounding import fixed, percent
from tuninglib.session.defaults import ethanol_of, petrol_density_of


@dataclass(frozen=True, kw_only=True)
class Known:
    """What the panel needs to know beside its sliders.

    Attributes
    ----------
    system : str
    middle : float
        Of the target band, as lambda.
    scale : float or None
        What the gauge shows at lambda 1; None: not known.
    ethanol, other_ethanol : float
        Contents where the sliders start, by volume.
    petrol_density_kg_m3 : float
    highest_ethanol : float or None
        That the maker allows, where it is known.
    """

    system: str
    middle: float = 0.87
    scale: float | None = None
    ethanol: float = 0.05
    other_ethanol: float = 0.85
    petrol_density_kg_m3: float = PETROL_DENSITY_KG_M3
    highest_ethanol: float | None = None


def known_of(results) -> Known:
    """What a session knows of fuel and gauge.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results
    """
    session = results.session
    fuel = session.fuels[results.ridden_setup.fuel]
    own = ethanol_of(fuel).value
    contents = [ethanol_of(one).value for one in session.fuels.values()]
    limit = session.bike.highest_ethanol
    return Known(
        system=session.about.units,
        middle=(session.target.lowest + session.target.highest) / 2,
        scale=results.shown_at_lambda_one,
        ethanol=own,
        other_ethanol=max(contents, key=lambda content: abs(content - own)),
        petrol_density_kg_m3=petrol_density_of(fuel).value,
        highest_ethanol=limit.value if limit else None,
    )


def tank_words(
    known: Known,
    *,
    tank_m3,
    tank_ethanol,
    added_m3,
    added_ethanol,
    wanted_ethanol,
    highest_ethanol=None,
) -> tuple:
    """Content after topping up, what to add for a wanted content, and the gauge's shift.

    Parameters
    ----------
    known : Known
    tank_m3, added_m3 : float
        [m3]
    tank_ethanol, added_ethanol, wanted_ethanol : float
        By volume, 0 to 1.
    highest_ethanol : float, optional
        That the maker allows.
    """
    system = known.system
    after = content_after_topping_up(
        tank_volume_m3=tank_m3,
        tank_ethanol_volume_fraction=tank_ethanol,
        added_volume_m3=added_m3,
        added_ethanol_volume_fraction=added_ethanol,
    )
    before, mixed = (
        Blend(content, petrol_density_kg_m3=known.petrol_density_kg_m3)
        for content in (tank_ethanol, after)
    )
    shift = lambda_shift(before, mixed)
    items = [
        (
            "After topping up",
            f"{percent(after, 1)} ethanol in {_volume(tank_m3 + added_m3, system)}.",
        )
    ]
    items.append(("To get what you want", _to_add(system, tank_m3, tank_ethanol, added_ethanol,
                                                  wanted_ethanol)))  # fmt: skip
    items.append(("On the gauge", _shift_words(known, shift)))
    watch = []
    limit = highest_ethanol
    for what, content in (("after topping up", after), ("what you want", wanted_ethanol)):
        if limit is not None and content > limit + 1e-9:
            watch.append(
                f"{what}: {percent(content, 1)} ethanol is more than the {percent(limit)} "
                "that the maker allows: do not use it."
            )
    if limit is None:
        watch.append(
            "how much ethanol the maker allows is not known here (highest_ethanol in "
            "session.toml); look it up before you pour."
        )
    watch.append(
        "octane numbers do not mix by such a simple rule: stay with fuels that each have what the "
        "maker asks for. Pour outdoors, with the engine cold, away from flames."
    )
    return (
        Prose(tuple(items)),
        Prose(tuple(("Watch", sentence) for sentence in watch), style="caution"),
    )


def _volume(volume_m3, system) -> str:
    shown = units.to_display(volume_m3, "volume", system)
    return f"{fixed(shown, 2)} {units.unit_label('volume', system)}"


def _to_add(system, tank_m3, tank, added, wanted) -> str:
    try:
        volume = volume_to_add(
            tank_volume_m3=tank_m3,
            tank_ethanol_volume_fraction=tank,
            added_ethanol_volume_fraction=added,
            wanted_ethanol_volume_fraction=wanted,
        )
    except ValueError:
        return (
            f"no amount of {percent(added, 1)} ethanol brings {percent(tank, 1)} to "
            f"{percent(wanted, 1)}: it must lie between the two."
        )
    return (
        f"{percent(wanted, 1)} ethanol: add {_volume(volume, system)}, which makes "
        f"{_volume(tank_m3 + volume, system)}. Will the tank hold it?"
    )


def _shift_words(known, shift) -> str:
    scale = known.scale
    if abs(shift - 1) < 5e-4:
        return "no change."
    way = "leaner" if shift > 1 else "richer"
    words = (
        f"on the same injector it runs {percent(abs(shift - 1), 1)} {way}, where the ECU "
        "does not correct"
    )
    if scale is None:
        return f"{words}."
    now, then = known.middle * scale, known.middle * shift * scale
    decimals = 1 if scale > 1.5 else 3
    return f"{words}: a reading of {fixed(now, decimals)} becomes {fixed(then, decimals)}."


def tank(results=None, *, system: str = "metric"):
    """Sliders for the tank and what is poured in.

    Parameters
    ----------
    results : tuninglib.analysis.analyse.Results, optional
        Where the sliders start; left out: a usual tank, before there is a session.
    system : str
        System of units of that.
    """
    known = known_of(results) if results is not None else Known(system=system)
    label = units.unit_label("volume", known.system)
    most = round(units.to_display(0.02, "volume", known.system))

    def content(what, value):
        return kit.slider(what, "% by volume", 100 * value, low=0, high=100, step=0.5)

    def volume(what, value_m3):
        shown = units.to_display(value_m3, "volume", known.system)
        return kit.slider(what, label, shown, low=0, high=most, step=0.1)

    controls = {
        "tank": volume("in the tank now", 0.003),
        "tank_ethanol": content("its ethanol", known.ethanol),
        "added": volume("poured in", 0.003),
        "added_ethanol": content("its ethanol", known.other_ethanol),
        "wanted_ethanol": content("ethanol wanted", (known.ethanol + known.other_ethanol) / 2),
    }
    if results is None:
        controls["allowed"] = content("ethanol that the maker allows", 0.1)

    def answer(*, tank, tank_ethanol, added, added_ethanol, wanted_ethanol, allowed=None):
        return kit.Said(
            tank_words(
                known,
                tank_m3=units.from_display(tank, "volume", known.system),
                tank_ethanol=tank_ethanol / 100,
                added_m3=units.from_display(added, "volume", known.system),
                added_ethanol=added_ethanol / 100,
                wanted_ethanol=wanted_ethanol / 100,
                highest_ethanol=known.highest_ethanol if allowed is None else allowed / 100,
            )
        )

    return kit.panel(controls, answer)
