from tests.lab.panels import everything, is_html, labelled, words
from tuninglib.lab import kit
from tuninglib.lab.runs_form import checked, last_rows, runs_form
from tuninglib.session.add_run import add_run, open_sheet
from tuninglib.session.load import load_session
from tuninglib.session.new import write_new_session

ROW = {
    "run": "90",
    "setup": "stock",
    "rider": "tove",
    "entry_speed": "48",
    "exit_speed": "63",
    "gauge_low": "12.6",
    "gauge_high": "12.8",
    "air_temperature": "20",
    "knock": "none",
}


def test_fields_that_were_not_typed_in_yet_are_not_blamed(demo_folder):
    sheet = open_sheet(demo_folder)
    values = {**dict.fromkeys(sheet.keys, ""), "setup": "stock", "entry_speed": "480"}
    assert list(checked(sheet, values, {"entry_speed"})) == ["entry_speed"]
    assert checked(sheet, {**values, "entry_speed": ""}, {"entry_speed"}) == {}


def test_the_form_works_from_the_first_run_of_a_new_session(tmp_path):
    folder = tmp_path / "fresh"
    write_new_session(folder)
    form = runs_form(folder)
    labelled(form, "entry speed").value = "50"
    labelled(form, "exit speed").value = "60"
    labelled(form, "Add run").click()
    said = words(form)
    assert "Added: run 1." in said
    assert "Still to mend" in said, (
        "the session.toml is not filled in yet, and the form must say so"
    )
    assert "\n1,before,me,50,60," in (folder / "runs.csv").read_text(encoding="utf-8")


def test_the_form_refuses_adds_counts_on_and_keeps_once(demo_copy):
    form = runs_form(demo_copy)
    number = labelled(form, "run").value
    before = (demo_copy / "runs.csv").read_bytes()
    labelled(form, "entry speed").value = "480"
    assert "480 km/h is outside" in words(form)
    labelled(form, "Add run").click()
    assert (demo_copy / "runs.csv").read_bytes() == before
    for _ in range(2):
        for start, value in (("entry", "48"), ("exit", "62"), ("air", "20")):
            labelled(form, start).value = value
        labelled(form, "Add run").click()
        assert labelled(form, "entry").value == ""
    assert labelled(form, "run").value == str(int(number) + 2)
    kept = list(demo_copy.glob("runs.earlier-*"))
    assert [path.read_bytes() for path in kept] == [before]
    assert list(load_session(demo_copy).runs["run"])[-2:] == [int(number), int(number) + 1]


def test_a_problem_shows_what_was_typed_as_text(demo_copy):
    form = runs_form(demo_copy)
    labelled(form, "entry speed").value = "<img src=x>"
    page = " ".join(str(getattr(one, "value", "")) for one in everything(form) if is_html(one))
    assert "&lt;img src=x&gt;" in page
    assert "<img" not in page


def test_rows_typed_elsewhere_meanwhile_are_kept(demo_copy):
    form = runs_form(demo_copy)
    path = demo_copy / "runs.csv"
    add_run(open_sheet(demo_copy), ROW, keep=False)
    for start, value in (("entry", "48"), ("exit", "62"), ("air", "20")):
        labelled(form, start).value = value
    labelled(form, "Add run").click()
    assert "\n90,stock" in path.read_text(encoding="utf-8")
    assert labelled(form, "run").value == "91"


def test_what_a_rider_typed_is_shown_as_text(demo_copy):
    sheet = open_sheet(demo_copy)
    add_run(sheet, {**ROW, "note": "<script>x</script>"}, keep=False)
    page = kit.words_html(last_rows(open_sheet(demo_copy)))
    assert "<script" not in page
    assert "&lt;script&gt;" in page
