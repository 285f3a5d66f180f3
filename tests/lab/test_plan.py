import re
from dataclasses import replace

from tests.analysis.test_day_plan import day
from tests.lab.panels import labelled, words
from tuninglib.analysis.day_plan import Aim, start_of
from tuninglib.lab.plan import OFTEN, day_words, names_in, plan, write_sheet
from tuninglib.report.run_sheet import AFTER, BEFORE, ROWS_ON_A_PAGE

# The demo's reference, and its other setups that may be ridden, by what the gauge showed.
RICH_FIRST = ("stock", "big 185", "big 172", "big 172 e10")


def test_the_plan_starts_from_the_session_and_leaves_out_what_knocked(demo_folder, results):
    start = start_of(demo_folder)
    assert start.scatter == results.road.scatter_sd
    # Heard, and read leaner than the band's edge.
    assert set(results.knocked) == {"big_150"}
    assert set(start.closed) == {"big_150", "big_164"}
    assert start.setups == ("stock", "big_172", "big_172_e10", "big_185")
    panel = plan(demo_folder)
    said = words(panel)
    assert "Left out: big 150: light knock was heard on run 5; big 164: 58 % chance of" in said
    assert "Not to be ridden as it is" not in said
    assert "3 comparisons with the reference share the 5 % of false alarms" in said
    labelled(panel, "setups").value = "stock, big_150"
    said = words(panel)
    assert "share the 5 % of false alarms" not in said
    assert "Not to be ridden as it is: big 150: light knock was heard on run 5." in said
    assert "Left out: big 164:" in said


def test_the_plan_orders_from_rich_to_lean_and_says_why(demo_folder):
    panel = plan(demo_folder)
    said = words(panel)
    assert (
        "First pass: The reference, as its mixture is known; then from rich to lean on each "
        "engine. Which is richer follows from what the gauge showed." in said
    )
    places = [said.index(f"{name}", said.index("RunsSetupRiders")) for name in RICH_FIRST]
    assert places == sorted(places)
    labelled(panel, "setups").value = "big_172, mystery"
    said = words(panel)
    assert "As you named them; check that the richest comes first." in said
    assert "session.toml does not say engine, injector flow and fuel of mystery." in said


def test_the_plan_says_when_to_end_a_run(demo_copy, edit):
    said = words(plan(demo_copy))
    for sentence in (
        "Close the throttle and end the run: At the first rattle or ping.",
        "When you read leaner than 13.2 on this gauge (lambda 0.90) after two seconds of full",
        "When the head is hotter than about 230 °C at the spark plug.",
        "When anything smells, leaks, slips or feels loose.",
        "a rule of thumb, as you state none",
        "the gauge's steady range after two or three seconds of full throttle, not the extremes",
        "Before each run let the engine cool to the same head temperature.",
        "A setup that knocks ends all leaner ones",
    ):
        assert sentence in said
    edit("session.toml", 'riding = "mixed"', 'riding = "climbs"')
    edit(
        "session.toml",
        "[engines.stock]",
        'highest_head_temperature = "215 degC"\n\n[engines.stock]',
    )
    said = words(plan(demo_copy))
    assert "leaner than 12.9 on this gauge (lambda 0.88)" in said
    assert "moved from 0.90 to the rich side for minutes of full load" in said
    assert "hotter than 215 °C." in said
    assert "the head's limit is yours" in said


def test_a_plan_with_nothing_left_to_compare_says_so(demo_copy):
    path = demo_copy / "runs.csv"
    text = path.read_text(encoding="utf-8").replace(
        "13,big_172,tove,49,72,12.8,13.1,21,none", "13,big_172,tove,49,72,12.8,13.1,21,heavy"
    )
    text = text.replace(
        "18,big_185,tove,50,70,11.4,11.7,21,none", "18,big_185,tove,50,70,11.4,11.7,21,light"
    )
    path.write_text(text, encoding="utf-8")
    said = words(plan(demo_copy))
    assert "a comparison needs at least two setups" in said
    assert "Left out: big 150:" in said
    assert "does not explain the knock" in said


def test_the_run_sheet_puts_safety_first_and_escapes_names(demo_folder, tmp_path):
    start = start_of(demo_folder)
    nasty = '<img src=x onerror="y">'
    planned = day(setups=("stock", nasty), gain=0.2)
    write_sheet(planned, start, tmp_path / "sheet.html")
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "<img" not in page
    for sentence in (*BEFORE, *AFTER):
        assert sentence.replace("'", "&#39;") in page
    assert page.index("At the first rattle or ping") < page.index("<table")
    assert page.count("<tr") == 1 + len(planned.order.setups)
    assert not re.search(r"<(?:script|link|iframe|object)|url\(|@import", page)


def test_an_earlier_run_sheet_is_kept(demo_folder, tmp_path):
    start, path = start_of(demo_folder), tmp_path / "sheet.html"
    write_sheet(day(), start, path)
    first = path.read_bytes()
    write_sheet(day(), start, path)
    assert list(tmp_path.iterdir()) == [path]
    assert "take a second page" not in str(write_sheet(day(gain=0.2), start, path))
    assert (tmp_path / "sheet.earlier-1.html").read_bytes() == first


def test_drift_that_odd_repeats_leave_is_said_where_setups_take_turns():
    days = [day(gain=gain / 100) for gain in range(6, 20)]
    odd, even = (next(one for one in days if one.repeats % 2 == rest) for rest in (1, 0))
    aim = Aim(gain=0.1, scatter=0.04)

    def said(one):
        return str(day_words(one, aim, "assumed")[0])

    left = f"; with an odd number of repeats {odd.order.remaining_drift:.1f} runs' worth of drift "
    left += f"remains between two setups; {odd.repeats + 1} runs of each would cancel it."
    assert f"hits all setups alike{left}" in said(odd)
    assert "hits all setups of an engine alike." in said(replace(odd, in_blocks=True))
    assert "hits all setups alike." in said(even)
    assert "at a scatter of 4.0 % (assumed; nothing is repeated in this outing yet)" in said(odd)


def test_a_day_of_many_runs_takes_a_second_page(demo_folder, tmp_path):
    many = day(gain=0.06, setups=("a", "b", "c", "d"))
    assert len(many.order.setups) > ROWS_ON_A_PAGE
    said = str(write_sheet(many, start_of(demo_folder), tmp_path / "sheet.html"))
    assert f"Pages: more than {ROWS_ON_A_PAGE} runs take a second page." in said


def test_the_table_of_the_order_has_every_run_once():
    for planned in (
        day(gain=0.3),
        day(gain=0.1),
        replace(day(gain=0.1, setups=("a", "b", "c")), in_blocks=True),
    ):
        _, table = day_words(planned, Aim(gain=0.1, scatter=0.04), "assumed")
        setups, riders = [], []
        for runs, setup, names in table.rows:
            first, _, last = runs.partition(" to ")
            assert int(first) == len(setups) + 1
            assert last != first
            setups += [setup] * (int(last or first) - int(first) + 1)
            riders += names.split(", ")
        assert setups == list(planned.order.setups)
        assert riders == list(planned.order.riders)


def test_names_are_split_at_commas_once():
    assert names_in(" a, b ,,a, big 2 ") == ("a", "b", "big 2")


def test_the_plan_opens_the_engine_once_and_says_what_that_costs(demo_folder):
    panel = plan(demo_folder)
    said = words(panel)
    assert "1 change of engine" in said
    assert "an engine that was opened is run in first, as its maker says" in said
    assert "pick days with like wind and air" in said
    labelled(panel, "the engine is opened").value = OFTEN
    said = words(panel)
    assert "2 changes of engine" in said
    assert "the engine is opened 2 times, and each time it is to be run in before full" in said
    assert "pick days with like" not in said
    labelled(panel, "setups").value = "big_172, big_172_e10"
    said = words(panel)
    assert "changes of fuel" in said
    assert "engine is opened 2" not in said
    assert "run in" not in said


def test_the_plan_says_what_a_common_setup_on_both_days_is_worth(demo_folder, edit):
    said = words(plan(demo_folder))
    wanted = r"another such day is known to about ± N%.*about ± N%; four, ± N%"
    found = re.search(wanted.replace("N%", r"(\d+\.\d)\W%"), said)
    none, two, four = map(float, found.groups())
    assert none > 1.2 * two > 1.2 * four
    calm = edit("session.toml", "[target]", '[assumptions]\nday_to_day = "0 +/- 1 %"\n\n[target]')
    assert f"is known to about ± {none:g}" not in words(plan(calm))
