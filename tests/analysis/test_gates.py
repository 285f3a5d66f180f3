"""Gates one by one: what shuts a combination, in which order, and exactly from where on."""

from dataclasses import replace

import pytest

from tuninglib.analysis.combinations import (
    CLEARLY_MORE_FLOW,
    CLEARLY_RICHER,
    Combination,
    Limits,
    extremes,
    gated,
    no_safer,
    richer,
    unexplained,
    worst_knock,
)
from tuninglib.analysis.injector import HIGHEST_SHARE
from tuninglib.analysis.records import FuelLimit, Knock, one_each
from tuninglib.interval import Interval
from tuninglib.physics.fuels import Octane
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


def test_what_was_read_at_the_lean_end_only_is_lean():
    one = combination(lambda_=0.8, beyond_lean=True)
    (gate,) = [found.gate for found in gated([one], NO_LIMITS)]
    assert (gate.code, gate.value) == ("lean", None)


@pytest.mark.parametrize(
    ("share", "code"), [(HIGHEST_SHARE, None), (HIGHEST_SHARE + 0.001, "flow"), (None, None)]
)
def test_the_pulse_must_fit_into_the_cycle(share, code):
    share = share and Interval(share, share - 0.1, share + 0.1)
    assert codes([combination(open_time_fraction=share)]) == {"a": code}


HOT = Limits(fuels=(), lean=0.10, hottest_k=500.0)


@pytest.mark.parametrize(
    ("head", "limits", "code"),
    [(500.0, HOT, None), (500.1, HOT, "heat"), (None, HOT, None), (600.0, NO_LIMITS, None)],
)
def test_the_limit_of_the_head_itself_is_allowed(head, limits, code):
    assert codes([combination(hottest_k=head)], limits) == {"a": code}


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
    first, second = gated([one, other, combination("rich", 0.8)], NO_LIMITS)[:2]
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


@pytest.mark.parametrize(
    ("values", "shut"),
    [
        ({}, True),
        ({"lambda_": 0.90}, True),
        ({"lambda_": 0.86 - CLEARLY_RICHER + 0.001}, True),
        ({"lambda_": 0.86 - CLEARLY_RICHER - 0.001}, False),
        ({"octane": R98}, False),
        ({"octane": R98, "lambda_": 0.95}, False),
        ({"octane": None}, True),
        ({"octane": None, "lambda_": 0.80}, False),
        ({"octane": Octane(87.0, "AKI")}, True),
        ({"compression": 9.0}, True),  # the same engine all the same
        ({"engine": "other", "compression": 10.0}, True),
        ({"engine": "other", "compression": 10.5}, True),
        ({"engine": "other", "compression": 9.9}, False),
        ({"engine": "other", "compression": None}, False),
    ],
)
def test_no_safer_than_what_knocked(values, shut):
    assert no_safer(combination("b", **values), combination()) is shut


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
    assert unexplained([replace(heard(beyond_lean=True), odds=None)]) == {}


def test_without_readings_only_the_richest_is_asked():
    one = replace(heard(), odds=None, lambda_=None)
    rich = replace(combination("rich", octane=Octane(91.0, "RON"), flow_m3_s=2.0), lambda_=None)
    assert unexplained([one, rich]) == {}
    assert set(unexplained([one])) == {"big"}


def test_it_shuts_the_whole_engine_and_no_other():
    shut = codes([heard(), combination("lean", 0.9), combination("s", engine="s", compression=9)])
    assert shut == {"loud": "knock", "lean": "knock unexplained", "s": None}


def test_a_richer_one_that_did_not_knock_leaves_the_richer_side_open():
    found = codes([heard(), combination("rich", 0.80), combination("lean", 0.90)])
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
