"""No orphans: every public function is used by the package, or shown in a workbook."""

import ast
import json
from pathlib import Path

import tuninglib

PACKAGE = Path(tuninglib.__file__).parent
WORKBOOKS = Path(__file__).resolve().parents[1] / "workbooks"


def public_functions():
    """Module and name of each public function of the package."""
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                yield path.relative_to(PACKAGE), node.name


def names_used(source: str) -> set:
    """Names that a piece of code refers to, its own definitions, imports and docstrings aside."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Name):
            found.add(node.id)
        elif isinstance(node, ast.Attribute):
            found.add(node.attr)
    return found


def test_every_public_function_has_a_caller_or_a_place_in_a_workbook():
    used = set()
    for path in PACKAGE.rglob("*.py"):
        used |= names_used(path.read_text(encoding="utf-8"))
    for path in WORKBOOKS.glob("*.ipynb"):
        for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
            if cell["cell_type"] == "code":
                used |= names_used("".join(cell["source"]))
    # The installed command is called by its entry point.
    used |= {"command"}
    orphans = [f"{path}: {name}" for path, name in public_functions() if name not in used]
    assert orphans == []
