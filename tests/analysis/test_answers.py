"""A dozen outings answer as they did: a change of the program that changes a number is seen."""

import pytest

from tests.answers import OUTINGS, answers_of, condensed, found_without_runs, kept


@pytest.fixture(scope="module")
def before():
    return kept()


@pytest.mark.parametrize("name", ["before a session", *OUTINGS])
def test_an_outing_answers_as_it_did(before, name):
    now = answers_of(name) if name in OUTINGS else condensed(found_without_runs())
    assert list(now) == list(before[name]), "python -m tests.answers writes them anew"
    other = [
        key for key in now if now[key] != pytest.approx(before[name][key], rel=2e-6, abs=1e-13)
    ]
    assert not other, "python -m tests.answers writes them anew, if that was wanted"
