"""Values and rows written into a session's files: these, and not one character of anything else."""

import tomllib
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import pytest

from tuninglib.session import edit as editing
from tuninglib.session.edit import (
    add_column,
    add_run,
    names_of,
    open_sheet,
    problems_of_row,
    row_text,
    set_values,
    without_table,
    write_values,
)
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError, read_text
from tuninglib.whole_files import keep_earlier, one_writer

BAND = {"lowest": 0.84, "highest": 0.9}


def test_setting_values_leaves_the_rest_to_the_letter(demo_folder):
    text = (demo_folder / "session.toml").read_text(encoding="utf-8")
    new = set_values(text, "target", {"lowest": 0.84, "highest": 0.91})
    changed = [(a, b) for a, b in zip(text.split("\n"), new.split("\n"), strict=True) if a != b]
    assert [b for _, b in changed] == ["lowest = 0.84", "highest = 0.91"]


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ('flow = "150 cc/min" # from a "bench" test', 'flow = "178 cc/min" # from a "bench" test'),
        ('flow="150 # cc/min"   #x', 'flow="178 cc/min"   #x'),
        ("  flow = '150 cc/min'", '  flow = "178 cc/min"'),
        ('"flow" = "150 cc/min"', '"flow" = "178 cc/min"'),
        ('# flow = "165 cc/min"  # as stated', 'flow = "178 cc/min"  # as stated'),
        ('  #flow="165 cc/min"', '  flow="178 cc/min"'),
        ("", 'flow = "178 cc/min"'),
        ("# flow = what the maker says", 'flow = "178 cc/min"'),
    ],
)
def test_remarks_stay_and_remarked_keys_come_to_life(line, wanted):
    text = f"[injectors.a]\n{line}\n[injectors.b]\nflow = 1\n"
    new = set_values(text, "injectors.a", {"flow": "178 cc/min"})
    assert wanted in new.split("\n")
    document = tomllib.loads(new)
    assert document["injectors"] == {"a": {"flow": "178 cc/min"}, "b": {"flow": 1}}


@pytest.mark.parametrize("quotes", ['"""', "'''"])
@pytest.mark.parametrize("line", ["[target]", "lowest = 0.7", "# lowest = 0.7", "[[target]]"])
def test_a_note_over_several_lines_is_no_table(quotes, line):
    note = f"note = {quotes}\n{line}\nlowest = 0.7\n# highest = 0.8\n{quotes}\n"
    text = f"[session]\n{note}\n[target]\nlowest = 0.83\n# highest = 0.95  # leanest\n[gauge]\n"
    new = set_values(text, "target", BAND)
    assert new == text.replace("0.83", "0.84").replace("# highest = 0.95", "highest = 0.9")


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("target = {lowest = 0.83} # mine\n", None),
        ("target = { lowest = 0.83, highest = 0.95 }\n[gauge]\n", None),
        ("target.lowest = 0.83 # mine\n[gauge]\nscale = 1\n", None),
        ('["target"]\n"lowest" = 0.83\n', None),
        ("[ target ] # mine\nlowest = 0.83\n\n# The gauge.\n[gauge]\n", None),
        ("[target]\n\n# The gauge.\n[gauge]\n", "[target]\nlowest = 0.84\nhighest = 0.9\n\n# The"),
        ("[target]", "[target]\nlowest = 0.84\nhighest = 0.9\n"),
        ("[gauge]\nscale = 1", "scale = 1\n\n[target]\nlowest = 0.84\nhighest = 0.9\n"),
        ("[target.old]\nlowest = 1\n", "[target.old]\nlowest = 1\n\n[target]\nlowest = 0.84\n"),
    ],
)
def test_however_the_table_is_written(text, wanted):
    new = set_values(text, "target", BAND)
    expected = tomllib.loads(text)
    expected.setdefault("target", {}).update(BAND)
    assert tomllib.loads(new) == expected
    assert wanted is None or wanted in new
    for remark in ("# mine", "# The gauge.", "[ target ] # mine"):
        assert (remark in new) == (remark in text)


def test_a_table_that_is_only_a_remark_is_left_alone():
    remark = "# [target]\n# lowest = 0.8\n# [target]\n# lowest = 0.7\n"
    text = f"[gauge]\nscale = 1\n{remark}"
    assert (
        set_values(text, "gauge", {"lowest": 10.0})
        == f"[gauge]\nscale = 1\nlowest = 10.0\n{remark}"
    )
    new = set_values(text, "target", BAND)
    assert new == f"{text}\n[target]\nlowest = 0.84\nhighest = 0.9\n"


def test_a_key_is_put_before_the_arrays_of_tables():
    text = '[hill]\nlength = "400 m"\n\n[[hill.pieces]]\nlength = "150 m"\n'
    new = set_values(text, "hill", {"length": "410 m", "altitude": "210 m"})
    assert new == text.replace('"400 m"', '"410 m"\naltitude = "210 m"')


@pytest.mark.parametrize(
    "text",
    [
        '[injectors."next"]\nflow = "1 cc/min"\n',
        'injectors.a.flow = "1 cc/min"\n[gauge]\nscale = 1\n',
        'injectors = { a = { flow = "1 cc/min" } }\n[gauge]\nscale = 1\n',
        '[injectors]\na = { flow = "1 cc/min" }\n',
        '[injectors.a]\nflow = "1"\n[gauge]\nscale = 1\n[injectors.b]\nflow = "2"\n',
    ],
)
def test_a_named_entry_is_added_whatever_form_the_others_have(text):
    values = {"flow": "178 cc/min", "tolerance": '5 "%"'}
    expected = tomllib.loads(text)
    expected["injectors"].setdefault("next", {}).update(values)
    assert tomllib.loads(set_values(text, "injectors.next", values)) == expected


def test_a_value_that_stands_there_already_is_not_rewritten():
    text = "[target]\nlowest = 0.830\nhighest = 0.90\n"
    assert set_values(text, "target", {"lowest": 0.83, "highest": 0.9}) == text


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[target]\nlowest = [\n 1,\n]\n", "lowest is spread over several lines in session.toml"),
        ('[target]\nlowest = """\n1"""\n', "lowest is spread over several lines in session.toml"),
        ("target = 3\n", r"target is not a table in session.toml; write \[target\] above its keys"),
        ("[[target]]\nlowest = 1\n", "target is not a table in session.toml"),
    ],
)
def test_what_is_left_to_the_rider(text, sentence):
    with pytest.raises(ValueError, match=sentence):
        set_values(text, "target", BAND)


def test_what_was_written_is_read_back_first(demo_copy, monkeypatch):
    def careless(text, path, key, value):
        return text.replace("scale = 14.7", "scale = 14.6").replace(
            "lowest = 0.83", "lowest = 0.84"
        )

    monkeypatch.setattr("tuninglib.session.edit._set_value", careless)
    before = (demo_copy / "session.toml").read_bytes()
    with pytest.raises(SessionError) as caught:
        write_values(demo_copy, {"target": {"lowest": 0.84}})
    assert str(caught.value) == (
        "session.toml: lowest under [target] cannot be set without changing other values; "
        "change it by hand"
    )
    assert (demo_copy / "session.toml").read_bytes() == before
    assert sorted(p.name for p in demo_copy.glob("session*")) == ["session.toml"]


def test_a_file_that_is_not_valid_is_not_touched(edit):
    folder = edit("session.toml", 'title = "Bigger', "title = Bigger")
    before = (folder / "session.toml").read_bytes()
    with pytest.raises(SessionError, match="row 5: is not valid TOML"):
        write_values(folder, {"target": {"lowest": 0.84}})
    assert (folder / "session.toml").read_bytes() == before


def test_writing_the_band_keeps_the_earlier_file_and_works_afterwards(demo_copy):
    before = (demo_copy / "session.toml").read_bytes()
    edited = write_values(demo_copy, {"target": {"lowest": 0.82, "highest": 0.88}})
    assert edited.kept.name == "session.earlier-1.toml"
    assert edited.kept.read_bytes() == before
    assert load_session(demo_copy).target.highest == 0.88
    again = write_values(demo_copy, {"target": {"lowest": 0.82, "highest": 0.88}})
    assert again.kept is None


def test_values_that_cannot_be_used_change_nothing(demo_copy):
    before = (demo_copy / "session.toml").read_bytes()
    with pytest.raises(SessionError, match=r"lowest \(0\.95\) must be below highest"):
        write_values(demo_copy, {"target": {"lowest": 0.95, "highest": 0.9}})
    assert (demo_copy / "session.toml").read_bytes() == before
    assert sorted(p.name for p in demo_copy.glob("session*")) == ["session.toml"]


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_file_of_another_system_keeps_its_line_ends_and_encoding(demo_copy, encoding, line_end):
    path = demo_copy / "session.toml"
    text = path.read_text(encoding="utf-8").replace("milestone", "Möhre").replace("\n", line_end)
    path.write_bytes(text.encode(encoding))
    write_values(demo_copy, {"target": {"lowest": 0.82}})
    assert path.read_bytes() == text.replace("lowest = 0.83", "lowest = 0.82").encode(encoding)
    assert load_session(demo_copy).target.lowest == 0.82


def test_an_earlier_file_is_kept_under_the_next_free_name(tmp_path):
    path = tmp_path / "runs.csv"
    for number in (1, 2):
        path.write_text(f"{number}")
        kept = keep_earlier(path)
        assert kept.name == f"runs.earlier-{number}.csv"
        assert read_text(kept) == f"{number}"


# Rows of runs.csv ---------------------------------------------------------------------------------


ROW = {
    "run": "90", "setup": "stock", "rider": "tove", "entry_speed": "48", "exit_speed": "63",
    "gauge_low": "12.6", "gauge_high": "12.8", "air_temperature": "20", "knock": "none",
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "column", "said"),
    [
        ({"exit_speed": "630"}, "exit_speed", "outside 3.6 to 252 km/h"),
        ({"exit_speed": "fast"}, "exit_speed", "is not a number"),
        ({"exit_speed": ""}, "exit_speed", "is empty while its partner is not"),
        ({"gauge_low": "13.5"}, "gauge_low", "is above gauge_high 12.8; swap the two"),
        ({"setup": "stok"}, "setup", "did you mean 'stock'?"),
        ({"run": "3"}, "run", "is in row 4 already"),
        ({"run": ""}, "run", "is empty"),
    ],
)
def test_what_is_wrong_with_a_row_is_said_as_check_would_say_it(demo_folder, change, column, said):
    found = problems_of_row(open_sheet(demo_folder), {**ROW, **change})
    assert said in found[column]
    assert set(found) == {column}


def test_an_added_run_is_one_more_line_and_nothing_else(demo_copy):
    path = demo_copy / "runs.csv"
    before, count = path.read_bytes(), len(load_session(demo_copy).runs)
    kept = add_run(open_sheet(demo_copy), {**ROW, "note": 'gusty, "wet"'}, keep=True)
    after = path.read_bytes()
    assert after.startswith(before)
    assert after[len(before) :].count(b"\n") == 1
    assert kept.read_bytes() == before
    runs = load_session(demo_copy).runs
    assert len(runs) == count + 1
    assert runs.iloc[-1]["note"] == 'gusty, "wet"'
    assert runs.iloc[-1]["shown_exit_m_s"] == pytest.approx(63 / 3.6)


def test_the_row_speaks_the_files_own_dialect(demo_copy):
    path = demo_copy / "runs.csv"
    head = "setup;run;rider;exit_speed [mph];entry_speed [mph];air_temperature [degF];gauge_low;"
    rows = "stock;1;tove;39,5;30,0;60,0;12,6;12,8\n"
    path.write_bytes(
        b"\xef\xbb\xbf" + (head + "gauge_high\n" + rows).replace("\n", "\r\n").encode()
    )
    sheet = open_sheet(demo_copy)
    typed = {**ROW, "entry_speed": "30.5", "exit_speed": "39,5", "air_temperature": "61"}
    assert row_text(sheet, typed) == "stock;90;tove;39,5;30,5;61;12,6;12,8"
    assert problems_of_row(sheet, typed) == {}
    add_run(sheet, typed, keep=False)
    raw = path.read_bytes()
    assert raw.startswith(b"\xef\xbb\xbfsetup;")
    assert raw.count(b"\n") == raw.count(b"\r\n") == 3
    assert open_sheet(demo_copy).table.rows[-1][4] == "30,5"


def test_the_next_run_is_one_more_than_the_highest(demo_copy):
    path = demo_copy / "runs.csv"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("\n1,stock", "\n99,stock"), encoding="utf-8")
    assert open_sheet(demo_copy).next_run == "100"
    path.write_text(text.split("\n")[0] + "\n", encoding="utf-8")
    assert open_sheet(demo_copy).next_run == "1"
    path.write_text("setup,rider\n", encoding="utf-8")
    assert open_sheet(demo_copy).next_run == "1"


def test_names_of_a_session_that_is_not_valid_are_unknown(demo_folder, edit):
    assert "stock" in names_of(demo_folder)[0]
    assert names_of(edit("session.toml", "[bike]", "[bike")) == ((), ())


def test_a_file_that_lacks_its_last_line_end_gets_it(demo_copy):
    path = demo_copy / "runs.csv"
    path.write_text(path.read_text("utf-8").rstrip("\n"), "utf-8")
    before = path.read_text("utf-8")
    add_run(open_sheet(demo_copy), ROW, keep=False)
    after = path.read_text("utf-8")
    assert after.startswith(f"{before}\n90,stock,")
    assert after.endswith("\n")


def test_a_column_that_nobody_knows_stays_empty_in_a_new_row(demo_copy):
    path = demo_copy / "runs.csv"
    header, *rows = path.read_text("utf-8").strip().split("\n")
    path.write_text("\n".join([f"{header},mood", *(f"{row},fine" for row in rows)]) + "\n", "utf-8")
    sheet = open_sheet(demo_copy)
    assert sheet.keys[-1] == ""
    assert row_text(sheet, ROW).endswith(",")
    found = problems_of_row(sheet, ROW)
    assert set(found) == {""}
    assert "unknown column 'mood'" in found[""]


def test_what_is_wrong_is_blamed_where_it_is(demo_copy, edit):
    path, values = demo_copy / "runs.csv", {"run": "2", "setup": "stock", "rider": "tove"}
    path.write_text("run,setup,rider,gauge\n1,stock,tove,12.7\n")
    message = problems_of_row(open_sheet(demo_copy), values | {"gauge": "30"})["gauge"]
    assert message.startswith("30 is beyond what the gauge can show (10 to 20)")
    assert message.count("beyond") == 1
    # Neither the header nor the session is blamed on a cell of the row.
    path.write_text("run,setup,rider,exit_speed [kg]\n1,stock,tove,\n")
    found = problems_of_row(open_sheet(demo_copy), values | {"exit_speed": "50"})
    assert "exit_speed" not in found
    assert "[kg] is not a unit of exit_speed" in found[""]
    edit("session.toml", "scale = 14.7", "scale = 147")
    path.write_text("run,setup,rider\n1,stock,tove\n")
    (where, said) = problems_of_row(open_sheet(demo_copy), values).popitem()
    assert (where, said.partition(",")[0]) == ("", "session.toml")


@pytest.mark.parametrize(
    ("text", "table", "after"),
    [
        ("[riders]\nme.mass = 1\nmeg.mass = 2\n", "riders.me",
         "[riders]\n# me.mass = 1\nmeg.mass = 2\n"),
        ("[setups]\na = {b = 1}  # x\n", "setups.a", "[setups]\n# a = {b = 1}  # x\n"),
        ("[hill]\na = 1\n\n[[hill.pieces]]\nb = [\n[1],\n]\n[use]\nc = 1\n", "hill",
         "# [hill]\n# a = 1\n\n# [[hill.pieces]]\n# b = [\n# [1],\n# ]\n[use]\nc = 1\n"),
        ("setups = {a = {b = 1}, c = {b = 2}}\n", "setups.a", "setups = { c = {b = 2}}\n"),
    ],
)  # fmt: skip
def test_a_table_is_made_remarks_however_it_is_written(text, table, after):
    assert without_table(text, table) == after


def test_a_table_that_cannot_be_told_from_others_is_left_to_the_rider():
    with pytest.raises(ValueError, match="cannot be removed without changing other values"):
        without_table('riders.me.mass = "80 kg"\nriders.me.note = "x"\n', "riders.me")


def test_rows_of_two_writers_are_all_kept(demo_copy):
    """Ten rows each at the same time, as from two forms; and a value set meanwhile."""
    before = len(open_sheet(demo_copy).table.rows)

    def write(writer):
        for number in range(10):
            add_run(sheet, {**ROW, "run": str(100 + 10 * writer + number)}, keep=False)
        return write_values(demo_copy, {"target": {"lowest": 0.80 + writer / 100}})

    sheet = open_sheet(demo_copy)
    with ThreadPoolExecutor(3) as writers:
        found = list(writers.map(write, range(3)))
    runs = [row[0] for row in open_sheet(demo_copy).table.rows[before:]]
    assert sorted(map(int, runs)) == list(range(100, 130))
    assert len({one.kept for one in found}) == 3, "each keeps what the one before had written"
    assert not (demo_copy / ".tuninglib.lock").exists()


def test_a_column_that_came_in_meanwhile_has_its_cell(demo_copy):
    sheet = open_sheet(demo_copy)
    add_column(sheet, "exclude")
    add_run(sheet, {**ROW, "run": "100"}, keep=False)
    table = open_sheet(demo_copy).table
    assert table.headers[-1] == "exclude"
    assert table.rows[-1][0] == "100"


def test_a_writer_that_does_not_end_is_waited_for_and_said(demo_copy, monkeypatch):
    with one_writer(demo_copy):
        monkeypatch.setattr(editing, "one_writer", partial(one_writer, patience_s=0.05))
        with pytest.raises(SessionError, match="outing: is being written to by another program"):
            add_run(open_sheet(demo_copy), ROW, keep=False)
        with pytest.raises(SessionError, match="is being written to by another program"):
            write_values(demo_copy, {"target": {"lowest": 0.84}})


def test_of_tables_with_names_those_are_left_out_that_hold_none():
    document = {"bike": {}, "injectors": {}, "fuels": {"a": {}}, "hill": {"length": "400 m"}}
    kept = {"bike": {}, "fuels": {"a": {}}, "hill": {"length": "400 m"}}
    assert editing._without_empty(document) == kept
    assert editing._without_empty({}) == {}
