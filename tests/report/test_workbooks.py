"""Every workbook: no logic, no outputs, and it runs; the report's says what the sheet bears."""

import ast
import hashlib
import json
import re
from pathlib import Path

import nbformat
import papermill
import pytest

from tests.outing import Outing
from tuninglib.report.make import WorkbookError, make_report, run_workbook
from tuninglib.report.page_parts import whose_readings
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError

WORKBOOKS = sorted((Path(__file__).resolve().parents[2] / "workbooks").glob("*.ipynb"))
NAMES = [path.stem for path in WORKBOOKS]
LONGEST_CELL = 8
WITHOUT_A_SESSION = ("before", "season", "guide")
# What a cell may be made of: imports, names, calls with plain arguments.
ALLOWED = (
    ast.Module, ast.Import, ast.ImportFrom, ast.alias, ast.Assign, ast.AnnAssign, ast.Expr,
    ast.Call, ast.keyword, ast.Attribute, ast.Name, ast.Constant, ast.List, ast.UnaryOp, ast.USub,
    ast.Load, ast.Store,
)  # fmt: skip
PARAMETER = re.compile(r"\w+: (?:str|int|float|bool|list) = .+  # .+")


def cells(path, kind):
    notebook = nbformat.read(path, as_version=4)
    return [cell for cell in notebook.cells if cell.cell_type == kind]


def tags(cell):
    return cell.metadata.get("tags", [])


def test_the_workbooks_are_there():
    assert set(NAMES) == {
        "start", "before", "bench", "session", "plan", "coastdown", "runs", "from_sound",
        "session_report", "season", "explore", "library", "guide",
    }  # fmt: skip


@pytest.mark.parametrize("path", WORKBOOKS, ids=NAMES)
def test_a_workbook_holds_no_logic(path):
    for cell in cells(path, "code"):
        assert len(cell.source.splitlines()) <= LONGEST_CELL
        for node in ast.walk(ast.parse(cell.source)):
            assert isinstance(node, ALLOWED), f"{type(node).__name__} in: {cell.source}"


@pytest.mark.parametrize("path", WORKBOOKS, ids=NAMES)
def test_a_workbook_is_kept_without_outputs_with_its_code_folded(path):
    for cell in cells(path, "code"):
        assert cell.outputs == []
        assert cell.execution_count is None
        # The guide to the library is there to be read as code.
        hidden = cell.metadata.get("jupyter", {}).get("source_hidden", False)
        assert hidden is (path.stem != "library")
    text = path.read_text(encoding="utf-8")
    tidy = json.dumps(json.loads(text), indent=1, ensure_ascii=False, sort_keys=True)
    assert text == tidy + "\n"


@pytest.mark.parametrize("path", WORKBOOKS, ids=NAMES)
def test_a_workbook_names_its_parameters_with_type_and_meaning(path):
    (cell,) = [cell for cell in cells(path, "code") if "parameters" in tags(cell)]
    for line in cell.source.splitlines():
        assert PARAMETER.fullmatch(line), line
    assert cell == cells(path, "code")[0]
    known = papermill.inspect_notebook(str(path))
    assert ("session_folder" in known) is (path.stem not in WITHOUT_A_SESSION)
    for name, parameter in known.items():
        assert parameter["help"], name
        assert parameter["inferred_type_name"] != "None", name


@pytest.mark.parametrize("path", WORKBOOKS, ids=NAMES)
def test_links_between_workbooks_lead_somewhere(path):
    source = "\n".join(cell.source for cell in cells(path, "markdown"))
    for target in re.findall(r"\]\(([^)]+)\)", source):
        assert (path.parent / target).is_file(), target


def test_the_start_page_leads_to_every_other_workbook():
    source = "\n".join(cell.source for cell in cells(WORKBOOKS[NAMES.index("start")], "markdown"))
    linked = set(re.findall(r"\]\((\w+)\.ipynb\)", source))
    assert linked == set(NAMES) - {"start"}


@pytest.mark.slow
@pytest.mark.parametrize("path", WORKBOOKS, ids=NAMES)
def test_a_workbook_runs_on_a_session(path, demo_copy, monkeypatch):
    # Were the parameter ignored, this would be looked for and not found.
    monkeypatch.setenv("TUNINGLIB_SESSION", str(demo_copy / "nowhere"))
    before = {p: p.read_bytes() for p in demo_copy.iterdir()}
    named = {} if path.stem in WITHOUT_A_SESSION else {"session_folder": str(demo_copy)}
    if path.stem == "season":
        named = {"season_folder": str(demo_copy.parent)}
    if path.stem in ("guide", "before"):
        named = {"units": "us"}
    notebook = run_workbook(path, named)
    shown = [c for c in notebook.cells if c.cell_type == "code" and c.outputs]
    assert shown
    for cell in shown:
        assert all(out.output_type in ("execute_result", "display_data") for out in cell.outputs)
    assert {p: p.read_bytes() for p in demo_copy.iterdir()} == before, "a workbook wrote unasked"


def test_the_plan_workbook_writes_the_run_sheet_when_told(demo_copy, tmp_path):
    sheet = tmp_path / "sheet.html"
    told = {"session_folder": str(demo_copy), "gain_percent": 20.0, "sheet_file": str(sheet)}
    run_workbook(WORKBOOKS[NAMES.index("plan")], told)
    assert "Run sheet" in sheet.read_text(encoding="utf-8")


def test_a_workbook_without_a_folder_takes_the_one_of_the_lab_command(demo_copy, monkeypatch):
    monkeypatch.setenv("TUNINGLIB_SESSION", str(demo_copy))
    notebook = run_workbook(WORKBOOKS[NAMES.index("start")], {})
    said = [out.data["text/plain"] for c in notebook.cells for out in c.get("outputs", [])]
    assert any(str(demo_copy) in text and "tuninglib lab" in text for text in said)


def test_the_report_workbook_says_which_session_it_read_and_never_judges_the_demo_instead(
    demo_copy, monkeypatch
):
    monkeypatch.delenv("TUNINGLIB_SESSION", raising=False)
    path = WORKBOOKS[NAMES.index("session_report")]
    refusals = {
        "": "session_folder: is empty; name your outing's folder, or start with: tuninglib lab",
        str(demo_copy / "nowhere"): "is not a folder that exists",
    }
    for wrong, refusal in refusals.items():
        with pytest.raises(WorkbookError, match=refusal):
            run_workbook(path, {"session_folder": wrong})
    notebook = run_workbook(path, {"session_folder": str(demo_copy)})
    said = [out.data["text/plain"] for c in notebook.cells for out in c.get("outputs", [])]
    assert said[0].startswith("Session: DEMO, INVENTED: Bigger cylinder on the quarry lane, 16 May")
    assert said[0].endswith(f"folder {demo_copy.name}.")


def test_a_report_says_which_workbook_made_it(written):
    path = WORKBOOKS[NAMES.index("session_report")]
    begins = hashlib.sha256(path.read_bytes()).hexdigest()[:12]
    said = f"by its own workbook session_report.ipynb (SHA-256 {begins}…), from the files"
    assert said in written.page.read_text(encoding="utf-8")


def test_every_page_of_an_invented_session_says_that_nobody_rode_it(written, demo_copy, tmp_path):
    sheet = tmp_path / "sheet.html"
    told = {"session_folder": str(demo_copy), "sheet_file": str(sheet)}
    run_workbook(WORKBOOKS[NAMES.index("plan")], told)
    for path in (written.page, written.summary, sheet):
        page = path.read_text(encoding="utf-8")
        assert re.search("<h1>.*DEMO, INVENTED: Bigger cylinder", page)
        assert "come from the rider" not in page
    assert json.loads(written.results.read_text(encoding="utf-8"))["invented"] is True
    # One that was ridden keeps its own title.
    own = Outing(demo_copy, tmp_path / "own").key("session", invented="no").save()
    assert load_session(own).about.title == "Bigger cylinder on the quarry lane"
    assert whose_readings("Bigger cylinder") == "All readings come from the rider."


def test_a_broken_sheet_raises_and_writes_nothing(demo_copy):
    path = demo_copy / "runs.csv"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(",48,", ",-48,", 1), encoding="utf-8")
    with pytest.raises(SessionError, match=r"runs\.csv, row \d+, entry_speed"):
        make_report(demo_copy)
    assert list(demo_copy.parent.iterdir()) == [demo_copy]


@pytest.mark.slow
def test_a_kernel_of_its_own_gives_the_same_page(demo_folder, tmp_path, written):
    other = make_report(demo_folder, tmp_path / "out", kernel=True)
    assert other.page.read_bytes() == written.page.read_bytes()
