"""What records tell of themselves, and which combination a table speaks of."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from tuninglib.analysis.records import Prospect, one_each
from tuninglib.interval import Interval


def one(fuel="e5", *, setup="a", lean=0.9, gate=None, harm=0.0, injector="i1"):
    lambda_ = None if lean is None else Interval(lean, lean, lean)
    return SimpleNamespace(
        engine="big", injector=injector, fuel=fuel, setup=setup, lambda_=lambda_, gate=gate,
        harm=harm, key=("big", injector, fuel, setup),
    )  # fmt: skip


def prospect(*fuels):
    return Prospect(injector="i1", flow_m3_s=2.5e-6, tried=True, outside_tried_range=False,
                    fuels=fuels, price=None)  # fmt: skip


def test_an_injector_is_shut_where_every_fuel_is():
    assert prospect(one(gate="knock"), one("e10", gate="lean")).shut_everywhere
    assert not prospect(one(gate="knock"), one("e10")).shut_everywhere
    assert not prospect(one(), one("e10")).shut_everywhere


def test_its_harm_is_the_mean_over_its_fuels():
    assert prospect(one(harm=1.0), one("e10", harm=4.0), one("e85", harm=7.0)).harm == 4.0
    own = one("e10")
    assert prospect(one(), own).on("e10") is own
    assert prospect(one()).on("e10") is None


def test_of_several_the_one_that_is_ridden_stands_for_all_or_the_leanest():
    rich, lean, silent = one(setup="r", lean=0.85), one(setup="l", lean=0.92), one(lean=None)
    predicted = one(setup=None, lean=0.99)
    other = one(injector="i2", setup="z")
    several = [rich, predicted, silent, lean, other]
    assert list(one_each(several).values()) == [lean, other]
    assert one_each(several, ride=rich)["big", "i1", "e5"] is rich
    # What was read goes before what was not, and that before what nobody rode.
    assert one_each([silent, predicted])["big", "i1", "e5"] is silent
    assert one_each([silent, rich])["big", "i1", "e5"] is rich
    richest = one(setup="x", lean=-0.5)
    assert one_each([richest, silent])["big", "i1", "e5"] is silent


@pytest.mark.parametrize(
    ("knock", "heard"), [("", False), ("none", False), ("light", True), ("heard", True)]
)
def test_a_run_knocked_if_somebody_heard_it(results, knock, heard):
    run = results.runs[0]
    assert replace(run, knock=knock).knocked is heard
    assert replace(run, exclude="").counts
    assert not replace(run, exclude="a car").counts
