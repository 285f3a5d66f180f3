"""Decisions by hand: a few combinations and gains, and what follows from them."""

from dataclasses import replace

import pytest

from tuninglib.analysis.decide import Evidence, leans, make_plan
from tuninglib.analysis.records import Combination, FuelLimit, Gate, Knock
from tuninglib.analysis.worth import WEIGHTS, gains_of
from tuninglib.interval import Interval
from tuninglib.physics.fuels import Octane
from tuninglib.session.defaults import Band
from tuninglib.statistics.gain import LEANING, Gain
from tuninglib.statistics.ladder_prediction import Odds

LEAN, HEAT, KNOCK = Gate("lean", value=0.4, limit=0.1), Gate("heat", value=510.0), Gate("knock")
NOT_ALLOWED = Gate("octane", fuel_limit=FuelLimit("e10", "octane", 91.0, 95.0, "big"))
SIZES = {"stock": 150.0, "big": 171.0, "huge": 190.0, "pipe": 150.0}
R95, R98 = Octane(95.0, "RON"), Octane(98.0, "RON")


def one(setup, injector="i170", fuel="e5", engine="big", harm=0.0, inside=0.99, **values):
    """A combination with its harm and its odds; ridden unless the setup is None."""
    facts = {"owned": setup is not None, "lambda_": Interval(0.86, 0.84, 0.88), "harm": harm}
    facts |= {"odds": Odds(1 - inside, inside, 0.0), "source": "read" if setup else "predicted"}
    facts |= {"own_sd": 0.01, "flow_m3_s": 170.0, "may_be_tried": values.get("gate") is None}
    return Combination(engine=engine, injector=injector, fuel=fuel, setup=setup, **(facts | values))


def gain(setup, ratio, odds=0.999, told=True, over="stock", log_sd=0.01):
    p = 2 * (1 - odds)
    facts = {"log_sd": log_sd, "dof": 10, "p_value": p, "p_adjusted": p, "told_apart": told}
    interval = Interval(ratio, ratio - 0.05, ratio + 0.05)
    return Gain(setup=setup, over=over, ratio=interval, comparisons=1, shares={}, **facts)


UNREAD = {"harm": None, "odds": None, "lambda_": None, "source": "unknown"}
STOCK, PIPE = one("stock", "i150", engine="stock"), one("p", engine="pipe")


def exact(**ratios):
    """Gains that leave nothing open."""
    return [gain(setup, ratio, log_sd=1e-6) for setup, ratio in ratios.items()]


def plan(*combinations, **values):
    return make_plan(evidence(*combinations, **values))


def evidence(*combinations, gains=(), apart=(), **values):
    """That of a few combinations; gains are those of other setups over stock."""
    found = {"stock": None} | {one.setup: one for one in gains} if gains is not None else {}
    engine_of = {"stock": "stock"} | {c.setup: c.engine for c in combinations if c.setup}
    pairs = {frozenset((one.setup, one.over)) for one in gains or () if one.told_apart}
    facts = {
        "combinations": combinations,
        "unexplained": {},
        "gains": found,
        "pulls": gains_of(engine_of, SIZES, found, (), "stock"),
        "apart": frozenset(pairs | set(map(frozenset, apart))),
        "reference": "stock",
        "burnt": ("e5",),
        "bigger": frozenset({"big"}),
        "size": {name: volume / SIZES["stock"] for name, volume in SIZES.items()},
        "more_runs": dict.fromkeys("abcdefgh", 4),
        "band": Band(0.83, 0.90, 0.90),
        "weights": WEIGHTS["balanced"],
    }
    return Evidence(**(facts | values))


def step_of(*combinations, **values):
    found = plan(*combinations, **values).next
    return found.code, found.injector, found.fuels


# What to ride -------------------------------------------------------------------------------


def test_the_strongest_that_stands_is_ridden():
    both = [gain("a", 0.10), gain("b", 0.20)]
    found = plan(STOCK, one("a"), one("b", "i180"), gains=both, apart=[("a", "b")])
    assert (found.ride.setup, found.strength, found.equals) == ("b", "decided", ())
    assert found.next.code == "nothing"


def test_what_is_shut_is_not_ridden_whatever_it_gained():
    found = plan(STOCK, one("a", gate=LEAN), gains=[gain("a", 0.30)])
    assert found.ride.setup == "stock"
    assert [shut.setup for shut in found.shut] == ["a"]


def test_worth_is_expected_gain_less_harm():
    both = [gain("a", 0.12, log_sd=1e-4), gain("b", 0.14, log_sd=1e-4)]
    for harm, ride in ((1.9, "b"), (2.5, "a")):
        found = plan(STOCK, one("a"), one("b", "i180", harm=harm), gains=both)
        assert found.ride.setup == ride
    assert (found.ride.gain, found.ride.worth) == pytest.approx((12.0, 12.0), abs=0.02)


def test_of_the_same_worth_the_larger_injector_and_the_reference_where_little_is_to_gain():
    alike = [gain("a", 0.12, log_sd=1e-4), gain("b", 0.12, log_sd=1e-4)]
    large = one("b", "i180", harm=0.18, flow_m3_s=180.0)
    assert plan(STOCK, one("a"), large, gains=alike).ride.setup == "b"
    large = replace(large, harm=0.22)
    assert plan(STOCK, one("a"), large, gains=alike).ride.setup == "a"
    pipe = one("a", engine="pipe", flow_m3_s=190.0)
    for more, ride in ((-0.1, "stock"), (0.1, "a")):
        ratio = (0.5 + more) / 100
        assert plan(STOCK, pipe, gains=[gain("a", ratio, log_sd=1e-5)]).ride.setup == ride


def test_what_was_not_read_counts_for_less_where_others_were():
    both = [gain("a", 0.10, log_sd=1e-4), gain("b", 0.105, log_sd=1e-4)]
    found = plan(STOCK, one("a"), one("b", "i180", **UNREAD), gains=both)
    assert found.ride.setup == "a"
    silent = one("stock", "i150", engine="stock", **UNREAD), one("a", **UNREAD)
    nothing = plan(*silent, one("b", "i180", **UNREAD), gains=both, missing=("gauge",))
    step = nothing.next
    assert nothing.ride.setup == "b"
    assert (step.code, step.why, set(step.setups)) == ("ride again", "gauge", {"a", "b"})


def test_what_the_rest_speaks_against_is_no_reason_to_ride_it():
    wild = replace(gain("b", 0.59), doubted=True)
    found = plan(STOCK, one("a"), one("b", "i180"), gains=[gain("a", 0.10), wild])
    assert (found.ride.setup, found.equals) == ("a", ())


@pytest.mark.parametrize(("ratio", "ride"), [(0.59, "b"), (-0.30, "stock")])
def test_what_pulled_too_hard_is_ridden_for_its_size_and_again(ratio, ride):
    """What pulled far too little is left alone: that may be a fault."""
    wild = replace(gain("b", ratio), doubted=True)
    found = plan(STOCK, one("b", "i180"), gains=[wild])
    assert (found.ride.setup, found.equals) == (ride, ())
    if ride == "b":
        step = found.next
        assert (step.code, step.why, step.setups) == ("ride again", "doubted", ("b", "stock"))
        assert step.runs == 2


@pytest.mark.parametrize(
    ("odds", "strength"), [(LEANING, "leaning"), (LEANING + 0.05, "leaning"), (0.89, "open")]
)
def test_leaning_from_nine_in_ten(odds, strength):
    found = plan(STOCK, one("a"), gains=[gain("a", 0.14, odds, told=False)])
    assert (found.ride.setup, found.strength, found.runs) == ("a", strength, 4)


@pytest.mark.parametrize(
    ("ratio", "odds", "yes"), [(0.1, 0.95, True), (0.1, 0.8, False), (-0.1, 0.99, False)]
)
def test_leaning_is_on_a_gain(ratio, odds, yes):
    assert leans(gain("a", ratio, odds, told=False)) is yes
    assert not leans(None)


def test_leaning_is_not_given_up_for_the_reference():
    stock, trial = one("stock", "i150", engine="pipe"), one("a", engine="pipe", harm=0.4)
    found = plan(stock, trial, gains=[gain("a", 0.14, 0.95, told=False)], bigger=frozenset())
    assert (found.ride.setup, found.strength) == ("a", "leaning")
    assert (found.next.code, found.next.why, found.next.runs) == ("ride again", "too close", 4)
    assert set(found.next.setups) == {"stock", "a"}


def test_a_bigger_engine_is_not_taken_off_by_an_open_question():
    found = plan(STOCK, one("a"), gains=[gain("a", 0.01, 0.6, told=False)])
    assert (found.ride.setup, found.strength) == ("a", "open")
    assert (found.next.code, found.next.engine) == ("find power", "big")


@pytest.mark.parametrize(("high", "step"), [(0.13, "find power"), (0.15, "ride again")])
def test_power_is_looked_for_only_where_the_runs_leave_no_room_for_it(high, step):
    """171 over 150 promise 14 %."""
    few = replace(gain("a", 0.01, 0.6, told=False), ratio=Interval(0.01, -0.10, high))
    assert plan(STOCK, one("a"), gains=[few]).next.code == step


@pytest.mark.parametrize(("others", "step"), [((), "find power"), (("b",), "nothing")])
def test_one_setup_that_pulls_as_it_should_clears_its_engine(others, step):
    gains = [gain("p", 0.30), gain("a", -0.10, 0.0005), gain("b", 0.14)]
    setups = [one("p", engine="pipe"), one("a"), *(one(name, "i180") for name in others)]
    assert plan(STOCK, *setups, gains=gains).next.code == step


@pytest.mark.parametrize(("ratio", "step"), [(0.30, "ride again"), (-0.30, "find power")])
def test_what_pulled_too_hard_to_be_believed_does_not_lack_power(ratio, step):
    """Though so uncertain that nothing can be relied on; what pulled far too little may."""
    wild = replace(gain("a", ratio, 0.6, told=False), doubted=True)
    assert plan(STOCK, one("a"), gains=[wild]).next.code == step


def test_what_nobody_read_counts_a_per_cent_where_something_was():
    """What its maker delivered does not, nor anything where no gauge was read."""
    unread = one("stock", engine="stock", **UNREAD), one("a", **UNREAD)
    for others, harms in (((one("b", harm=0.3),), [0.0, 1.0, 0.3]), ((), [0.0, 0.0])):
        found = evidence(*unread, *others)
        assert [found.harm(each) for each in found.combinations] == harms


# On the fuel that was ridden: one that knocked and was lean, and one that washes the bore.
TOO_LEAN = {"gate": Gate("lean"), "lambda_": Interval(0.99, 0.97, 1.01), "odds": Odds(0, 0, 1.0)}
TOO_RICH = {"gate": Gate("rich"), "lambda_": Interval(0.70, 0.68, 0.72), "odds": Odds(1.0, 0, 0)}


@pytest.mark.parametrize("pulls", [-0.05, 0.05])
def test_what_lies_between_too_lean_and_too_rich_is_tried_whatever_those_two_pulled(pulls):
    ends = one("a", "i150", **TOO_LEAN), one("b", "i200", **TOO_RICH)
    between = one(None, "i175", inside=0.7, harm=0.5)
    # It is likelier to fit, and likelier to be lean.
    leaner = one(None, "i170", inside=0.75, harm=0.9, lambda_=Interval(0.885, 0.84, 0.93))
    step = step_of(STOCK, *ends, between, leaner, gains=[gain("a", pulls), gain("b", pulls - 0.01)])
    assert step == ("buy", "i175", ("e5",))


def test_a_mixture_that_costs_no_power_does_not_excuse_its_want():
    """Shut, but in the flat of the power: what it pulled is what the engine pulls."""
    near = {"gate": Gate("lean"), "odds": Odds(0, 0.7, 0.3)}
    trials = one("a", "i150", **near), one(None, "i175", inside=0.7)
    assert step_of(STOCK, *trials, gains=[gain("a", -0.05)])[0] == "find power"


def test_what_hardly_fits_is_not_named_before_what_likely_does():
    """Though at 34 EUR each the rich one risks least."""
    likely = one(None, "i175", inside=0.6, harm=1.5, lambda_=Interval(0.865, 0.80, 0.93))
    unlikely = one(None, "i190", inside=0.15, harm=1.0, lambda_=Interval(0.81, 0.77, 0.85))
    strong = [gain("a", 0.14)]
    step = step_of(STOCK, one("a", "i150", **TOO_LEAN), likely, unlikely, gains=strong)
    assert step == ("buy", "i175", ("e5",))
    only = step_of(STOCK, one("a", "i150", **TOO_LEAN), unlikely, gains=strong)
    assert only[0] == "list injectors"


def test_a_slower_one_is():
    found = plan(STOCK, one("a"), gains=[gain("a", -0.10, 0.0005)])
    assert (found.ride.setup, found.strength) == ("stock", "decided")
    assert (found.next.code, found.next.engine) == ("find power", "big")


def test_without_speeds_the_bigger_engine_of_least_harm_stays_on():
    stays = [one("a", harm=2.0), one("b", "i180", harm=1.0)]
    found = plan(STOCK, *stays, gains=None, missing=("speeds",))
    assert (found.ride.setup, found.strength, found.runs) == ("b", "open", None)
    assert plan(STOCK, gains=None).ride.setup == "stock"


def test_without_speeds_or_readings_the_reference():
    stock = one("stock", engine="stock", **UNREAD)
    assert plan(one("a", **UNREAD), stock, gains=None, bigger=frozenset()).ride.setup == "stock"
    assert plan(one("a", **UNREAD), gains=None).ride is None


def test_what_will_be_burnt_goes_before_what_will_not():
    trial, both = one("b", "i180", fuel="e10"), [gain("a", 0.2), gain("b", 0.1)]
    setups, apart = (STOCK, one("a"), trial), [("a", "b")]
    assert plan(*setups, gains=both, apart=apart).ride.setup == "a"
    assert plan(*setups, gains=both, apart=apart, burnt=("e10",)).ride.setup == "b"


def test_what_was_ridden_on_another_fuel_stands_for_the_fuel_that_will_be_burnt():
    calculated = one(None, "i170", "e10", harm=0.1)
    found = plan(STOCK, one("a"), calculated, gains=[gain("a", 0.2)], burnt=("e10",))
    assert (found.ride.setup, found.ride.fuel, found.ride.source) == ("a", "e10", "predicted")
    shut = plan(STOCK, one("a"), replace(calculated, gate=LEAN), gains=[gain("a", 0.2)],
                burnt=("e10",))  # fmt: skip
    assert shut.ride is None


def test_a_fuel_that_knocked_is_no_longer_one_to_decide_by():
    loud = one("b", fuel="e10", gate=KNOCK, knocks=(Knock("b", 3.0, "light"),), octane=R95)
    setups = (STOCK, one("a", octane=R98), loud)
    found = plan(*setups, gains=[gain("a", 0.2)], burnt=("e10", "e5"))
    assert ([one.fuel for one in found.fuels], found.next.code) == (["e5"], "nothing")
    assert [(one.fuel, one.heard.setup) for one in found.knocked_fuels] == [("e10", "b")]
    # Where it was lean, or nothing of more octane stands, that says nothing of the fuel.
    lean = replace(loud, odds=Odds(0.0, 0.3, 0.7))
    assert plan(STOCK, setups[1], lean, gains=[gain("a", 0.2)], burnt=("e10", "e5")).fuels[1:]
    same = (STOCK, one("a", octane=R95), loud)
    assert not plan(*same, gains=[gain("a", 0.2)], burnt=("e10", "e5")).knocked_fuels


# What is next -------------------------------------------------------------------------------

DECIDED = [gain("a", 0.14)]
FAR = {"harm": 2.0, "inside": 0.1, "lambda_": Interval(0.78, 0.77, 0.79)}


def candidate(injector="i178", fuel="e5", **values):
    return one(None, injector, fuel, **values)


def test_what_gains_too_little_is_not_bought():
    assert step_of(STOCK, one("a"), candidate(), gains=DECIDED)[0] == "nothing"
    assert step_of(STOCK, one("a", **FAR), candidate(), gains=DECIDED)[:2] == ("buy", "i178")


def test_what_is_at_hand_is_fitted_and_goes_before_what_is_bought():
    for owned, code in ((True, "fit"), (False, "buy")):
        found = step_of(STOCK, one("a", **FAR), candidate(owned=owned), gains=DECIDED)
        assert found[:2] == (code, "i178")
    both = [candidate("i178"), candidate("i180", owned=True)]
    assert step_of(STOCK, one("a", **FAR), *both, gains=DECIDED)[:2] == ("fit", "i180")


def test_price_breaks_ties_and_nothing_else():
    both, prices = [candidate("i178"), candidate("i180")], {"i178": 40.0, "i180": 30.0}
    found = step_of(STOCK, one("a", **FAR), *both, gains=DECIDED, prices=prices)
    assert found[1] == "i180"
    lean = candidate("i180", lambda_=Interval(0.94, 0.90, 0.98), harm=8.0)
    found = step_of(STOCK, one("a", **FAR), both[0], lean, gains=DECIDED, prices=prices)
    assert found[1] == "i178"


@pytest.mark.parametrize(("inside", "code"), [(0.20, "buy"), (0.19, "list injectors")])
def test_what_is_unlikely_to_fit_is_no_answer(inside, code):
    found = step_of(STOCK, one("a", **FAR), candidate(inside=inside), gains=DECIDED)
    assert found[:2] == (code, "i178")


def test_a_first_purchase_is_a_trial_and_never_of_what_may_not_be_tried():
    trial = candidate(gate=LEAN, may_be_tried=True)
    assert step_of(STOCK, one("a", **FAR), trial, gains=DECIDED)[:2] == ("buy", "i178")
    shut = candidate(gate=LEAN)
    found = step_of(STOCK, one("a", **FAR), shut, gains=DECIDED)
    assert found[:2] == ("list injectors", "i170")


AT_HAND = {"owned": True, "gate": LEAN, "lambda_": Interval(0.90, 0.82, 0.98)}


@pytest.mark.parametrize(
    ("code", "values", "flow_sds"),
    [
        ("measure flow", AT_HAND, {"i178": 0.036}),
        ("list injectors", AT_HAND, {}),
        # A bench would show nothing that is not known, or cannot be told from what it is.
        ("list injectors", AT_HAND, {"i178": 0.01}),
        ("list injectors", AT_HAND | {"lambda_": Interval(1.0, 0.92, 1.08)}, {"i178": 0.036}),
        # Nor does it open what a flow cannot, nor what somebody else has.
        ("list injectors", AT_HAND | {"gate": KNOCK}, {"i178": 0.036}),
        ("list injectors", AT_HAND | {"owned": False}, {"i178": 0.036}),
        ("fit", AT_HAND | {"may_be_tried": True}, {"i178": 0.036}),
    ],
)
def test_what_is_at_hand_and_too_likely_lean_is_measured_first(code, values, flow_sds):
    rich = one("a", harm=3.0, inside=0.01, lambda_=Interval(0.73, 0.72, 0.74))
    found = step_of(STOCK, rich, candidate(**values), gains=DECIDED, flow_sds=flow_sds)
    assert found == (code, "i170" if code == "list injectors" else "i178", ("e5",))


def test_of_two_at_hand_the_one_that_promises_more_is_measured_first():
    """The other one is likelier lean."""
    rich = one("a", harm=3.0, inside=0.01, lambda_=Interval(0.73, 0.72, 0.74))
    far = candidate("i177", **(AT_HAND | {"lambda_": Interval(0.92, 0.84, 1.00)}))
    sds = {"i177": 0.036, "i178": 0.036}
    step = step_of(STOCK, rich, far, candidate(**AT_HAND), gains=DECIDED, flow_sds=sds)
    assert step[:2] == ("measure flow", "i178")


def test_one_for_all_fuels_goes_before_one_for_some():
    """Though it is a little rich: what must not be burnt with an injector counts 3 % a fuel."""
    fuels, today = ("e10", "e5"), (one("a", **FAR), one(None, "i170", "e10", **FAR))
    half = candidate("i178", "e5"), candidate("i178", "e10", gate=KNOCK)
    rich = {"lambda_": Interval(0.80, 0.79, 0.81), "harm": 0.9}
    both = [candidate("i180", fuel, **rich) for fuel in fuels]
    # A fuel of which nothing is known counts against it, too.
    for some in (half, half[:1]):
        found = plan(STOCK, *today, *some, *both, gains=DECIDED, burnt=fuels)
        assert (found.next.injector, found.next.fuels, found.for_all) == ("i180", fuels, "i180")
        assert [fuel.best.injector for fuel in found.fuels] == ["i180", "i180"]
        assert [fuel.fitted.injector for fuel in found.fuels] == ["i170", "i170"]


@pytest.mark.parametrize(
    ("there", "step"),
    [({"gate": LEAN}, "fit"), ({"harm": 3.0}, "fit"), (UNREAD, "change fuel"), ({}, "nothing")],
)
def test_what_was_ridden_is_taken_up_for_the_fuel_on_which_what_is_fitted_will_not_do(there, step):
    """It pulls 0.9 % less. What nobody read counts 1 %, what must not be burnt 3 %."""
    terms = {"gains": exact(a=0.15, b=0.14), "burnt": ("e10", "e5"), "apart": [("a", "b")]}
    setups = STOCK, one("a"), one(None, "i170", "e10", **there), one("b", "i180")
    found = plan(*setups, one(None, "i180", "e10"), **terms)
    assert (found.ride.setup, found.next.code) == ("a", step)
    # The other one's own harm counts against it as much.
    assert plan(*setups, one(None, "i180", "e10", harm=2.5), **terms).next.code != "fit"


def test_what_was_ridden_and_weighed_is_not_taken_up_again():
    gains = [gain("a", 0.20), gain("b", 0.10)]
    found = plan(STOCK, one("a", **FAR), one("b", "i180"), gains=gains, apart=[("a", "b")])
    assert (found.ride.setup, found.next.code) == ("a", "list injectors")


def test_on_one_of_two_fuels_what_is_fitted_will_do():
    shut = [candidate("i178", "e5", gate=KNOCK), candidate("i178", "e10", gate=KNOCK)]
    fuels = {"gains": DECIDED, "burnt": ("e10", "e5")}
    found = plan(STOCK, one("a"), one(None, "i170", "e10", gate=LEAN), *shut, **fuels)
    assert (found.next.code, found.next.injector, found.next.fuels, found.for_all) == (
        "change fuel",
        "i170",
        ("e5",),
        None,
    )
    open_ = plan(STOCK, one("a"), one(None, "i170", "e10"), *shut, **fuels)
    assert (open_.next.code, open_.for_all) == ("nothing", "i170")


def test_where_nothing_passes_at_all_others_are_listed():
    found = plan(STOCK, one("a", gate=LEAN), candidate(gate=LEAN), gains=DECIDED)
    assert (found.next.code, found.next.injector, found.engine) == ("list injectors", None, "big")
    assert found.fuels[0].best is None


@pytest.mark.parametrize(("inside", "bought"), [(0.4, True), (0.6, False)])
def test_a_little_gain_is_enough_where_what_is_ridden_is_likelier_outside_the_band(inside, bought):
    """0.35 % is more than what is the same, and less than what is worth the work."""
    today = one("a", harm=0.35, inside=inside, lambda_=Interval(0.8183, 0.8182, 0.8184))
    step = step_of(STOCK, today, candidate(), gains=DECIDED, gauge_sd=1e-6)
    assert (step[:2] == ("buy", "i178")) is bought


def test_no_injector_is_listed_against_a_fuel_that_is_not_allowed():
    listed = candidate("i140", gate=KNOCK), candidate(gate=NOT_ALLOWED)
    found = step_of(STOCK, one("a", gate=NOT_ALLOWED), *listed, gains=DECIDED)
    assert found == ("change fuel", None, ())
    shut = replace(STOCK, gate=NOT_ALLOWED)
    none = step_of(shut, one("a", gate=NOT_ALLOWED), gains=DECIDED, burnt=())
    assert none == ("change fuel", None, ())


def test_knock_without_a_cause_goes_first():
    loud = one("a", gate=KNOCK)
    found = plan(STOCK, loud, candidate(), gains=DECIDED, unexplained={"big": loud})
    assert (found.next.code, found.next.engine, found.next.setups) == ("find knock", "big", ("a",))
    # What is ridden may stay on; nothing else is fitted.
    assert found.engine == "stock"
    assert found.fuels[0].best.setup == "stock"


def test_where_knock_leaves_nothing_its_cause_goes_first():
    implied = Gate("knock implied", knock=Knock("a", 1.0, "heavy"))
    quiet = one("b", knocks=(Knock("b", 1.0, "light"),), gate=Gate("knock", knock=implied.knock))
    loud = replace(quiet, setup="a", knocks=(Knock("a", 2.0, "heavy"),))
    # Nobody heard it with the last, which another one's shuts.
    setups = STOCK, quiet, loud, one("c", "i200", gate=implied)
    # What is only listed counts on fuels that will be burnt and are allowed.
    listed = candidate(gate=implied), candidate(fuel="e10"), candidate("i140", gate=NOT_ALLOWED)
    found = plan(*setups, *listed, gains=[*DECIDED, gain("b", 0.1)])
    assert (found.next.code, found.next.setups) == ("find knock", ("a",))
    assert plan(*setups, candidate(), gains=[*DECIDED, gain("b", 0.1)]).next.code == "buy"


def test_heat_goes_next_where_nothing_is_left_of_the_engine():
    hot = one("a", gate=HEAT)
    found = plan(STOCK, hot, candidate(), gains=DECIDED)
    assert (found.next.code, found.next.engine, found.next.setups) == ("find heat", "big", ("a",))
    left = plan(STOCK, hot, one("b", "i190"), gains=[*DECIDED, gain("b", 0.1)])
    assert (left.ride.setup, left.next.code) == ("b", "nothing")


@pytest.mark.parametrize(("ratio", "code"), [(0.101, "nothing"), (0.105, "find heat")])
def test_a_hot_engine_is_worth_the_search_where_it_pulls_harder_than_the_ride(ratio, code):
    """Heat that only follows from another's is that one's."""
    hot = one("a", gate=HEAT)
    follows = one("b", "i150", gate=replace(HEAT, because=hot))
    step = plan(STOCK, PIPE, follows, hot, gains=exact(p=0.10, a=ratio, b=ratio + 0.01)).next
    assert (step.code, step.setups) == (code, ("a",) if code == "find heat" else ())


def test_a_hot_engine_that_nobody_wants_is_let_be():
    hot = one("stock", "i150", engine="stock", gate=HEAT)
    assert plan(hot, one("a"), gains=DECIDED).next.code == "nothing"
    assert plan(hot, gains=()).next.code == "find heat"


@pytest.mark.parametrize("half", ["gauge", "range", "speeds"])
def test_a_missing_half_comes_after_the_mixture_and_before_power(half):
    slow = [gain("a", -0.1, 0.0005)]
    found = plan(STOCK, one("a"), gains=slow, missing=(half,))
    assert (found.next.code, found.next.why, found.next.engine) == ("ride again", half, "stock")
    bought = plan(STOCK, one("a", **FAR), candidate(), gains=DECIDED, missing=(half,))
    assert bought.next.code == "buy"


@pytest.mark.parametrize("half", ["steady", "open loop"])
def test_what_makes_readings_worthless_comes_before_the_mixture(half):
    found = plan(STOCK, one("a", **FAR), candidate(), gains=DECIDED, missing=(half,))
    assert (found.next.code, found.next.why) == ("ride again", half)


def test_the_engine_that_pulled_and_is_shut_is_the_one_to_feed():
    found = plan(STOCK, one("a", gate=LEAN), candidate(), gains=DECIDED)
    assert (found.ride.setup, found.engine, found.next.code) == ("stock", "big", "buy")
    assert found.fuels[0].fitted is None
    for ratio, engine in ((0.10, "pipe"), (-0.05, "stock")):
        shut = one("a", engine="pipe", gate=LEAN)
        fed = plan(STOCK, shut, candidate(engine="pipe"), gains=[gain("a", ratio)])
        assert fed.engine == engine


LEAN_A, HOT_H = one("a", gate=LEAN), one("h", "i200", gate=HEAT)


@pytest.mark.parametrize(
    ("others", "ratios", "engine"),
    [
        # Less than 0.2 % is the same.
        ([LEAN_A], {"a": 0.101}, "pipe"),
        ([LEAN_A], {"a": 0.105}, "big"),
        # An engine pulls as its strongest setup does.
        ([LEAN_A, one("w", "i200", gate=LEAN)], {"a": 0.15, "w": 0.03}, "big"),
        # What fuel cannot mend is not fed, unless that was on a fuel that will not be burnt.
        ([LEAN_A, HOT_H], {"a": 0.15, "h": 0.15}, "pipe"),
        ([LEAN_A, replace(HOT_H, fuel="e10")], {"a": 0.15, "h": 0.15}, "big"),
        ([replace(HOT_H, fuel="e10")], {"h": 0.15}, "pipe"),
    ],
)
def test_an_engine_that_is_shut_is_fed_where_it_pulls_harder_than_the_ride(others, ratios, engine):
    found = plan(STOCK, PIPE, *others, gains=exact(p=0.10, **ratios))
    assert (found.ride.setup, found.engine) == ("p", engine)


def test_where_nothing_may_be_ridden_the_reference_is_what_it_is_about():
    shut = replace(STOCK, gate=HEAT)
    found = plan(one("a", gate=HEAT), shut, gains=DECIDED)
    assert (found.ride, found.engine, found.strength) == (None, "stock", "open")
    assert found.runs is None
    assert [each.setup for each in found.shut] == ["a", "stock"]
    # Unless another one is shut by what can be mended, and pulls at all harder.
    little = one("p", engine="pipe", gate=LEAN)
    assert plan(shut, little, gains=exact(p=0.007)).engine == "pipe"


def test_of_two_such_engines_the_stronger():
    setups = [one("a", gate=LEAN), one("b", engine="huge", gate=LEAN)]
    bigger = frozenset({"big", "huge"})
    for ratios, engine in (((0.1, 0.2), "huge"), ((0.25, 0.1), "big")):
        gains = [gain(name, ratio) for name, ratio in zip("ab", ratios, strict=True)]
        assert plan(STOCK, *setups, gains=gains, bigger=bigger).engine == engine


@pytest.mark.parametrize("gate", [HEAT, None])
def test_an_engine_that_fuel_cannot_mend_or_that_is_just_slow_is_not_fed(gate):
    gains = [gain("a", -0.1, 0.0005)] if gate is None else DECIDED
    assert plan(STOCK, one("a", gate=gate), candidate(), gains=gains).engine == "stock"


def test_more_runs_where_they_may_show_something_else_to_be_better():
    """Both are clearly stronger than stock; which of the two is better, few runs cannot say."""
    for log_sd, code in ((0.03, "ride again"), (0.004, "nothing")):
        both = [gain("a", 0.140, log_sd=log_sd), gain("b", 0.145, log_sd=log_sd)]
        found = plan(STOCK, one("a"), one("b", "i180"), gains=both)
        assert (found.strength, found.next.code) == ("decided", code)
    both = [gain("a", 0.140, log_sd=0.03), gain("b", 0.145, log_sd=0.03)]
    step = plan(STOCK, one("a"), one("b", "i180"), gains=both).next
    assert (step.why, set(step.setups), step.runs) == ("too close", {"a", "b"}, 2)


@pytest.mark.parametrize(
    ("harms", "code"),
    [((0.0, 0.0), "ride again"), ((0.45, 0.45), "ride again"), ((0.0, 0.45), "nothing")],
)
def test_what_the_other_does_more_harm_speaks_against_more_runs(harms, code):
    """Known so that alike they are just worth it; what harm both do is no matter."""
    both = [gain("a", 0.145, log_sd=0.018), gain("b", 0.145, log_sd=0.018)]
    setups = one("a", harm=harms[0]), one("b", "i180", harm=harms[1])
    found = plan(STOCK, *setups, gains=both)
    assert (found.ride.setup, found.equals, found.next.code) == ("a", ("b",), code)


def test_runs_are_those_of_the_likeliest_gain():
    setups = one("stock", "i150", engine="pipe"), one("a", engine="pipe"), one("b", engine="pipe")
    gains = [gain("a", 0.01, 0.6, told=False), gain("b", 0.05, 0.8, told=False)]
    found = plan(*setups, gains=gains, bigger=frozenset(), more_runs={"a": 3, "b": 7})
    assert (found.runs, found.next.runs) == (7, 7)
