"""Gates one by one: what shuts a combination, in which order, and exactly from where on."""

from dataclasses import replace

import pytest

from tuninglib.analysis.combinations import (
    CLEARLY_MORE_FLOW,
    RICHEST_IDLE,
    USUAL_HOTTEST_K,
    Limits,
    extremes,
    gated,
    leaner_than,
    no_safer,
    richer,
    unexplained,
    weighed_mixture,
    worst_knock,
)
from tuninglib.analysis.injector import HIGHEST_SHARE
from tuninglib.analysis.records import Combination, FuelLimit, Knock, one_each
from tuninglib.analysis.worth import WEIGHTS
from tuninglib.interval import Interval
from tuninglib.physics.fuels import Octane
from tuninglib.session.defaults import Band
from tuninglib.statistics.ladder_prediction import Odds

R95, R98 = Octane(95.0, "RON"), Octane(98.0, "RON")
NO_LIMITS = Limits(fuels=(), lean=0.10)
LIGHT, HEAVY = Knock("a", 3.0, "light"), Knock("a", 5.0, "heavy")


def combination(setup="a", lambda_=0.86, leaner=0.01, octane=R95, **values):
    """A ridden combination that nothing shuts."""
    facts = {
        "engine": "big",
        "injector": "i170",
        "fuel": "e10",
        "setup": setup,
        "lambda_": Interval(lambda_, lambda_ - 0.02, lambda_ + 0.02),
        "odds": Odds(0.01, 0.99 - leaner, leaner),
        "octane": octane,
        "compression": 10.0,
        "flow_m3_s": 1.0,
        "own_sd": 0.005,
    }
    return Combination(**(facts | values))


def codes(combinations, limits=NO_LIMITS):
    return {one.setup: one.gate and one.gate.code for one in gated(combinations, limits)}


def test_nothing_shuts_what_nothing_speaks_against():
    assert codes([combination()]) == {"a": None}


@pytest.mark.parametrize(("leaner", "code"), [(0.10, None), (0.1001, "lean"), (0.49, "lean")])
def test_the_lean_limit_itself_is_allowed(leaner, code):
    assert codes([combination(leaner=leaner)]) == {"a": code}


@pytest.mark.parametrize(("limit", "code"), [(0.05, "lean"), (0.5, None)])
def test_the_session_may_say_otherwise(limit, code):
    assert codes([combination(leaner=0.2)], Limits(fuels=(), lean=limit)) == {"a": code}


@pytest.mark.parametrize(
    ("lambda_", "leaner", "edge", "as_made", "code"),
    [
        # As its maker delivered it: up to an even chance, and by the edge before climbs moved it.
        (0.89, 0.45, None, True, None),
        (0.89, 0.55, None, True, "lean"),
        (0.89, 0.70, 0.90, True, None),
        (0.91, 0.95, 0.90, True, "lean"),
        # What a rider put together: as the band has it.
        (0.87, 0.45, 0.90, False, "lean"),
    ],
)
def test_what_its_maker_delivered_is_shut_where_it_is_likelier_lean_than_not(
    lambda_, leaner, edge, as_made, code
):
    one = combination(lambda_=lambda_, leaner=leaner, as_made=as_made)
    limits = Limits(fuels=(), lean=0.10, stated_edge=edge)
    assert codes([one], limits) == {"a": code}


@pytest.mark.parametrize(("share", "made", "code"),
                         [(0.5, False, None), (0.51, False, "air"), (0.9, True, None)])  # fmt: skip
def test_what_is_likely_lean_in_most_of_the_riders_air_is_shut(share, made, code):
    """What its maker delivered is no risk that the rider takes."""
    (found,) = gated([combination(lean_air=share, as_made=made)], NO_LIMITS)
    assert (found.gate and found.gate.code) == code
    assert code is None or (found.gate.value, found.gate.limit) == (share, 0.5)


@pytest.mark.parametrize(("mean", "half", "chance"), [(0.92, 0.0196, 0.9772), (0.88, 0.04, 0.1635)])
def test_the_chance_of_being_leaner_than_an_edge(mean, half, chance):
    """From a table of the normal distribution: two standard deviations, and 0.98."""
    found = leaner_than(Interval(mean, mean - half, mean + half), 0.90)
    assert found == pytest.approx(chance, abs=1e-4)


@pytest.mark.parametrize(("gauge", "own"), [(0.006, 0.008), (0.010, 0.0), (0.012, 0.0)])
def test_what_a_mixture_has_of_its_own_is_what_the_gauge_leaves_of_it(gauge, own):
    """Known to 1 % in all: 6 and 8 thousandths in quadrature."""
    lambda_ = Interval(0.86, 0.86 * (1 - 0.0196), 0.86 * (1 + 0.0196))
    found = weighed_mixture(lambda_, gauge, Band(0.83, 0.90, 0.90), WEIGHTS["balanced"])
    assert found["own_sd"] == pytest.approx(own, abs=2e-4)


def test_what_was_read_at_the_lean_end_only_is_lean():
    for end in ("lean", "rich"):
        one = combination(lambda_=0.8, beyond=end)
        (gate,) = [found.gate for found in gated([one], NO_LIMITS)]
        assert (gate.code, gate.value) == (end, None)


@pytest.mark.parametrize(
    ("lambda_", "limit", "code"),
    [(0.751, 0.75, None), (0.749, 0.75, "rich"), (0.72, 0.70, None), (0.78, 0.80, "rich")],
)
def test_what_washes_the_bore_is_not_ridden(lambda_, limit, code):
    assert codes([combination(lambda_=lambda_)], replace(NO_LIMITS, richest=limit)) == {"a": code}


@pytest.mark.parametrize(
    ("share", "half", "code"),
    [
        # Even odds, one in ten and one in eleven of running out.
        (HIGHEST_SHARE, 0.1, "flow"),
        (HIGHEST_SHARE - 1.25 * 0.05, 0.05 * 1.96, "flow"),
        (HIGHEST_SHARE - 1.33 * 0.05, 0.05 * 1.96, None),
        (HIGHEST_SHARE + 0.001, 0.0, "flow"),
        (None, None, None),
    ],
)
def test_the_pulse_must_fit_into_the_cycle_with_a_chance(share, half, code):
    share = share and Interval(share, share - half, share + half)
    assert codes([combination(open_time_fraction=share)]) == {"a": code}


def test_no_larger_injector_than_one_that_already_idles_rich():
    rich = combination("rich", idle_lambda=RICHEST_IDLE - 0.01)
    held = combination("held", idle_lambda=1.0, flow_m3_s=0.8)
    others = [
        held,
        combination(None, flow_m3_s=1.1, fuel="larger"),
        combination(None, flow_m3_s=0.9, fuel="smaller"),
        combination(None, flow_m3_s=1.1, fuel="elsewhere", engine="other"),
        combination("ridden", flow_m3_s=1.1),
    ]

    def found(one):
        return [c.gate and c.gate.code for c in gated([one, *others], NO_LIMITS)]

    assert found(rich) == [None, None, "idle", None, None, None]
    assert found(replace(rich, idle_lambda=RICHEST_IDLE)) == [None] * 6
    assert found(replace(rich, idle_lambda=None)) == [None] * 6
    # Where everything idles rich nothing shows that the ECU corrects there.
    others[0] = replace(held, idle_lambda=0.9)
    assert found(rich) == [None] * 6


def test_what_was_not_read_may_be_tried_up_to_a_higher_chance_of_lean():
    def may_be_tried(setup, leaner, limit=0.10):
        one = combination(setup, leaner=leaner)
        return gated([one], replace(NO_LIMITS, lean=limit))[0].may_be_tried

    assert may_be_tried(None, 0.29)
    assert not may_be_tried(None, 0.31)
    assert may_be_tried(None, 0.31, limit=0.4)
    assert may_be_tried("a", 0.09)
    # What was read is known: no trial would tell more.
    assert not may_be_tried("a", 0.11)
    shut = combination(None, leaner=0.2, lambda_=0.9)
    loud = combination("loud", knocks=(LIGHT,))
    rich = combination("rich", 0.80)
    assert not gated([shut, loud, rich], NO_LIMITS)[0].may_be_tried


HOT = Limits(fuels=(), lean=0.10, hottest_k=500.0)


@pytest.mark.parametrize(
    ("head", "limits", "code"),
    [
        (500.0, HOT, None),
        (500.1, HOT, "heat"),
        (None, HOT, None),
        # Where none is stated, the usual one.
        (USUAL_HOTTEST_K, NO_LIMITS, None),
        (USUAL_HOTTEST_K + 0.1, NO_LIMITS, "heat"),
    ],
)
def test_the_limit_of_the_head_itself_is_allowed(head, limits, code):
    assert codes([combination(hottest_k=head)], limits) == {"a": code}


def test_a_climb_that_ends_too_hot_shuts_for_who_climbs():
    hot, cooler = combination("hot", 0.86), combination("cooler", 0.80)
    other = combination("other", 0.86)
    limits = replace(HOT, hot_climbs=("hot",))
    assert codes([hot, cooler, other], limits) == {"hot": "heat", "cooler": None, "other": "heat"}


def test_heat_shuts_what_is_not_known_to_run_cooler_on_that_engine():
    hot = combination("hot", 0.86, hottest_k=510.0)
    hotter = combination("hotter", 0.90, hottest_k=530.0)
    others = [
        combination("richer", 0.84),
        combination("alike", 0.855),
        combination("leaner", 0.95),
        combination("other engine", 0.90, engine="stock"),
    ]
    assert codes([hot, hotter, *others], HOT) == {
        "hot": "heat",
        "hotter": "heat",
        "richer": None,
        "alike": "heat",
        "leaner": "heat",
        "other engine": None,
    }
    found = {one.setup: one.gate for one in gated([hot, hotter, *others], HOT)}
    assert found["hot"].because is None
    assert (found["alike"].because.setup, found["alike"].value) == ("hot", 510.0)
    # Of two the hotter is named.
    assert (found["leaner"].because.setup, found["leaner"].value) == ("hotter", 530.0)
    assert found["leaner"].limit == 500.0


def test_the_worst_knock_is_told_and_of_equals_the_first():
    later = Knock("a", 9.0, "heavy")
    assert worst_knock(combination(knocks=(LIGHT, later, HEAVY))) is HEAVY
    one = combination(knocks=(LIGHT, HEAVY), leaner=0.6)
    other = combination("b", 0.90, octane=R95)
    best = combination("rich", 0.8, octane=R98)
    first, second = gated([one, other, best], NO_LIMITS)[:2]
    assert first.gate.knock is HEAVY
    assert (second.gate.code, second.gate.knock) == ("knock implied", HEAVY)
    assert second.gate.because.setup == "a"


def test_of_two_that_knocked_the_louder_is_named_whatever_the_order():
    quiet = combination("quiet", 0.90, leaner=0.6, knocks=(Knock("quiet", 1.0, "light"),))
    loud = combination("loud", 0.91, leaner=0.7, knocks=(Knock("loud", 2.0, "heavy"),))
    shut, rich = combination("shut", 0.95), combination("rich", 0.80)
    for order in ([quiet, loud, shut, rich], [rich, shut, loud, quiet]):
        found = {one.setup: one.gate for one in gated(order, NO_LIMITS)}
        assert found["shut"].because.setup == "loud"


ORDER = (
    ("knock", {"knocks": (HEAVY,)}),
    ("ethanol", {"fuel": "bad"}),
    ("lean", {"leaner": 0.3}),
    ("heat", {"hottest_k": 600.0}),
    ("flow", {"open_time_fraction": Interval(0.99, 0.9, 1.1)}),
)


@pytest.mark.parametrize("first", range(len(ORDER)))
def test_gates_are_tried_in_one_order(first):
    """What comes first in the list is the reason that is told."""
    limits = replace(HOT, fuels=(FuelLimit("bad", "ethanol", 0.85, 0.10, None),))
    facts = {}
    for _, more in ORDER[first:]:
        facts |= more
    # Something richer without knock: so that a knock stays with what knocked.
    others = [combination("rich", 0.7, octane=R98)]
    assert codes([combination(**facts), *others], limits)["a"] == ORDER[first][0]


def test_a_limit_of_one_engine_is_of_that_engine():
    limit = FuelLimit("e10", "octane", R95, R98, "big")
    limits = Limits(fuels=(limit,), lean=0.1)
    found = codes(
        [
            combination("big"),
            combination("stock", engine="stock"),
            combination("premium", fuel="e5"),
        ],
        limits,
    )
    assert found == {"big": "octane", "stock": None, "premium": None}


# No safer than ------------------------------------------------------------------------------


CLEAR = 0.86 * 0.985  # the interval of the difference, 1.645 times the root of two times 0.005
LESS = 0.86 * 0.990


@pytest.mark.parametrize(
    ("values", "shut"),
    [
        ({}, True),
        ({"lambda_": 0.90}, True),
        ({"lambda_": LESS}, True),
        ({"lambda_": CLEAR}, False),
        # However well both are known, so little is nothing.
        ({"lambda_": 0.86 * 0.992, "own_sd": 0.0}, True),
        # A better fuel is no help where the mixture is not known to be richer, and the reverse.
        ({"octane": R98}, True),
        ({"octane": R98, "lambda_": CLEAR}, False),
        ({"fuel": "e5", "octane": Octane(91.0, "RON"), "lambda_": 0.80}, True),
        ({"fuel": "e5", "octane": None, "lambda_": 0.80}, True),
        ({"octane": None, "lambda_": 0.80}, False),  # the same fuel
        ({"fuel": "e5", "octane": Octane(87.0, "AKI"), "lambda_": 0.80}, True),
        ({"compression": 9.0}, True),  # the same engine all the same
        ({"engine": "other", "compression": 10.0}, True),
        ({"engine": "other", "compression": 10.5}, True),
        ({"engine": "other", "compression": 9.9}, False),
        ({"engine": "other", "compression": None}, False),
    ],
)
def test_no_safer_than_what_knocked(values, shut):
    assert no_safer(combination("b", **values), combination(knocks=(LIGHT,))) is shut


@pytest.mark.parametrize(
    ("octane", "lambda_", "shut"), [(R95, 0.75, True), (R98, 0.87, True), (R98, 0.80, False)]
)
def test_heavy_knock_shuts_its_octane_however_rich(octane, lambda_, shut):
    one = combination("b", lambda_, octane=octane)
    assert no_safer(one, combination(knocks=(LIGHT, HEAVY))) is shut


@pytest.mark.parametrize(
    ("leaner", "knocks", "lambda_", "shut"),
    [
        (0.99, (LIGHT,), 0.94, False),
        (0.99, (LIGHT,), 0.97, True),
        # Not surely lean, or heavy: then the fuel counts, too.
        (0.90, (LIGHT,), 0.94, True),
        (0.99, (HEAVY,), 0.94, True),
    ],
)
def test_light_knock_far_too_lean_says_that_it_was_lean(leaner, knocks, lambda_, shut):
    loud = combination(lambda_=1.0, leaner=leaner, knocks=knocks, octane=R98, fuel="e5")
    assert no_safer(combination("b", lambda_), loud) is shut


def test_an_unknown_compression_of_what_knocked_shuts_no_other_engine():
    assert not no_safer(combination("b", engine="other"), combination(compression=None))


@pytest.mark.parametrize(
    ("values", "known"),
    [
        ({"flow_m3_s": 1.0 + CLEARLY_MORE_FLOW + 0.001}, True),
        ({"flow_m3_s": 1.0 + CLEARLY_MORE_FLOW - 0.001}, False),
        ({"flow_m3_s": 0.5}, False),
        ({"flow_m3_s": 2.0, "engine": "other"}, False),
        ({"flow_m3_s": 2.0, "fuel": "e5"}, False),
    ],
)
def test_without_readings_flow_tells_which_is_richer(values, known):
    unread = combination("b", **values)
    unread = replace(unread, lambda_=None, odds=None)
    assert richer(unread, combination()) is known
    assert (
        richer(
            replace(combination("b", **values), lambda_=Interval(0.5, 0.4, 0.6)),
            replace(combination(), lambda_=None),
        )
        is known
    )


def test_readings_go_before_flow():
    assert not richer(combination("b", 0.9, flow_m3_s=2.0), combination())
    assert richer(combination("b", 0.8, flow_m3_s=0.5), combination())


def test_beyond_the_gauge_is_beyond_what_was_read():
    rich = replace(combination("rich", beyond="rich"), lambda_=None)
    lean = replace(combination("lean", beyond="lean"), lambda_=None)
    read = combination()
    assert [richer(rich, read), richer(read, lean), richer(rich, lean)] == [True] * 3
    assert [richer(read, rich), richer(lean, read), richer(rich, rich)] == [False] * 3


# Knock that the mixture does not explain ----------------------------------------------------


def heard(**values):
    return combination("loud", knocks=(HEAVY,), **values)


@pytest.mark.parametrize(
    ("others", "found"),
    [
        ([], (True, False)),
        ([combination("rich", 0.80)], (False, False)),
        ([combination("lean", 0.90)], (True, False)),
        ([combination("rich", 0.80, engine="stock")], (True, False)),
        ([combination(None, 0.80)], (True, False)),  # predicted, not ridden
        ([combination("rich", 0.80, octane=R98)], (False, False)),
        ([combination("rich", 0.80, octane=Octane(91.0, "RON"))], (False, True)),
        (
            [
                combination("rich", 0.80, octane=Octane(91.0, "RON")),
                combination("best", 0.90, octane=R98),
            ],
            (False, False),
        ),
    ],
)
def test_the_richest_and_the_best_fuel_on_an_engine(others, found):
    one = heard()
    assert extremes(one, [one, *others]) == found
    assert bool(unexplained([one, *others])) is any(found)


@pytest.mark.parametrize(("leaner", "shut"), [(0.5, True), (0.501, False)])
def test_what_was_likely_lean_explains_itself(leaner, shut):
    assert ("big" in unexplained([heard(leaner=leaner)])) is shut


def test_what_was_read_at_the_lean_end_explains_itself():
    assert unexplained([replace(heard(beyond="lean"), odds=None)]) == {}


def test_without_readings_only_the_richest_is_asked():
    one = replace(heard(), odds=None, lambda_=None)
    rich = replace(combination("rich", octane=Octane(91.0, "RON"), flow_m3_s=2.0), lambda_=None)
    assert unexplained([one, rich]) == {}
    assert set(unexplained([one])) == {"big"}


def test_it_shuts_the_whole_engine_and_no_other():
    shut = codes([heard(), combination("lean", 0.9), combination("s", engine="s", compression=9)])
    assert shut == {"loud": "knock", "lean": "knock unexplained", "s": None}


def test_a_richer_one_that_did_not_knock_leaves_the_richer_side_open():
    loud = combination("loud", knocks=(LIGHT,))
    found = codes([loud, combination("rich", 0.80), combination("lean", 0.90)])
    assert found == {"loud": "knock", "rich": None, "lean": "knock implied"}


# The one that tables speak of ---------------------------------------------------------------


def test_of_several_alike_the_ride_goes_first_then_what_was_ridden_then_the_leanest():
    predicted, rich, lean = combination(None, 0.95), combination("r", 0.85), combination("l", 0.87)
    other = combination("o", 0.99, fuel="e5")
    at = ("big", "i170", "e10")
    for order in ([predicted, rich, lean, other], [other, lean, rich, predicted]):
        assert one_each(order)[at] is lean
        assert one_each(order, rich)[at] is rich
        assert one_each(order, other)[at] is lean
    assert one_each([predicted])[at] is predicted
    assert set(one_each([predicted, other])) == {at, ("big", "i170", "e5")}
