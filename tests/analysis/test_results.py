"""Results of an outing, as they tell of themselves."""

from dataclasses import replace

import pytest


def test_results_tell_in_a_few_lines_what_was_found(results):
    gain = next(pull for pull in results.pulls if pull.setup == "big_172").gain.ratio.value
    text = repr(results)
    assert f"big_172 {100 * gain:+.1f} %" in text
    assert "wheel force over stock: " in text
    assert f"ride now: {results.plan.ride.setup}" in text
    assert f"{len(results.runs)} rows, {len(results.session.setups)} setups" in text


def test_without_its_scale_nobody_knows_what_a_gauge_shows_at_one(results):
    assert results.shown_at_lambda_one == pytest.approx(
        14.7 * (1 + results.gauge_check.offset.value)
    )
    session = results.session
    bare = replace(session, gauge=replace(session.gauge, scale=None))
    assert replace(results, session=bare).shown_at_lambda_one is None
