"""Situations that riders come with, a few lines each, and the plan that a careful builder gives.

Each is a change to one of the invented sessions. The tests read the sentences of the page as well
as the codes of the plan.
"""

import re

import pytest

from tests.advice_rules import contradictions, page
from tests.outing import Outing

BIG = ("big_150", "big_164", "big_172", "big_172_e10", "big_185")
ALL = ("stock", *BIG)
NO_GAUGE = ("chance of", "target band", "lambda 0", "risks least", "nothing alarming")


# Changes that are made more than once -------------------------------------------------------


def only_e5(outing):
    return outing.key("use", fuels=["e5"])


def only_lean_ones(outing):
    """Two lean injectors and nothing else: the leaner one twice on e10, the other on e5."""
    outing.only_setups("stock", "big_150", "big_164").key("setups.big_150", fuel="e10")
    for name in ("i172", "i178", "i185", "i205"):
        outing.without_table(f"injectors.{name}")
    outing.gauge("big_150", 14.9, 15.1).gauge("big_164", 14.0, 14.2)
    return outing.setup("again", "big_150").ridden("again", "big_150")


def each(outing, setups, change, *values):
    """The same change to several setups."""
    for name in setups:
        getattr(outing, change)(name, *values)
    return outing


def follow_flow(outing, at_150):
    """Readings that fall as the injector's flow rises, this one at 150 cc/min."""
    for name in ALL:
        flow = 150 if name == "stock" else int(name.split("_")[1])
        outing.gauge(name, round(at_150 * 150 / flow - 0.1, 1), round(at_150 * 150 / flow + 0.1, 1))
    return outing.quiet().without_table("injectors.i178").without_table("injectors.i205")


def rich_off_throttle(outing, *states, setup=""):
    """Readings far richer than lambda 1 at idle or cruise, of one setup or of all."""
    for row in outing.rows:
        if row.get("state") in states and setup in ("", row["setup"]):
            row.update(gauge_low="12.3", gauge_high="12.5")
    return outing


def noted(outing, setup, note):
    """A note on the last run of a setup, beside a column that says none."""
    row = outing.full(setup)[-1]
    row.update({"note": note} | ({"knock": "none"} if "knock" in row else {}))
    return outing


def wrote(outing, runs, **cells):
    """Cells of some runs as somebody wrote them down."""
    for row in outing.rows:
        if float(row["run"]) in runs:
            row.update(cells)
    return outing


def in_lambda(outing):
    """The same readings on a gauge that shows lambda."""
    for row in outing.rows:
        for name in ("gauge_low", "gauge_high"):
            row[name] = f"{float(row[name]) / 14.7:.2f}"
    return outing.key("gauge", scale=1, resolution=None, lowest=0.68, highest=1.36)


def one_run_each(outing, marker, *, bore="64.0 mm", compression=10.2):
    """Stock and one trial, a run each, the mixture right in both."""
    outing.only_setups("stock", "big_172").once().gauge("big_172", 12.6, 12.7)
    outing.key("engines.big", bore=bore, compression_ratio=compression)
    outing.speeds("stock", (48, 62)).speeds("big_172", (48, marker))
    return only_e5(outing)


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


# Situations -----------------------------------------------------------------------------------
# The first line is the name, then why the plan is right. Plan: what is ridden, what is next, and as
# far as it is told the engine and the fuels of that, how sure it is, what is missing. Gates: setups
# and what shuts them. What the page says and never says stands between bars.

SITUATIONS = {
    # Knock
    """the demo as it is
    172 is right on e5 and too lean on e10, which is burnt, too; 178 is for both.
    plan: big_172, buy: i178, engine big, fuels e10 e5, decided
    gates: big_150: knock | big_164 big_172_e10: lean | big_185: open
    says: buy injector i178 for 34 EUR
    says: The fitted i172: on e10, 37 % chance of running leaner than the band. To keep it, burn e5
      only.
    """: lambda o: o,
    """heavy knock on the richest injector only
    What knocks when it is rich knocks all the sooner when it is leaner: no leaner one now.
    plan: stock, find knock, engine big
    gates: big_164 big_172 big_172_e10: knock unexplained
    says: find what made big 185 knock | nothing richer | ignition timing
    never: buy | fit injector | On e10: injector i178 | stays on the engine 'big'
    """: lambda o: o.knock("big_185", "heavy"),
    """heavy knock on every setup of the big engine
    Nobody sells a part to an engine that knocks whatever is fitted.
    plan: stock, find knock, engine big
    gates: big_150 big_164 big_172 big_172_e10 big_185: knock
    says: before the engine 'big' is ridden at full throttle again
    never: buy | fit injector
    """: lambda o: each(o, BIG, "knock", "heavy"),
    """heavy knock on the weaker fuel, and what is left is lean
    No flow that could be bought is safe on both fuels; the loudest knock is named, not the first.
    plan: stock, find knock, engine big
    gates: big_150 again: knock | big_164: lean
    says: find what made again knock | ridden or bought for e10 (95 RON) or less
    never: buy | or list another
    """: lambda o: only_lean_ones(o).knock("big_150", "light").knock("again", "heavy"),
    """the same, and the first was the loudest
    What is named does not hang on the order of the runs.
    plan: stock, find knock, engine big
    says: find what made big 150 knock
    """: lambda o: only_lean_ones(o).knock("big_150", "heavy").knock("again", "light"),
    """light knock on one fuel
    95 knocked though it was not lean: the advice is for 98 alone, and 185 has no part in it.
    plan: big_172, nothing
    gates: big_172_e10: knock | big_172 big_185: open | big_164: knock implied
    says: no e10 in the engine 'big': light knock was heard on run 16 with big 172 e10
    never: On e10: injector i172 | 185: light knock
    """: lambda o: o.knock("big_172_e10", "light"),
    """light knock with a lean injector
    172 on 95 is no richer than 164 on 98 was, and of a lower octane number: shut with it.
    plan: big_172, change fuel: i172, fuels e5
    gates: big_164: knock | big_172 big_185: open | big_172_e10: knock implied
    says: big 172 e10: no safer from knock than big 164, with which light knock was heard
    never: or list another
    """: lambda o: o.knock("big_164", "light"),
    """knock on premium, and the same on regular rode without
    It knocked on the best fuel there is, in the middle of the band: mixture is not why.
    plan: stock, find knock, engine big
    gates: big_172_e10: knock unexplained | big_172: knock
    says: octane number was ridden on this engine and the mixture was not plainly
    never: nothing richer | buy | fit injector
    """: lambda o: o.knock("big_172", "light"),
    """knock on premium, then a setup on lower octane
    After heavy knock on 98 nothing is ridden or bought for 98 or less.
    plan: stock, find knock, engine big
    gates: big_164: knock | again big_185: knock implied
    says: again: no safer from knock than big 164
    says: nothing is to be ridden or bought for e5 (98 RON) or less
    never: buy | fit injector
    """: lambda o: (
        o.setup("again", "big_164", fuel="e10")
        .ridden("again", "big_164")
        .gauge("again", 13.5, 13.7)
        .knock("big_164", "heavy")
    ),
    """knock on the factory's own setup
    If the lower compression knocked at this mixture, so will the higher one.
    plan: big_185, find knock, engine stock
    gates: stock: knock | big_172 big_164: knock implied
    says: find what made stock knock
    never: stays on the engine | buy
    """: lambda o: o.knock("stock", "light"),
    """knock on a run that does not count
    A run may be left out for its speed; a piston has heard it all the same.
    plan: stock, find knock
    gates: big_185: knock
    says: heavy knock was heard on run 19
    """: lambda o: o.knock("big_185", "heavy").cells("big_185", exclude="backed off"),
    """knock where nothing was read
    Without a gauge the flow still says which injector is richer on the same fuel.
    plan: big_172, ride again, missing gauge
    gates: big_150: knock | big_172_e10: knock implied | big_172 big_185: open
    says: ride again with a lambda gauge
    never: (no gauge) | no listed injector passes | does not explain the knock
    """: lambda o: o.without_columns("gauge"),
    """one setup knocked, and nothing was read or timed
    Nobody knows how lean it was, so nobody says that it was not the mixture.
    plan: none, find knock, missing gauge speeds
    gates: big_150: knock
    says: Look at the mixture, octane, compression
    never: (no gauge) | does not explain the knock | On e5 | this is decided
    """: lambda o: o.without_columns("gauge|speed").only(lambda row: row["setup"] == "big_150"),
    """only the lean setup knocked, and nothing else was ridden on the engine
    It was far too lean: a larger injector, not a search for the cause.
    plan: stock, buy: i185, engine big
    gates: big_150: knock
    says: buy injector i185 for 34 EUR for the engine 'big'
    says: Try it with an eye on the gauge: stop beyond 13.2 | big 150 pulled harder, but must not
    never: find what made | Look for about
    """: lambda o: o.only_setups("stock", "big_150"),
    # Fuel and octane
    """regular petrol below the maker's octane
    That fuel is nowhere recommended, and nothing is bought for it.
    plan: big_172, nothing
    gates: big_172_e10: octane
    says: e10 has 87 RON, below the 91 RON that the maker asks for: do not use it
    never: On e10 | for e10 | in the tank | keep to e10 | on e10 lambda
    """: lambda o: o.key("fuels.e10", octane="87 RON"),
    """octane typed as at an American pump, which is not enough
    87 AKI is at most 93 RON; with 0.8 more compression 91 RON becomes 93.4 or more.
    plan: big_172, change fuel: i172, fuels e5
    gates: big_172_e10: octane | big_172: open
    says: keep to e5 with i172 (e10 has 87 AKI | i172 stays on the engine 'big', on e5
    never: or list other injectors | On e10: injector
    """: lambda o: o.key("fuels.e10", octane="87 AKI"),
    """compression raised so far that no fuel is enough
    No injector helps against too little octane.
    plan: stock, change fuel, engine big, fuels none
    gates: big_172 big_172_e10 big_185: octane | stock: open
    says: change the fuel: none of those that you will burn is allowed on the engine 'big'
    never: list others | buy | the middle of the band
    """: lambda o: o.key("bike", lowest_octane="95 RON").key("engines.big", compression_ratio=11.4),
    """octane of a fuel that nobody wrote down, and knock on it
    98 is not known to be more than nothing, so nothing is known to be safer: write it down.
    plan: stock, find knock
    gates: big_172 big_164: knock implied | big_172_e10: knock
    says: (the octane number of e10 is not written down) | nothing listed is known to be safer
    """: lambda o: o.key("fuels.e10", octane=None).knock("big_172_e10", "light"),
    """the maker's need is not known
    What the maker asks for is not guessed.
    plan: big_172, buy: i178
    says: the octane number that the maker asks for is not known, and the engine 'big' has a
      compression of 10.2
    never: not enough
    """: lambda o: o.key("bike", lowest_octane=None),
    """every fuel below what the maker asks for
    First a fuel that it may have.
    plan: none, change fuel, fuels none
    gates: stock big_164 big_172 big_185: octane
    says: nothing from this outing | change the fuel
    never: strip it | this is decided | buy
    """: lambda o: o.key("bike", lowest_octane="100 RON"),
    """more ethanol than the maker allows
    E10 is out, and on E5 nothing is missing.
    plan: big_172, nothing
    gates: big_172_e10: ethanol
    says: more than the 5 % that the maker allows
    never: On e10 | for e10
    """: lambda o: o.key("bike", highest_ethanol="5 %"),
    """only E10 will be burnt
    The answer is for the fuel that will be burnt; runs on E5 say what it would do.
    plan: big_185, buy: i178, fuels e10
    says: It was ridden on e5; for e10 its mixture is calculated | injector i185, fuel e10
    never: keep to e5 | on e5 lambda
    """: lambda o: o.key("use", fuels=["e10"]),
    """only E10 will be burnt, and a setup on it stands
    He rides what he will burn, though the same on E5 is a little richer.
    plan: big_172_e10, nothing
    gates: big_172_e10: open
    never: not among the fuels
    """: lambda o: o.key("use", fuels=["e10"]).gauge("big_172_e10", 12.7, 12.9),
    """only E5 will be burnt
    172 is in the middle of the band on it.
    plan: big_172, nothing, decided
    says: nothing more to test: this is decided | i172 stays on the engine 'big'
    never: buy injector | On e10 | with e10 in the tank
    """: lambda o: only_e5(o),
    # Mixture
    """an even bet is no safety limit
    Nearly one in two to run lean: never, however well it pulls.
    plan: big_185, buy: i178
    gates: big_172: lean | big_185: open
    says: % chance of running leaner than the band | The fitted i185
    """: lambda o: only_e5(o).gauge("big_172", 13.1, 13.3),
    """long climbs with air cooling
    Of two that pull alike the richer, and the lean edge moves with the heat.
    plan: big_185, nothing
    gates: big_172: lean | big_185: open
    says: its lean edge is 0.88, not 0.90
    never: not written down, so assumed
    """: lambda o: only_e5(o).gauge("big_185", 12.4, 12.5).key("use", riding="climbs"),
    """long climbs with an oil cooler
    An oil cooler cools the oil, hardly the head.
    plan: big_185, nothing
    gates: big_172: lean | big_185: open
    says: its lean edge is 0.88, not 0.90
    """: lambda o: (
        only_e5(o).gauge("big_185", 12.4, 12.5).key("use", riding="climbs", cooling="oil cooler")
    ),
    """the same two in town
    Both are in the band and nothing gets hot: the stronger one.
    plan: big_172, nothing
    gates: big_172 big_185: open
    """: lambda o: only_e5(o).gauge("big_185", 12.4, 12.5).key("use", riding="town"),
    """nothing said of how it is ridden
    It may be climbs in the heat: said, not taken, or what its maker delivered would be shut.
    plan: big_172, buy: i178
    gates: big_164: lean | big_172 stock: open
    says: minutes of full load, as on long climbs or a motorway, ask for lambda 0.88 or richer on
      an air-cooled engine: big 172 has a 33 % chance of being leaner than that. Keep full throttle
      short (riding under [use] is not written down).
    """: lambda o: o.without_table("use"),
    """four rows, as people ride first: stock near the lean edge, the kit lean, then right
    Nothing is said of the riding, and nothing knocked: the kit on its larger injector.
    plan: big_172, ride again
    gates: stock big_172: open | big_150: lean
    says: stock again | Keep full throttle short
    never: nothing from this outing | list another
    """: lambda o: (
        o.without_table("use")
        .quiet()
        .only_setups("stock", "big_150", "big_172")
        .once("stock", "big_172")
        .gauge("stock", 12.9, 13.1)
        .gauge("big_150", 14.2, 14.4)
        .gauge("big_172", 12.7, 12.9)
    ),
    """all injectors far too rich
    That much fuel washes the bore: none is ridden, and the flow to look for is named.
    plan: none, list injectors: none
    gates: stock big_150 big_185: rich
    says: that much fuel washes the oil off the bore | Look for about 129 cc/min
    never: buy | stays on the engine | lean end
    """: lambda o: follow_flow(o, 10.6).key("gauge", lowest="7.0"),
    """all injectors too lean
    Nothing is ridden lean because nothing else is at hand.
    plan: none, list injectors: none, engine big
    gates: stock big_150 big_164 big_172 big_172_e10 big_185: lean
    says: none of the injectors listed may be fitted | Look for about 203 cc/min
    never: buy | smaller | Mixture:
    """: lambda o: follow_flow(o, 17.0),
    """every reading at the rich end of the gauge
    What knocks beyond the rich end does not knock because it is lean.
    plan: none, find knock, missing range
    gates: stock: rich | big_150: knock | big_185: knock unexplained
    says: every reading stood at the gauge's rich end
    never: (no gauge) | no listed injector passes
    """: lambda o: each(o, ALL, "gauge", 10.0, 10.0),
    """every reading at the lean end of the gauge
    Leaner than the gauge can say is lean enough to stop.
    plan: none, ride again, missing range
    gates: stock: lean | big_150: knock | big_172 big_185: knock implied
    says: stock: every reading stood at the gauge's lean end | on the rich side first
    never: (no gauge) | more pull
    """: lambda o: each(o, ALL, "gauge", 20.0, 20.0),
    """an engine that revs out of its injectors
    The pulse has to fit into the cycle.
    plan: stock, list injectors, engine big
    gates: big_172 big_185: flow
    says: chance of running out of time at the highest engine speed | No flow fits the band
    never: strip it | buy
    """: lambda o: o.key("engines.big", highest_speed="14000 rpm").without_table("injectors.i205"),
    # Half of it missing
    """no gauge
    What pulls is known; of the mixture nothing, and nothing is said.
    plan: big_172, ride again, missing gauge
    says: more pull than stock | the mixture is not known, and not judged
    says: nobody knows the mixture of big 172: keep full throttle short until it is read
    never: (no gauge) | no listed injector passes
    """: lambda o: o.without_columns("gauge").quiet(),
    """a gauge whose scale nobody knows
    12.8 of what?
    plan: big_172, ride again, missing gauge
    never: (no gauge)
    """: lambda o: o.key("gauge", scale=None).quiet(),
    """no speeds
    The mixture is right, and whoever fitted a cylinder leaves it on; the pull is not known.
    plan: big_172, ride again, engine big, open, missing speeds
    says: write down the speeds at both lines | nothing is known of its pull
    never: more pull | at your marker | pulled harder | in pull | not settled
    """: lambda o: only_e5(o).without_columns("speed"),
    """speeds, but none of the reference
    There is nothing to compare with, and that is what is missing.
    plan: big_172, ride again, missing speeds
    says: the reference stock has no run with speeds | ride the reference stock with speeds
    never: more pull | it has no run with speeds
    """: lambda o: only_e5(o).cells("stock", **{"entry_speed [km/h]": "", "exit_speed [km/h]": ""}),
    """neither gauge nor speeds
    Nothing was measured; nothing is said.
    plan: none, ride again, missing gauge speeds
    says: no run that counts was read or timed
    never: (no gauge) | more pull | ruled out | this is decided | On e5
    """: lambda o: o.without_columns("gauge|speed").quiet(),
    """nobody listened
    Silence that nobody listened to is not silence.
    plan: big_172, buy: i178, missing knock
    gates: big_150: lean
    says: nobody wrote down whether it knocked
    never: no knock was heard
    """: lambda o: o.without_columns("knock"),
    """somebody listened and heard nothing
    None heard is not none.
    plan: big_172, buy: i178
    says: no knock was heard on 4 runs of big 172 on which somebody listened. That is no proof
    """: lambda o: o.quiet(),
    # Gain
    """nothing told apart although the cylinder grew
    A bigger engine that pulls no harder has a fault; the test is no reason to take it off.
    plan: big_172, find power, engine big, open
    says: That is no reason to strip it | valve timing | no difference in pull from stock
    never: not settled | this is decided
    """: lambda o: each(each(only_e5(o), BIG, "faster", -6), BIG[1:4], "faster", -2.5),
    """the bigger engine is slower
    Shown to pull less: that is a fault, and until it is found the old engine is ridden.
    plan: stock, find power, engine big
    says: pulled less: something is wrong with it
    never: no reason to strip it | not settled | this is decided
    """: lambda o: each(only_e5(o), BIG, "faster", -14),
    """+4 km/h and 14 % (1 to 30 %) on one run each
    Likely a gain, not a proof, whatever p says: nobody has seen how far runs scatter here.
    plan: big_172, ride again, leaning
    says: Likely, not settled
    says: more pull than stock | if runs scatter as they usually do | too few were repeated to tell
    says: ride big 172 and stock again, about 2 more runs of each
    never: this is decided | strip it | no difference in pull | more runs of this setup
    """: lambda o: one_run_each(o, 66),
    """a small gain with stock in the morning and the kit in the afternoon
    A wind that dies makes as much of nothing.
    plan: big_172, ride again, leaning
    says: so the time of day may be part of the difference | about 2 more runs of each, taking turns
    never: this is decided
    """: lambda o: in_blocks(o, 64),
    """a large gain with stock in the morning and the kit in the afternoon
    No wind that anybody rides in makes a fifth.
    plan: big_172, nothing, decided
    says: this is decided
    """: lambda o: in_blocks(o, 72),
    """the same with another pipe instead of another cylinder
    Leaning is not "keep stock", though the cylinder is the same size.
    plan: big_172, ride again, leaning
    says: Likely, not settled
    never: this is decided
    """: lambda o: one_run_each(o, 66, bore="60.0 mm", compression=9.4),
    """as fast as stock to the last digit
    Nothing to find there, and no reason to take the cylinder off again.
    plan: big_172, ride again, open
    says: no number of runs worth riding would settle it
    never: more runs of each | this is decided
    """: lambda o: (
        one_run_each(o, 62, bore="60.0 mm", compression=9.4)
        .speeds("stock", (48, 62))
        .cells("big_172", rider="tove")
    ),
    """a bigger cylinder, too lean, that is likely stronger
    Not the cylinder is wrong but what feeds it.
    plan: stock, buy: i185, engine big
    gates: big_172: lean
    says: big 172 may pull harder, but must not be ridden as it is | for the engine 'big'
    never: this is decided | strip it | nothing else was shown
    """: lambda o: one_run_each(o, 66).gauge("big_172", 13.5, 13.6),
    """the reference is kept, and the injector is for another engine
    Two engines on one page: it says which is meant.
    plan: stock, buy: i178, engine big
    gates: big_164: lean | big_150: knock
    says: buy injector i178 for 34 EUR for the engine 'big', not the one to ride now
    says: pulled harder, but must not be ridden as they are
    never: stays on the engine | strip it
    """: lambda o: only_e5(
        o.only_setups("stock", "big_150", "big_164").key("injectors.i178", tolerance="2 %")
    ),
    """nothing of the reference may be ridden
    That stock is out does not settle a gain over it; the big engine is of lower compression.
    plan: big_172, find knock, engine stock, leaning
    says: Likely, not settled. | find what made stock knock
    never: this is decided | more runs of
    """: lambda o: one_run_each(o, 66, compression=9.0).knock("stock", "light"),
    """only one setup
    One setup is no test.
    plan: stock, nothing
    says: only one setup was ridden, so there is nothing to compare it with
    never: this is decided | pull harder
    """: lambda o: only_e5(o.only_setups("stock")),
    """every run excluded
    Nothing counts, so nothing is ruled out either.
    plan: none, ride again
    says: no run that counts was read or timed
    never: ruled out | this is decided | no listed injector passes | chance of
    """: lambda o: o.quiet().excluded(),
    """every run excluded, and one knocked
    The knock stays.
    plan: none, find knock
    gates: big_150: knock
    says: light knock was heard on run 5
    never: this is decided | no listed injector passes
    """: lambda o: o.excluded(),
    # What to fit and to buy
    """a candidate that is in the drawer
    Nobody buys what he has.
    plan: big_172, fit: i178
    says: fit injector i178, which you have
    never: buy
    """: lambda o: o.key("injectors.i178", owned="yes"),
    """one to buy, and one at hand that is as good
    One point of odds is not worth 34 EUR.
    plan: big_172, fit: i177
    says: fit injector i177, which you have
    never: buy
    """: lambda o: o.key("injectors.i177", flow="177 cc/min", flow_pressure="3 bar", owned="yes"),
    """no candidates
    Between 172 and 185 there is nothing to choose from yet.
    plan: big_172, change fuel: i172
    says: keep to e5 with i172 | or list another injector in session.toml
    says: Look for about 175 cc/min: a 70 % chance
    never: buy | fit injector
    """: lambda o: o.without_table("injectors.i178").without_table("injectors.i205"),
    """the same parts twice, under two names
    With another filter it ran lean; without, it is right, and no part is fitted that is on.
    plan: big_172, nothing
    gates: again: lean | big_172: open
    """: lambda o: (
        only_e5(o)
        .setup("again", "big_172", parts="foam filter")
        .ridden("again", "big_172")
        .gauge("again", 13.4, 13.6)
    ),
    # Heat
    """every head far above the limit
    85 °C more on every run: stop, and find out why.
    plan: none, find heat
    gates: stock big_172 big_185: heat
    says: the head reached 283 °C, above your limit of 250 °C | ran hot
    never: buy | fit injector | On e10 | list smaller | this is decided
    """: lambda o: o.hotter(85).key("bike", highest_head_temperature="250 degC"),
    """only the richest ran hot
    What is hot when it is rich is not cooled by going leaner.
    plan: stock, find heat, engine big
    gates: big_185 big_172: heat | stock: open
    says: big 172: not known to run cooler than big 185, with which the head reached 260 °C
    never: buy | fit injector | strip it
    """: lambda o: o.head("big_185", 260).key("bike", highest_head_temperature="250 degC"),
    """the right mixture ran hot, the rich one did not
    The richer one cools it; no leaner one is tried.
    plan: big_185, nothing
    gates: big_172: heat | big_164: lean | big_185: open
    never: i172 on
    """: lambda o: (
        only_e5(o)
        .head("big_172", 260)
        .key("bike", highest_head_temperature="250 degC")
        .gauge("big_185", 12.2, 12.3)
    ),
    # The other session: a free-flowing filter, in US units
    """stock near the lean edge, and everything else is leaner
    What its maker delivered is put back before a bike stands still: the edge is a wish.
    plan: stock, buy: i205
    gates: stock: open | big_150: knock | big_185: knock implied
    says: 41 % of being leaner) | i150 has a 41 % chance of running leaner
    """: lambda o: each(only_e5(o).gauge("stock", 13.1, 13.3), BIG, "gauge", 14.3, 14.5),
    """a kit as near the lean edge as stock is
    The same reading on a larger cylinder is what the rider chose, and may choose better.
    plan: stock, buy: i178
    gates: stock: open | big_164: lean
    """: lambda o: (
        only_e5(o)
        .only_setups("stock", "big_164")
        .gauge("stock", 13.1, 13.3)
        .gauge("big_164", 13.1, 13.3)
    ),
    """lean after the free-flowing filter
    It pulls harder and runs lean: a few per cent more fuel, and then ride it.
    plan: paper_filter, buy: larger, engine free_filter
    demo: there_and_back
    gates: free_filter: lean
    says: free filter pulled harder, but must not be ridden as it is
    says: buy injector larger for $41 for the engine 'free filter' | Try it with an eye on the gauge
    never: stays on the engine | strip it
    """: lambda o: o,
    """lean after the filter, and long climbs
    Nothing listed is sure enough for that.
    plan: paper_filter, buy: larger, engine free_filter
    demo: there_and_back
    says: Try it with an eye on the gauge: stop beyond 0.89
    """: lambda o: o.key("use", riding="climbs"),
    """only E10 will be burnt, and nobody heard anything on E5
    Quiet runs on premium say nothing of regular.
    plan: big_185, buy: i178
    says: Watch: big 185 was not ridden on e10 yet: listen for knock
    never: nobody wrote down whether | no knock was heard on
    """: lambda o: o.key("use", fuels=["e10"]).quiet(),
    """every idle reads rich, with all injectors
    Nothing shows that the ECU corrects there, so nothing shows that it ran out of trim.
    plan: big_172, buy: i178
    never: already idles at
    """: lambda o: rich_off_throttle(o, "idle", "cruise"),
    # What an engine builder did not sign
    """a kit of higher compression on the maker's lowest octane, counted from the kit itself
    The maker's number belongs to the engine as it was made, whichever is the reference.
    plan: stock, change fuel, engine big
    gates: big_164 big_172 big_185: octane | stock: open
    says: the higher compression of the engine 'big' for more: not enough
    never: buy | Ride now: big
    """: lambda o: (
        o.key("session", reference="big_164")
        .key("engines.big", compression_ratio=10.9)
        .key("bike", lowest_octane="87 AKI")
        .key("fuels.e5", octane="87 AKI")
        .key("fuels.e10", octane="87 AKI")
    ),
    """the same, with the compression that the maker's number is for
    If the number is for the kit's own compression, the kit asks for no more.
    plan: big_172, buy: i178
    gates: big_172 big_185: open
    never: not enough
    """: lambda o: o.key("engines.big", compression_ratio=10.9).key(
        "bike", lowest_octane="95 RON", octane_compression=10.9
    ),
    """compression of the kit not known
    What is not known goes into Watch, never into silence.
    plan: big_172, buy: i178
    says: Watch: the compression of the engine 'big' is not known
    """: lambda o: o.key("engines.big", compression_ratio=None),
    """octane of what is burnt not known
    The same.
    plan: big_172, buy: i178
    says: the octane number of e10 is not known, so it is not checked against what the engine
    """: lambda o: o.key("fuels.e10", octane=None),
    """heavy knock on regular, twice, near the lean edge
    After heavy knock nothing is bought for that octane; what has more, and is richer, stays.
    plan: big_172, nothing
    gates: big_172_e10: knock | big_172 big_185: open
    says: no e10 in the engine 'big': heavy knock was heard
    never: buy injector | On e10: injector | in the band on e10
    """: lambda o: o.knock("big_172_e10", "heavy", 14).knock("big_172_e10", "heavy", 16),
    """every reading exactly 10.0, and nobody stated the gauge's end
    A flat line is the end of the gauge: richer than that, and nothing more is known.
    plan: none, ride again, missing range
    gates: stock big_164 big_172 big_185: rich
    says: every reading stood at the gauge's rich end | fit an injector with less flow
    never: (no gauge) | may run lean | runs lean | lean end | i205 | Look for | cc/min
    """: lambda o: each(o.key("gauge", lowest=None).quiet(), ALL, "gauge", "10.0", "10.0"),
    """one setup so rich that it washes the bore
    However it pulls: the oil is washed off the bore.
    plan: big_172, nothing
    gates: big_185: rich | big_172: open
    says: big 185: lambda 0.65, richer than 0.75: that much fuel washes the oil off the bore
    never: big 185 (may run lean | big 185 (runs lean | big 185 may run lean | likely leaner
    """: lambda o: (
        only_e5(o).gauge("big_185", 9.5, 9.7).faster("big_185", 4).key("gauge", lowest="7.0")
    ),
    """a target leaner than usual
    It is obeyed, with a caution.
    plan: big_172, buy: i178
    says: Watch: the target band reaches lambda 0.92; leaner than 0.90 at full throttle
    """: lambda o: o.key("target", highest=0.92).gauge("big_172_e10", 13.4, 13.6),
    """20 of 500 km run in
    The first line says that full throttle waits.
    plan: big_172, buy: i178
    says: Full throttle waits: the engine 'big' has done 20 km of the 500 km that its parts ask
    """: lambda o: o.key("engines.big", running_in="500 km", since_opened="20 km"),
    """a note against the column
    Pinking is knock, whatever the column says, until somebody says what it was.
    plan: stock, find knock, engine big
    gates: big_185: knock
    says: big 185: knock was noted on run 19
    never: no knock was heard
    """: lambda o: o.full("big_185")[-1].update(note="pinking near the top, backed off"),
    """read on a hot day, with an ECU that does not correct for the air
    A mixture is a mixture of some air.
    plan: big_172, buy: i178
    says: leaner than the band below 14 °C | as the ECU does not correct for air temperature
    """: lambda o: o.key("bike", density_compensation="no"),
    """heads too hot on long climbs, for who climbs
    What was not measured is not known to be cooler; what is clearly richer may be.
    plan: big_185, nothing
    gates: big_172: heat | big_185: open
    says: big 172: the head reached
    """: lambda o: (
        only_e5(o)
        .quiet()
        .key("use", riding="climbs")
        .gauge("big_185", 12.4, 12.5)
        .gauge("big_172", 12.5, 12.7)
        .head("big_172", 236)
    ),
    """idle that already reads rich with the largest injector
    The ECU cannot trim that far: nothing larger than what idles rich already.
    plan: big_172, change fuel: i172
    says: keep to e5 with i172
    never: buy injector i178 | i205 is
    """: lambda o: rich_off_throttle(o, "idle", setup="big_172"),
    """pull first
    Who wants pull rides the stronger one, though it is richer than the band.
    plan: big_185, nothing
    gates: big_185 big_172: open
    says: wanted = "pull first"
    """: lambda o: only_e5(o).faster("big_185", 5).key("use", wanted="pull first"),
    """the same, balanced, with little between them
    Half a per cent of pull is not worth four hundredths of lambda beyond the band.
    plan: big_172, nothing
    gates: big_185 big_172: open
    """: lambda o: only_e5(o).faster("big_185", 2.6),
    # Gauges at their end
    """one setup at the gauge's rich end
    It is richer than the gauge can say, and that is all that is known of it.
    plan: big_172, buy: i178
    gates: big_185: rich | big_172: open
    says: big 185: every reading stood at the gauge's rich end
    never: big 185 (may run lean | big 185 (runs lean | big 185 may run lean
    """: lambda o: o.gauge("big_185", "10.0", "10.0"),
    """one setup at the gauge's lean end, and quiet
    Quiet or not, leaner than the gauge can say is no mixture to ride.
    plan: big_172, buy: i178
    gates: big_150: lean
    says: big 150: every reading stood at the gauge's lean end
    """: lambda o: o.quiet().gauge("big_150", "20.0", "20.0"),
    """a gauge that ends at 12.5, and the richest stands on it
    Somewhere beyond 0.85 is not known to be rideable.
    plan: big_172, nothing, decided
    gates: big_185: rich
    """: lambda o: only_e5(o).key("gauge", lowest=12.5).gauge("big_185", 12.5, 12.5),
    """two of three readings at the end
    The third one was read, and says where it is.
    plan: big_172, buy: i178
    gates: big_185: open
    never: every reading stood
    """: lambda o: wrote(o, (17, 18), gauge_low="10.0", gauge_high="10.0"),
    """a lambda gauge at its rich end on every run, in US units
    No flow and no lean mixture is known of a flat line.
    plan: none, ride again, missing range
    demo: there_and_back
    gates: paper_filter free_filter: rich
    never: may run lean | runs lean | lb/h | Look for
    """: lambda o: each(o, ("paper_filter", "free_filter"), "gauge", "0.68", "0.68"),
    """only the factory's setup at the rich end
    What was read of the others stands.
    plan: big_172, buy: i178
    gates: stock: rich | big_172: open
    says: stock (far too rich)
    """: lambda o: o.gauge("stock", "10.0", "10.0"),
    """a saturated gauge, and no speeds
    Two halves are missing, and neither is guessed.
    plan: none, ride again, missing range speeds
    never: more pull | may run lean | runs lean | Look for
    """: lambda o: each(o.quiet().without_columns("speed"), ALL, "gauge", "10.0", "10.0"),
    # Notes beside the column
    """a note in French on a lean setup
    Cliquetis is knock; the column says none.
    plan: big_172, change fuel: i172, fuels e5
    gates: big_164: knock | big_172_e10: knock implied
    says: knock was noted on run 9
    """: lambda o: noted(o, "big_164", "léger cliquetis en haut"),
    """a note in Italian on regular
    It was not lean: no more of that fuel.
    plan: big_172, nothing
    gates: big_172_e10: knock
    says: no e10 in the engine 'big': knock was noted on run 16
    """: lambda o: noted(o, "big_172_e10", "batte in testa in cima"),
    """a note in Spanish on premium
    The right mixture on the best fuel: something else is wrong.
    plan: stock, find knock
    gates: big_172: knock | big_185: knock unexplained
    never: buy | fit injector
    """: lambda o: noted(o, "big_172", "picado de bielas al final"),
    """a note in Dutch on the factory's setup
    The kit has more compression: no leaner than what is clearly richer.
    plan: big_185, find knock, engine stock
    gates: stock: knock | big_172: knock implied
    """: lambda o: noted(o, "stock", "pingelt boven"),
    """a note in Swedish on the richest
    Nothing richer was ridden: not the mixture.
    plan: stock, find knock, engine big
    gates: big_185: knock | big_172: knock unexplained
    """: lambda o: noted(o, "big_185", "svag spikning"),
    """a note in German that says there was none
    No is no in every language.
    plan: big_172, buy: i178
    gates: big_185: open
    """: lambda o: noted(o, "big_185", "kein Klingeln, sauber"),
    """a note in English that says there was none
    The same.
    plan: big_172, buy: i178
    gates: big_172: open
    """: lambda o: noted(o, "big_172", "no knock or pinking heard"),
    """a note in French that says there was none
    The same.
    plan: big_172, buy: i178
    gates: big_172: open
    """: lambda o: noted(o, "big_172", "pas de cliquetis"),
    """a note that says first no, then yes
    The second half counts.
    plan: stock, find knock, engine big
    gates: big_185: knock
    """: lambda o: noted(o, "big_185", "did not knock at first. Pinged near the top"),
    """a note of noises that are no knock
    A chain rattles; nobody takes an engine apart for it.
    plan: big_172, buy: i178
    gates: big_172: open
    """: lambda o: noted(o, "big_172", "chain rattles, valves noisy"),
    """a note of knock on a run that was left out
    A piston hears it all the same.
    plan: stock, find knock
    gates: big_185: knock
    """: lambda o: noted(o, "big_185", "pinging hard").cells("big_185", exclude="backed off"),
    """a note of knock where the table has no such column
    Who noted it has listened.
    plan: stock, find knock, engine big
    gates: big_185: knock
    says: knock was noted on run 19
    never: nobody wrote down whether
    """: lambda o: noted(o.without_columns("knock"), "big_185", "it pinged"),
    # Heat
    """a head just below the usual limit
    229 is not 231.
    plan: big_172, buy: i178
    gates: big_172: open
    never: too hot
    """: lambda o: o.head("big_172", 229),
    """a head just above the usual limit, and a richer setup that is not
    What is clearly richer may run cooler; what was hot waits.
    plan: big_185, nothing
    gates: big_172: heat | big_185: open
    says: the head reached 236 °C, above the usual limit of 230 °C
    never: buy | fit injector
    """: lambda o: only_e5(o).gauge("big_185", 12.4, 12.5).head("big_172", 236),
    """hot after the filter, in US units
    It runs lean and hot: not that, and the usual limit is said.
    plan: paper_filter, list injectors: none
    demo: there_and_back
    gates: free_filter: lean
    says: the head reached 460 °F | measure the flow of an injector that was ridden
    never: buy | Look for about
    """: lambda o: o.cells("free_filter", **{"head_temperature [degF]": "460"}),
    """only the factory's engine ran hot
    The kit was read, too, and did not.
    plan: big_172, buy: i178
    gates: stock: heat | big_172: open
    says: stock: the head reached 250 °C
    """: lambda o: o.head("stock", 250),
    """a liquid-cooled engine
    Its coolant is no head, and moving air does not cool it.
    plan: big_172, buy: i178
    never: air-cooled | moving air | its lean edge is
    """: lambda o: o.key("use", cooling="liquid", riding="climbs"),
    """a liquid-cooled engine on the motorway, with temperatures
    The same.
    plan: big_172, buy: i178
    gates: big_172: open
    never: air-cooled | moving air | its lean edge is
    """: lambda o: o.key("use", cooling="liquid", riding="motorway").head("big_172", 105),
    """a head limit that the rider states higher
    He knows where he measures.
    plan: big_172, buy: i178
    gates: big_172: open
    never: ran hot | too hot
    """: lambda o: o.head("big_172", 260).key("bike", highest_head_temperature="300 degC"),
    """a lean setup that ran hot
    Not known to be richer than what was hot: i178 on e10 is not bought.
    plan: big_172, change fuel: i172, fuels e5
    gates: big_164: lean | big_172: open
    never: buy injector i178
    """: lambda o: o.head("big_164", 250),
    """no gauge, and a head above the limit
    By flow, 185 is not clearly richer than 172.
    plan: stock, find heat, missing gauge
    gates: big_172 big_185: heat
    never: (no gauge)
    """: lambda o: (
        o.without_columns("gauge")
        .quiet()
        .head("big_172", 260)
        .key("bike", highest_head_temperature="250 degC")
    ),
    # Running in
    """run in, and past it
    600 of 500 km is enough.
    plan: big_172, buy: i178
    never: Full throttle waits
    """: lambda o: o.key("engines.big", running_in="500 km", since_opened="600 km"),
    """the factory's engine opened, too
    Whichever engine it is, the first line says so.
    plan: big_172, buy: i178
    says: Full throttle waits: the engine 'stock' has done 20 km of the 500 km
    """: lambda o: o.key("engines.stock", running_in="500 km", since_opened="20 km"),
    """running in, and heavy knock on the richest
    It waits, and then its cause comes first.
    plan: stock, find knock, engine big
    says: Full throttle waits: the engine 'big' | find what made big 185 knock
    """: lambda o: o.key("engines.big", running_in="500 km", since_opened="20 km").knock(
        "big_185", "heavy"
    ),
    """running in, in miles
    The reader's unit.
    plan: paper_filter, buy: larger
    demo: there_and_back
    says: has done 10 miles of the 300 miles
    never: km
    """: lambda o: o.key("engines.free_filter", running_in="300 mi", since_opened="10 mi"),
    """running in, without a gauge
    It waits, and nothing of mixture is said.
    plan: big_172, ride again, missing gauge
    says: Full throttle waits
    never: (no gauge)
    """: lambda o: o.key("engines.big", running_in="500 km", since_opened="20 km").without_columns(
        "gauge"
    ),
    # Several fuels
    """regular knocked, and only premium will be burnt
    Premium stays; what regular did is still said.
    plan: big_172, nothing, decided
    gates: big_172_e10: knock | big_172: open
    says: no e10 in the engine 'big'
    never: buy injector | with e10 in the tank
    """: lambda o: only_e5(o).knock("big_172_e10", "light"),
    """e85 in the list of fuels to burnt, which the maker does not allow
    It is not in the advice, whatever its octane number.
    plan: big_172, buy: i178, fuels e10 e5
    never: On e85 | for e85 | on e85
    """: lambda o: o.key("fuels.e85", ethanol="85 %", octane="104 RON").key(
        "use", fuels=["e5", "e10", "e85"]
    ),
    """heavy knock on premium, and a regular of higher octane
    98 is out; on 102 only what is clearly richer, and that is far too rich: the cause first.
    plan: stock, find knock, engine big
    gates: big_172: knock | big_185 big_172_e10: knock implied
    says: nothing is to be ridden or bought for e5 (98 RON) or less
    never: buy | fit injector | nearest is
    """: lambda o: o.key("fuels.e10", octane="102 RON").knock("big_172", "heavy"),
    """light knock on the fuel of the highest octane
    Neither mixture nor octane explains it.
    plan: stock, find knock
    gates: big_172_e10: knock | big_172 big_185: knock unexplained
    """: lambda o: o.key("fuels.e10", octane="102 RON").knock("big_172_e10", "light"),
    """only regular will be burnt, and it knocked heavily
    Nothing is left on it for the kit; that premium was quiet there does not settle it.
    plan: stock, find knock, engine big
    gates: big_172_e10: knock
    says: nothing is to be ridden or bought for e10 (95 RON) or less
    never: this is decided | buy | fit injector
    """: lambda o: o.key("use", fuels=["e10"]).knock("big_172_e10", "heavy"),
    """ethanol of regular not written down
    Its usual content is taken, with what it may be off by; the gauge was there.
    plan: big_172, buy: i178
    gates: big_172_e10: lean
    """: lambda o: o.key("fuels.e10", ethanol=None),
    """race fuel of which neither ethanol nor oxygen is known
    Lambda was read on it and stands.
    plan: big_172, nothing, decided
    gates: big_172: open
    never: 5 % ethanol
    """: lambda o: only_e5(o).key("fuels.e5", ethanol=None, octane="104 RON"),
    # References other than the factory's
    """the reference is a kit that runs lean
    It names what gains are counted from, and opens no gate.
    plan: big_172, buy: i178
    gates: big_164: lean
    says: no difference in pull from big 164 was shown
    never: pull than stock
    """: lambda o: o.key("session", reference="big_164"),
    """the reference is a kit on regular
    The same.
    plan: big_172, buy: i178
    gates: big_172_e10: lean
    """: lambda o: o.key("session", reference="big_172_e10"),
    """the reference is the richest
    Against it 172 gains likely 4 %: leaning, though against stock it is settled.
    plan: big_172, buy: i178, leaning
    says: more pull than big 185 | about 3 more runs of this setup and of big 185 would most likely
    """: lambda o: o.key("session", reference="big_185"),
    """the reference knocked
    It stays shut.
    plan: big_172, buy: i178, leaning
    gates: big_150: knock
    says: Likely, not settled. | Mixture
    """: lambda o: o.key("session", reference="big_150"),
    """the reference knocked, and has no speeds
    Nobody is sent out on what knocked to time it.
    plan: big_172, ride again
    gates: big_150: knock
    says: name another reference under [session]: big 150 has no run with speeds and must not
    never: ride the reference
    """: lambda o: (
        only_e5(o)
        .key("session", reference="big_150")
        .cells("big_150", **{"entry_speed [km/h]": "", "exit_speed [km/h]": ""})
    ),
    """the reference is the free-flowing filter, which runs lean
    What ran richer with the same injector was there before: it is no maker's mixture.
    plan: paper_filter, buy: larger, engine free_filter
    demo: there_and_back
    gates: free_filter: lean | paper_filter: open
    says: less pull than free filter
    never: this is decided
    """: lambda o: o.key("session", reference="free_filter"),
    # Targets
    """a lean target: 0.86 to 0.93
    Obeyed and cautioned; what it allows besides pulls no harder, so nobody goes there.
    plan: big_172, nothing
    gates: big_164 big_172: open
    says: the target band reaches lambda 0.93; leaner than 0.90 at full throttle
    """: lambda o: only_e5(o).key("target", lowest=0.86, highest=0.93),
    """a lean target, and long climbs
    Its edge moves, and the caution names what was typed.
    plan: big_172, nothing
    says: its lean edge is 0.92, not 0.94 | reaches lambda 0.94
    """: lambda o: only_e5(o).key("target", lowest=0.86, highest=0.94).key("use", riding="climbs"),
    """a band so narrow that nothing is known to be in it
    What rides rich stays on, and the rider is told how to know more.
    plan: big_185, list injectors: i178
    gates: big_172: lean | big_185: open
    says: and stay with what runs rich until then
    never: find what made | before the engine 'big' is ridden | Look for about
    """: lambda o: only_e5(o).key("target", lowest=0.86, highest=0.88),
    """a rich target
    Then the rich one is right.
    plan: big_185, nothing, decided
    gates: stock big_172: lean | big_185: open
    says: inside the target band 0.77 to 0.82
    """: lambda o: only_e5(o).key("target", lowest=0.77, highest=0.82),
    # The rich floor
    """lambda 0.73
    Just beyond where fuel washes the bore.
    plan: big_172, nothing
    gates: big_185: rich
    says: lambda 0.73, richer than 0.75
    """: lambda o: only_e5(o).gauge("big_185", 10.7, 10.9),
    """lambda 0.73, and the session states 0.70
    The rider may know better; it is still not the best.
    plan: big_172, nothing
    gates: big_185: open
    never: washes
    """: lambda o: only_e5(o).gauge("big_185", 10.7, 10.9).key("assumptions", richest_lambda=0.70),
    """the kit washes its bore with every injector alike
    What does not follow the injector is not mended by one.
    plan: stock, ride again, missing open loop
    gates: big_150 big_185: rich
    says: the ECU (engine control unit) trims the mixture
    never: buy | fit injector
    """: lambda o: each(o.quiet(), BIG, "gauge", 10.3, 10.5),
    # Open time and idle
    """an engine that just runs out of its injectors
    A chance of one in five of running out of time: under the gauge, and below that speed.
    plan: big_185, buy: i178, fuels e5
    gates: big_172: flow | big_185: open
    says: a 22 % chance of running out of time at the highest engine speed
    says: stay below that speed
    """: lambda o: o.key("engines.big", highest_speed="11500 rpm"),
    """the largest idles rich
    Nothing larger; what is smaller may be bought.
    plan: big_172, buy: i178
    gates: big_185: open
    never: buy injector i205
    """: lambda o: rich_off_throttle(o, "idle", setup="big_185"),
    # No gauge
    """no gauge, and heavy knock
    No flow makes up for heavy knock on the best fuel there is.
    plan: stock, find knock, missing gauge
    gates: big_164: knock | big_172 big_185: knock implied
    says: Look at the mixture, octane
    never: (no gauge)
    """: lambda o: o.without_columns("gauge").knock("big_164", "heavy"),
    """neither gauge nor anybody who listened
    The pull alone is known, and what is not is said twice.
    plan: big_172, ride again, missing gauge knock
    says: nobody wrote down whether it knocked | nobody knows the mixture of big 172
    never: (no gauge) | no knock was heard
    """: lambda o: o.without_columns("gauge|knock"),
    # One run each
    """one run each
    172 has a 12 % chance of being lean with one reading: the rich one until 178 was tried.
    plan: big_185, buy: i178, leaning
    gates: big_172: lean | big_185: open
    says: too few were repeated to tell | Likely, not settled
    never: this is decided
    """: lambda o: o.once().quiet(),
    """one run each, without a gauge
    Leaning by one run.
    plan: big_172_e10, ride again, leaning, missing gauge
    never: (no gauge) | this is decided
    """: lambda o: o.once().without_columns("gauge").quiet(),
    """one run each, and regular knocked
    Premium, and the trial is for it alone.
    plan: big_185, buy: i178, fuels e5
    gates: big_172_e10: knock | big_172: knock implied
    says: no e10 in the engine 'big'
    never: on e10 (leaner
    """: lambda o: o.once().knock("big_172_e10", "light"),
    """one run each after the filter, in US units
    A trial under the gauge, with its reading in lambda.
    plan: paper_filter, buy: larger
    demo: there_and_back
    says: stop beyond 0.91
    never: Look for
    """: lambda o: o.once(),
    # Digits
    """69 written as 96
    One bad row moves neither the gain nor the speed that is quoted.
    plan: big_172, buy: i178, decided
    says: +8.9 km/h at your marker, 16 % (12 to 20 %) more pull
    """: lambda o: wrote(o, (12,), **{"exit_speed [km/h]": "96"}),
    """48 written as 84 at the first line
    The same at the other end.
    plan: big_172, buy: i178, decided
    """: lambda o: wrote(o, (12,), **{"entry_speed [km/h]": "84"}),
    """69 written as 96, and no repeat
    Its gain is not believed: it is ridden for its mixture, and ridden again.
    plan: big_172, ride again, open
    says: its speeds do not fit the other runs, so its pull is not judged
    says: the speeds of big 172 do not fit the other runs
    never: more pull | this is decided | strip it
    """: lambda o: one_run_each(o, 96),
    """12.7 written as 15.7 on one run of four
    Three others say where it is.
    plan: big_172, buy: i178
    gates: big_172: open
    """: lambda o: wrote(o, (12,), gauge_low="15.7", gauge_high="15.9"),
    """12.7 written as 11.7 at one end
    The same.
    plan: big_172, buy: i178
    gates: big_172: open
    """: lambda o: wrote(o, (12,), gauge_low="11.7"),
    # Compression
    """the factory's engine knocked, and nobody knows the kit's compression
    Kits raise it: not known is not lower.
    plan: big_185, find knock, engine stock
    gates: stock: knock | big_172 big_164: knock implied
    says: Watch: the compression of the engine 'big' is not known
    """: lambda o: o.key("engines.big", compression_ratio=None).knock("stock", "light"),
    """the kit knocked, and nobody knows its compression
    What its maker delivered is not shut by a kit.
    plan: stock, find knock, engine big
    gates: stock: open | big_172: knock unexplained
    """: lambda o: o.key("engines.big", compression_ratio=None).knock("big_185", "heavy"),
    """the maker's need, and the kit's compression not known
    Watched, not guessed.
    plan: big_172, buy: i178
    says: the compression of the engine 'big' is not known
    never: not enough
    """: lambda o: o.key("engines.big", compression_ratio=None).key("bike", lowest_octane="95 RON"),
    # Injectors, units, air
    """two injectors of equal flow that read differently
    One of them does not flow what it states: said, and not ridden.
    plan: big_172, buy: i178
    gates: twin: lean | big_172: open
    says: Injector twin: reads as if it flowed 157 cc/min
    """: lambda o: (
        o.key("injectors.twin", flow="172 cc/min", flow_pressure="3 bar")
        .setup("twin", "big_172", injector="twin")
        .ridden("twin", "big_172")
        .gauge("twin", 13.8, 14.0)
    ),
    """the same day read in lambda
    The stop is in the gauge's own unit.
    plan: big_172, buy: i178
    says: stop beyond 0.90
    never: stop beyond 13 | on this gauge
    """: lambda o: in_lambda(o),
    """the same day in US units, on an air-fuel gauge
    Speeds turn, readings do not.
    plan: big_172, buy: i178
    says: +5.3 mph at your marker | stop beyond 13.2
    never: km/h | °C
    """: lambda o: o.key("session", units="us"),
    """no gearing
    It has no say in what is ridden.
    plan: paper_filter, buy: larger
    demo: there_and_back
    """: lambda o: o.without_table("gearing"),
    """at 2400 m
    Both engines breathe the same thin air.
    plan: big_172, buy: i178, decided
    says: 15 % (12 to 19 %) more pull than stock
    """: lambda o: o.key("hill", altitude="2400 m").key("weather", pressure="755 hPa"),
    """at 2400 m, and the ECU does not correct for the air
    For which air it was read is said.
    plan: big_172, buy: i178
    says: leaner than the band below 16 °C | as the ECU does not correct for air temperature
    """: lambda o: (
        o.key("hill", altitude="2400 m")
        .key("weather", pressure="755 hPa")
        .key("bike", density_compensation="no")
    ),
    """two gauges disagree by 3 %, and the session says so
    With a gauge like that 172 is not sure enough.
    plan: big_185, buy: i178
    gates: big_172: lean | big_185: open
    """: lambda o: o.only(lambda row: row["state"] == "full").key("gauge", accuracy="0 +/- 5 %"),
    """the mixture lies between one far too lean and one far too rich
    What those two pulled says nothing of the engine: the one between, from the rich side.
    plan: stock, buy: i172, engine big
    gates: big_150: knock | big_185: rich
    says: Try it with an eye on the gauge
    never: strip it | list another | find out first
    """: lambda o: (
        only_e5(o.only_setups("stock", "big_150", "big_185"))
        .gauge("big_185", 10.6, 10.8)
        .faster("big_150", -8)
        .faster("big_185", -8)
    ),
    """far too rich, and a smaller one at hand that is as likely too lean as not
    Too likely lean to be fitted as stated; a beaker tells for nothing whether it will do.
    plan: big_185, measure flow: i164, fuels e5
    says: with its flow as stated, ± 7 %, there is a | Measured to ± 2 % | If it does not fit, look
    says: a fluid that does not burn easily, as sprayed petrol catches fire
    never: buy | list another injector | Try it
    """: lambda o: o.rich_with_one_at_hand("164"),
    """far too rich, and the smaller one at hand was measured
    What the bench could tell is known.
    plan: big_185, list injectors: i185
    says: Look for about
    never: measure the flow of injector i164
    """: lambda o: o.rich_with_one_at_hand("164").key("injectors.i164", tolerance="1.5 %"),
    """far too rich, and the smaller one at hand is far too small
    No flow that it may have makes it fit.
    plan: big_185, list injectors: i185
    never: measure the flow of injector
    """: lambda o: o.rich_with_one_at_hand("150"),
    """right on premium, and hardly lean on regular
    Kept on premium; regular only with an eye on the gauge.
    plan: big_172, change fuel: i172, fuels e5
    says: If you try e10, do so with an eye on the gauge: stop beyond 13.2
    never: buy | no injector listed passes; with i172: 9
    """: lambda o: (
        o.only_setups("stock", "big_150", "big_164", "big_172", "big_185")
        .without_table("injectors.i178")
        .without_table("injectors.i205")
    ),
}


def parts_of(text) -> dict:
    """A text of the table, taken apart: its name, why, and lists of the rest."""
    name, *lines = (line.strip() for line in text.strip().splitlines())
    why, *rest = re.split(r"(?m)^(plan|gates|says|never|demo): ", "\n".join(lines))
    found = {"name": name, "why": why} | {key: [] for key in ("gates", "says", "never")}
    for key, value in zip(rest[::2], rest[1::2], strict=True):
        found.setdefault(key, []).extend(" ".join(value.split()).split(" | "))
    return found


CASES = {parts_of(text)["name"]: (parts_of(text), change) for text, change in SITUATIONS.items()}
# These alone notice a line of the gates; of the rest one of six now, others with the slow tests.
NOW = (
    "nobody listened",
    "stock near the lean edge, and everything else is leaner",
    "a kit as near the lean edge as stock is",
)


def said_of(step, plan) -> set:
    """All that the first line of a situation may say of a plan."""
    return {
        step.code,
        f"{step.code}: {step.injector or 'none'}",
        f"engine {step.engine}",
        f"fuels {' '.join(step.fuels) or 'none'}",
        f"missing {' '.join(plan.missing)}",
        plan.strength,
    }


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=pytest.mark.slow if at % 6 and name not in NOW else ())
        for at, name in enumerate(CASES)
    ],
)
def test_the_plan_is_what_a_careful_builder_would_give(name, demo_folder, tmp_path):
    case, change = CASES[name]
    demo = case.get("demo", ["bigger_cylinder"])[0]
    outing = Outing(demo_folder.parent / demo, tmp_path / "outing")
    change(outing)
    results = outing.results()
    plan, text = results.plan, page(results)
    ride, *wanted = case["plan"][0].split(", ")
    assert (plan.ride.setup if plan.ride else "none") == ride, case["why"]
    assert set(wanted) <= said_of(plan.next, plan), case["why"]
    shut = {one.setup: one.gate.code for one in plan.shut}
    for setups, code in (one.split(": ") for one in case["gates"]):
        assert {shut.get(setup, "open") for setup in setups.split()} == {code}, case["why"]
    for words in case["says"]:
        assert words in text, text
    for words in case["never"]:
        for word in NO_GAUGE if words == "(no gauge)" else (words,):
            assert word not in text, text
    assert contradictions(results) == []


def test_there_are_many_situations_and_each_says_why():
    assert len(CASES) == len(SITUATIONS) >= 150
    assert all(case["why"] and len(case["plan"]) == 1 for case, _ in CASES.values())


def test_a_fuel_that_is_only_listed_changes_no_word(demo_folder, tmp_path):
    def pages(name, **keys):
        outing = Outing(demo_folder, tmp_path / name)
        outing.without_table("injectors.i178").without_table("injectors.i205")
        return page(outing.key("fuels.e85", **keys).results() if keys else outing.results())

    assert pages("with", ethanol="85 %", octane="104 RON") == pages("without")
