"""The form for session.toml: the same file as by hand, remarks kept, checked as typed."""

import tomllib

import pytest

from tests.lab.panels import everything, labelled, words
from tuninglib.lab.forms import LEFT_OUT, as_value, fields_of, session_form
from tuninglib.lab.kit import as_text
from tuninglib.session.edit import problems_of, write_new_session, write_values
from tuninglib.session.load import load_session

FILLED = {
    "session": {"date": "2026-11-22"}, "bike": {"mass": "260 lb +/- 4 lb"},
    "hill": {"length": "1300 ft", "grade": "6 +/- 0.3 %", "entry_speed": "30 mph +/- 1 mph"},
    "gauge": {"scale": "14.7"},
    "engines.stock": {"displacement": "149 cc"}, "engines.big": {"displacement": "175 cc"},
    "riders.me": {"mass": "180 lb"}, "injectors.stock": {"flow": "150 cc/min"},
    "injectors.large": {"flow": "178 cc/min"},
}  # fmt: skip


@pytest.fixture
def fresh(tmp_path):
    write_new_session(tmp_path / "fresh", "us")
    return tmp_path / "fresh"


def document(folder):
    return tomllib.loads((folder / "session.toml").read_text(encoding="utf-8"))


def press(form, name):
    (button,) = [one for one in everything(form) if getattr(one, "description", "") == name]
    button.click()


def fill(form, tables):
    for table, values in tables.items():
        labelled(form, "table").value = table
        for key, text in values.items():
            field(form, key).value = text


def field(form, key):
    label = key.replace("_", " ")
    return next(
        one for one in everything(form) if getattr(one, "description", "") in (label, f"{label} *")
    )


def test_a_fresh_session_is_filled_in_and_complete(fresh):
    path = fresh / "session.toml"
    bore = 'stock.bore = ""  # of the cylinder\nstock.displacement'
    path.write_text(path.read_text("utf-8").replace("stock.displacement", bore), "utf-8")
    before = path.read_text("utf-8")
    form = session_form(fresh)
    lacking = len([one for one in problems_of(fresh, {}) if one.file == "session.toml"])
    assert words(form).count("To fill in: session.toml") == 8
    assert f"and {lacking - 8} more." in words(form)
    fill(form, FILLED)
    # Nothing is written yet, and what was typed is still there when a table is looked at again.
    assert (fresh / "session.toml").read_text(encoding="utf-8") == before
    labelled(form, "table").value = "bike"
    assert field(form, "mass").value == "260 lb +/- 4 lb"
    press(form, "Write into session.toml")
    assert "Complete: nothing is missing in session.toml." in words(form)
    found = document(fresh)
    for table, values in FILLED.items():
        kind, _, entry = table.partition(".")
        own = found[kind][entry] if entry else found[kind]
        assert values.items() <= {key: str(one) for key, one in own.items()}.items()
    # Remarks stay: each line of the new file is that of the old one, but for what was typed.
    after = (fresh / "session.toml").read_text(encoding="utf-8").split("\n")
    assert len(after) == len(before.split("\n"))
    changed = [one for one, old in zip(after, before.split("\n"), strict=True) if one != old]
    # Displacement stands in place of bore.
    remarks = [one for one in changed if one.startswith("# ")]
    assert [one.split()[1] for one in remarks] == ["stock.bore"]
    assert len(changed) == sum(map(len, FILLED.values())) + len(remarks)
    assert all("  # " in one for one in changed)
    assert (fresh / "session.earlier-1.toml").read_text(encoding="utf-8") == before
    (fresh / "runs.csv").write_text(
        "run,setup,rider,entry_speed [mph],exit_speed [mph]\n1,stock,me,30,40\n2,big,me,30,42\n"
    )
    assert load_session(fresh).bike.mass.value == pytest.approx(117.93, abs=0.01)


def test_what_was_typed_stays_when_the_cell_is_run_again(demo_copy):
    first = session_form(demo_copy)
    fill(first, {"bike": {"mass": "1240 kg"}})
    labelled(first, "one more of").value = "fuels"
    labelled(first, "called").value = "e20"
    press(first, "Add")
    again = session_form(demo_copy)
    assert "fuels.e20" in labelled(again, "table").options
    labelled(again, "table").value = "bike"
    assert field(again, "mass").value == "1240 kg"
    assert "is outside 40 to 500 kg" in words(again)
    press(again, "Write into session.toml")
    fill(again, {"bike": {"mass": "126 kg"}})
    press(again, "Write into session.toml")
    # What a file has is kept nowhere else.
    write_values(demo_copy, {"bike": {"mass": "127 kg"}})
    last = session_form(demo_copy)
    labelled(last, "table").value = "bike"
    assert field(last, "mass").value == "127 kg"


def test_a_value_is_judged_as_it_is_typed_and_not_written(demo_copy):
    before = (demo_copy / "session.toml").read_bytes()
    form = session_form(demo_copy)
    labelled(form, "table").value = "engines.big"
    # Asked for, though something else may stand in its place; and what may be left out.
    assert [one.name for one in fields_of("engines.big")][:2] == ["bore", "stroke"]
    stars = {key: field(form, key).description[-1] == "*" for key in ("bore", "cylinders")}
    assert stars == {"bore": True, "cylinders": False}
    labelled(form, "table").value = "bike"
    assert field(form, "mass").description == "mass *"
    field(form, "mass").value = "124"
    assert "has no unit" in words(form)
    field(form, "mass").value = "1240 kg"
    assert "is outside 40 to 500 kg" in words(form)
    press(form, "Write into session.toml")
    assert "To fix: session.toml" in words(form)
    assert (demo_copy / "session.toml").read_bytes() == before
    field(form, "mass").value = "125 kg +/- 2 kg"
    assert "is outside" not in words(form).split("To fix")[0]
    press(form, "Write into session.toml")
    assert load_session(demo_copy).bike.mass.value == 125
    press(form, "Write into session.toml")
    assert "session.toml says that already" in words(form)


def test_one_more_entry_and_what_refers_to_it(demo_copy):
    form = session_form(demo_copy)
    labelled(form, "one more of").value = "fuels"
    labelled(form, "called").value = "e20"
    press(form, "Add")
    assert "Added: fuels.e20; fill it in, then write." in words(form)
    assert labelled(form, "table").value == "fuels.e20"
    field(form, "ethanol").value = "20 +/- 1 %"
    field(form, "octane").value = "95 RON"
    labelled(form, "one more of").value = "setups"
    for name, said in (("no name!", "use letters, digits and _."), ("stock", "is there already;")):
        labelled(form, "called").value = name
        press(form, "Add")
        assert "Not added" in words(form)
        assert said in words(form)
    labelled(form, "called").value = "big_172_e20"
    press(form, "Add")
    assert "e20" in field(form, "fuel").options
    for key, value in (("engine", "big"), ("injector", "i172"), ("fuel", "e20")):
        field(form, key).value = value
    press(form, "Write into session.toml")
    session = load_session(demo_copy)
    assert session.setups["big_172_e20"].fuel == "e20"
    assert session.fuels["e20"].ethanol.value == pytest.approx(0.2)


def test_a_table_is_removed_and_its_lines_stay_as_remarks(demo_copy):
    before = (demo_copy / "session.toml").read_text(encoding="utf-8")
    form = session_form(demo_copy)
    labelled(form, "table").value = "injectors.i205"
    press(form, "Remove this table")
    assert "Removed: [injectors.i205]; its lines in session.toml are comments now." in words(form)
    assert "session.earlier-1.toml is the file as it was" in words(form)
    assert "injectors.i205" not in labelled(form, "table").options
    after = (demo_copy / "session.toml").read_text(encoding="utf-8")
    assert after.replace("# ", "") == before.replace("# ", "")
    assert (demo_copy / "session.earlier-1.toml").read_text(encoding="utf-8") == before
    assert "i205" not in load_session(demo_copy).injectors
    # What a setup, or a row of runs.csv, refers to stays.
    for table, said in (
        ("fuels.e5", "'e5' is not one of the fuels"),
        ("setups.big_185", "'big_185' is not one of the setups"),
    ):
        labelled(form, "table").value = table
        press(form, "Remove this table")
        assert said in words(form)
        assert labelled(form, "table").value == table
    assert (demo_copy / "session.toml").read_text(encoding="utf-8") == after
    labelled(form, "one more of").value = "fuels"
    labelled(form, "called").value = "e20"
    press(form, "Add")
    press(form, "Remove this table")
    assert "Removed: fuels.e20, which was not written yet." in words(form)
    assert "fuels.e20" not in labelled(session_form(demo_copy), "table").options


def test_an_emptied_field_becomes_a_remark(demo_copy):
    before = (demo_copy / "session.toml").read_text(encoding="utf-8")
    form = session_form(demo_copy)
    fill(form, {"hill": {"altitude": ""}, "bike": {"density_compensation": LEFT_OUT}})
    press(form, "Write into session.toml")
    after = (demo_copy / "session.toml").read_text(encoding="utf-8")
    changed = [
        (old, new)
        for old, new in zip(before.split("\n"), after.split("\n"), strict=True)
        if old != new
    ]
    assert sorted(changed) == [
        ('altitude = "210 m"', '# altitude = "210 m"'),
        ('density_compensation = "yes"', '# density_compensation = "yes"'),
    ]
    # Typed again, the remark comes to life.
    fill(form, {"hill": {"altitude": "210 m"}, "bike": {"density_compensation": "yes"}})
    press(form, "Write into session.toml")
    assert (demo_copy / "session.toml").read_text(encoding="utf-8") == before


def test_lists_and_pairs_come_and_go_as_text(demo_copy):
    form = session_form(demo_copy)
    pairs = "60 km/h = 57 km/h; 50 km/h = 300 m in 22.6 s"
    fill(form, {"speedometer": {"factor": "", "checks": pairs}, "use": {"fuels": "e5, e10"}})
    press(form, "Write into session.toml")
    assert document(demo_copy)["speedometer"]["checks"] == [
        ["60 km/h", "57 km/h"],
        ["50 km/h", "300 m in 22.6 s"],
    ]
    assert load_session(demo_copy).use.fuels == ("e5", "e10")
    labelled(form, "table").value = "speedometer"
    assert field(form, "checks").value == pairs
    field(form, "checks").value = "60 km/h"
    assert "is not at least two pairs of speeds" in words(form)


def test_every_field_gives_its_own_value_back(demo_copy):
    for folder in (demo_copy, demo_copy.parent):
        if not (folder / "session.toml").exists():
            continue
        for kind, content in document(folder).items():
            for table, own in (
                [(f"{kind}.{name}", one) for name, one in content.items()]
                if all(isinstance(one, dict) for one in content.values())
                else [(kind, content)]
            ):
                for one in fields_of(table):
                    if one.name in own and one.metadata["kind"] != "date":
                        assert as_value(one, as_text(own[one.name])) == own[one.name]


def test_a_file_that_is_no_toml_is_said(demo_copy):
    (demo_copy / "session.toml").write_text("[bike\n")
    form = session_form(demo_copy)
    assert "session.toml" in words(form)
    press(form, "Write into session.toml")
    assert problems_of(demo_copy, {})
