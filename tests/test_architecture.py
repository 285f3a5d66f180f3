"""The arrows of the house: which modules may import which, and where pint and pandas may stand."""

import ast
from pathlib import Path

import pytest

import tuninglib

PACKAGE = Path(tuninglib.__file__).parent
PATHS = sorted(PACKAGE.rglob("*.py"))

# Pure functions of floats and arrays; nothing of the session, of pandas or of pint.
PHYSICS = {
    "interval",
    "checks", "stoichiometry", "blend", "engine", "air", "injector", "roadtest", "_motion", "drive",
    "top_speed", "points", "roadload", "coastdown", "_coastdown_fit", "speedometer", "mixed",
    "averaging", "_gauss", "repeats", "planning", "gains", "_gain_system", "nuisances", "linearise",
    "reading_error", "ladder", "candidates", "ladder_checks", "gauge_readings",
}  # fmt: skip
# What shows results; nothing below may import it.
FRONT = {
    "__main__", "report", "execution", "lab", "panels", "wording", "notes", "tables", "figures",
    "fellow", "run_sheet",
}  # fmt: skip
ANALYSIS = {
    "analysis", "road_analysis", "mixture_analysis", "ladder_analysis", "whatif", "outlook",
}  # fmt: skip


def imports(path: Path) -> set:
    """Top-level names that a module imports: other packages, and modules of this one."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            if node.module == "tuninglib":
                found |= {f"tuninglib.{alias.name}" for alias in node.names}
    return found


def own(path: Path) -> set:
    """Modules of this package that a module imports."""
    return {name.split(".")[1] for name in imports(path) if name.startswith("tuninglib.")}


def outside(path: Path) -> set:
    """Other packages that a module imports."""
    return {name.split(".")[0] for name in imports(path)} - {"tuninglib"}


def module(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", PATHS, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_arrows_point_downwards(path):
    name = module(path)
    if name in PHYSICS:
        assert own(path) <= PHYSICS
        assert not outside(path) & {"pandas", "pint", "matplotlib", "ipywidgets", "papermill"}
    elif name not in FRONT:
        assert not own(path) & FRONT
        if name not in ANALYSIS | {"results", "first_guess", "day_plan"}:
            assert not own(path) & ANALYSIS


def test_pint_stands_at_the_edge_only():
    assert [path.name for path in PATHS if "pint" in outside(path)] == ["units.py"]


def test_nothing_uses_the_global_state_of_pyplot_or_random_numbers():
    for path in PATHS:
        assert "matplotlib.pyplot" not in imports(path), path.name
        assert "random" not in outside(path), path.name
