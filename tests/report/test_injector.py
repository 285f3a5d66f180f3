"""The next injector: its table, its notes and the picture of the ladder, beside what they show."""

from dataclasses import replace

import pytest

from tuninglib.analysis.decide import Step
from tuninglib.interval import Interval
from tuninglib.report import injector, verdict
from tuninglib.statistics.ladder_prediction import Odds


def planned(results, **values):
    return replace(results, plan=replace(results.plan, **values))


def short(results):
    return {row[0]: row[1] for row in injector.table(results).rows}


def prospects(results, *changed):
    """Those of the ladder, the first ones changed; and what the notes say."""
    own = results.ladder.prospects
    own = [replace(one, **values) for one, values in zip(own, changed, strict=False)]
    ladder = replace(results.ladder, prospects=tuple(own))
    return str(injector.sentences(replace(results, ladder=ladder)))


def test_the_table_says_in_short_what_speaks_for_each(results):
    said = short(results)
    assert said["i172 on e5"] == "ride now"
    assert said["i178 on e5"] == said["i178 on e10"] == "next"
    assert said["i185 on e5"] == "likely richer than the band"
    assert said["i164 on e5"] == "58 % chance of running leaner than the band"
    # Nothing to fit, or only for another fuel: it may be tried.
    assert short(planned(results, next=Step(code="ride again")))["i178 on e5"] == "possible"
    step = replace(results.plan.next, fuels=("e10",))
    assert short(planned(results, next=step))["i178 on e5"] == "possible"
    assert short(planned(results, ride=None))["i172 on e5"] == "possible"
    rows = {f"{one.injector} on {one.fuel}": one
            for own in results.ladder.prospects for one in own.fuels}  # fmt: skip
    for row in injector.table(results).rows:
        one = rows[row[0]]
        share = one.open_time_fraction
        value, low, high = (f"{100 * end:.0f}" for end in (share.value, share.low, share.high))
        assert row[-1] == f"{value} % ({low} to {high} %)"
        assert row[-3] == f"{one.harm:.1f}"
    for half, shown in ((0.12, "50 % (38 to 62 %)"), (0.001, "50 % (50 to 50 %)")):
        own = replace(rows["i185 on e5"], open_time_fraction=Interval(0.5, 0.5 - half, 0.5 + half))
        ladder = replace(results.ladder, prospects=(
            replace(results.ladder.prospects[2], fuels=(own,)),))  # fmt: skip
        assert injector.table(replace(results, ladder=ladder)).rows[0][-1] == shown
    # Likelier leaner than inside, but less than the limit of a gate: three places.
    for odds, words in (((0.5, 0.2, 0.3), "likely leaner than the band"),
                        ((0.4, 0.4, 0.2), "possible")):  # fmt: skip
        own = replace(rows["i185 on e5"], odds=Odds(*odds))
        ladder = replace(results.ladder, prospects=(
            replace(results.ladder.prospects[2], fuels=(own,)),))  # fmt: skip
        assert short(replace(results, ladder=ladder)) == {"i185 on e5": words}


def test_what_limits_the_advice_is_noted(results):
    far, near = {"tried": False, "outside_tried_range": True}, {"tried": True}
    assert "only one injector was read" in prospects(results, near, far)
    said = prospects(results, near, near, far)
    assert "only one injector was read" not in said
    assert "the flow of i185 lies outside those that were read: this is extrapolated." in said
    assert "no candidate is listed" not in said
    # By their flow: 185 cc/min is more than 178.
    assert "the flows of i178 and i185 lie outside" in prospects(results, near, far, far)
    assert "no candidate is listed" in prospects(results, near, near)


@pytest.mark.parametrize(
    ("code", "ride", "said"),
    [
        ("buy", True, "Next: injector i178, for e10 and e5."),
        ("list injectors", True, "None of the injectors listed fits the band."),
        ("ride again", True, "Injector i172 stays on the engine 'big'."),
        ("find knock", True, "Lambda against injector flow on the engine 'big'."),
        ("ride again", False, "Lambda against injector flow on the engine 'big'."),
    ],
)
def test_the_picture_comes_to_what_the_plan_says(results, drawn, code, ride, said):
    step = replace(results.plan.next, code=code)
    changed = planned(results, next=step, ride=results.plan.ride if ride else None)
    assert injector.figure(changed).caption == said
    other = replace(results.plan.ride, engine="stock")
    elsewhere = injector.figure(planned(results, next=Step(code="ride again"), ride=other))
    assert elsewhere.caption == "Lambda against injector flow on the engine 'big'."


def test_the_picture_of_the_ladder_has_curves_readings_and_what_was_not_tried(results, drawn):
    shown = injector.figure(results)
    (ax,) = drawn[0].axes
    curves = results.ladder.curves
    there = [one for one in ax.lines if len(one.get_xdata()) > 2]
    marks = [one for one in there if one.get_linestyle() == "None"]
    lines = [one for one in there if one not in marks]
    for curve, line, mark, around in zip(curves, lines, marks, ax.collections, strict=True):
        drawn_as = (line, curve.flow_m3_s, curve.lambda_)
        read = (mark, curve.reading_flow_m3_s, curve.reading_lambda)
        for one, flow, lambda_ in (drawn_as, read):
            assert list(one.get_xdata()) == pytest.approx([at * 60e6 for at in flow])
            assert list(one.get_ydata()) == list(lambda_)
        ends = around.get_paths()[0].get_extents()
        assert (ends.y0, ends.y1) == pytest.approx((min(curve.low), max(curve.high)))
    dotted = [one.get_xdata()[0] for one in ax.lines if one.get_linestyle() == ":"]
    assert sorted(dotted) == pytest.approx([178, 205])
    # Each name stands upright at its line, below the upper edge.
    assert {one.get_text(): round(one.xy[0]) for one in ax.texts} == {"i178": 178, "i205": 205}
    assert all(0 < one.xy[1] < 1 and one.get_rotation() == 90 for one in ax.texts)
    assert [one.get_text() for one in drawn[0].legends[0].get_texts()] == ["e5", "e10"]
    first, *_ = curves
    falls = f"On e5 it falls from {first.lambda_[0]:.2f} to {first.lambda_[-1]:.2f} over the flows"
    assert falls in shown.alt
    assert first.lambda_[0] > 1.0 > 0.7 > first.lambda_[-1]


@pytest.mark.parametrize(("as_made", "leaner", "more"), [
    (True, 0.11, "; the bike as its maker made it is ruled out above 50 %, anything else above "
     "10 %."),
    (True, 0.10, "."), (False, 0.11, "."),
])  # fmt: skip
def test_the_bike_as_its_maker_made_it_is_allowed_more_and_that_is_said(
    results, as_made, leaner, more
):
    def changed(one):
        odds = Odds(0.0, 1 - leaner, leaner)
        return replace(one, as_made=as_made, odds=odds) if one.injector == "i172" else one

    own = replace(results, combinations=tuple(map(changed, results.combinations)))
    said = [text for _, text in verdict.watch(own).items if text.startswith("on e5")]
    chance = f"{100 * leaner:.0f} % chance of running leaner than the band"
    assert said in ([f"on e5, i172 has an {chance}{more}"], [f"on e5, i172 has a {chance}{more}"])
    prospects = tuple(replace(one, fuels=tuple(map(changed, one.fuels)))
                      for one in results.ladder.prospects)  # fmt: skip
    note = injector.table(
        replace(results, ladder=replace(results.ladder, prospects=prospects))
    ).note
    assert ("is ruled out, the bike as its maker made it above 50 %. " in note) == as_made
    assert as_made or "above 10 % of being leaner is ruled out. " in note
