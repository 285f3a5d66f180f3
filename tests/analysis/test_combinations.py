"""What is known of each combination: counted from the rows by hand."""

from dataclasses import replace

import pytest

from tests.outing import Outing
from tuninglib.analysis.combinations import combinations_of
from tuninglib.session.load import load_session


@pytest.fixture(scope="module")
def ridden(demo_folder, tmp_path_factory):
    """The demo, where somebody heard knock twice, once on a run that is left out."""
    outing = Outing(demo_folder, tmp_path_factory.mktemp("combinations") / "outing")
    outing.key("injectors.i150", owned="no").key("injectors.i178", owned="yes")
    one, other, *_ = outing.full("big_172")
    one["knock"], other["knock"], other["exclude"] = "light", "heavy", "fell over"
    outing.full("big_164")[0]["knock"] = ""
    return outing.results(), outing.rows


def test_what_was_heard_and_felt_belongs_to_the_setup_that_was_ridden(ridden):
    results, rows = ridden
    for one in results.combinations:
        own = [row for row in rows if row["setup"] == one.setup and row["state"] == "full"]
        assert one.listened == sum(row["knock"] != "" for row in own)
        heads = [float(row["head_temperature [degC]"]) for row in own]
        assert one.hottest_k == (pytest.approx(max(heads) + 273.15) if heads else None)
        assert {knock.setup for knock in one.knocks} <= {one.setup}
    knocked = {one.setup: len(one.knocks) for one in results.combinations if one.knocks}
    assert set(knocked) >= {"big_172"}


def test_every_combination_is_there_once(ridden):
    results, _ = ridden
    session = results.session
    keys = [(one.engine, one.injector, one.fuel) for one in results.combinations]
    engines = {setup.engine for setup in session.setups.values()}
    assert len(keys) == len(set(keys)) == len(engines) * len(session.injectors) * len(session.fuels)
    assert [one.setup for one in results.combinations if one.setup] == list(session.setups)
    for one in results.combinations:
        assert one.octane == session.fuels[one.fuel].octane_number
        assert one.compression == session.engines[one.engine].compression
        assert one.flow_m3_s == pytest.approx(session.injectors[one.injector].flow.value)
        assert one.source == ("read" if one.setup else "predicted")


def test_an_injector_is_at_hand_if_it_was_fitted_or_is_said_to_be(ridden):
    owned = {one.injector: one.owned for one in ridden[0].combinations}
    # i150 was fitted and is no longer there; i178 and i205 were not fitted, and one is said to be.
    assert owned == {
        "i150": False, "i164": True, "i172": True, "i185": True, "i178": True, "i205": False,
    }  # fmt: skip


def test_a_setup_of_which_nothing_was_written_down_was_not_ridden(ridden, demo_folder):
    results, _ = ridden
    session = load_session(demo_folder)
    runs = session.runs[session.runs["setup"] != "big_185"]
    silent = replace(session, runs=runs)
    mixtures = [one if one.setup != "big_185" else replace(one, readings=0, pegged=0, lambda_=None)
                for one in results.mixtures]  # fmt: skip
    found = combinations_of(silent, None, mixtures, ())
    assert "big_185" not in {one.setup for one in found}
    # Without a ladder nothing is said of what was not read.
    assert {one.source for one in found if one.setup is None} == {"unknown"}
    assert all(one.lambda_ is None for one in found if one.setup is None)
