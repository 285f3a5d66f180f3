"""The checks of the page for the phone, cell by cell, against what the program's own rules give.

What is expected is not typed here: the rules of ``session`` and ``analysis`` say it.
"""

import dataclasses
import itertools
import random
import re
import string

import pandas as pd
import pytest

from tests.outing import Outing
from tests.report.roadside_page import EVERY_COLUMN, data_of, write_page
from tests.script import asker
from tuninglib.analysis.day_plan import Interim, ended_with, far_from, interim_of_folder, start_of
from tuninglib.analysis.records import Knock
from tuninglib.report.page_parts import plain, spaced
from tuninglib.report.verdict import interim_sentences
from tuninglib.rounding import decimals_of_step, fixed
from tuninglib.session import tables
from tuninglib.session.cross_checks import contradictions
from tuninglib.session.edit import add_run, cells_of, open_sheet, problems_of_row, row_text
from tuninglib.session.load import load_session
from tuninglib.session.read_table import (
    LOUD,
    OF_ONE_RUN,
    SPEED_COLUMNS,
    columns_in_si,
    columns_of_runs,
)
from tuninglib.session.read_toml import what_stands
from tuninglib.text_files import parse_table
from tuninglib.units import sign_of

SCRIPT = "report/page/roadside.js"
BASE = {"run": "77", "setup": "stock", "rider": "tove"}
FIRST = {"run": "1", "setup": "stock", "rider": "tove", "entry_speed": "48.5", "gauge": "12.5"}
IN_FAHRENHEIT = EVERY_COLUMN.replace("head_temperature [degC]", "head_temperature [degF]")
# Changes of session.toml, the separator, and the header of runs.csv; none: as it stands.
WORLDS = {
    "complete": ({}, ",", ""),
    "every column": ({}, ",", EVERY_COLUMN),
    "decimal comma": ({}, ";", EVERY_COLUMN),
    "one column for the gauge": ({}, ",", "run,setup,rider,gauge,knock,note"),
    "no state": (
        {},
        ",",
        "run,setup,rider,gauge,gauge_low,gauge_high,knock,exclude,entry_speed [mph],"
        "exit_speed [mph]",
    ),
    "lambda and degF": (
        {
            "session": {"units": "us"},
            "gauge": {"scale": 1.0, "resolution": 0.01, "lowest": None, "highest": None},
            "bike": {"highest_head_temperature": "410 degF"},
        },
        ",",
        IN_FAHRENHEIT,
    ),
    "a gauge open above": ({"gauge": {"highest": None}}, ",", EVERY_COLUMN),
    "a gauge without a scale": ({"gauge": {"scale": None}}, ",", EVERY_COLUMN),
}


@dataclasses.dataclass(frozen=True)
class World:
    """A session whose page is asked; ``session`` is as it was while it was complete."""

    folder: object
    session: object
    start: object
    sheet: object
    data: dict
    answers: object

    def answered(self, calls):
        return self.answers(SCRIPT, self.data, calls)

    def asked(self, rule, cases, *more):
        return self.answered([rule, case, *more] for case in cases)

    def cases(self, cases):
        """Cases without what this world has no column for."""
        kept = ({k: v for k, v in case.items() if k in self.sheet.keys} for case in cases)
        return [BASE | dict(one) for one in dict.fromkeys(tuple(case.items()) for case in kept)]


@pytest.fixture(scope="module")
def script():
    with asker() as answers:
        yield answers


# What these add is asked behind -m slow.
RARE = ("decimal comma", "one column for the gauge", "no state", "a gauge open above",
        "a gauge without a scale")  # fmt: skip


@pytest.fixture(
    scope="module",
    params=[pytest.param(one, marks=[pytest.mark.slow] * (one in RARE)) for one in WORLDS],
)
def world(request, demo_folder, tmp_path_factory, script):
    changes, separator, header = WORLDS[request.param]
    outing = Outing(demo_folder, tmp_path_factory.mktemp("world") / "outing")
    for table, values in changes.items():
        outing.key(table, **values)
    folder = outing.save()
    session = load_session(demo_folder)
    if header:
        keys = [one.partition("[")[0].strip() for one in header.split(",")]
        decimal = "," if separator == ";" else "."
        row = separator.join(FIRST.get(key, "").replace(".", decimal) for key in keys)
        text = f"{header.replace(',', separator)}\n{row}\n"
        (folder / "runs.csv").write_text(text, encoding="utf-8")
    start = start_of(folder)
    session = dataclasses.replace(
        session,
        gauge=what_stands(folder).gauge,
        about=dataclasses.replace(session.about, units=start.system),
    )
    write_page(folder, start=start)
    return World(folder, session, start, open_sheet(folder), data_of(folder), script)


def frame_of(world, cases) -> tuple:
    """Rows as the program reads them, and its problems by row, each column's sentences joined."""
    sheet, found = world.sheet, []
    rows = [cells_of(sheet, row_text(sheet, case)) for case in cases]
    table = dataclasses.replace(
        sheet.table,
        rows=tuple(tuple(cell.strip() for cell in row) for row in rows),
        row_numbers=tuple(range(len(rows))),
    )
    known = {"setups": {*sheet.setups}, "riders": {*sheet.riders}}
    data = columns_in_si(table, "runs.csv", columns_of_runs(sheet.riders), found, known)
    tables._spread_ranges(data, "runs.csv", found)
    # That each run has a number of its own is asked elsewhere.
    found = [one for one in found if "give each run a number" not in one.message]
    frame = pd.DataFrame(data)
    frame["readings_logged"] = False
    sound = frame[~frame["row"].isin([one.row for one in found])]
    of_rows = contradictions(dataclasses.replace(world.session, runs=sound))
    found += [one for one in of_rows if one.row is not None]
    by_row = [{} for _ in cases]
    for one in found:
        column = one.column
        # Beside the field in which it was typed.
        if column in ("gauge_low", "gauge_high") and cases[one.row].get("gauge"):
            column = "gauge"
        if column in sheet.keys:
            by_row[one.row].setdefault(column, []).append(one.message)
    return frame, by_row


ODD = (
    "", "0", "1", "-3", "12", "12,5", "12.5", "1,001", "1.001", "1,001,002", "1e3", "1e400", ".",
    "nan", "12 to 13", "12.6 to 12.8", "12,6-12,8", "13-12", "12.8 – 12.6", "12 | 13", "x | 13",
    "1e400 | 13", "12 to 13 to 14", "none",
    "No", "HEAVY", "light", "heavy", "heard", "yes", "stock", "Stock", "big_172", "'", '"', "it's",
    'it\'s 5"', "back\\slash", "idle", "full", "cruise", "−5", "٣", "0.5", "2.0", "40", "40.1",
    "40.0000001", "300", "1013", "55 %", "x", "a b", "  12  ", "a  \t b", "no", "-", "/", "false",
    "10 000", "x" * 60, "x" * 61, "7" * 80, "7" * 81, "1000000", "1000001", "5.5", "0.4", "0.39",
    "lean", ">18", "12.4/12.6", "---",
    "61 to 62", "61-62", "12.6-12.8", "12,6 bis 12,8", "about 13", "~13", "ca. 13", "Approx 13",
    "≈13", "13 +/- 0.2", "13 ± 0.2", "13+-0.2", "13 +/- 14", "10.4:1", "$38", "38 $", "1,300 ft",
    "1.300,5", "1,300.5", "1.300.500", "1.300,500 ft", "1,250", "7,013 to 8", "62 km/h",
    "1e6 to 2e6", "1e-7 - 2", "about 12,5 to 13", "-5 to 5", "1000000 to 1000001", "about",
    "12.6 to 12.8 or so", "1e400 to 2", "1,300.5 " + "x" * 80, "about 13 " + "x" * 80,
    "3.6", "3.59", "252", "252.1", "-54", "-54.1", "54", "100", "100.1", "-40", "-40.1", "427",
    "426.85", "426.9", "+5", "1e-3", "5.", ".5", "12,", "{cell}", "$&",
)  # fmt: skip
READINGS = (
    "", "0.4", "0.49", "0.5", "0.85", "1.99", "2", "2.01", "6", "7.3", "7.4", "9.9", "10", "10.1",
    "12.6", "13", "19.9", "20", "20.1", "29.4", "29.5", "35",
)  # fmt: skip
SPEEDS = [
    {"entry_speed": entry, "exit_speed": leave, "headwind": wind, "exclude": why}
    for entry, leave, wind, why in itertools.product(
        ("", "20", "40"),
        ("", "11.2", "20", "30"),
        ("", "-50", "-43.5", "-43.4", "-36", "-18", "-17.9", "-16.2", "-16.1", "0", "50"),
        ("", "no", "rain"),
    )
]
ROWS = [
    *(
        {"gauge_low": low, "gauge_high": high, "exclude": why}
        for low, high in itertools.product(READINGS, READINGS)
        for why in ("", "rain")
    ),
    *({"gauge": f"{low} to {high}"} for low, high in itertools.product(READINGS[1:], READINGS[1:])),
    *({"gauge": one, "gauge_low": low} for one, low in itertools.product(READINGS, READINGS[:8])),
    *({"gauge": one, "gauge_high": one, "exclude": "rain"} for one in READINGS),
    *SPEEDS,
    *(
        {"state": state, "entry_speed": entry, "exit_speed": leave, "gauge_low": "14.7"}
        for state in ("", "full", "Full", "idle", "cruise", "flat out")
        for entry, leave in itertools.product(("", "40"), ("", "30"))
    ),
    *(
        {"down_entry_speed": one, "down_exit_speed": other, "exclude": why}
        for one, other in itertools.product(("", "20"), ("", "7"))
        for why in ("", "-", "went wrong")
    ),
]


def test_each_cell_and_each_row_is_checked_as_the_program_checks_it(world):
    cases = world.cases([{key: odd} for key in world.sheet.keys for odd in ODD] + ROWS)
    _, expected = frame_of(world, cases)
    assert sum(map(bool, expected)) > 50
    for case, found, wanted in zip(cases, world.asked("check", cases), expected, strict=True):
        assert found == {key: shown("; ".join(map(said, of))) for key, of in wanted.items()}, case


def shown(sentence: str) -> str:
    """With the signs of units, where the program has the header's letters."""
    return sentence.replace("degC", "°C").replace("degF", "°F")


def said(sentence: str) -> str:
    """A sentence without the names that are near to a wrong one: those the phone's list shows."""
    return sentence.partition(" in session.toml; ")[0] + (
        " in session.toml" if " in session.toml; " in sentence else ""
    )


def test_a_row_is_checked_as_tuninglib_check_does(world):
    chance = random.Random(20261126)
    cases = world.cases(
        [{"run": "1"}, {"run": ""}, {"run": "1", "gauge_low": "x"}]
        + [
            {key: chance.choice(ODD) for key in chance.sample(world.sheet.keys, 4)}
            for _ in range(12)
        ]
    )
    if world.sheet.table.decimal_comma:
        # Beside a decimal comma a point in any cell is another question.
        cases = [one for one in cases if one["run"] in ("", "1", "77")][:3]
    found = world.asked("check", cases, world.data["taken"])
    for case, problems in zip(cases, found, strict=True):
        expected = problems_of_row(world.sheet, case)
        assert problems == _of_the_row(expected), case


def _of_the_row(problems: dict) -> dict:
    """Sentences by column, without what only the computer knows."""
    own = {}
    for key, text in problems.items():
        kept = [one for one in text.split("; ") if not one.startswith(("did you mean", "known:"))]
        text = re.sub(r"in row \d+ already", "in another row already", "; ".join(kept))
        if key and "up this hill" not in text:
            own[key] = shown(text)
    return own


# What stops a setup ---------------------------------------------------------------------------

HEARD = ("", "none", "no", "light", "heavy", "heard", "yes", "HEAVY", "loud")
RANGES = (
    ("", ""), ("13.4", ""), ("", "13.6"), ("12.6", "12.8"), ("13.2", "13.2"), ("13.1", "13.3"),
    ("13.3", "13.3"), ("13.3", "13.5"), ("12.6", "13.8"), ("12.6", "13.9"), ("12.5", "13.9"),
    ("13.4", "13.1"), ("11.9", "14.6"), ("0.89", "0.91"), ("0.89", "0.92"), ("0.85", "0.95"),
    ("0.85", "0.96"), ("0.91", "0.91"), ("x", "14.6"),
)  # fmt: skip
HEADS = ("", "60", "209.9", "210", "210.1", "229.9", "230", "230.1", "410", "410.1", "446", "x")
STATES = ("", "full", "idle", "cruise", "x")


def stop_cases(world):
    setups = [*world.data["ends"], "nobody's"]
    rows = [{"setup": setup, "knock": heard} for setup in setups for heard in HEARD]
    for (low, high), state in itertools.product(RANGES, STATES):
        rows.append({"gauge_low": low, "gauge_high": high, "state": state})
        rows.append({"gauge": f"{low} to {high}" if low and high else low or high, "state": state})
    rows += [
        {"setup": setup, "gauge_low": low, "gauge_high": high, "gauge": f"{low}-{high}"}
        for setup in setups
        for low, high in (("13.4", "13.6"), ("0.91", "0.93"))
    ]
    # In one or in two columns, never in both.
    one = "gauge" in world.sheet.keys and "gauge_low" in world.sheet.keys
    for row in rows if one else ():
        row.pop(("gauge", "gauge_low")["state" in row and "gauge" in row], None)
    rows += [{"head_temperature": head, "state": state} for head in HEADS for state in STATES]
    rows.append(
        {"knock": "heavy", "gauge": "14.6", "gauge_low": "14.6", "gauge_high": "14.8"}
        | {"head_temperature": "460"}
    )
    if "gauge_low" in world.sheet.keys:
        rows = [row if "gauge_low" not in row else row | {"gauge": ""} for row in rows]
    return world.cases(rows)


def stops_expected(world, case, row) -> tuple:
    """Sentences, and setups that end: from the rules for a row, and what is known of others."""
    start, limits = world.start, world.start.limits
    known = case["setup"] in world.sheet.setups
    names = tuple(dict.fromkeys([*world.sheet.setups, *start.setups]))
    ends = {"knock": (), "lean": ()}
    if known:
        ends = ended_with(case["setup"], names, start.richness, start.results)
    setup = case["setup"] if known else ""
    about = {"code": "stop", "run": 77.0, "setup": setup, "limits": limits}
    found, shut = [], set()
    if row.knock in LOUD:
        shut |= {setup, *ends["knock"]}
        heard = Knock(setup, 77.0, row.knock)
        # Without anything that ends with it, as where nothing is known of the others.
        results = RESULTS if ends["knock"] else None
        found.append(Interim(why="knock", knock=heard, shut=ends["knock"], **about))
        found[-1] = said_of(results, found[-1], start.system)
    if row.state == "full" and limits.too_lean(row.gauge_low, row.gauge_high):
        shut |= {setup, *ends["lean"]}
        low, high = float(row.gauge_low), float(row.gauge_high)
        lean = Interim(why="lean", low=low, high=high, shut=ends["lean"], **about)
        text = said_of(None, lean, start.system)
        # The phone shows it as typed, not on the steps of the gauge.
        decimals = decimals_of_step(limits.resolution)
        steps = " to ".join(dict.fromkeys(fixed(one, decimals) for one in (low, high)))
        typed = " to ".join(dict.fromkeys(f"{one:g}" for one in (low, high)))
        found.append(text.replace(f"showed {steps},", f"showed {typed},"))
    if limits.too_hot(row.head_temperature_k):
        hot = Interim(why="heat", head_k=row.head_temperature_k, **about)
        unit = world.sheet.units["head_temperature"]
        # The phone shows it in the unit of the header, as typed.
        shown = plain(row.head_temperature_k, "temperature", start.system)
        typed = f"{float(case['head_temperature']):g} {sign_of(unit)}"
        found.append(said_of(None, hot, start.system).replace(shown, typed))
    return found, shut


class Explained:
    """Results of a session that is complete and in which the mixture explains the knock."""

    class plan:
        class next:
            code = "ride again"


RESULTS = Explained()


def said_of(results, found, system) -> str:
    label, text = interim_sentences(results, found, system).items[0]
    return f"{label}: {text}"


def test_knock_lean_and_heat_stop_what_the_program_stops(world):
    cases = stop_cases(world)
    frame, _ = frame_of(world, cases)
    seen = set()
    found = world.asked("stops", cases)
    for case, row, answer in zip(cases, frame.itertuples(), found, strict=True):
        expected, shut = stops_expected(world, case, row)
        assert answer["found"] == expected, case
        # What cannot be read as a setup shuts none.
        assert {name or "" for name in answer["shut"]} == shut, case
        seen |= {(row.knock, len(shut) > 1)} if shut else set()
    if "knock" in world.sheet.keys:
        assert {level for level, _ in seen} >= set(LOUD)
        assert any(others for _, others in seen)


def test_what_was_ruled_out_when_the_page_was_made_stops_once_it_is_ridden(world):
    rows = [BASE, BASE | {"setup": "big_172"}]
    rows += [BASE | {"state": "idle"}] * ("state" in world.sheet.keys)
    calls = [["standing", [row], [{"setup": "big_185"}]] for row in rows]
    found = world.answers(SCRIPT, world.data | {"closed": {"stock": "heat"}}, calls)
    assert [one["code"] == "stop" for one in found] == [True, False, False][: len(rows)]
    assert "stock is ruled out: heat" in found[0]["why"]


def test_a_speed_far_from_the_others_is_asked_about_by_the_programs_rule(world):
    known, said = world.data["far"]["known"], world.data["says"]["far"]
    decimal = "," if world.sheet.table.decimal_comma else "."
    calls, expected = [], []
    # One column is in m/s here, in which these would be beyond every bike.
    for key in (key for key in SPEED_COLUMNS[:3] if key in world.sheet.keys):
        at = world.sheet.keys.index(key)
        cells = [row[at].replace(",", ".") for row in world.sheet.table.rows if row[at]]
        assert known.get(key, []) == [float(cell) for cell in cells]
        for others, typed in itertools.product(
            ((), ("38",), ("38", "39"), ("38", "39", "80"), ("61", "62", "60", "63")),
            ("", "x", "30", "31", "41", "47.5", "48.8", "56", "76", "78"),
        ):
            typed = typed.replace(".", decimal)
            rows = [BASE | {key: one} for one in others]
            if "exclude" in world.sheet.keys:
                rows.append(BASE | {key: "99", "exclude": "rain"})
            speeds = [*known.get(key, ()), *map(float, others)]
            number = typed.replace(",", ".")
            middle = far_from(float(number), speeds) if number[:1].isdigit() else None
            calls.append(["hints", BASE | {key: typed}, rows])
            expected.append({} if middle is None else {key: said.format(cell=typed, middle=middle)})
    assert world.answered(calls) == expected
    assert not calls or ({} in expected and any(expected))


@pytest.mark.slow
def test_after_each_row_the_phone_says_what_the_form_says(demo_folder, tmp_path, script):
    """Stop, go on with so many of each, or ridden: but for what only the mixture model shuts."""
    folder = Outing(demo_folder, tmp_path / "fresh").save()
    path = folder / "runs.csv"
    head = path.read_text(encoding="utf-8").splitlines()[0]
    path.write_text(f"{head},exclude\n", encoding="utf-8")
    write_page(folder)
    data, planned = data_of(folder), 2
    order = dict.fromkeys(one["setup"] for one in data["planned"])
    cards = [{"setup": name} for name in order for _ in range(planned)]
    quiet = {"entry_speed": "48", "exit_speed": "62", "knock": "none", "state": "full"}
    richer, leaner = ({"gauge_low": low, "gauge_high": high} for low, high in
                      (("11.8", "12"), ("12.8", "13")))  # fmt: skip
    rows, codes = [], []
    first = {"gauge_low": "12.5", "gauge_high": "12.7"}
    for setup, more in (
        ("stock", first),
        ("big_185", richer),
        ("big_185", richer | {"exclude": "gust"}),
        ("big_172", leaner | {"knock": "no"}),
        ("big_172_e10", leaner | {"gauge_high": "15"}),
        ("big_172", leaner | {"head_temperature": "240"}),
        ("big_185", richer),
        ("big_164", leaner | {"knock": "heard"}),
        ("stock", richer | {"state": "idle"}),
        ("stock", first),
    ):
        idle = {"entry_speed": "", "exit_speed": ""} if "state" in more else {}
        row = BASE | quiet | more | idle | {"run": str(len(rows) + 1), "setup": setup}
        rows.append(row)
        add_run(open_sheet(folder), row, keep=False)
        results, form = interim_of_folder(folder, planned=planned)
        assert results is not None
        asked = [["standing", rows, cards], ["shutBy", rows]]
        phone, shut = script(SCRIPT, data, asked)
        codes.append(form.code)
        if form.code == "stop":
            assert phone["code"] == "stop", row
            continue
        if form.code == "decided":
            # Only an analysis can say that; the phone goes on, or leaves it to the report.
            assert phone["code"] in ("go on", "ridden"), row
            continue
        closed = {name for name, _ in form.closed}
        left = [(name, runs) for name, runs in phone["to_ride"] if name not in closed]
        assert left == [one for one in form.to_ride if one[0] not in shut], row
        assert phone["code"] == ("go on" if phone["to_ride"] else "ridden"), row
    go, stop, rest = "go on", "stop", codes[-3:]
    assert codes[:-3] == [go, go, go, go, stop, stop, go]
    assert rest[0] == stop
    assert stop not in rest[1:]
    twice = [BASE | {"run": run, "knock": "light"} for run in ("7", "8")]
    assert script(SCRIPT, data, [["shutBy", twice]])[0]["stock"] == "7"
    every = dict.fromkeys(order, "heat")
    asked = script(SCRIPT, data | {"closed": every}, [["standing", rows[8:9], cards]])[0]
    assert asked["why"] == data["says"]["nothing left"]


def test_two_boxes_hold_a_range_as_the_file_has_it(world):
    cells = ("", "12.6", "12.6 to 12,8", "12.6-12.8", "about 13", "13 to x", "12 to 13 to 14")
    boxes = [("", ""), ("12.6", ""), ("12.6", "12,8"), ("12.6", "12.8")]
    boxes += [(cell, "") for cell in cells[4:]]
    assert [tuple(one) for one in world.asked("endsOf", cells)] == boxes
    pairs = [("12.6", "12.8"), ("12.6", ""), ("", "12.8"), ("", "")]
    joined = world.answered([["rangeOf", *pair] for pair in pairs])
    assert joined == ["12.6 to 12.8", "12.6", "12.8", ""]


# The file ---------------------------------------------------------------------------------------


def test_a_row_is_written_as_the_program_writes_it(world):
    cases = world.cases([{key: odd} for key in world.sheet.keys for odd in (*ODD, "a,b;c", '"a"')])
    for case, line in zip(cases, world.asked("line", cases), strict=True):
        assert line == row_text(world.sheet, case)


def test_cells_are_read_as_the_program_reads_them(world):
    mark = world.sheet.table.delimiter
    lines = [
        mark.join(row)
        for row in itertools.product(("", "a", '"a"', '"a""b"', f'"a{mark}b"', ' "a" '), repeat=3)
    ]
    for line, cells in zip(lines, world.asked("cells", lines), strict=True):
        assert cells == [cell.strip() for cell in cells_of(world.sheet, line)], line


def test_the_file_is_what_adding_the_rows_one_by_one_gives(world):
    path = world.folder / "runs.csv"
    before = path.read_text(encoding="utf-8")
    cases = world.cases(
        [{key: "12,5"} for key in world.sheet.keys] + [{}, {"knock": "  "}, {"note": 'wet, "cold"'}]
    )
    cases = [case | {"run": str(90 + at)} for at, case in enumerate(cases)]
    says_something = [any(case.get(key, "").strip() for key in OF_ONE_RUN) for case in cases]
    assert world.asked("isFilled", cases) == says_something
    try:
        for case, counts in zip(cases, says_something, strict=True):
            if counts:
                add_run(world.sheet, case, keep=False)
        after = path.read_text(encoding="utf-8")
    finally:
        path.write_text(before, encoding="utf-8")
    assert world.asked("file", [cases]) == [after]
    # Back again: the rows that were added, and those alone.
    rows = [
        dict(zip(world.sheet.keys, row, strict=True))
        for row in parse_table(after, "runs.csv").rows[len(world.sheet.table.rows) :]
    ]
    assert len(rows) == sum(says_something)
    commented = f"# at the roadside\r\n  \n{after}\n"
    assert world.asked("rowsOf", [after, commented, f"x{after}"]) == [rows, rows, None]


def test_nothing_that_was_typed_here_is_written_over(world):
    typed, empty = BASE | {"knock": "light"}, BASE | {"run": "78"}
    other, more = typed | {"knock": "heavy"}, BASE | {"run": "79", "knock": "none"}
    known = BASE | {"run": world.data["taken"][0]}
    calls = [
        ["merge", [{"values": typed}, {"values": empty}], rows]
        for rows in ([typed], [other], [other | {"run": "78"}], [more, more], [known, other])
    ]
    took = [
        ({"added": added, "differ": differ}, [card["values"] for card in cards])
        for (answer, cards) in world.answered(calls)
        for added, differ in [(answer["added"], answer["differ"])]
    ]
    assert took == [
        ({"added": 0, "differ": []}, [typed, empty]),
        ({"added": 0, "differ": ["77"]}, [typed, empty]),
        ({"added": 1, "differ": []}, [typed, other | {"run": "78"}]),
        ({"added": 1, "differ": []}, [typed, empty, more]),
        ({"added": 0, "differ": [known["run"], "77"]}, [typed, empty]),
    ]


def test_sentences_are_filled_as_python_fills_them(world):
    calls, expected = [], []
    for name, sentence in world.data["says"].items():
        slots = [slot for _, slot, _, _ in string.Formatter().parse(sentence) if slot]
        numbers = {slot for _, slot, form, _ in string.Formatter().parse(sentence) if form}
        for number, text in ((12.5, "a"), (1 / 3, "it's"), (234.567, "$& {run}"), (0.0, "")):
            given = {slot: number if slot in numbers else text for slot in slots}
            calls.append(["say", name, given])
            expected.append(sentence.format(**given))
    assert world.answered(calls) == expected
    names = [*world.data["ends"], "a__b_c", ""]
    assert world.asked("readable", names) == [spaced(name) for name in names]
