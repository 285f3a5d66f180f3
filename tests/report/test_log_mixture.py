"""Mixture by throttle in the report: the demo's ECU corrects at part throttle, and so it says."""

import dataclasses

import pytest

from tuninglib.interval import Interval
from tuninglib.report import logs


@pytest.fixture
def results(evening):
    return evening


def test_part_throttle_is_held_at_one_and_full_throttle_is_not(results):
    """In the demo's world the mixture is 1 at part throttle, and at full throttle the setup's."""
    seen = {(one.setup, round(one.low, 2)): one for one in results.bands if one.by == "throttle"}
    assert {low for _, low in seen} == {0.05, 0.2, 0.9}
    for setup, full in (("small_nozzle", 0.958), ("large_nozzle", 0.874)):
        for low in (0.05, 0.2):
            assert seen[setup, low].lambda_.value == pytest.approx(1.0, abs=0.006)
        band = seen[setup, 0.9].lambda_
        assert band.low <= full <= band.high
    assert [one.place for one in results.followings] == ["stays", "stays"]
    assert results.followings[0].low == 0.05


def test_engine_speeds_are_those_of_full_throttle(results):
    own = [one for one in results.bands if one.by == "engine speed"]
    assert {one.low for one in own} == {4000.0, 5000.0}
    assert all(one.seconds > 5 for one in own)


def test_the_words_are_what_the_bands_say(results):
    text = logs.mixture_sentences(results).plain()
    assert "at 5 % to 20 % and 20 % to 40 % of throttle lambda stays as with small nozzle" in text
    assert "Lean spot" not in text
    follows = dataclasses.replace(results.followings[0], place="follows")
    other = dataclasses.replace(results, followings=(follows,))
    assert "there the ECU goes by its table." in logs.mixture_sentences(other).plain()
    unclear = dataclasses.replace(results.followings[0], place="unclear")
    other = dataclasses.replace(results, followings=(unclear,))
    assert "too short to tell whether lambda follows" in logs.mixture_sentences(other).plain()


def test_a_spot_that_is_leaner_than_the_mean_is_named(results):
    bands = tuple(
        dataclasses.replace(one, lambda_=Interval(0.93, 0.92, 0.94))
        if one.by == "engine speed" and one.setup == "large_nozzle" and one.low == 5000
        else one
        for one in results.bands
    )
    text = logs.mixture_sentences(dataclasses.replace(results, bands=bands)).plain()
    assert "large nozzle reads 0.93" in text
    assert "from 5000 to 6000 rpm, leaner than the band up to 0.90" in text
    assert "Engines fail at their leanest spot" in text


def test_the_table_has_every_band(results):
    rows = logs.mixture_table(results).rows
    assert len(rows) == len(results.bands) == 10
    assert rows[0][0] == "5 % to 20 %"
    assert rows[-1][0] == "5000 to 6000 rpm"


def test_without_a_log_nothing_is_said(results):
    none = dataclasses.replace(results, bands=(), followings=())
    assert logs.mixture_sentences(none).items == ()
    assert logs.mixture_table(none).html() == ""
