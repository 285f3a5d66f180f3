"""A dozen outings answer as they did: a change of the program that changes an answer is seen."""

import pytest

from tests.tools.answers import NAMES, answers_of, kept

# Minima are found to about 1e-6 of a value, on another processor otherwise rounded.
TOLERANCE = 1e-4


@pytest.fixture(scope="module")
def before():
    return kept()


# Every other one now, the rest with the slow tests.
@pytest.mark.parametrize(
    "name",
    [pytest.param(one, marks=pytest.mark.slow if at % 2 else ()) for at, one in enumerate(NAMES)],
)
def test_an_outing_answers_as_it_did(before, name):
    now, then = answers_of(name), before[name]
    assert list(now) == list(then), "python -m tests.tools.answers writes them anew"
    other = {
        key: (then[key], answer)
        for key, answer in now.items()
        if (then[key] != answer)
        if isinstance(answer, str)
        or float(then[key]) != pytest.approx(answer, rel=TOLERANCE, abs=1e-12)
    }
    assert not other, "python -m tests.tools.answers writes them anew, if that was wanted"
