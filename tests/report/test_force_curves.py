"""Wheel force against speed in the report: the truth of the demo is in its bands."""

import dataclasses
import json

import numpy as np
import pytest

from tests.conftest import EVENING
from tuninglib.analysis.analyse import analyse
from tuninglib.report import logs


@pytest.fixture
def results(evening):
    return evening


def test_the_bands_hold_the_forces_that_the_demo_was_made_with(results):
    truth = json.loads((EVENING / "truth.json").read_text("utf-8"))
    stock, large = results.force_curves
    assert (stock.setup, stock.runs, large.runs) == ("small_nozzle", 4, 4)
    held = []
    for at, speed in enumerate(stock.speed_m_s):
        true = 318.0 * (1 - ((speed - 14.0) / 19.0) ** 2)
        for curve, factor in ((stock, 1.0), (large, 1.06)):
            band = curve.force_n[at]
            if band is not None:
                held.append(band.low <= factor * true <= band.high)
        if large.gain[at] is not None:
            assert large.gain[at].low <= truth["gain"]["large_nozzle"] <= large.gain[at].high
    # Of eight 95 % intervals one may miss.
    assert len(held) == 8
    assert sum(held) >= 7


def test_speeds_are_whole_fives_of_the_readers_unit(results):
    shown = np.array(results.force_curves[0].speed_m_s) * 3.6
    np.testing.assert_allclose(shown, [50, 55, 60, 65, 70])


def test_what_is_stated_wider_widens_the_forces_and_not_the_gains(results):
    session = results.session
    hill = dataclasses.replace(
        session.hill, grade=dataclasses.replace(session.hill.grade, half_width=0.012)
    )
    wide = analyse(dataclasses.replace(session, hill=hill))
    for before, after in zip(results.force_curves, wide.force_curves, strict=True):
        for one, other in zip(before.force_n, after.force_n, strict=True):
            if one is not None:
                assert other.half_width > one.half_width + 3
        assert before.gain == after.gain


def test_table_figure_and_words_agree(results):
    table = logs.curve_table(results)
    assert table.header == ("Speed [km/h]", "small nozzle [N]", "large nozzle [N]", "Gain [%]")
    assert [row[0] for row in table.rows] == ["50", "55", "60", "65", "70"]
    assert "from 50 to 70 km/h" in logs.curve_sentences(results).plain()
    alt = logs.curve_figure(results).alt
    assert f"small nozzle {table.rows[0][1].split(' ')[0]} at 50" in alt


def test_without_logged_speeds_there_is_no_such_heading(results):
    none = dataclasses.replace(results, force_curves=())
    shown = [
        getattr(logs, f"curve_{name}")(none).html() for name in ("sentences", "table", "figure")
    ]
    assert shown == ["", "", ""]
