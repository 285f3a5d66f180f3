"""Decisions by hand: a few combinations and gains, and what follows from them."""

from dataclasses import replace

import pytest

from tuninglib.analysis.combinations import Combination, Gate, harm_of
from tuninglib.analysis.decide import LIKELY, SAME_HARM, Evidence, leans, make_plan
from tuninglib.analysis.records import FuelLimit
from tuninglib.interval import Interval
from tuninglib.session.defaults import Band
from tuninglib.statistics.gain import LEANING, Gain
from tuninglib.statistics.ladder_prediction import Odds

LEAN, HEAT, KNOCK = Gate("lean", value=0.4, limit=0.1), Gate("heat", value=510.0), Gate("knock")
NOT_ALLOWED = Gate("octane", fuel_limit=FuelLimit("e10", "octane", 91.0, 95.0, "big"))


def one(setup, injector="i170", fuel="e5", engine="big", harm=0.0, inside=0.99, **values):
    """A combination with its harm and its odds; ridden unless the setup is None."""
    rest = 1 - inside
    facts = {"owned": setup is not None, "lambda_": Interval(0.86, 0.84, 0.88), "harm": harm}
    facts |= {"odds": Odds(rest, inside, 0.0), "source": "read" if setup else "predicted"}
    return Combination(engine=engine, injector=injector, fuel=fuel, setup=setup, **(facts | values))


def gain(setup, ratio, odds=0.999, told=True, over="stock"):
    p = 2 * (1 - odds)
    return Gain(
        setup=setup,
        over=over,
        ratio=Interval(ratio, ratio - 0.05, ratio + 0.05),
        log_sd=0.025,
        dof=10,
        p_value=p,
        p_adjusted=p,
        told_apart=told,
        comparisons=1,
        shares={},
    )


STOCK = one("stock", "i150", engine="stock")


def plan(*combinations, gains=(), apart=(), **values):
    """The plan of a few combinations; gains are those of other setups over stock."""
    found = {"stock": None} | {one.setup: one for one in gains} if gains is not None else {}
    pairs = {frozenset((one.setup, one.over)) for one in gains or () if one.told_apart}
    facts = {
        "combinations": combinations,
        "unexplained": {},
        "gains": found,
        "apart": frozenset(pairs | set(map(frozenset, apart))),
        "reference": "stock",
        "burnt": ("e5",),
        "bigger": frozenset({"big"}),
        "more_runs": dict.fromkeys("abcdefgh", 4),
    }
    return make_plan(Evidence(**(facts | values)))


# What to ride -------------------------------------------------------------------------------


def test_the_strongest_that_stands_is_ridden():
    found = plan(
        STOCK,
        one("a"),
        one("b", "i180"),
        gains=[gain("a", 0.10), gain("b", 0.20)],
        apart=[("a", "b")],
    )
    assert (found.ride.setup, found.strength, found.equals) == ("b", "decided", ())
    assert found.next.code == "nothing"


def test_what_is_shut_is_not_ridden_whatever_it_gained():
    found = plan(STOCK, one("a", gate=LEAN), gains=[gain("a", 0.30)])
    assert found.ride.setup == "stock"
    assert [shut.setup for shut in found.shut] == ["a"]


@pytest.mark.parametrize(
    ("harm_a", "harm_b", "ride"),
    [
        (0.0, 0.0, "b"),
        (0.0, SAME_HARM, "b"),
        (0.0, SAME_HARM + 0.01, "a"),
        (3.0, 0.0, "b"),
        (3.0, 3.0 + SAME_HARM + 0.01, "a"),
    ],
)
def test_among_equals_the_least_harm_and_of_the_same_harm_the_stronger(harm_a, harm_b, ride):
    found = plan(
        STOCK,
        one("a", harm=harm_a),
        one("b", "i180", harm=harm_b),
        gains=[gain("a", 0.10), gain("b", 0.12)],
    )
    assert found.ride.setup == ride
    assert set(found.equals) == {"a", "b"} - {ride}


@pytest.mark.parametrize(("inside", "fits"), [(LIKELY - 0.01, False), (LIKELY, True)])
def test_an_injector_that_fits_goes_before_a_gentler_one_that_is_likely_too_rich(inside, fits):
    """Rich does little harm, but it is no answer where something fits."""
    found = plan(
        STOCK,
        one("a", harm=9.0, inside=0.0),
        one(None, "i180", harm=0.2, inside=LIKELY - 0.05),
        one(None, "i175", harm=1.5, inside=inside),
        gains=[gain("a", 0.2)],
    )
    wanted = ("buy", "i175") if fits else ("list injectors", "i180")
    assert (found.next.code, found.next.injector) == wanted


def test_on_part_of_the_fuels_one_that_fits_goes_before_a_gentler_one_too():
    shut = {"fuel": "e10", "gate": LEAN, "harm": 5.0, "inside": 0.3}
    found = plan(
        STOCK,
        one("a", harm=9.0, inside=0.0, gate=LEAN),
        one(None, "i170", **shut),
        one(None, "i180", harm=0.2, inside=LIKELY - 0.05),
        one(None, "i180", **shut),
        one(None, "i175", harm=1.5, inside=0.8),
        one(None, "i175", **shut),
        gains=[gain("a", 0.2)],
        burnt=("e5", "e10"),
    )
    assert (found.next.code, found.next.injector, found.next.fuels) == ("buy", "i175", ("e5",))


def test_a_weaker_one_is_no_equal_however_gentle():
    found = plan(
        STOCK,
        one("a", harm=0.0),
        one("b", "i180", harm=5.0),
        gains=[gain("a", 0.10), gain("b", 0.20)],
        apart=[("a", "b")],
    )
    assert found.ride.setup == "b"


def test_where_nothing_was_read_the_strongest_equal():
    unread = {"harm": None, "odds": None, "lambda_": None}
    found = plan(
        one("stock", "i150", engine="stock", **unread),
        one("a", **unread),
        one("b", "i180", **unread),
        gains=[gain("a", 0.10), gain("b", 0.12)],
        missing=("gauge",),
    )
    assert found.ride.setup == "b"
    assert (found.next.code, found.next.why, found.next.setups) == (
        "ride again",
        "gauge",
        ("a", "b"),
    )


def test_what_was_read_goes_before_what_was_not():
    found = plan(
        STOCK,
        one("a"),
        one("b", "i180", harm=None, odds=None, lambda_=None),
        gains=[gain("a", 0.10), gain("b", 0.12)],
    )
    assert found.ride.setup == "a"


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
    stock, trial = one("stock", "i150", engine="big"), one("a", harm=0.4)
    found = plan(stock, trial, gains=[gain("a", 0.14, 0.95, told=False)], bigger=frozenset())
    assert (found.ride.setup, found.strength) == ("a", "leaning")
    assert (found.next.code, found.next.why, found.next.runs) == ("ride again", "too close", 4)
    assert set(found.next.setups) == {"stock", "a"}


def test_an_open_question_leaves_the_reference_on():
    stock, trial = one("stock", "i150", engine="big", harm=0.4), one("a")
    found = plan(stock, trial, gains=[gain("a", 0.02, 0.7, told=False)], bigger=frozenset())
    assert (found.ride.setup, found.strength, found.equals) == ("stock", "open", ("a",))


def test_unless_it_does_harm():
    stock, trial = one("stock", "i150", engine="big", harm=0.6), one("a")
    found = plan(stock, trial, gains=[gain("a", 0.02, 0.7, told=False)], bigger=frozenset())
    assert found.ride.setup == "a"


def test_a_bigger_engine_is_not_taken_off_by_an_open_question():
    found = plan(STOCK, one("a", harm=2.0), gains=[gain("a", 0.01, 0.6, told=False)])
    assert (found.ride.setup, found.strength) == ("a", "open")
    assert (found.next.code, found.next.engine) == ("find power", "big")


def test_a_slower_one_is():
    found = plan(STOCK, one("a"), gains=[gain("a", -0.10, 0.0005)])
    assert (found.ride.setup, found.strength) == ("stock", "decided")
    assert (found.next.code, found.next.engine) == ("find power", "big")


def test_an_equal_of_the_strongest_that_is_not_itself_shown_to_gain_is_not_decided():
    found = plan(
        STOCK,
        one("a", harm=0.0),
        one("b", "i180", harm=4.0),
        gains=[gain("a", 0.05, 0.95, told=False), gain("b", 0.10)],
    )
    assert (found.ride.setup, found.strength) == ("a", "leaning")
    assert found.next.code != "find power"


def test_without_a_reference_that_may_be_ridden_leaning_stays_leaning():
    found = plan(replace(STOCK, gate=LEAN), one("a"), gains=[gain("a", 0.14, 0.95, told=False)])
    assert (found.ride.setup, found.strength, found.equals) == ("a", "leaning", ())
    assert found.next.code == "nothing"


def test_without_speeds_the_bigger_engine_of_least_harm_stays_on():
    stays = [one("a", harm=2.0), one("b", "i180", harm=1.0)]
    found = plan(STOCK, *stays, gains=None, missing=("speeds",))
    assert (found.ride.setup, found.strength, found.runs) == ("b", "open", None)
    assert plan(STOCK, gains=None).ride.setup == "stock"


def test_without_speeds_or_readings_the_reference():
    unread = {"harm": None, "odds": None, "lambda_": None}
    stock = one("stock", engine="stock", **unread)
    assert plan(one("a", **unread), stock, gains=None, bigger=frozenset()).ride.setup == "stock"
    assert plan(one("a", **unread), gains=None).ride is None


def test_what_will_be_burnt_goes_before_what_will_not():
    trial = one("b", "i180", fuel="e10")
    both = [gain("a", 0.2), gain("b", 0.1)]
    setups = (STOCK, one("a"), trial)
    assert plan(*setups, gains=both, apart=[("a", "b")]).ride.setup == "a"
    assert plan(*setups, gains=both, apart=[("a", "b")], burnt=("e10",)).ride.setup == "b"
    assert plan(STOCK, one("a"), gains=both[:1], burnt=("e10",)).ride.setup == "a"


# What is next -------------------------------------------------------------------------------

DECIDED = [gain("a", 0.14)]


def candidate(injector="i178", fuel="e5", **values):
    return one(None, injector, fuel, **values)


@pytest.mark.parametrize(("inside", "code"), [(0.90, "nothing"), (0.89, "buy")])
def test_a_candidate_must_be_ten_points_better(inside, code):
    found = plan(STOCK, one("a", harm=1.0, inside=inside), candidate(inside=1.0), gains=DECIDED)
    assert found.next.code == code
    assert found.for_all == ("i178" if code == "buy" else "i170")


def test_what_is_at_hand_is_fitted_and_the_other_is_bought():
    for owned, code in ((True, "fit"), (False, "buy")):
        found = plan(
            STOCK,
            one("a", harm=3.0, inside=0.5),
            candidate(owned=owned),
            gains=DECIDED,
        )
        assert (found.next.code, found.next.injector) == (code, "i178")


def test_one_at_hand_goes_before_one_to_buy_that_is_little_better():
    def found(inside):
        return plan(
            STOCK,
            one("a", gate=LEAN),
            candidate("i178", harm=0.1, inside=0.95),
            candidate("i180", harm=0.2, inside=inside, owned=True),
            gains=DECIDED,
        ).next

    assert (found(0.86).code, found(0.86).injector) == ("fit", "i180")
    assert (found(0.84).code, found(0.84).injector) == ("buy", "i178")


@pytest.mark.parametrize(("inside", "code"), [(LIKELY, "buy"), (LIKELY - 0.01, "list injectors")])
def test_what_is_unlikely_to_fit_is_no_answer(inside, code):
    found = plan(
        STOCK, one("a", harm=5.0, inside=0.0), candidate(harm=1.0, inside=inside), gains=DECIDED
    )
    assert (found.next.code, found.next.injector) == (code, "i178")


def test_of_those_to_choose_from_the_least_harm():
    found = plan(
        STOCK,
        one("a", harm=5.0, inside=0.1),
        candidate("i178", harm=2.0, inside=0.9),
        candidate("i180", harm=1.0, inside=0.8),
        gains=DECIDED,
    )
    assert found.next.injector == "i180"
    assert found.next.engine == "big"


def test_harm_is_over_all_fuels_and_the_odds_are_the_least():
    fuels = ("e10", "e5")
    found = plan(
        STOCK,
        one("a", harm=5.0, inside=0.1),
        one(None, "i170", "e10", harm=5.0, inside=0.1),
        candidate("i178", "e5", harm=4.0),
        candidate("i178", "e10", harm=0.0),
        candidate("i180", "e5", harm=1.0),
        candidate("i180", "e10", harm=2.0, inside=0.6),
        gains=DECIDED,
        burnt=fuels,
    )
    assert (found.next.injector, found.next.fuels) == ("i180", fuels)
    assert [fuel.best.injector for fuel in found.fuels] == ["i180", "i180"]
    assert [fuel.fitted.injector for fuel in found.fuels] == ["i170", "i170"]


def test_what_was_ridden_and_weighed_is_not_taken_up_again():
    found = plan(
        STOCK,
        one("a", harm=3.0, inside=0.5),
        one("b", "i180", harm=0.0),
        gains=[gain("a", 0.20), gain("b", 0.10)],
        apart=[("a", "b")],
    )
    assert (found.ride.setup, found.next.code) == ("a", "nothing")


def test_on_one_of_two_fuels_what_is_fitted_will_do():
    def found(best):
        return plan(
            STOCK,
            one("a"),
            one(None, "i170", "e10", gate=best),
            candidate("i178", "e5", gate=KNOCK),
            candidate("i178", "e10"),
            gains=DECIDED,
            burnt=("e10", "e5"),
        )

    step = found(LEAN).next
    assert (step.code, step.injector, step.fuels) == ("change fuel", "i170", ("e5",))
    assert found(LEAN).for_all is None
    assert found(None).next.code == "nothing"
    assert [one.best.injector for one in found(LEAN).fuels] == ["i178", "i170"]


@pytest.mark.parametrize(
    ("inside", "other_on_e10", "step"),
    [
        (0.65, LEAN, ("change fuel", "i170", ("e5",))),
        (0.75, LEAN, ("buy", "i178", ("e5",))),
        (0.65, None, ("buy", "i178", ("e5", "e10"))),
    ],
)
def test_a_fuel_is_kept_to_unless_another_injector_is_clearly_better(inside, other_on_e10, step):
    found = plan(
        STOCK,
        one("a", inside=0.6, harm=1.0),
        one(None, "i170", "e10", gate=LEAN),
        one(None, "i170", "e20", gate=LEAN),
        candidate("i178", "e5", inside=inside),
        candidate("i178", "e10", gate=other_on_e10),
        candidate("i178", "e20", gate=LEAN),
        gains=DECIDED,
        burnt=("e5", "e10", "e20"),
    ).next
    assert (found.code, found.injector, found.fuels) == step


def test_a_fuel_is_kept_to_with_what_pulled_harder():
    found = plan(
        STOCK,
        one("a", inside=0.6, harm=1.0),
        one("b", "i178", inside=0.9),
        one(None, "i170", "e10", gate=LEAN),
        one(None, "i178", "e10", gate=LEAN),
        gains=[gain("a", 0.20), gain("b", 0.10)],
        apart=[("a", "b")],
        burnt=("e5", "e10"),
    )
    assert found.ride.setup == "a"
    assert (found.next.code, found.next.injector) == ("change fuel", "i170")


def test_where_nothing_passes_on_every_fuel_the_most():
    found = plan(
        STOCK,
        one("a", gate=LEAN),
        one(None, "i170", "e10", gate=LEAN),
        candidate("i178", "e5", harm=1.0),
        candidate("i178", "e10", gate=LEAN),
        candidate("i180", "e5", harm=0.5),
        candidate("i180", "e10", gate=LEAN),
        gains=DECIDED,
        burnt=("e10", "e5"),
    )
    assert (found.next.code, found.next.injector, found.next.fuels) == ("buy", "i180", ("e5",))


def test_where_nothing_passes_at_all_others_are_listed():
    found = plan(STOCK, one("a", gate=LEAN), candidate(gate=LEAN), gains=DECIDED)
    assert (found.next.code, found.next.injector, found.engine) == ("list injectors", None, "big")
    assert found.fuels[0].best is None


def test_no_injector_is_listed_against_a_fuel_that_is_not_allowed():
    found = plan(
        STOCK,
        one("a", gate=NOT_ALLOWED),
        candidate("i140", gate=KNOCK),
        candidate(gate=NOT_ALLOWED),
        gains=DECIDED,
    )
    assert (found.next.code, found.next.fuels) == ("change fuel", ())


def test_where_no_fuel_may_be_burnt_the_fuel_is_changed():
    shut = replace(STOCK, gate=NOT_ALLOWED)
    assert plan(shut, one("a", gate=NOT_ALLOWED), gains=DECIDED, burnt=()).next.code == (
        "change fuel"
    )


def test_knock_without_a_cause_goes_first():
    loud = one("a", gate=KNOCK)
    found = plan(STOCK, loud, candidate(), gains=DECIDED, unexplained={"big": loud})
    assert (found.next.code, found.next.engine, found.next.setups) == ("find knock", "big", ("a",))
    # What is ridden may stay on; nothing else is fitted.
    assert found.engine == "stock"
    assert found.fuels[0].best is STOCK
    other = one("b", "i190", engine="stock", fuel="e10")
    tempting = candidate(engine="stock")
    waits = plan(loud, other, tempting, gains=None, unexplained={"big": loud}, burnt=("e5", "e10"))
    assert [fuel.best for fuel in waits.fuels] == [None, other]


def test_heat_goes_next_where_nothing_is_left_of_the_engine():
    hot = one("a", gate=HEAT)
    found = plan(STOCK, hot, candidate(), gains=DECIDED)
    assert (found.next.code, found.next.engine, found.next.setups) == ("find heat", "big", ("a",))
    left = plan(STOCK, hot, one("b", "i190"), gains=[*DECIDED, gain("b", 0.1)])
    assert (left.ride.setup, left.next.code) == ("b", "nothing")


def test_a_hot_engine_that_nobody_wants_is_let_be():
    hot = one("stock", "i150", engine="stock", gate=HEAT)
    assert plan(hot, one("a"), gains=DECIDED).next.code == "nothing"
    assert plan(hot, gains=()).next.code == "find heat"
    same = one("pipe", engine="pipe", gate=HEAT)
    weak = [gain("pipe", 0.01, 0.6, told=False)]
    assert plan(STOCK, same, gains=weak, bigger=frozenset()).next.code == "nothing"


@pytest.mark.parametrize("half", ["gauge", "range", "speeds"])
def test_a_missing_half_comes_after_the_mixture_and_before_power(half):
    slow = [gain("a", -0.1, 0.0005)]
    found = plan(STOCK, one("a"), gains=slow, missing=(half,))
    assert (found.next.code, found.next.why, found.next.engine) == ("ride again", half, "stock")
    bought = plan(
        STOCK, one("a", harm=3.0, inside=0.3), candidate(), gains=DECIDED, missing=(half,)
    )
    assert bought.next.code == "buy"


def test_the_engine_that_pulled_and_is_shut_is_the_one_to_feed():
    found = plan(STOCK, one("a", gate=LEAN), candidate(), gains=DECIDED)
    assert (found.ride.setup, found.engine, found.next.code) == ("stock", "big", "buy")
    assert found.fuels[0].fitted is None
    leaning = plan(
        STOCK,
        one("a", engine="pipe", gate=LEAN),
        candidate(engine="pipe"),
        gains=[gain("a", 0.1, 0.95, told=False)],
    )
    assert leaning.engine == "pipe"
    weak = plan(
        STOCK,
        one("a", engine="pipe", gate=LEAN),
        candidate(engine="pipe"),
        gains=[gain("a", 0.1, 0.6, told=False)],
    )
    assert weak.engine == "stock"


def test_of_two_such_engines_the_stronger():
    setups = [one("a", gate=LEAN), one("b", engine="huge", gate=LEAN)]
    bigger = frozenset({"big", "huge"})
    for ratios, engine in (((0.1, 0.2), "huge"), ((0.2, 0.1), "big"), ((0.1, 0.1), "big")):
        gains = [gain(name, ratio) for name, ratio in zip("ab", ratios, strict=True)]
        assert plan(STOCK, *setups, gains=gains, bigger=bigger).engine == engine


@pytest.mark.parametrize("gate", [HEAT, None])
def test_an_engine_that_fuel_cannot_mend_or_that_is_just_slow_is_not_fed(gate):
    gains = [gain("a", -0.1, 0.0005)] if gate is None else DECIDED
    assert plan(STOCK, one("a", gate=gate), candidate(), gains=gains).engine == "stock"


def test_runs_are_those_of_the_likeliest_gain():
    stock = one("stock", "i150", engine="big")
    gains = [gain("a", 0.01, 0.6, told=False), gain("b", 0.05, 0.8, told=False)]
    found = plan(
        stock,
        one("a"),
        one("b", "i180"),
        gains=gains,
        bigger=frozenset(),
        more_runs={"a": 3, "b": 7},
    )
    assert (found.ride.setup, found.runs, found.next.runs) == ("stock", 7, 7)


def test_harm_counts_the_lean_half_under_sustained_load():
    band, middle = Band(0.83, 0.91, 0.91), Interval(0.89, 0.89, 0.89)
    assert harm_of(middle, band, sustained=False) == 0
    assert harm_of(middle, band, sustained=True) == pytest.approx(4 * 2.0)
    assert harm_of(Interval(0.80, 0.80, 0.80), band, sustained=True) == pytest.approx(3.0)
