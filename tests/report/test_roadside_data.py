"""What the phone's page is given as data, and that its script has no sentence or limit of its own.

These need neither node nor a browser.
"""

import re
import string

import pytest

from tests.report.roadside_page import EVERY_COLUMN, data_of, write_page
from tuninglib import units
from tuninglib.analysis.day_plan import ended_with, start_of
from tuninglib.analysis.records import Knock
from tuninglib.report.advice import gate_sentence
from tuninglib.report.heat import knock_sentence
from tuninglib.report.page_parts import asset, spaced_list
from tuninglib.session.edit import open_sheet, problems_of_row
from tuninglib.session.load import load_session
from tuninglib.session.read_table import COLUMNS, LOUD, NO_REASON, columns_of_runs

SCRIPT = str(asset("report/page/roadside.js"))
_PIECES = re.compile(
    r"""//[^\n]*|"(?:[^"\\\n]|\\.)*"|'(?:[^'\\\n]|\\.)*'|`(?:[^`\\]|\\.)*`""", re.DOTALL
)
BASE = {"run": "77", "setup": "stock", "rider": "tove"}


def literals(script: str) -> list:
    """Texts between quotes in a script, each without what is filled in."""
    found = [piece for piece in _PIECES.findall(script) if not piece.startswith("//")]
    return [re.sub(r"\$\{[^}]*\}", "x", piece[1:-1]) for piece in found]


def code(script: str) -> str:
    """A script without remarks and texts."""
    return _PIECES.sub(lambda piece: "" if piece[0].startswith("//") else '""', script)


def test_the_script_has_no_sentence_of_its_own():
    assert [text for text in literals(SCRIPT) if len(text.split()) > 3] == []
    # What is looked for would be found.
    more = "say(`Stop: ${x} was heard again`); // a remark of many words\nf('it is too lean');"
    assert literals(more) == ["Stop: x was heard again", "it is too lean"]


def test_the_script_has_no_limit_of_its_own():
    # One and two, half of a range, the six digits that :g means, and how long a file is offered.
    assert {*re.findall(r"(?<![\w.$])\d[\w.]*", code(SCRIPT))} <= {"0", "1", "2", "6", "60000"}


def test_the_script_names_what_it_is_given_and_nothing_else(demo_copy):
    write_page(demo_copy)
    data = data_of(demo_copy)
    texts = {*literals(SCRIPT), *re.findall(r"\bsays\.(\w+)", SCRIPT)}
    says = {*data["says"]}
    assert says <= texts
    assert {*re.findall(r'\b(?:say|refuse)\(\s*"([^"]+)"', SCRIPT)} <= says
    assert {*re.findall(r'\bsays\["([^"]+)"\]', SCRIPT)} <= says
    assert {*re.findall(r"\bsays\.(\w+)", SCRIPT)} <= says
    taken_apart = {"says", "longest", "limits", "wind"}
    assert {*re.findall(r"\bdata\.(\w+)", SCRIPT)} | taken_apart == {*data}
    columns = {text for text in texts if re.search("[a-z]_[a-z]", text)}
    assert columns <= {*COLUMNS, *data["patterns"]}


@pytest.fixture
def wide(demo_copy):
    """The folder of a session with every column in its runs.csv, and the page's data."""
    keys = [one.partition("[")[0].strip() for one in EVERY_COLUMN.split(",")]
    row = ",".join({"run": "1", "setup": "stock", "rider": "tove"}.get(key, "") for key in keys)
    (demo_copy / "runs.csv").write_text(f"{EVERY_COLUMN}\n{row}\n", encoding="utf-8")
    write_page(demo_copy)
    return demo_copy, data_of(demo_copy)


def test_a_field_is_as_its_column_is(wide):
    folder, data = wide
    fields = {field["key"]: field for field in data["fields"]}
    assert list(fields) == data["keys"]
    for key, field in fields.items():
        column = columns_of_runs(load_session_names(folder)[1])[key]
        assert (field["kind"], field["required"], field["whole"]) == (
            column.kind, column.required, column.whole,
        )  # fmt: skip
        assert (field["help"] == column.help) == (column.kind != "range")
        assert field["synonyms"] == column.synonyms
        if column.kind == "choice":
            assert [tuple(pair) for pair in field["choices"]] == column.options
            assert field["names"] == list(column.choices)
        if column.low is not None:
            assert (field["least"], field["most"]) == (column.low, column.high)
        if column.kind == "quantity":
            for typed in (0.0, 1.0, -40.0, 12.34):
                in_si = field["factor"] * typed + field["offset"]
                assert in_si == units.convert(typed, field["unit"], column.unit)
        elif field["numeric"]:
            assert (field["factor"], field["offset"]) == (1, 0)
    own = ["gauge_low", "gauge_high", "knock", "head_temperature", "exclude", "note"]
    speeds = ["entry_speed", "exit_speed", "down_entry_speed", "down_exit_speed"]
    for flag, keys in (("own", own + speeds), ("compared", speeds), ("carried", speeds[:1])):
        assert {key for key in fields if fields[key][flag]} == {*keys}
    assert (data["taken"], data["fresh"]) == (["1"], {"state": "full"})
    assert data["cool"]["minute_s"] * data["cool"]["second_ms"] == 60_000
    assert (data["wind"]["factor"], data["gauge"]["prints"]["low"]) == pytest.approx((3.6, 10))
    session = load_session_names(folder)
    assert (fields["setup"]["names"], fields["rider"]["names"]) == session
    assert [one["key"] for one in data["fields"] if one["stays"]] == [
        "air_temperature", "air_pressure", "humidity", "headwind",
    ]  # fmt: skip


def load_session_names(folder) -> tuple:
    sheet = open_sheet(folder)
    return list(sheet.setups), list(sheet.riders)


def test_what_is_outside_is_said_as_the_program_says_it(wide):
    folder, data = wide
    sheet = open_sheet(folder)
    for field in data["fields"]:
        if not field["numeric"]:
            continue
        for beyond in (field["least"] - abs(field["least"]) - 1, field["most"] * 2):
            cell = f"{(beyond - field['offset']) / field['factor']:.0f}"
            found = problems_of_row(sheet, BASE | {field["key"]: cell})[field["key"]]
            said = data["says"]["outside"].format(**field | {"cell": cell})
            # The program names the header's unit as it stands there; the phone has its sign.
            unit = sheet.units.get(field["key"])
            assert said == (found.replace(unit, units.sign_of(unit)) if unit else found)
            assert "deg" not in said


ROWS = {
    "taken": ({"run": "1"}, "run"),
    "empty": ({"rider": ""}, "rider"),
    "no number": ({"gauge_low": "x"}, "gauge_low"),
    "not finite": ({"gauge_low": "1e400"}, "gauge_low"),
    "too long": ({"gauge_low": "7" * 81}, "gauge_low"),
    "in parts": ({"run": "1.5"}, "run"),
    "two ways": ({"run": "1,001"}, "run"),
    "unknown name": ({"setup": "none such"}, "setup"),
    "no choice": ({"knock": "loud"}, "knock"),
    "beyond": ({"gauge_low": "9.5", "gauge_high": "9.5"}, "gauge_low"),
    "no mixture": ({"gauge_low": "30", "gauge_high": "30"}, "gauge_low"),
    "swapped": ({"gauge_low": "13", "gauge_high": "12"}, "gauge_low"),
    "not full": (
        {"state": "idle", "entry_speed": "40", "exit_speed": "30"},
        "state",
    ),
    "from behind": (
        {"entry_speed": "40", "exit_speed": "20", "headwind": "-50"},
        "headwind",
    ),
}


def test_each_sentence_is_one_that_the_program_says(wide):
    folder, data = wide
    sheet = open_sheet(folder)
    for name, (typed, column) in ROWS.items():
        # Its words between the slots, in their order, and in one sentence of the program's.
        pieces = [text for text, *_ in string.Formatter().parse(data["says"][name])]
        found = problems_of_row(sheet, BASE | typed).get(column, name)
        assert re.search(".*".join(map(re.escape, pieces)), found), (name, found)
    for pair in data["pairs"]:
        for (empty, said), (other, _) in (pair, pair[::-1]):
            value = "12.6" if other.startswith("gauge") else "40"
            assert problems_of_row(sheet, BASE | {other: value})[empty] == said


def test_knock_limits_and_setups_that_end_are_those_of_the_program(demo_copy):
    write_page(demo_copy)
    start, data = start_of(demo_copy), data_of(demo_copy)
    assert data["heard"] == {
        level: knock_sentence(Knock("stock", 77.0, level)).replace("77", "{run}") for level in LOUD
    }
    setups = load_session(demo_copy).setups
    expected = {
        name: ended_with(name, tuple(setups), start.richness, start.results) for name in setups
    }
    assert any(ends["knock"] for ends in expected.values())
    assert data["ends"] == {
        name: {
            why: {"setups": list(others), "names": spaced_list(others)}
            for why, others in ends.items()
        }
        for name, ends in expected.items()
    }
    assert data["closed"] == {
        name: gate_sentence(start.results, one) for name, one in start.closed.items()
    }
    limits, leanest, hottest = start.limits, data["limits"]["leanest"], data["limits"]["hottest_k"]
    for step in (-1e-6, -1e-8, 0.0, 5e-10, 1e-8, 1e-6, 1.0):
        reading, head_k = limits.reading + step, limits.hottest_k + step
        assert (reading > leanest) == limits.too_lean(reading, reading)
        assert (head_k > hottest) == limits.too_hot(head_k)
    assert {*data["no_reason"]} == NO_REASON


def test_speeds_that_others_are_held_against_are_those_that_count_and_are_sound(demo_copy):
    header = "run,setup,rider,entry_speed [mph],exit_speed [mph],exclude"
    rows = ("1,stock,tove,30,38,", "2,stock,tove,30,61,", "3,stock,tove,,39,no",
            "4,stock,tove,30,40,rain", "5,stock,tove,x,38.5,")  # fmt: skip
    (demo_copy / "runs.csv").write_text("\n".join((header, *rows, "")), encoding="utf-8")
    session = demo_copy / "session.toml"
    session.write_text(session.read_text("utf-8").replace("lowest = 10.0\n", ""), "utf-8")
    write_page(demo_copy)
    data = data_of(demo_copy)
    # There is no column for the state here: none is written. Nor is the gauge's lowest said.
    assert (data["taken"], data["fresh"]) == (["1", "2", "3", "4", "5"], {})
    assert data["gauge"]["prints"]["low"] == 0
    assert data["far"]["known"] == {
        "entry_speed": [30.0, 30.0], "exit_speed": [38.0, 39.0, 38.5],
    }  # fmt: skip
