import pytest

from tuninglib.analysis.combinations import stop_limits
from tuninglib.session.load import load_session
from tuninglib.session.new import write_new_session
from tuninglib.session.read_toml import what_stands


def limits(folder):
    return stop_limits(load_session(folder))


def test_the_edge_is_the_last_step_of_the_gauge_that_is_not_leaner(demo_copy, edit):
    # By hand: 0.90 x 14.7 = 13.23.
    assert limits(demo_copy).reading == pytest.approx(13.2)
    assert not limits(demo_copy).too_lean(13.1, 13.3)
    assert limits(demo_copy).too_lean(13.2, 13.3)
    # A gauge that shows 1 % too much shows 13.36 there.
    edit("session.toml", "highest = 20.0", 'highest = 20.0\naccuracy = "1 +/- 2 %"')
    assert limits(demo_copy).reading == pytest.approx(13.3)


def test_a_gauge_that_shows_lambda(demo_folder):
    found = limits(demo_folder.parent / "there_and_back")
    assert found.reading == pytest.approx(0.91)


def test_sustained_load_moves_the_edge_to_the_rich_side(demo_copy, edit):
    edit("session.toml", 'riding = "mixed"', 'riding = "motorway"')
    # 0.88 x 14.7 = 12.94.
    assert limits(demo_copy).reading == pytest.approx(12.9)
    assert limits(demo_copy).band.moved


def test_the_heads_limit_is_the_riders_or_the_usual_one(demo_copy, edit):
    assert limits(demo_copy).too_hot(273.15 + 231)
    assert not limits(demo_copy).too_hot(273.15 + 230)
    edit(
        "session.toml", "[engines.stock]", 'highest_head_temperature = "200 degC"\n[engines.stock]'
    )
    assert limits(demo_copy).too_hot(273.15 + 201)
    assert limits(demo_copy).hottest_is_stated


def test_what_a_half_filled_session_has_is_used_and_nothing_is_made_up(tmp_path):
    folder = tmp_path / "fresh"
    write_new_session(folder)
    found = stop_limits(what_stands(folder))
    assert found.band.highest == pytest.approx(0.88)
    assert found.reading is None, "the gauge's scale is not known"
    assert not found.too_lean(14.0, 15.0)
    (folder / "session.toml").write_text("[target\n", encoding="utf-8")
    found = stop_limits(what_stands(folder))
    assert (found.band, found.reading, found.hottest_is_stated) == (None, None, False)
