"""Sessions with little in them: the report still does what it can, and says what it cannot."""

import re

import pytest

from tuninglib.report.make import make_report


def keep_rows(folder, wanted):
    """Leave only the rows of runs.csv for which ``wanted(cells)`` is true."""
    path = folder / "runs.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    kept = [row for row in rows if wanted(row.split(","))]
    path.write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")


def drop_columns(folder, pattern):
    path = folder / "runs.csv"
    table = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    keep = [i for i, name in enumerate(table[0]) if not re.search(pattern, name)]
    lines = [",".join(row[i] for i in keep) for row in table]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def no_speeds(folder, edit):
    keep_rows(folder, lambda row: '"' not in row[-1] and int(row[0]) != 5)
    drop_columns(folder, "speed")


def no_gauge(folder, edit):
    keep_rows(folder, lambda row: int(row[0]) != 5)
    drop_columns(folder, "gauge")


def no_scale(folder, edit):
    edit("session.toml", "scale = 14.7", "")


def one_reading(folder, edit):
    keep_rows(folder, lambda row: row[0] == "1")


def once_each(folder, edit):
    keep_rows(folder, lambda row: row[0] in {"1", "7", "10", "14", "17"})


def only_the_reference(folder, edit):
    keep_rows(folder, lambda row: row[1] == "stock")


def all_at_the_end(folder, edit):
    edit("session.toml", "lowest = 10.0", "lowest = 5.0")
    path = folder / "runs.csv"
    text = re.sub(r",\d\d\.\d,\d\d\.\d,", ",20.0,20.0,", path.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8")


def identical_injectors(folder, edit):
    path = folder / "session.toml"
    text = re.sub(r'flow = "\d+ cc/min"', 'flow = "165 cc/min"', path.read_text("utf-8"))
    path.write_text(text, encoding="utf-8")


def no_ethanol(folder, edit):
    edit("session.toml", 'ethanol = "4 +/- 1 %"', "")


def all_excluded(folder, edit):
    path = folder / "runs.csv"
    text = path.read_text(encoding="utf-8").replace(",note\n", ",exclude\n", 1)
    lines = text.splitlines()
    rows = [re.sub(r',("[^"]*")?$', ",rain", line) for line in lines[1:]]
    path.write_text("\n".join([lines[0], *rows]) + "\n", encoding="utf-8")


CASES = {
    no_speeds: ["no run has speeds, so no gain can be worked out"],
    no_gauge: ["ride again with a lambda gauge", "nothing is known of the mixture"],
    no_scale: ["the gauge's scale is not known", "no mixture is judged"],
    one_reading: ["only one injector was read", "is assumed"],
    once_each: ["no rider repeated a setup, so how runs scatter is not known from this outing"],
    only_the_reference: ["no two setups with speeds to draw"],
    all_at_the_end: ["every reading stood at the gauge's end", "left out of the sums"],
    identical_injectors: ["reads as if it flowed", "cc/min that it is stated with"],
    no_ethanol: ["ethanol content of e5 is not written down"],
    all_excluded: ["every setup that was ridden is ruled out", "left out: rain"],
}


@pytest.mark.parametrize("spoil", CASES, ids=lambda spoil: spoil.__name__)
def test_the_report_does_what_it_can(spoil, demo_copy, edit, tmp_path):
    spoil(demo_copy, edit)
    page = make_report(demo_copy, tmp_path / "out").page.read_text(encoding="utf-8")
    text = (
        re.sub(r"<[^>]+>", "", page.split("<main")[1]).replace("&#39;", "'").replace("\u00a0", " ")
    )
    for sentence in CASES[spoil]:
        assert sentence in text, sentence
    assert "nan" not in re.sub(r"<script.*", "", text, flags=re.DOTALL).lower().split()
    assert "closed or quiet road" in text
