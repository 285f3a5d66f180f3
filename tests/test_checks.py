"""One guard with one shape of sentence, and numbers without dimension."""

import math

import numpy as np
import pandas as pd
import pytest

from tuninglib.checks import plain, require, require_or_missing
from tuninglib.rounding import fixed

SAID = {"what": "x", "unit": "m", "remedy": "do so"}


def test_what_is_within_the_limits_passes_as_floats():
    assert require([0, 1], at_least=0, at_most=1, **SAID).dtype == float
    assert require(0.5, above=0, below=1, **SAID) == 0.5
    assert require([], above=0, **SAID).size == 0


def test_a_series_keeps_its_index():
    series = pd.Series([1.0, 2.0], index=[7, 9])
    assert list(require(series, above=0, **SAID).index) == [7, 9]


@pytest.mark.parametrize(
    ("value", "limits", "sentence"),
    [
        (0.0, {"above": 0}, "x is 0 m but must be above 0 m; do so"),
        ([0.5, -2.0], {"at_least": 0}, "x is -2 m but must be at least 0 m; do so"),
        (1.0, {"below": 1}, "x is 1 m but must be below 1 m; do so"),
        ([0.5, 7.0], {"above": 0, "at_most": 1}, "x is 7 m but must be at most 1 m; do so"),
        (math.inf, {"above": 0}, "x is inf m but must be a finite number; do so"),
        (-math.inf, {"at_most": 0}, "x is -inf m but must be a finite number; do so"),
        ([1.0, math.nan], {}, "x is nan m but must be a finite number; do so"),
    ],
)
def test_refusals(value, limits, sentence):
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        require(value, **limits, **SAID)


def test_a_missing_reading_passes_only_where_it_may():
    options = {"at_least": 0, "at_most": 1, **SAID}
    assert math.isnan(require_or_missing(math.nan, **options))
    found = require_or_missing([0.0, math.nan, 1.0], **options)
    assert np.isnan(found).tolist() == [False, True, False]
    with pytest.raises(ValueError, match="x is 3 m"):
        require_or_missing([math.nan, 3.0], **options)
    with pytest.raises(ValueError, match="x is inf m"):
        require_or_missing([math.nan, math.inf], **options)


def test_plain_gives_a_python_scalar_and_keeps_arrays():
    assert type(plain(np.float64(1.5))) is float
    assert plain(array := np.array([1.0])) is array


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_sentence_shows_what_is_no_number(value):
    with pytest.raises(ValueError, match="is no number that can be printed"):
        fixed(value, 1)
