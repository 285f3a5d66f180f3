import csv
import errno
import os

import pytest

from tests.lab.panels import everything, is_html, labelled, words
from tests.session.test_edit import ROW
from tests.session.test_runs_csv import one_gauge_column
from tuninglib.lab import forms, kit
from tuninglib.lab.forms import checked, last_rows, runs_form
from tuninglib.session.edit import add_column, add_run, open_sheet, write_new_session
from tuninglib.session.load import load_session


def typed(form, **cells):
    """What the form says once a row is typed and added."""
    for key, value in cells.items():
        labelled(form, key.replace("_", " ")).value = value
    labelled(form, "Add run").click()
    return words(form)


def add(form, **cells):
    """What it says of a row that says the usual but for some cells."""
    return typed(form, **{"setup": "stock", "entry": "48", "exit": "62", "air": "20"} | cells)


def shortened(folder, rows: int):
    """A copy of the demo whose runs.csv ends after so many rows."""
    path = folder / "runs.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(lines[: rows + 1]) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def begun(demo_folder):
    return forms.start_of(demo_folder)


@pytest.fixture
def outing(demo_copy, begun, monkeypatch):
    """Three runs of the demo, for what does not ask what they say, which takes long to work out."""

    def not_asked(*_, **__):
        raise ValueError("not asked")

    monkeypatch.setattr(forms, "start_of", lambda _: begun)
    monkeypatch.setattr(forms, "interim_of_folder", not_asked)
    return shortened(demo_copy, 3)


def test_fields_that_were_not_typed_in_yet_are_not_blamed(demo_folder):
    sheet = open_sheet(demo_folder)
    values = {**dict.fromkeys(sheet.keys, ""), "setup": "stock", "entry_speed": "480"}
    assert list(checked(sheet, values, {"entry_speed"})) == ["entry_speed"]
    assert checked(sheet, {**values, "entry_speed": ""}, {"entry_speed"}) == {}
    # One end of two, while the other is still to be typed.
    ends = {"entry_speed", "exit_speed"}
    row = values | {"run": "90", "rider": "tove", "entry_speed": "48"}
    assert checked(sheet, row, ends) == {}


@pytest.mark.slow
def test_the_form_works_from_the_first_run_of_a_new_session(tmp_path):
    folder = tmp_path / "fresh"
    write_new_session(folder)
    form = runs_form(folder)
    said = typed(form, exit_speed="60")
    assert "Added: run 1." in said
    assert said.count("Not complete: what the rows show together is not known until") == 1, (
        "the session.toml is not filled in yet, and the form must say so"
    )
    assert "session.toml, row 4, date: is still empty" in said
    assert "(10 more: tuninglib check)" in said
    assert "\n1,stock,60," in (folder / "runs.csv").read_text(encoding="utf-8")


def test_the_form_refuses_adds_counts_on_and_keeps_once(outing):
    form = runs_form(outing)
    number = labelled(form, "run").value
    before = (outing / "runs.csv").read_bytes()
    labelled(form, "entry speed").value = "480"
    assert "480 km/h is outside" in words(form)
    labelled(form, "Add run").click()
    assert (outing / "runs.csv").read_bytes() == before
    for _ in range(2):
        add(form)
        assert labelled(form, "entry").value == ""
    assert labelled(form, "run").value == str(int(number) + 2)
    assert "is outside" not in words(form)
    labelled(form, "entry speed").value = "480"
    assert "480 km/h is outside" in words(form)
    kept = list(outing.glob("runs.earlier-*"))
    assert [path.read_bytes() for path in kept] == [before]
    assert list(load_session(outing).runs["run"])[-2:] == [int(number), int(number) + 1]


def test_a_problem_shows_what_was_typed_as_text(outing):
    form = runs_form(outing)
    labelled(form, "entry speed").value = "<img src=x>"
    page = " ".join(str(getattr(one, "value", "")) for one in everything(form) if is_html(one))
    assert "&lt;img src=x&gt;" in page
    assert "<img" not in page


def test_rows_typed_elsewhere_meanwhile_are_kept(outing):
    form = runs_form(outing)
    path = outing / "runs.csv"
    add_run(open_sheet(outing), ROW, keep=False)
    add(form)
    assert "\n90,stock" in path.read_text(encoding="utf-8")
    assert labelled(form, "run").value == "91"


def test_a_header_changed_meanwhile_is_not_written_under(outing):
    form = runs_form(outing)
    path = outing / "runs.csv"
    changed = path.read_text(encoding="utf-8").replace("entry_speed [km/h]", "entry_speed [mph]")
    path.write_text(changed, encoding="utf-8")
    add(form)
    assert path.read_text(encoding="utf-8") == changed
    assert "the header of runs.csv was changed meanwhile" in words(form)
    assert labelled(form, "entry").value == "48"


def test_a_range_can_be_typed_into_one_field(outing):
    path = outing / "runs.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    one_gauge_column(rows)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    form = runs_form(outing)
    one = {key: value for key, value in ROW.items() if key not in ("gauge_low", "gauge_high")}
    assert "Added: run 90." in typed(form, **one, gauge="12.6 to 12.8")
    last = load_session(outing).runs.iloc[-1]
    assert (last["gauge_low"], last["gauge_high"]) == (12.6, 12.8)
    assert labelled(form, "gauge").value == ""


def test_a_row_that_says_nothing_is_not_added(outing):
    form = runs_form(outing)
    before = (outing / "runs.csv").read_bytes()
    labelled(form, "Add run").click()
    assert "Not added: nothing was typed but names" in words(form)
    assert (outing / "runs.csv").read_bytes() == before


def test_the_last_runs_can_be_taken_back_and_mended(outing):
    form = runs_form(outing)
    path = outing / "runs.csv"
    before = path.read_text("utf-8")
    back = labelled(form, "Take back")
    assert labelled(form, "Add run").tooltip == "Append to runs.csv"
    assert back.disabled
    for speed in ("63", "64"):
        own = {key: value for key, value in ROW.items() if key != "run"}
        typed(form, **own | {"exit_speed": speed, "note": "a, b"})
    assert path.read_text("utf-8").count("\n") == before.count("\n") + 2
    back.click()
    assert "Taken back: 5,stock,tove,48,64," in words(form)
    assert "Fix it above and add it again, or leave it." in words(form)
    assert labelled(form, "exit speed").value == "64"
    assert labelled(form, "note").value == "a, b"
    assert labelled(form, "run").value == "5"
    labelled(form, "exit speed").value = "65"
    labelled(form, "Add run").click()
    assert ",48,65," in path.read_text("utf-8").strip().split("\n")[-1]
    back.click()
    back.click()
    assert path.read_text("utf-8") == before
    assert back.disabled


def test_a_row_written_elsewhere_meanwhile_is_not_taken_back(outing):
    form = runs_form(outing)
    typed(form, **ROW)
    path = outing / "runs.csv"
    add_run(open_sheet(outing), ROW | {"run": "91"}, keep=False)
    after = path.read_bytes()
    labelled(form, "Take back").click()
    assert "Not taken back: the last row of runs.csv is not the one" in words(form)
    assert path.read_bytes() == after


def test_a_disk_that_refuses_is_said_beside_the_button(outing, monkeypatch):
    form = runs_form(outing)
    before = (outing / "runs.csv").read_bytes()
    for key, value in ROW.items():
        labelled(form, key.replace("_", " ")).value = value

    def refused(*_):
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(os, "replace", refused)
    labelled(form, "Add run").click()
    said = words(form)
    assert "Read-only file system; choose a place that can be written to." in said
    assert "Added" not in said
    assert labelled(form, "exit speed").value == "63", "what was typed must not be lost"
    assert (outing / "runs.csv").read_bytes() == before


def test_the_last_rows_are_shown_as_they_were_typed(demo_copy):
    sheet = open_sheet(demo_copy)
    assert last_rows(open_sheet(shortened(demo_copy, 0))).caption == "No row in runs.csv yet"
    add_run(sheet, {**ROW, "note": "<script>x</script>"}, keep=False)
    shown = last_rows(open_sheet(demo_copy))
    assert shown.caption == "The last 1 of 1 row of runs.csv"
    assert (
        dict(zip(shown.header, shown.rows[0], strict=True))["exit speed [km/h]"]
        == ROW["exit_speed"]
    )
    assert last_rows(sheet).caption == "The last 6 of 33 rows of runs.csv"
    assert [row[0] for row in last_rows(sheet).rows] == ["28", "29", "30", "31", "32", "33"]
    page = kit.words_html(shown)
    assert "<script" not in page
    assert "&lt;script&gt;" in page


@pytest.mark.slow
def test_the_form_says_how_to_end_a_run_before_the_first_field(demo_folder):
    said = words(runs_form(demo_folder))
    assert said.startswith("Close the throttle and end the run: At the first rattle or ping.")
    assert "leaner than 13.2 on this gauge (lambda 0.90) after two seconds" in said


def test_nobody_listened_is_a_choice_and_the_one_that_a_row_starts_with(outing):
    form = runs_form(outing)
    knock = labelled(form, "knock")
    assert knock.options == (
        ("nobody listened", ""), ("none", "none"), ("light", "light"), ("heavy", "heavy"),
        ("heard, not how loud", "heard"),
    )  # fmt: skip
    assert knock.value == ""
    # What stands there all the time is not read out again at each change.
    shown = [one.value for one in everything(form) if is_html(one) and one.value]
    quiet = [text for text in shown if "Close the throttle" in text or "The last 3 of 3" in text]
    assert ["status" in text for text in quiet] == [False, False]
    assert labelled(form, "air temperature").description == "air temperature [°C]"
    add(form, knock="none")
    assert labelled(form, "knock").value == "", "the next run would claim that somebody listened"
    add(form)
    runs = load_session(outing).runs
    assert list(runs["knock"])[-2:] == ["none", ""]


@pytest.mark.slow
def test_the_form_counts_what_is_still_to_ride(demo_copy):
    form = runs_form(shortened(demo_copy, 13))
    labelled(form, "planned runs").value = 4
    said = add(
        form, setup="big_172_e10", entry="48", exit="71", gauge_low="13.1", gauge_high="13.2"
    )
    assert (
        "Go on: still to ride: stock 1, big 185 4 and big 172 e10 3. "
        "Not to be ridden: big 150: light knock was heard on run 5; big 164: " in said
    )
    labelled(form, "planned runs").value = 6
    said = add(form, setup="stock", gauge_low="12.6", gauge_high="12.8")
    assert "Go on: still to ride: stock 2, big 185 6, big 172 2 and big 172 e10 5." in said


def test_knock_stops_the_setup_and_all_that_are_no_safer(demo_copy, edit):
    # On one octane number for both fuels, so that e5 is no refuge.
    edit("session.toml", 'octane = "98 RON"', 'octane = "95 RON"')
    form = runs_form(shortened(demo_copy, 21))
    said = add(form, setup="big_164", exit="71", gauge_low="13.0", gauge_high="13.2", knock="light")
    assert "Stop: light knock was heard on run 22 with big 164. Do not ride it again" in said
    assert "No safer, and ended with it: big 150 and big 172 e10." in said
    assert "Go on" not in said
    # Another run of it, quiet this time, changes nothing.
    said = add(form, setup="big_164", exit="70", gauge_low="13.0", gauge_high="13.2", knock="none")
    assert "Stop: light knock was heard on run 22 with big 164." in said


@pytest.mark.slow
def test_knock_that_the_mixture_does_not_explain_ends_the_engine(demo_copy):
    form = runs_form(shortened(demo_copy, 21))
    said = add(form, setup="big_185", exit="68", gauge_low="11.4", gauge_high="11.6", knock="heavy")
    assert "Stop: heavy knock was heard on run 22 with big 185." in said
    assert "until it runs richer" not in said, "richer is not what helps here"
    assert "Ended with it: big 150, big 164, big 172 and big 172 e10." in said
    assert "Next: find what made big 185 knock before the engine 'big' is ridden" in said


@pytest.mark.slow
def test_a_decided_test_says_what_the_report_says(demo_copy):
    form = runs_form(shortened(demo_copy, 21))
    labelled(form, "planned runs").value = 3
    said = add(form, gauge_low="12.6", gauge_high="12.8", knock="none")
    assert (
        "Decided: nothing that is still planned is likely to change it. Ride now: big 172" in said
    )
    assert "Next: buy injector i178" in said
    labelled(form, "planned runs").value = 5
    said = add(form, gauge_low="12.6", gauge_high="12.8", knock="none")
    assert "Go on: still to ride: big 185 2, big 172 1 and big 172 e10 2." in said


@pytest.mark.slow
def test_a_session_that_is_not_complete_still_stops_for_what_the_row_says(tmp_path):
    folder = tmp_path / "fresh"
    write_new_session(folder)
    form = runs_form(folder)
    labelled(form, "a column that is not there").value = "head_temperature"
    labelled(form, "Add the column").click()
    said = typed(form, setup="stock", knock="heavy")
    assert "Stop: heavy knock was heard on run 1 with stock." in said
    assert "That ends all leaner setups on this engine, too." in said
    assert "Not complete:" in said
    said = typed(form, setup="big", knock="none", head_temperature="240")
    assert "Stop: the head reached 240 °C on run 2" in said


def test_a_column_that_is_not_there_is_added_to_the_file_and_the_form(outing):
    path = outing / "runs.csv"
    before = path.read_text(encoding="utf-8").splitlines()
    form = runs_form(outing)
    choice = labelled(form, "a column that is not there")
    assert "exclude" in choice.options
    assert "exit_speed" not in choice.options
    labelled(form, "entry speed").value = "480"
    for key, head in (("down_exit_speed", "down_exit_speed [km/h]"), ("exclude", "exclude")):
        labelled(form, "a column that is not there").value = key
        labelled(form, "Add the column").click()
        assert f"Added: the column {key}; the file as it was is runs.earlier-" in words(form)
        after = path.read_text(encoding="utf-8").splitlines()
        assert after == [f"{before[0]},{head}", *(f"{line}," for line in before[1:])]
        before = after
    assert labelled(form, "down exit speed [km/h]").value == ""
    load_session(outing)
    # What was typed before, and when the cell is run again, is there and judged.
    assert labelled(runs_form(outing), "entry speed").value == "480"
    assert "480 km/h is outside" in words(form)
    add(form, exclude="slipped")
    assert labelled(runs_form(outing), "entry speed").value == ""
    assert path.read_text(encoding="utf-8").splitlines()[-1].endswith(",slipped")
    # Where all are there, there is none to add.
    assert not labelled(runs_form(outing), "Add the column").disabled
    for key in labelled(runs_form(outing), "a column that is not there").options:
        add_column(open_sheet(outing), key)
    full = runs_form(outing)
    assert labelled(full, "a column that is not there").options == ("(all are there)",)
    assert labelled(full, "Add the column").disabled


@pytest.mark.slow
def test_a_column_goes_in_below_remarks_and_with_semicolons(demo_copy):
    path = demo_copy / "runs.csv"
    path.write_text("# mine\nrun;setup;rider;exit_speed [mph]\n1;stock;tove;\n\n# end\n")
    form = runs_form(demo_copy)
    labelled(form, "a column that is not there").value = "entry_speed"
    labelled(form, "Add the column").click()
    assert path.read_text(encoding="utf-8") == (
        "# mine\nrun;setup;rider;exit_speed [mph];entry_speed [mph]\n1;stock;tove;;\n\n# end\n"
    )
