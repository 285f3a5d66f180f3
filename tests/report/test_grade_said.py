"""The force rests on a grade that was typed: what a point of it does is said."""

import re
from dataclasses import replace

import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.interval import Measured
from tuninglib.report import method
from tuninglib.session.load import load_session


def test_a_point_of_grade_is_what_the_forces_would_move_by(demo_copy):
    session = load_session(demo_copy)
    session = replace(session, hill=replace(session.hill, pieces=()))
    before = analyse(session)
    said = dict(method.sentences(before).items)["The grade"]
    more = float(
        re.search(r"every force would be (\d+) N higher \(\d+ % of that of stock\)", said)[1]
    )
    steeper = Measured(session.hill.grade.value + 0.01, session.hill.grade.half_width)
    after = analyse(replace(session, hill=replace(session.hill, grade=steeper)))
    for was, now in zip(before.pulls, after.pulls, strict=True):
        assert now.force_n.value - was.force_n.value == pytest.approx(more, rel=0.12)
    assert "allow for ±0.3 points of grade. If the grade were one point steeper (7.0 %)" in said
    tenth = float(re.search(r"one of 10 % would become (\d\.\d) %", said)[1])
    ratio = after.pulls[1].gain.ratio.value / before.pulls[1].gain.ratio.value
    assert ratio == pytest.approx(tenth / 10, abs=0.02)
