"""Runs whose speeds are far from their repeats: taken in, weighed, and named."""

import shutil

import pytest

from tests.conftest import ROOT
from tuninglib.__main__ import main
from tuninglib.analysis.analyse import analyse
from tuninglib.report import cautions, gain, heat, mixture
from tuninglib.session.load import load_session


@pytest.mark.parametrize("speeds", ["48,46", "48,80"])
def test_a_run_far_off_is_taken_in_weighed_and_named_by_check(edit, results, capsys, speeds):
    """In a gust a run may need three quarters of its setup's force, or five quarters."""
    before = results
    folder = edit("runs.csv", "1,stock,tove,48,62", f"1,stock,tove,{speeds}")
    results = analyse(load_session(folder))
    first = results.runs[0]
    forces = sorted(run.force_n for run in results.runs if run.setup == "stock" and run.force_n)
    assert not 1 / 1.3 < first.force_n / forces[len(forces) // 2] < 1.3
    assert first.force_weight < 0.1
    for was, now in zip(before.pulls[1:], results.pulls[1:], strict=True):
        assert now.gain.ratio.value == pytest.approx(was.gain.ratio.value, abs=0.03)
        assert now.gain.ratio.half_width < 1.5 * was.gain.ratio.half_width
    assert main(["check", str(folder)]) == 0
    assert "Run 1 (stock): its speeds need" in capsys.readouterr().out


def test_check_says_every_doubt_that_the_report_has(tmp_path, capsys):
    """Of all kinds at once; one way down in the other unit leaves the scatter as it is."""
    folder = shutil.copytree(ROOT / "demo_data" / "there_and_back", tmp_path / "back")
    text = (folder / "runs.csv").read_text("utf-8")
    for old, new in (
        ("29.5,43.0,11.5,35.5,0.87,0.88,67,none", "29.5,43.0,18.5,57.0,0.87,0.88,67,none"),
        ("29.0,46.0,11.5,34.0,0.89,0.91,67,none", "29.0,46.0,11.5,34.0,0.75,0.91,67,none"),
        ("36.0,0.86,0.88,69,none", "36.0,0.86,0.88,69,none,it pinged a little"),
        (",knock\n", ",knock,note\n"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    (folder / "runs.csv").write_text(text, "utf-8")
    results = analyse(load_session(folder))
    assert {"way down", "wide spread", "note"} <= {doubt.code for doubt in results.doubts}
    assert results.road.scatter_sd < 0.03
    sections = (gain.sentences(results), mixture.sentences(results), heat.sentences(results))
    in_the_report = [item for section in sections for item in section.items]
    assert main(["check", str(folder)]) == 0
    out = capsys.readouterr().out
    assert len(cautions.doubts(results)) >= 3
    for label, said in cautions.doubts(results):
        assert (label, said) in in_the_report
        assert f"Note: {label}: {said}" in out


def test_what_makes_a_run_weak_is_said_of_weak_runs(edit):
    row = "5,big_150,ilmar,48,66"
    results = analyse(load_session(edit("runs.csv", row, row.replace("66", "56"))))
    ((_, text),) = cautions.of_speeds(results)
    assert "would explain why run 5 is the weakest of them" in text


def test_in_blocks_nothing_is_called_likely_stronger(demo_copy):
    """The demo's kept runs, two of stock, then two of each other setup, none again."""
    path = demo_copy / "runs.csv"
    head, *rows = path.read_text("utf-8").splitlines()
    kept = [row for row in rows if row.split(",")[0] in ("1", "3", "6", "7", "10", "11")]
    kept = [row.replace(",70,", ",66,").replace(",71,", ",66,") for row in kept]
    path.write_text("\n".join([head, *kept]) + "\n", "utf-8")
    results = analyse(load_session(demo_copy))
    assert results.road.one_after_the_other
    assert [pull.gain.strength for pull in results.pulls[1:]] == ["leaning"] * 2
    assert [row[1] for row in gain.table(results).rows[1:]] == ["may be the time of day"] * 2
    said = dict(gain.sentences(results).items)
    assert "unless the time of day caused it (see below)" in said["big 164"]
