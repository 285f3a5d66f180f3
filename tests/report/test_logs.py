"""The heading on logs: every row that was not used is said, and nothing is claimed besides."""

import dataclasses
import json

import numpy as np
import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.results import results_document
from tuninglib.report import logs
from tuninglib.session.load import load_session
from tuninglib.session.trace import LeftOut

HEAD = "time,speed [km/h],gauge,oil\n"


def rows():
    for i in range(400):
        if i == 17:
            yield "?,50,13,1\n"
        elif i == 30:
            yield f"{i},fast,13,1\n"
        elif i == 31:
            yield f"{i},900,13,1\n"
        elif i == 60:
            yield f"{i},50,13,1,1,1\n"
        elif not 100 <= i < 190:
            yield f"{i},{40 + i % 7},{12 + i % 5 / 10},1\n"


@pytest.fixture(scope="module")
def results(demo_folder, tmp_path_factory):
    folder = tmp_path_factory.mktemp("logged")
    for path in demo_folder.iterdir():
        if path.is_file():
            (folder / path.name).write_bytes(path.read_bytes())
    (folder / "box.csv").write_text(HEAD + "".join(rows()), encoding="utf-8")
    with (folder / "session.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[logs.black_box]\nfile = "box.csv"\nunits = { time = "s" }\n')
    return analyse(load_session(folder))


def test_the_sentences_count_every_row(results):
    text = logs.sentences(results).plain()
    assert "box.csv (black box): a table of 310 rows, 308 of them used, over 7 minutes" in text
    assert "from one to the next it is 1 s, with one gap, the longest of 91 s" in text
    assert "It holds speed and gauge. Columns that are not used: “oil”." in text
    assert "Left out: 1 line without a time that can be read, the first at line 19." in text
    assert "1 line with more cells than columns, the first is line 62." in text
    assert "1 reading of speed: no number; the first is “fast” at line 32." in text
    assert "1 reading of speed that cannot be, the first is 900.0 km/h at line 33." in text


def test_wild_readings_are_said_as_such(results):
    (log,) = results.logs
    jumps = (
        LeftOut("jump", 1, 33, "speed", "83.3333"), LeftOut("jump", 2, 35, "latitude", "47.02"),
    )  # fmt: skip
    wild = dataclasses.replace(log, left_out=jumps)
    text = logs.sentences(dataclasses.replace(results, logs=(wild,))).plain()
    assert (
        "1 reading of speed far from those before and after, the first is 300.0 km/h at line 33."
        in text
    )
    assert "2 positions far from those before and after, the first is at line 35." in text


def test_the_table_shows_ranges_in_the_readers_units(results):
    table = logs.table(results)
    assert table.rows == (
        ("black box", "speed", "306", "40.0", "46.0", "km/h"),
        ("black box", "gauge", "308", "12.00", "13.00", "as shown"),
    )


def test_the_figure_carries_its_numbers_in_words(results):
    alt = logs.figure(results).alt
    assert alt == "Logs over time: speed of black box from 40.0 to 46.0 km/h over 7 minutes."


def test_a_session_without_logs_has_no_such_heading(results):
    none = dataclasses.replace(results, logs=())
    assert logs.sentences(none).items == ()
    assert logs.table(none).html() == logs.figure(none).html() == ""


def test_results_hold_what_was_left_out(results):
    (log,) = json.loads(json.dumps(results_document(results)))["logs"]
    assert log["used"] + sum(one["count"] for one in log["left_out"] if not one["channel"]) == 310
    assert [one["name"] for one in log["channels"]] == ["speed_m_s", "gauge"]


def test_no_peak_is_lost_when_a_picture_is_thinned():
    rng = np.random.default_rng(2)
    time, values = np.arange(100_000) / 10, rng.normal(size=100_000)
    values[54_321], values[99] = 40.0, np.nan
    middle, low, high = logs.thinned(time, values, 600)
    assert middle.size == 600
    assert (np.nanmin(low), np.nanmax(high)) == (np.nanmin(values), 40.0)
    assert middle[int(np.nanargmax(high))] == pytest.approx(5432.1, abs=10)
