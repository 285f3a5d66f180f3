"""The usual cautions, in full."""

from tuninglib.report.display import Prose

CAUTIONS = (
    (
        "The road",
        "Full-throttle runs belong on a closed or quiet road, within the law and the speed limit "
        "of the place, in dry light, with full protective gear and somebody who knows where you "
        "are. A marker speed is not worth a fall.",
    ),
    (
        "Knock",
        "Stop at the first rattle, close the throttle and do not ride that setup again until it "
        "runs richer, cooler or on fuel of a higher octane number. Knock breaks pistons fast.",
    ),
    (
        "Lean mixture",
        "Never go leaner to win a marker speed. Lean and hot go together on a long climb; if in "
        "doubt, stay on the rich side of the band.",
    ),
    (
        "Fuel",
        "Handle fuel outdoors or with good ventilation, away from flames, sparks and hot parts, "
        "relieve the pressure before a line is opened, and catch what spills. Use no more ethanol "
        "and no lower octane number than the maker of the motorcycle allows.",
    ),
    (
        "Hot parts",
        "Let the exhaust and the head cool before you change parts, and never run an engine in a "
        "closed room: carbon monoxide kills and has no smell.",
    ),
    (
        "The law and the maker",
        "Local law, the maker's manual and a licensed mechanic go before anything that is written "
        "here. A changed engine may need approval for the road.",
    ),
)


def sentences() -> Prose:
    """The usual cautions, in full."""
    return Prose(CAUTIONS, style="caution")
