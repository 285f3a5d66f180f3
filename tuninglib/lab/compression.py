"""A cylinder kit before it is bought: displacement, compression and what octane that asks for."""

from tuninglib import units
from tuninglib.lab import kit
from tuninglib.physics.engine import (
    chamber_with_kit_m3,
    compression_ratio,
    displacement_m3,
    mean_piston_speed_m_s,
)
from tuninglib.physics.octane import PER_COMPRESSION, SCALES, Octane, octane_margin
from tuninglib.report.display import Prose
from tuninglib.rounding import fixed, percent

# Above this mean piston speed small engines wear fast (common practice, from memory).
USUAL_FASTEST_M_S = 20.0


def compression(system: str = "metric"):
    """Sliders for the engine as it was made, a larger cylinder, and the fuel.

    Parameters
    ----------
    system : str
        System of units, for volumes.
    """
    controls = {
        "bore": kit.slider("bore as made", "mm", 57.0, low=30, high=110, step=0.1),
        "stroke": kit.slider("stroke", "mm", 57.8, low=30, high=110, step=0.1),
        "made": kit.slider("compression as made", "", 9.5, low=6, high=15, step=0.1),
        "new_bore": kit.slider("bore of the kit", "mm", 62.0, low=30, high=110, step=0.1),
        "dome": kit.slider(
            "dome of the piston, over the old one",
            "cc; minus: a dish",
            0,
            low=-20,
            high=20,
            step=0.1,
        ),
        "gasket": kit.slider(
            "gaskets, thicker than the old ones by", "mm", 0, low=-1, high=3, step=0.05
        ),
        "clearance": kit.slider(
            "chamber measured by burette", "cc; 0: not measured", 0, low=0, high=100, step=0.1
        ),
        "speed": kit.slider("highest engine speed", "rpm", 9000, low=4000, high=14000, step=100),
        "need": kit.slider("octane that the maker asks for", "", 91, low=80, high=102, step=0.5),
        "need_scale": kit.choice("its scale", tuple(SCALES)),
        "fuel": kit.slider("octane of the fuel", "", 95, low=80, high=112, step=0.5),
        "fuel_scale": kit.choice("its scale", tuple(SCALES)),
    }

    def answer(*, need, need_scale, fuel, fuel_scale, **engine):
        return kit.Said(
            compression_words(
                system=system,
                need=Octane(need, need_scale),
                fuel=Octane(fuel, fuel_scale),
                **engine,
            )
        )

    return kit.panel(controls, answer)


def compression_words(
    *, system, bore, stroke, made, new_bore, dome, gasket, clearance, speed, need, fuel
):
    """Displacement, compression and octane of one cylinder with a kit, in sentences.

    Parameters
    ----------
    system : str
    bore, stroke, new_bore : float
        [mm]
    made : float
        Compression ratio as made.
    dome, gasket : float
        What the new crown takes from the chamber beyond the old one [cc], and by how much the
        gaskets are thicker [mm]; of no use where the chamber was measured.
    clearance : float
        Measured with the kit on, gasket and plug thread counted in; 0: not measured. [cc]
    speed : float
        [1/min]
    need, fuel : tuninglib.physics.octane.Octane
    """
    old_m3, new_m3 = (
        displacement_m3(bore_m=one / 1e3, stroke_m=stroke / 1e3) for one in (bore, new_bore)
    )
    chamber_m3 = clearance / 1e6 or chamber_with_kit_m3(
        old_m3 / (made - 1), dome_m3=dome / 1e6, bore_m=new_bore / 1e3, gasket_m=gasket / 1e3
    )
    now = compression_ratio(swept_volume_m3=new_m3, clearance_volume_m3=chamber_m3)
    rise = now - made
    old, new = (
        f"{fixed(units.to_display(one, 'displacement', system), 1)} "
        f"{units.unit_label('displacement', system)}"
        for one in (old_m3, new_m3)
    )
    how = f"with the chamber that was measured, {fixed(made, 1)} as made."
    if not clearance:
        how = (
            f"with the kit if the head stays as it is, {fixed(made, 1)} as made. Measure the "
            "chamber with a burette before the engine runs: that counts, not the sum."
        )
    piston = mean_piston_speed_m_s(stroke_m=stroke / 1e3, engine_speed_rpm=speed)
    margin = octane_margin(fuel, need, compression_rise=rise)
    items = [
        ("Displacement", f"{old} as made, {new} with the kit ({percent(new_m3 / old_m3 - 1, 1)})."),
        ("Compression", f"{fixed(now, 1)} {how}"),
        ("Octane", _octane_sentence(need, fuel, margin, rise)),
        ("Mean piston speed", f"{fixed(piston, 1)} m/s at {speed:.0f} rpm."),
    ]
    watch = []
    if margin != "enough":
        watch.append(
            "too little octane knocks, and knock breaks pistons fast: a fuel with more, or less "
            "compression, before full throttle."
        )
    if piston > USUAL_FASTEST_M_S:
        watch.append(
            f"a mean piston speed above {USUAL_FASTEST_M_S:g} m/s wears small engines fast (common "
            "practice, from memory)."
        )
    watch.append(
        "a kit also changes piston clearance, oil need and heat, and may need approval for the "
        "road. The maker's manual goes before this sum."
    )
    return (
        Prose(tuple(items)),
        Prose(tuple(("Watch", sentence) for sentence in watch), style="caution"),
    )


def _octane_sentence(need, fuel, margin, rise) -> str:
    said = {
        "enough": "enough",
        "unclear": "enough or not, that cannot be said",
        "not enough": "not enough",
    }[margin]
    text = f"the maker asks for {need}; {fuel} is {said}"
    if rise <= 0.05:
        return f"{text}."
    low, high = (fixed(one * rise, 1) for one in (PER_COMPRESSION.low, PER_COMPRESSION.high))
    return (
        f"{text} where compression is raised by {fixed(rise, 1)}, which asks for {low} to {high} "
        "octane numbers more (from memory; engines differ)."
    )
