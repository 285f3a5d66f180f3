"""Situations that riders come with, a few lines each, and the plan that a careful builder gives.

Each is a change to one of the invented sessions. The tests read the sentences of the page as well
as the codes of the plan.
"""

import re
from dataclasses import dataclass, field

import pytest

from tests.advice_rules import contradictions, page
from tests.outing import Outing

BIG = ("big_150", "big_164", "big_172", "big_172_e10", "big_185")
NO_GAUGE = ("chance of", "target band", "lambda 0", "risks least", "nothing alarming")


@dataclass(frozen=True)
class Situation:
    """A change, and what a careful builder says to it.

    ``ride`` is a setup or None; ``next`` a code, or a code and an injector; ``gates`` setups and
    the code that shuts them, or ``""`` where they stand open.
    """

    change: object
    why: str
    ride: str | None
    next: str | tuple
    engine: str | None = None
    fuels: tuple | None = None
    strength: str | None = None
    gates: dict = field(default_factory=dict)
    missing: tuple | None = None
    says: tuple = ()
    never: tuple = ()
    demo: str = "bigger_cylinder"


SITUATIONS = {}


def situation(name, **facts):
    """A decorator: the function changes the outing, its docstring says why the plan is right."""

    def keep(change):
        SITUATIONS[name] = Situation(change=change, why=change.__doc__, **facts)
        return change

    return keep


def only_e5(outing):
    return outing.key("use", fuels=["e5"])


# Knock --------------------------------------------------------------------------------------


def follow_flow(outing, at_150):
    """Readings that fall as the injector's flow rises, this one at 150 cc/min."""
    for name in ("stock", *BIG):
        flow = 150 if name == "stock" else int(name.split("_")[1])
        outing.gauge(name, round(at_150 * 150 / flow - 0.1, 1), round(at_150 * 150 / flow + 0.1, 1))
    return outing


@situation(
    "the demo as it is",
    ride="big_172",
    next=("buy", "i178"),
    engine="big",
    fuels=("e10", "e5"),
    strength="decided",
    gates={"big_150": "knock", "big_164": "lean", "big_172_e10": "lean", "big_185": ""},
    says=(
        "buy injector i178 for 34 EUR",
        "The fitted i172: on e10 37 % chance of running leaner than the band. To keep it, burn e5 "
        "only.",
    ),
)
def _(outing):
    """172 is right on e5 and too lean on e10, which is burnt, too; 178 is for both."""


@situation(
    "heavy knock on the richest injector only",
    ride="stock",
    next="find knock",
    engine="big",
    gates=dict.fromkeys(("big_164", "big_172", "big_172_e10"), "knock unexplained"),
    says=("find what made big 185 knock", "nothing richer", "ignition timing"),
    never=("buy", "fit injector", "On e10: injector i178", "stays on the engine 'big'"),
)
def _(outing):
    """What knocks when it is rich knocks all the sooner when it is leaner: no leaner one now."""
    outing.knock("big_185", "heavy")


@situation(
    "heavy knock on every setup of the big engine",
    ride="stock",
    next="find knock",
    engine="big",
    gates=dict.fromkeys(BIG, "knock"),
    says=("before the engine 'big' is ridden at full throttle again",),
    never=("buy", "fit injector"),
)
def _(outing):
    """Nobody sells a part to an engine that knocks whatever is fitted."""
    for name in BIG:
        outing.knock(name, "heavy")


@situation(
    "light knock on one fuel",
    ride="big_172",
    next="nothing",
    gates={"big_172_e10": "knock", "big_172": "", "big_185": "", "big_164": "knock implied"},
    says=("no e10 in the engine 'big': light knock was heard on run 16 with big 172 e10",),
    never=("On e10: injector i172", "185: light knock"),
)
def _(outing):
    """95 knocked though it was not lean: the advice is for 98 alone, and 185 has no part in it."""
    outing.knock("big_172_e10", "light")


@situation(
    "light knock with a lean injector",
    ride="big_172",
    next=("change fuel", "i172"),
    gates={"big_164": "knock", "big_172": "", "big_172_e10": "knock implied", "big_185": ""},
    says=("big 172 e10: no safer from knock than big 164, with which light knock was heard",),
    fuels=("e5",),
    never=("or list another",),
)
def _(outing):
    """172 on 95 is no richer than 164 on 98 was, and of a lower octane number: shut with it."""
    outing.knock("big_164", "light")


@situation(
    "knock on premium, and the same on regular rode without",
    ride="stock",
    next="find knock",
    engine="big",
    gates={"big_172_e10": "knock unexplained", "big_172": "knock"},
    says=("octane number was ridden on this engine and the mixture was not plainly",),
    never=("nothing richer", "buy", "fit injector"),
)
def _(outing):
    """It knocked on the best fuel there is, in the middle of the band: mixture is not why."""
    outing.knock("big_172", "light")


@situation(
    "knock on premium, then a setup on lower octane",
    ride="stock",
    next="find knock",
    gates={"big_164": "knock", "again": "knock implied", "big_185": "knock implied"},
    says=(
        "again: no safer from knock than big 164",
        "nothing is to be ridden or bought for e5 (98 RON) or less",
    ),
    engine="big",
    never=("buy", "fit injector"),
)
def _(outing):
    """After heavy knock on 98 nothing is ridden or bought for 98 or less."""
    outing.setup("again", "big_164", fuel="e10").ridden("again", "big_164")
    outing.gauge("again", 13.5, 13.7)
    outing.knock("big_164", "heavy")


@situation(
    "knock on the factory's own setup",
    ride="big_185",
    next="find knock",
    engine="stock",
    gates={"stock": "knock", "big_172": "knock implied", "big_164": "knock implied"},
    says=("find what made stock knock",),
    never=("stays on the engine", "buy"),
)
def _(outing):
    """If the lower compression knocked at this mixture, so will the higher one."""
    outing.knock("stock", "light")


@situation(
    "light knock, then heavy, then light",
    ride="stock",
    next="find knock",
    gates={"big_164": "knock", "big_172": "knock implied"},
    says=("big 164: heavy knock was heard on run 7",),
)
def _(outing):
    """The worst that was heard is what counts, not the last."""
    outing.knock("big_164", "light", 6).knock("big_164", "heavy", 7).knock("big_164", "light", 9)


@situation(
    "knock on a run that does not count",
    ride="stock",
    next="find knock",
    gates={"big_185": "knock"},
    says=("heavy knock was heard on run 19",),
)
def _(outing):
    """A run may be left out for its speed; a piston has heard it all the same."""
    outing.knock("big_185", "heavy")
    for row in outing.full():
        row["exclude"] = "backed off" if row["run"] == "19" else ""


@situation(
    "knock where nothing was read",
    ride="big_172",
    next="ride again",
    gates={"big_150": "knock", "big_172_e10": "knock implied", "big_172": "", "big_185": ""},
    missing=("gauge",),
    says=("ride again with a lambda gauge",),
    never=(*NO_GAUGE, "no listed injector passes", "does not explain the knock"),
)
def _(outing):
    """Without a gauge the flow still says which injector is richer on the same fuel."""
    outing.without_columns("gauge")


@situation(
    "one setup knocked, and nothing was read or timed",
    ride=None,
    next="find knock",
    gates={"big_150": "knock"},
    missing=("gauge", "speeds"),
    says=("Look at the mixture, octane, compression",),
    never=(*NO_GAUGE, "does not explain the knock", "On e5", "this is decided"),
)
def _(outing):
    """Nobody knows how lean it was, so nobody says that it was not the mixture."""
    outing.without_columns("gauge|speed").only(lambda row: row["setup"] == "big_150")


@situation(
    "only the lean setup knocked, and nothing else was ridden on the engine",
    ride="stock",
    next=("buy", "i185"),
    engine="big",
    gates={"big_150": "knock"},
    says=(
        "buy injector i185 for 34 EUR for the engine 'big'",
        "Try it with an eye on the gauge: stop beyond 13.2",
        "big 150 pulled harder, but must not",
    ),
    never=("find what made", "Look for about"),
)
def _(outing):
    """It was far too lean: a larger injector, not a search for the cause."""
    outing.only_setups("stock", "big_150")


# Fuel and octane ----------------------------------------------------------------------------


@situation(
    "regular petrol below the maker's octane",
    ride="big_172",
    next="nothing",
    gates={"big_172_e10": "octane"},
    says=("e10 has 87 RON, below the 91 RON that the maker asks for: do not use it",),
    never=("On e10", "for e10", "in the tank", "keep to e10", "on e10 lambda"),
)
def _(outing):
    """That fuel is nowhere recommended, and nothing is bought for it."""
    outing.key("fuels.e10", octane="87 RON")


@situation(
    "octane typed as at an American pump, which is enough",
    ride="big_172",
    next=("buy", "i178"),
    gates={"big_172_e10": "lean"},
    never=("AKI", "not enough"),
)
def _(outing):
    """87 AKI is about 92 RON: an engine that asks for 91 RON may have it."""
    outing.key("fuels.e10", octane="87 AKI").key("engines.big", compression_ratio=9.4)


@situation(
    "octane typed as at an American pump, which is not enough",
    ride="big_172",
    next=("change fuel", "i172"),
    fuels=("e5",),
    gates={"big_172_e10": "octane", "big_172": ""},
    says=("keep to e5 with i172 (e10 has 87 AKI", "i172 stays on the engine 'big', on e5"),
    never=("or list other injectors", "On e10: injector"),
)
def _(outing):
    """87 AKI is at most 93 RON; with 0.8 more compression 91 RON becomes 93.4 or more."""
    outing.key("fuels.e10", octane="87 AKI")


@situation(
    "compression raised so that it is unclear",
    ride="big_172",
    next=("change fuel", "i172"),
    gates={"big_172": "", "big_172_e10": "octane"},
    says=("keep to e5",),
)
def _(outing):
    """95 RON and 0.8 of compression is 97.4 to 99: 98 may do, 95 does not."""
    outing.key("bike", lowest_octane="95 RON")


@situation(
    "compression raised so far that no fuel is enough",
    ride="stock",
    next="change fuel",
    engine="big",
    fuels=(),
    gates={"big_172": "octane", "big_172_e10": "octane", "big_185": "octane", "stock": ""},
    says=("change the fuel: none of those that you will burn is allowed on the engine 'big'",),
    never=("list others", "buy", "the middle of the band"),
)
def _(outing):
    """No injector helps against too little octane."""
    outing.key("bike", lowest_octane="95 RON").key("engines.big", compression_ratio=11.4)


@situation(
    "compression by burette",
    ride="stock",
    next="change fuel",
    gates={"big_185": "octane"},
    says=("the higher compression of the engine 'big' for more: not enough",),
)
def _(outing):
    """204 cc over 19.6 cc is 11.4: the same engine, measured instead of stated."""
    outing.key("engines.big", compression_ratio=None, clearance_volume="19.6 cc")
    outing.key("bike", lowest_octane="95 RON")


@situation(
    "octane of a fuel that nobody wrote down, and knock on it",
    ride="stock",
    next="find knock",
    gates={"big_172": "knock implied", "big_164": "knock implied", "big_172_e10": "knock"},
    says=("(the octane number of e10 is not written down)", "nothing listed is known to be safer"),
)
def _(outing):
    """98 is not known to be more than nothing, so nothing is known to be safer: write it down."""
    outing.key("fuels.e10", octane=None).knock("big_172_e10", "light")


@situation(
    "the maker's need is not known",
    ride="big_172",
    next=("buy", "i178"),
    never=("not enough",),
    says=(
        "the octane number that the maker asks for is not known, and the engine 'big' has a "
        "compression of 10.2",
    ),
)
def _(outing):
    """What the maker asks for is not guessed."""
    outing.key("bike", lowest_octane=None)


@situation(
    "every fuel below what the maker asks for",
    ride=None,
    next="change fuel",
    fuels=(),
    gates=dict.fromkeys(("stock", "big_164", "big_172", "big_185"), "octane"),
    says=("nothing from this session", "change the fuel"),
    never=("strip it", "this is decided", "buy"),
)
def _(outing):
    """First a fuel that it may have."""
    outing.key("bike", lowest_octane="100 RON")


@situation(
    "more ethanol than the maker allows",
    ride="big_172",
    next="nothing",
    gates={"big_172_e10": "ethanol"},
    says=("more than the 5 % that the maker allows",),
    never=("On e10", "for e10"),
)
def _(outing):
    """E10 is out, and on E5 nothing is missing."""
    outing.key("bike", highest_ethanol="5 %")


@situation(
    "only E10 will be burnt",
    ride="big_185",
    next=("buy", "i178"),
    fuels=("e10",),
    says=("It was ridden on e5; for e10 its mixture is calculated", "injector i185, fuel e10"),
    never=("keep to e5", "on e5 lambda"),
)
def _(outing):
    """The answer is for the fuel that will be burnt; runs on E5 say what it would do."""
    outing.key("use", fuels=["e10"])


@situation(
    "only E10 will be burnt, and a setup on it stands",
    ride="big_172_e10",
    next="nothing",
    gates={"big_172_e10": ""},
    never=("not among the fuels",),
)
def _(outing):
    """He rides what he will burn, though the same on E5 is a little richer."""
    outing.key("use", fuels=["e10"]).gauge("big_172_e10", 12.7, 12.9)


@situation(
    "only E5 will be burnt",
    ride="big_172",
    next="nothing",
    strength="decided",
    says=("nothing more to test: this is decided", "i172 stays on the engine 'big'"),
    never=("buy injector", "On e10", "with e10 in the tank"),
)
def _(outing):
    """172 is in the middle of the band on it."""
    only_e5(outing)


@situation(
    "fuels without a label for ethanol",
    ride="big_172",
    next=("buy", "i178"),
    gates={"big_172_e10": "lean", "big_172": ""},
)
def _(outing):
    """As read is as read; what is not labelled is not compared."""
    outing.key("fuels.e5", ethanol=None).key("fuels.e10", ethanol=None)


# Mixture ------------------------------------------------------------------------------------


@situation(
    "an even bet is no safety limit",
    ride="big_185",
    next=("buy", "i178"),
    gates={"big_172": "lean", "big_185": ""},
    says=("% chance of running leaner than the band", "The fitted i185"),
)
def _(outing):
    """Nearly one in two to run lean: never, however well it pulls."""
    only_e5(outing).gauge("big_172", 13.1, 13.3)


@situation(
    "the same, for a rider who says that he accepts it",
    ride="big_172",
    next=("list injectors", "i172"),
    gates={"big_172": ""},
    says=("on e5, i172 has a",),
)
def _(outing):
    """The session may say otherwise; the warning stays."""
    only_e5(outing).gauge("big_172", 13.1, 13.3).key("assumptions", leaner_limit="80 %")


@situation(
    "long climbs with air cooling",
    ride="big_185",
    next="nothing",
    gates={"big_172": "lean", "big_185": ""},
    says=("its lean edge is 0.88, not 0.90",),
    never=("not written down, so assumed",),
)
def _(outing):
    """Of two that pull alike the richer, and the lean edge moves with the heat."""
    only_e5(outing).gauge("big_185", 12.4, 12.5).key("use", riding="climbs")


@situation(
    "long climbs with an oil cooler",
    ride="big_185",
    next="nothing",
    gates={"big_172": "lean", "big_185": ""},
    says=("its lean edge is 0.88, not 0.90",),
)
def _(outing):
    """An oil cooler cools the oil, hardly the head."""
    only_e5(outing).gauge("big_185", 12.4, 12.5).key("use", riding="climbs", cooling="oil cooler")


@situation(
    "the same two in town",
    ride="big_172",
    next="nothing",
    gates={"big_172": "", "big_185": ""},
)
def _(outing):
    """Both are in the band and nothing gets hot: the stronger one."""
    only_e5(outing).gauge("big_185", 12.4, 12.5).key("use", riding="town")


@situation(
    "nothing said of how it is ridden",
    ride="big_172",
    next=("buy", "i178"),
    gates={"big_164": "lean", "big_172": "", "stock": ""},
    says=(
        "minutes of full load, as on long climbs or a motorway, ask for lambda 0.88 or richer on "
        "an air-cooled engine: big 172 has a 33 % chance of being leaner than that. Keep full "
        "throttle short (riding under [use] is not written down).",
    ),
)
def _(outing):
    """It may be climbs in the heat: said, not taken, or what its maker delivered would be shut."""
    outing.without_table("use")


@situation(
    "four rows, as people ride first: stock near the lean edge, the kit lean, then right",
    ride="big_172",
    next="ride again",
    gates={"stock": "", "big_150": "lean", "big_172": ""},
    says=("stock again", "Keep full throttle short"),
    never=("nothing from this session", "list another"),
)
def _(outing):
    """Nothing is said of the riding, and nothing knocked: the kit on its larger injector."""
    outing.without_table("use").quiet().only_setups("stock", "big_150", "big_172")
    outing.once("stock", "big_172").gauge("stock", 12.9, 13.1).gauge("big_150", 14.2, 14.4).gauge(
        "big_172", 12.7, 12.9
    )


@situation(
    "all injectors far too rich",
    ride=None,
    next=("list injectors", None),
    says=("that much fuel washes the oil off the bore", "Look for about 129 cc/min"),
    never=("buy", "stays on the engine", "lean end"),
    gates={"stock": "rich", "big_150": "rich", "big_185": "rich"},
)
def _(outing):
    """That much fuel washes the bore: none is ridden, and the flow to look for is named."""
    follow_flow(outing, 10.6).key("gauge", lowest="7.0")
    outing.quiet().without_table("injectors.i178").without_table("injectors.i205")


@situation(
    "all injectors too lean",
    ride=None,
    next=("list injectors", None),
    engine="big",
    gates=dict.fromkeys(("stock", *BIG), "lean"),
    says=("none of the injectors listed may be fitted", "Look for about 203 cc/min"),
    never=("buy", "smaller", "Mixture:"),
)
def _(outing):
    """Nothing is ridden lean because nothing else is at hand."""
    follow_flow(outing, 17.0)
    outing.quiet().without_table("injectors.i178").without_table("injectors.i205")


@situation(
    "every reading at the rich end of the gauge",
    ride=None,
    next="find knock",
    missing=("range",),
    says=("every reading stood at the gauge's rich end",),
    never=(*NO_GAUGE, "no listed injector passes"),
    gates={"stock": "rich", "big_150": "knock", "big_185": "knock unexplained"},
)
def _(outing):
    """What knocks beyond the rich end does not knock because it is lean."""
    for name in ("stock", *BIG):
        outing.gauge(name, 10.0, 10.0)


@situation(
    "every reading at the lean end of the gauge",
    ride=None,
    next="ride again",
    gates={
        "stock": "lean",
        "big_150": "knock",
        "big_172": "knock implied",
        "big_185": "knock implied",
    },
    missing=("range",),
    says=("stock: every reading stood at the gauge's lean end", "on the rich side first"),
    never=(*NO_GAUGE, "more pull"),
)
def _(outing):
    """Leaner than the gauge can say is lean enough to stop."""
    for name in ("stock", *BIG):
        outing.gauge(name, 20.0, 20.0)


@situation(
    "the richest was beyond the gauge",
    ride="big_172",
    next="nothing",
    gates={"big_185": "rich"},
)
def _(outing):
    """172 was read, and is right on its fuel."""
    only_e5(outing).gauge("big_185", 10.0, 10.0)


@situation(
    "the leanest was beyond the gauge",
    ride="big_172",
    next="nothing",
    gates={"big_150": "lean"},
    says=("big 150: every reading stood at the gauge's lean end",),
)
def _(outing):
    """Without a number, and shut all the same."""
    only_e5(outing.quiet().gauge("big_150", 20.0, 20.0))


@situation(
    "an engine that revs out of its injectors",
    ride="stock",
    next="list injectors",
    engine="big",
    gates={"big_172": "flow", "big_185": "flow"},
    says=(
        "chance of running out of time at the highest engine speed",
        "No flow fits the band",
    ),
    never=("strip it", "buy"),
)
def _(outing):
    """The pulse has to fit into the cycle."""
    outing.key("engines.big", highest_speed="14000 rpm").without_table("injectors.i205")


# Half of it missing -------------------------------------------------------------------------


@situation(
    "no gauge",
    ride="big_172",
    next="ride again",
    missing=("gauge",),
    says=(
        "more pull than stock",
        "the mixture is not known, and not judged",
        "nobody knows the mixture of big 172: keep full throttle short until it is read",
    ),
    never=(*NO_GAUGE, "no listed injector passes"),
)
def _(outing):
    """What pulls is known; of the mixture nothing, and nothing is said."""
    outing.without_columns("gauge").quiet()


@situation(
    "a gauge whose scale nobody knows",
    ride="big_172",
    next="ride again",
    missing=("gauge",),
    never=NO_GAUGE,
)
def _(outing):
    """12.8 of what?"""
    outing.key("gauge", scale=None).quiet()


@situation(
    "no speeds",
    ride="big_172",
    next="ride again",
    engine="big",
    missing=("speeds",),
    strength="open",
    says=("write down the speeds at both lines", "nothing is known of its pull"),
    never=("more pull", "at your marker", "pulled harder", "in pull", "not settled"),
)
def _(outing):
    """The mixture is right, and whoever fitted a cylinder leaves it on; the pull is not known."""
    only_e5(outing).without_columns("speed")


@situation(
    "speeds, but none of the reference",
    ride="big_172",
    next="ride again",
    missing=("speeds",),
    says=("the reference stock has no run with speeds", "ride the reference stock with speeds"),
    never=("more pull", "it has no run with speeds"),
)
def _(outing):
    """There is nothing to compare with, and that is what is missing."""
    none = {"entry_speed [km/h]": "", "exit_speed [km/h]": ""}
    only_e5(outing).cells("stock", **none)


@situation(
    "neither gauge nor speeds",
    ride=None,
    next="ride again",
    missing=("gauge", "speeds"),
    says=("no run that counts was read or timed",),
    never=(*NO_GAUGE, "more pull", "ruled out", "this is decided", "On e5"),
)
def _(outing):
    """Nothing was measured; nothing is said."""
    outing.without_columns("gauge|speed").quiet()


@situation(
    "nobody listened",
    ride="big_172",
    next=("buy", "i178"),
    missing=("knock",),
    gates={"big_150": "lean"},
    says=("nobody wrote down whether it knocked",),
    never=("no knock was heard",),
)
def _(outing):
    """Silence that nobody listened to is not silence."""
    outing.without_columns("knock")


@situation(
    "somebody listened and heard nothing",
    ride="big_172",
    next=("buy", "i178"),
    says=("no knock was heard on 4 runs of big 172 on which somebody listened. That is no proof",),
)
def _(outing):
    """None heard is not none."""
    outing.quiet()


# Gain ---------------------------------------------------------------------------------------


@situation(
    "nothing told apart although the cylinder grew",
    ride="big_172",
    next="find power",
    engine="big",
    strength="open",
    says=("That is no reason to strip it", "valve timing", "no difference in pull from stock"),
    never=("not settled", "this is decided"),
)
def _(outing):
    """A bigger engine that pulls no harder has a fault; the test is no reason to take it off."""
    for name, by in zip(BIG, (-6, -8.5, -8.5, -8.5, -6), strict=True):
        outing.faster(name, by)
    only_e5(outing)


@situation(
    "the bigger engine is slower",
    ride="stock",
    next="find power",
    engine="big",
    says=("pulled less: something is wrong with it",),
    never=("no reason to strip it", "not settled", "this is decided"),
)
def _(outing):
    """Shown to pull less: that is a fault, and until it is found the old engine is ridden."""
    for name in BIG:
        outing.faster(name, -14)
    only_e5(outing)


def one_run_each(outing, marker, *, bore="64.0 mm", compression=10.2):
    """Stock and one trial, a run each, the mixture right in both."""
    outing.only_setups("stock", "big_172").once().gauge("big_172", 12.6, 12.7)
    outing.key("engines.big", bore=bore, compression_ratio=compression)
    outing.speeds("stock", (48, 62)).speeds("big_172", (48, marker))
    return only_e5(outing)


@situation(
    "+4 km/h and 14 % (1 to 30 %) on one run each",
    ride="big_172",
    next="ride again",
    strength="leaning",
    says=(
        "Likely, not settled: about 2 more runs of this setup and of stock would most likely",
        "more pull than stock",
        "if runs scatter as they usually do",
        "no rider repeated a setup",
        "ride big 172 and stock again, about 2 more runs of each",
    ),
    never=("this is decided", "strip it", "no difference in pull"),
)
def _(outing):
    """Likely a gain, not a proof, whatever p says: nobody has seen how far runs scatter here."""
    one_run_each(outing, 66)


def in_blocks(outing, marker):
    """Stock first, then the trial, and never back."""
    outing.only_setups("stock", "big_172").gauge("big_172", 12.6, 12.7)
    outing.rows = [
        row for name in ("stock", "big_172") for row in outing.rows
        if row["setup"] == name and row["exit_speed [km/h]"]
    ]  # fmt: skip
    for number, row in enumerate(outing.rows, start=1):
        row["run"] = str(number)
    outing.speeds("stock", *[(48, 61 + turn % 2) for turn in range(5)])
    outing.speeds("big_172", *[(48, marker + turn % 2) for turn in range(4)])
    return only_e5(outing)


@situation(
    "a small gain with stock in the morning and the kit in the afternoon",
    ride="big_172",
    next="ride again",
    strength="leaning",
    says=(
        "so the time of day may be part of the difference",
        "about 2 more runs of each, taking turns",
    ),
    never=("this is decided",),
)
def _(outing):
    """A wind that dies makes as much of nothing."""
    in_blocks(outing, 64)


@situation(
    "a large gain with stock in the morning and the kit in the afternoon",
    ride="big_172",
    next="nothing",
    strength="decided",
    says=("this is decided",),
)
def _(outing):
    """No wind that anybody rides in makes a fifth."""
    in_blocks(outing, 72)


@situation(
    "the same with another pipe instead of another cylinder",
    ride="big_172",
    next="ride again",
    strength="leaning",
    says=("Likely, not settled",),
    never=("this is decided",),
)
def _(outing):
    """Leaning is not "keep stock", though the cylinder is the same size."""
    one_run_each(outing, 66, bore="60.0 mm", compression=9.4)


@situation(
    "the same on the same engine, and stock a little nearer to the middle",
    ride="big_172",
    next="ride again",
    strength="leaning",
    says=("Likely, not settled", "likely"),
    never=("fit injector", "buy"),
)
def _(outing):
    """A likely gain is not given up for a little of mixture that is safe in both."""
    one_run_each(outing, 66).key("setups.big_172", engine="stock").gauge("big_172", 12.4, 12.5)


@situation(
    "a little faster on one run each",
    ride="big_172",
    next="ride again",
    strength="open",
    says=("ride big 172 and stock again, about",),
    never=("not settled", "this is decided", "no number of runs"),
)
def _(outing):
    """Anything may be behind half a km/h; a bigger cylinder stays on until it is told."""
    one_run_each(outing, 62.0, bore="60.0 mm", compression=9.4)


@situation(
    "as fast as stock to the last digit",
    ride="big_172",
    next="ride again",
    strength="open",
    says=("no number of runs worth riding would settle it",),
    never=("more runs of each", "this is decided"),
)
def _(outing):
    """Nothing to find there, and no reason to take the cylinder off again."""
    one_run_each(outing, 62, bore="60.0 mm", compression=9.4)
    outing.speeds("stock", (48, 62)).cells("big_172", rider="tove")


@situation(
    "a bigger cylinder, too lean, that is likely stronger",
    ride="stock",
    next=("buy", "i185"),
    engine="big",
    gates={"big_172": "lean"},
    says=("big 172 may pull harder, but must not be ridden as it is", "for the engine 'big'"),
    never=("this is decided", "strip it", "nothing else was shown"),
)
def _(outing):
    """Not the cylinder is wrong but what feeds it."""
    one_run_each(outing, 66).gauge("big_172", 13.5, 13.6)


@situation(
    "the reference is kept, and the injector is for another engine",
    ride="stock",
    next=("buy", "i178"),
    engine="big",
    gates={"big_164": "lean", "big_150": "knock"},
    says=(
        "buy injector i178 for 34 EUR for the engine 'big', not the one to ride now",
        "pulled harder, but must not be ridden as they are",
    ),
    never=("stays on the engine", "strip it"),
)
def _(outing):
    """Two engines on one page: it says which is meant."""
    outing.only_setups("stock", "big_150", "big_164").key("injectors.i178", tolerance="2 %")
    only_e5(outing)


@situation(
    "nothing of the reference may be ridden",
    ride="big_172",
    next="find knock",
    engine="stock",
    strength="leaning",
    says=("Likely, not settled", "find what made stock knock"),
    never=("this is decided",),
)
def _(outing):
    """That stock is out does not settle a gain over it; the big engine is of lower compression."""
    one_run_each(outing, 66, compression=9.0).knock("stock", "light")


@situation(
    "only one setup",
    ride="stock",
    next="nothing",
    says=("only one setup was ridden, so there is nothing to compare it with",),
    never=("this is decided", "pull harder"),
)
def _(outing):
    """One setup is no test."""
    only_e5(outing.only_setups("stock"))


@situation(
    "every run excluded",
    ride=None,
    next="ride again",
    says=("no run that counts was read or timed",),
    never=("ruled out", "this is decided", "no listed injector passes", "chance of"),
)
def _(outing):
    """Nothing counts, so nothing is ruled out either."""
    outing.quiet().excluded()


@situation(
    "every run excluded, and one knocked",
    ride=None,
    next="find knock",
    gates={"big_150": "knock"},
    says=("light knock was heard on run 5",),
    never=("this is decided", "no listed injector passes"),
)
def _(outing):
    """The knock stays."""
    outing.excluded()


# What to fit and to buy ---------------------------------------------------------------------


@situation(
    "a candidate that is in the drawer",
    ride="big_172",
    next=("fit", "i178"),
    says=("fit injector i178, which you have",),
    never=("buy",),
)
def _(outing):
    """Nobody buys what he has."""
    outing.key("injectors.i178", owned="yes")


@situation(
    "one to buy, and one at hand that is as good",
    ride="big_172",
    next=("fit", "i177"),
    says=("fit injector i177, which you have",),
    never=("buy",),
)
def _(outing):
    """One point of odds is not worth 34 EUR."""
    outing.key("injectors.i177", flow="177 cc/min", flow_pressure="3 bar", owned="yes")


@situation(
    "one to buy, and one at hand that is far too rich",
    ride="big_172",
    next=("buy", "i178"),
    never=("fit injector",),
)
def _(outing):
    """What is at hand must be any good."""
    outing.key("injectors.i205", owned="yes")


@situation(
    "no price",
    ride="big_172",
    next=("buy", "i178"),
    says=("buy injector i178: 70 % chance of being in the band on e10 (",),
    never=("EUR:", "for –"),
)
def _(outing):
    """What it costs is not known and not said."""
    outing.key("injectors.i178", price=None)


@situation(
    "no candidates",
    ride="big_172",
    next=("change fuel", "i172"),
    says=(
        "keep to e5 with i172",
        "or list another injector in session.toml",
        "Look for about 175 cc/min: a 70 % chance",
    ),
    never=("buy", "fit injector"),
)
def _(outing):
    """Between 172 and 185 there is nothing to choose from yet."""
    outing.without_table("injectors.i178").without_table("injectors.i205")


@situation(
    "a candidate that would knock and run lean",
    ride="big_172",
    next=("buy", "i178"),
    never=("injector i120", "120, for"),
)
def _(outing):
    """It changes nothing, and is not spoken of."""
    outing.key("injectors.i120", flow="120 cc/min", flow_pressure="3 bar", price=5)
    outing.without_table("injectors.i205")


@situation(
    "tables in the opposite order",
    ride="big_172",
    next=("buy", "i178"),
    engine="big",
    fuels=("e10", "e5"),
    gates={"big_150": "knock", "big_164": "lean", "big_172_e10": "lean", "big_185": ""},
)
def _(outing):
    """Which is typed first says nothing."""
    outing.reversed_tables()


@situation(
    "the same parts twice, under two names",
    ride="big_172",
    next="nothing",
    gates={"again": "lean", "big_172": ""},
)
def _(outing):
    """With another filter it ran lean; without, it is right, and no part is fitted that is on."""
    only_e5(outing).setup("again", "big_172", parts="foam filter").ridden("again", "big_172")
    outing.gauge("again", 13.4, 13.6)


# Heat ---------------------------------------------------------------------------------------


@situation(
    "every head far above the limit",
    ride=None,
    next="find heat",
    gates={"stock": "heat", "big_172": "heat", "big_185": "heat"},
    says=("the head reached 283 °C, above your limit of 250 °C", "ran hot"),
    never=("buy", "fit injector", "On e10", "list smaller", "this is decided"),
)
def _(outing):
    """85 °C more on every run: stop, and find out why."""
    outing.hotter(85).key("bike", highest_head_temperature="250 degC")


@situation(
    "heads far too hot, and no limit stated",
    ride=None,
    next="find heat",
    says=("the head reached 283 °C, above the usual limit of 230 °C",),
    gates={"stock": "heat", "big_172": "heat", "big_185": "heat"},
)
def _(outing):
    """The usual limit holds until the rider states what this engine bears."""
    outing.hotter(85)


@situation(
    "only the richest ran hot",
    ride="stock",
    next="find heat",
    engine="big",
    gates={"big_185": "heat", "big_172": "heat", "stock": ""},
    says=("big 172: not known to run cooler than big 185, with which the head reached 260 °C",),
    never=("buy", "fit injector", "strip it"),
)
def _(outing):
    """What is hot when it is rich is not cooled by going leaner."""
    outing.head("big_185", 260).key("bike", highest_head_temperature="250 degC")


@situation(
    "the right mixture ran hot, the rich one did not",
    ride="big_185",
    next="nothing",
    gates={"big_172": "heat", "big_164": "lean", "big_185": ""},
    never=("i172 on",),
)
def _(outing):
    """The richer one cools it; no leaner one is tried."""
    only_e5(outing).head("big_172", 260).key("bike", highest_head_temperature="250 degC")
    outing.gauge("big_185", 12.2, 12.3)


# The other session: a free-flowing filter, in US units --------------------------------------


@situation(
    "stock near the lean edge, and everything else is leaner",
    ride="stock",
    next=("buy", "i205"),
    gates={"stock": "", "big_150": "knock", "big_185": "knock implied"},
    says=("41 % of being leaner)", "i150 has a 41 % chance of running leaner"),
)
def _(outing):
    """What its maker delivered is put back before a bike stands still: the edge is a wish."""
    only_e5(outing).gauge("stock", 13.1, 13.3)
    for name in ("big_150", "big_164", "big_172", "big_172_e10", "big_185"):
        outing.gauge(name, 14.3, 14.5)


@situation(
    "a kit as near the lean edge as stock is",
    ride="stock",
    next=("buy", "i178"),
    gates={"stock": "", "big_164": "lean"},
)
def _(outing):
    """The same reading on a larger cylinder is what the rider chose, and may choose better."""
    only_e5(outing).only_setups("stock", "big_164")
    outing.gauge("stock", 13.1, 13.3).gauge("big_164", 13.1, 13.3)


@situation(
    "lean after the free-flowing filter",
    demo="there_and_back",
    ride="paper_filter",
    next=("buy", "larger"),
    engine="free_filter",
    gates={"free_filter": "lean"},
    says=(
        "free filter pulled harder, but must not be ridden as it is",
        "buy injector larger for $41 for the engine 'free filter'",
        "Try it with an eye on the gauge",
    ),
    never=("stays on the engine", "strip it"),
)
def _(outing):
    """It pulls harder and runs lean: a few per cent more fuel, and then ride it."""


@situation(
    "lean after the filter, with the right injector to buy",
    demo="there_and_back",
    ride="paper_filter",
    next=("buy", "right"),
    engine="free_filter",
    fuels=("e10",),
    says=("buy injector right for $40 for the engine 'free filter', not the one to ride now",),
)
def _(outing):
    """Three per cent more, measured: the step that the filter asks for."""
    outing.key("injectors.right", flow="16.7 lb/h", tolerance="1 %", price=40)
    outing.key("injectors.fitted", tolerance="1 %")


@situation(
    "lean after the filter, and long climbs",
    demo="there_and_back",
    ride="paper_filter",
    next=("buy", "larger"),
    engine="free_filter",
    says=("Try it with an eye on the gauge: stop beyond 0.89"),
)
def _(outing):
    """Nothing listed is sure enough for that."""
    outing.key("use", riding="climbs")


@situation(
    "lean after the filter on E10, right on petrol without ethanol",
    demo="there_and_back",
    ride="paper_filter",
    next=("buy", "larger"),
    says=("Try it with an eye on the gauge",),
    fuels=("e10", "ethanol_free"),
)
def _(outing):
    """On the other fuel what is fitted will do, and the page says which engine it speaks of."""
    outing.key("use", fuels=["e10", "ethanol_free"])


@situation(
    "only E10 will be burnt, and nobody heard anything on E5",
    ride="big_185",
    next=("buy", "i178"),
    says=("Watch: big 185 was not ridden on e10 yet: listen for knock",),
    never=("nobody wrote down whether", "no knock was heard on"),
)
def _(outing):
    """Quiet runs on premium say nothing of regular."""
    outing.key("use", fuels=["e10"]).quiet()


@situation(
    "every idle reads rich, with all injectors",
    ride="big_172",
    next=("buy", "i178"),
    never=("already idles at",),
)
def _(outing):
    """Nothing shows that the ECU corrects there, so nothing shows that it ran out of trim."""
    for row in [row for row in outing.rows if row.get("state") in ("idle", "cruise")]:
        row["gauge_low"], row["gauge_high"] = "12.3", "12.5"


# What an engine builder did not sign ----------------------------------------------------------


@situation(
    "a kit of higher compression on the maker's lowest octane, counted from the kit itself",
    ride="stock",
    next="change fuel",
    engine="big",
    gates={"big_164": "octane", "big_172": "octane", "big_185": "octane", "stock": ""},
    says=("the higher compression of the engine 'big' for more: not enough",),
    never=("buy", "Ride now: big"),
)
def _(outing):
    """The maker's number belongs to the engine as it was made, whichever is the reference."""
    outing.key("session", reference="big_164").key("engines.big", compression_ratio=10.9)
    outing.key("bike", lowest_octane="87 AKI")
    outing.key("fuels.e5", octane="87 AKI").key("fuels.e10", octane="87 AKI")


@situation(
    "the same, with the compression that the maker's number is for",
    ride="big_172",
    next=("buy", "i178"),
    gates={"big_172": "", "big_185": ""},
    never=("not enough",),
)
def _(outing):
    """If the number is for the kit's own compression, the kit asks for no more."""
    outing.key("engines.big", compression_ratio=10.9)
    outing.key("bike", lowest_octane="95 RON", octane_compression=10.9)


@situation(
    "compression of the kit not known",
    ride="big_172",
    next=("buy", "i178"),
    says=("Watch: the compression of the engine 'big' is not known",),
)
def _(outing):
    """What is not known goes into Watch, never into silence."""
    outing.key("engines.big", compression_ratio=None)


@situation(
    "octane of what is burnt not known",
    ride="big_172",
    next=("buy", "i178"),
    says=("the octane number of e10 is not known, so it is not checked against what the engine",),
)
def _(outing):
    """The same."""
    outing.key("fuels.e10", octane=None)


@situation(
    "heavy knock on regular, twice, near the lean edge",
    ride="big_172",
    next="nothing",
    gates={"big_172_e10": "knock", "big_172": "", "big_185": ""},
    says=("no e10 in the engine 'big': heavy knock was heard",),
    never=("buy injector", "On e10: injector", "in the band on e10"),
)
def _(outing):
    """After heavy knock nothing is bought for that octane; what has more, and is richer, stays."""
    outing.knock("big_172_e10", "heavy", 14).knock("big_172_e10", "heavy", 16)


@situation(
    "heavy knock on premium, regular not ridden",
    ride="stock",
    next="find knock",
    engine="big",
    gates={"big_164": "knock implied", "big_172": "knock", "big_185": "knock implied"},
    never=("buy", "fit injector", "Look for"),
)
def _(outing):
    """The same on the best fuel that there is: first the cause."""
    outing.only(lambda row: row["setup"] != "big_172_e10").knock("big_172", "heavy")


@situation(
    "one light ping on regular, which one setup alone used",
    ride="big_172",
    next="nothing",
    engine="big",
    says=("no e10 in the engine 'big': light knock was heard on run 14",),
    never=("buy injector", "find what made", "nothing from this session"),
)
def _(outing):
    """It does not turn the session round: no regular in this engine, and premium as it was."""
    outing.knock("big_172_e10", "light", 14)


@situation(
    "every reading exactly 10.0, and nobody stated the gauge's end",
    ride=None,
    next="ride again",
    gates=dict.fromkeys(("stock", "big_164", "big_172", "big_185"), "rich"),
    missing=("range",),
    says=("every reading stood at the gauge's rich end", "fit an injector with less flow"),
    never=(*NO_GAUGE, "may run lean", "lean end", "i205", "Look for", "cc/min"),
)
def _(outing):
    """A flat line is the end of the gauge: richer than that, and nothing more is known."""
    outing.key("gauge", lowest=None).quiet()
    for name in ("stock", *BIG):
        outing.gauge(name, "10.0", "10.0")


@situation(
    "one setup so rich that it washes the bore",
    ride="big_172",
    next="nothing",
    gates={"big_185": "rich", "big_172": ""},
    says=("big 185: lambda 0.65, richer than 0.75: that much fuel washes the oil off the bore",),
    never=("big 185 may run lean", "likely leaner"),
)
def _(outing):
    """However it pulls: the oil is washed off the bore."""
    only_e5(outing).gauge("big_185", 9.5, 9.7).faster("big_185", 4)
    outing.key("gauge", lowest="7.0")


@situation(
    "the same, for a rider who states another limit",
    ride="big_172",
    next="nothing",
    gates={"big_185": ""},
    never=("washes",),
)
def _(outing):
    """The session may say otherwise; harm still counts."""
    only_e5(outing).gauge("big_185", 9.5, 9.7).key("gauge", lowest=7.0)
    outing.key("assumptions", richest_lambda=0.6)


@situation(
    "a target leaner than usual",
    ride="big_172",
    next=("buy", "i178"),
    says=("Watch: the target band reaches lambda 0.92; leaner than 0.90 at full throttle",),
)
def _(outing):
    """It is obeyed, with a caution."""
    outing.key("target", highest=0.92).gauge("big_172_e10", 13.4, 13.6)


@situation(
    "20 of 500 km run in",
    ride="big_172",
    next=("buy", "i178"),
    says=("Full throttle waits: the engine 'big' has done 20 km of the 500 km that its parts ask",),
)
def _(outing):
    """The first line says that full throttle waits."""
    outing.key("engines.big", running_in="500 km", since_opened="20 km")


@situation(
    "a note against the column",
    ride="stock",
    next="find knock",
    engine="big",
    gates={"big_185": "knock"},
    says=("big 185: knock was noted on run 19",),
    never=("no knock was heard",),
)
def _(outing):
    """Pinking is knock, whatever the column says, until somebody says what it was."""
    outing.full("big_185")[-1].update(note="pinking near the top, backed off")


@situation(
    "a note that says that there was none",
    ride="big_172",
    next=("buy", "i178"),
    gates={"big_185": "", "big_172": ""},
)
def _(outing):
    """That is the column said again."""
    outing.full("big_185")[-1].update(note="no pinking at all; ran well")


@situation(
    "read on a hot day, with an ECU that does not correct for the air",
    ride="big_172",
    next=("buy", "i178"),
    says=("That was in air of", "the ECU does not correct for it, so in colder air it runs leaner"),
)
def _(outing):
    """A mixture is a mixture of some air."""
    outing.key("bike", density_compensation="no")


@situation(
    "heads too hot on long climbs, for who climbs",
    ride="big_185",
    next="nothing",
    gates={"big_172": "heat", "big_185": ""},
    says=("big 172: the head reached",),
)
def _(outing):
    """What was not measured is not known to be cooler; what is clearly richer may be."""
    only_e5(outing).quiet().key("use", riding="climbs").gauge("big_185", 12.4, 12.5)
    outing.gauge("big_172", 12.5, 12.7).head("big_172", 236)


@situation(
    "idle that already reads rich with the largest injector",
    ride="big_172",
    next=("change fuel", "i172"),
    says=("keep to e5 with i172",),
    never=("buy injector i178", "i205 is"),
)
def _(outing):
    """The ECU cannot trim that far: nothing larger than what idles rich already."""
    for row in [row for row in outing.rows if row.get("state") == "idle"]:
        if row["setup"] == "big_172":
            row["gauge_low"], row["gauge_high"] = "12.3", "12.5"


@situation(
    "pull first",
    ride="big_185",
    next="nothing",
    gates={"big_185": "", "big_172": ""},
    says=('wanted = "pull first"',),
)
def _(outing):
    """Who wants pull rides the stronger one, though it is richer than the band."""
    only_e5(outing).faster("big_185", 5).key("use", wanted="pull first")


@situation(
    "the same, balanced, with little between them",
    ride="big_172",
    next="nothing",
    gates={"big_185": "", "big_172": ""},
)
def _(outing):
    """Half a per cent of pull is not worth four hundredths of lambda beyond the band."""
    only_e5(outing).faster("big_185", 2.6)


# These alone notice a line of the gates; of the rest one of three now, others with the slow tests.
NOW = (
    "nobody listened",
    "stock near the lean edge, and everything else is leaner",
    "a kit as near the lean edge as stock is",
)


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=pytest.mark.slow if at % 3 and name not in NOW else ())
        for at, name in enumerate(SITUATIONS)
    ],
)
def test_the_plan_is_what_a_careful_builder_would_give(name, demo_folder, tmp_path):
    case = SITUATIONS[name]
    outing = Outing(demo_folder.parent / case.demo, tmp_path / "outing")
    case.change(outing)
    results = outing.results()
    plan, step, text = results.plan, results.plan.next, page(results)
    shut = {one.setup: one.gate.code for one in plan.shut}
    wanted = case.next if isinstance(case.next, tuple) else (case.next, step.injector)
    assert (plan.ride and plan.ride.setup) == case.ride, case.why
    assert (step.code, step.injector) == wanted, case.why
    assert {setup: shut.get(setup, "") for setup in case.gates} == case.gates, case.why
    if case.engine is not None:
        assert step.engine == case.engine
    if case.fuels is not None:
        assert step.fuels == case.fuels
    if case.strength is not None:
        assert plan.strength == case.strength
    if case.missing is not None:
        assert plan.missing == case.missing
    for words in case.says:
        assert words in text, text
    for words in case.never:
        assert words not in text, text
    assert contradictions(results) == []


def test_there_are_many_situations_and_each_says_why():
    assert len(SITUATIONS) >= 60
    assert all(re.search(r"\w", case.why) for case in SITUATIONS.values())


def test_a_fuel_that_is_only_listed_changes_no_word(demo_folder, tmp_path):
    def pages(name, **keys):
        outing = Outing(demo_folder, tmp_path / name)
        outing.without_table("injectors.i178").without_table("injectors.i205")
        return page(outing.key("fuels.e85", **keys).results() if keys else outing.results())

    assert pages("with", ethanol="85 %", octane="104 RON") == pages("without")
