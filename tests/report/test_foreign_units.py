"""Every page in the rider's units: none of the other system's, in words, tables, pictures."""

import shutil
from pathlib import Path

import pytest

from tests.conftest import DEMO
from tests.foreign_units import FOREIGN, foreign_units
from tests.lab.panels import everything, labelled, words
from tuninglib.lab.plan import plan
from tuninglib.report import guide
from tuninglib.report.make import make_report, run_workbook, workbook_path
from tuninglib.session import schema
from tuninglib.session.edit import session_template, write_values
from tuninglib.session.read_table import RUNS
from tuninglib.units import SYSTEMS

# Each has what the other has not; a session's runs.csv stays in the units of its rider.
SESSIONS = ("bigger_cylinder", "there_and_back", "logged_evening")
OWN = {"metric": "bigger_cylinder", "us": "there_and_back"}


def test_what_is_foreign_is_seen_and_what_is_not_is_left_alone():
    assert foreign_units("<p>at 25&nbsp;°C</p>", "us")
    for text in ("60 km/h.", "[kg]", "(3 to 5 N)", "0.5 m²", '<img alt="400 m">', "10 N·m"):
        assert foreign_units(text, "us"), text
        assert not foreign_units(text, "metric"), text
    for text in ("40 mph", "[lb]", "29.2 inHg", "77 °F", "8 lb·ft", "8.0 hp"):
        assert foreign_units(text, "metric"), text
        assert not foreign_units(text, "us"), text
    for text in ("run 5 may be", "e10 only", "5 % of 3 runs", "175 cc", "62 mm", "6.1 ms",
                 "<style>a { width: 5 m }</style>"):  # fmt: skip
        assert not any(foreign_units(text, system) for system in FOREIGN), text


@pytest.mark.slow
@pytest.mark.parametrize("system", list(FOREIGN))
@pytest.mark.parametrize("name", SESSIONS)
def test_a_report_and_its_summary_are_in_the_riders_units(name, system, tmp_path):
    folder = Path(shutil.copytree(DEMO.parent / name, tmp_path / name))
    write_values(folder, {"session": {"units": system}})
    made = make_report(folder)
    for path in (made.page, made.summary):
        assert foreign_units(path.read_text(encoding="utf-8"), system) == []


@pytest.mark.slow
@pytest.mark.parametrize(("system", "name"), OWN.items())
def test_the_pages_of_a_day_are_in_the_riders_units(name, system, tmp_path):
    folder = Path(shutil.copytree(DEMO.parent / name, tmp_path / name))
    panel = plan(folder)
    for button in ("Write the run sheet", "Write the page for", "Write the checklists"):
        labelled(panel, button).click()
    pages = sorted(folder.glob("*.html"))
    assert len(pages) == 3
    for page in (*(path.read_text(encoding="utf-8") for path in pages), words(panel)):
        assert foreign_units(page, system) == []
    labels = " ".join(getattr(one, "description", "") for one in everything(panel))
    assert foreign_units(labels, system) == []


@pytest.mark.slow
@pytest.mark.parametrize("system", list(FOREIGN))
def test_a_season_is_in_the_riders_units(system, tmp_path):
    whole = Path(shutil.copytree(DEMO.parent / "one_summer", tmp_path / "summer"))
    for path in whole.rglob("session.toml"):
        write_values(path.parent, {"session": {"units": system}})
    notebook = run_workbook(workbook_path("season"), {"season_folder": str(whole)})
    shown = [out.data for cell in notebook.cells for out in cell.get("outputs", [])]
    text = " ".join(str(data.get("text/html", "")) + str(data["text/plain"]) for data in shown)
    assert len(text) > 2000
    assert foreign_units(text, system) == []


@pytest.mark.parametrize("system", list(FOREIGN))
def test_the_tables_of_the_guide_and_a_new_session_are_in_the_riders_units(system):
    tables = [guide.keys(name, system) for name in (*schema.SINGLE, *schema.NAMED)]
    tables += [guide.pieces(system), guide.columns(RUNS, system)]
    assert foreign_units(" ".join(map(str, tables)), system) == []
    assert foreign_units(session_template(system), system) == []
    assert set(FOREIGN) < set(SYSTEMS)
