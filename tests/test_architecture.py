"""The arrows of the house: which folders may import which, and what may stand where."""

import ast
import functools
import graphlib
import re
from pathlib import Path

import pytest

import tuninglib

PACKAGE = Path(tuninglib.__file__).parent
PATHS = sorted(PACKAGE.rglob("*.py"))

# From the roof down. A module imports from its own row and from rows below it, never from above.
# `__init__` stands lowest: the names that it offers are loaded late, when somebody asks for them.
ROWS = (
    "__main__",
    "lab",
    "report",
    "analysis",
    "session",
    "statistics",
    "physics",
    "rounding",
    "units",
    "interval",
    "checks",
    "whole_files",
    "text_files",
    "__init__",
)
# Packages that may only be imported in some rows.
ONLY_IN = {
    "pint": {"units"},
    "ipywidgets": {"lab"},
    "papermill": {"report"},
    "nbformat": {"report"},
    "matplotlib": {"lab", "report"},
    "pandas": {"analysis", "session"},
    "tomlkit": {"session"},
    "distributed": {"report"},
}


@functools.cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@functools.cache
def imports(path: Path) -> set:
    """Names that a module imports: other packages, and modules of this one, whole."""
    found = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            if node.module.startswith("tuninglib"):
                found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def row(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def rows_imported(path: Path) -> set:
    named = {name.split(".")[1] for name in imports(path) if name.startswith("tuninglib.")}
    return named & set(ROWS)


def outside(path: Path) -> set:
    """Other packages that a module imports."""
    return {name.split(".")[0] for name in imports(path)} - {"tuninglib"}


def test_every_module_stands_in_a_row():
    assert {row(path) for path in PATHS} == set(ROWS)


def test_arrows_point_downwards():
    found = {path.name: rows_imported(path) - set(ROWS[ROWS.index(row(path)) :]) for path in PATHS}
    assert {name: above for name, above in found.items() if above} == {}


def test_modules_of_a_row_import_each_other_in_no_circle_not_even_for_types():
    names = {".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts) for path in PATHS}
    arrows = {
        ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts): imports(path) & names
        for path in PATHS
    }
    graphlib.TopologicalSorter(arrows).prepare()


@pytest.mark.parametrize("package", ONLY_IN)
def test_a_package_is_imported_only_in_its_rows(package):
    assert {row(path) for path in PATHS if package in outside(path)} <= ONLY_IN[package]


def test_nothing_uses_the_global_state_of_pyplot_or_random_numbers():
    for path in PATHS:
        assert "matplotlib.pyplot" not in imports(path), path.name
        assert "random" not in outside(path), path.name


# HTML stands in templates, which escape all text ----------------------------------------------

TEMPLATES = sorted(PACKAGE.rglob("*.j2"))
# A tag, but not the name of a group in a regular expression.
TAG = re.compile(r"(?<!\?P)</?[A-Za-z!][^<>]*>")
# Where text is declared to be HTML: what a template gave, the page's own script and policy.
DECLARES_HTML = {"page_parts.py"}


def texts(path: Path):
    """Every literal text of a module, docstrings too, with a letter for what is filled in."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value
        elif isinstance(node, ast.JoinedStr):
            constant = (isinstance(part, ast.Constant) and part.value for part in node.values)
            yield "".join(value or "x" for value in constant)


def test_a_tag_is_known_for_one():
    for piece in ("<p>", "</td>", '<img alt="x">', "<!DOCTYPE html>"):
        assert TAG.search(f"text {piece} text")


def test_html_is_written_in_templates_only():
    for path in PATHS:
        assert "html" not in outside(path), path
        assert [text for text in texts(path) if TAG.search(text)] == [], path


def test_templates_escape_everything_and_text_becomes_html_in_one_place():
    assert len(TEMPLATES) > 5
    for path in TEMPLATES:
        source = path.read_text(encoding="utf-8")
        assert not re.search(r"\|\s*safe\b|autoescape", source), path.name
    declaring = {path.name for path in PATHS if "Markup(" in path.read_text(encoding="utf-8")}
    assert declaring == DECLARES_HTML


def sentences_in(path: Path) -> list:
    """String literals of four words or more, less docstrings, errors and what repr prints."""
    tree = tree_of(path)
    spared = set()
    for node in ast.walk(tree):
        documented = (ast.Module, ast.ClassDef, ast.FunctionDef)
        if isinstance(node, documented) and node.body and isinstance(node.body[0], ast.Expr):
            spared.add(id(node.body[0].value))
        named_repr = isinstance(node, ast.FunctionDef) and node.name == "__repr__"
        if isinstance(node, ast.Raise) or named_repr:
            spared |= {id(part) for part in ast.walk(node)}
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and id(node) not in spared
        and len(node.value.split()) > 3
    ]


def test_an_analysis_holds_codes_and_numbers_and_no_sentences():
    for path in PATHS:
        if row(path) == "analysis":
            assert sentences_in(path) == [], path


def test_no_two_classes_share_a_name():
    places = {}
    for path in PATHS:
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.ClassDef):
                places.setdefault(node.name, []).append(str(path.relative_to(PACKAGE)))
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


# A function is read in one go: few arguments, and no longer than a page -------------------------

MOST_ARGUMENTS, MOST_LINES = 8, 70


def public_functions(body, owner=""):
    """Public functions of a module, and public methods of its public classes."""
    for node in body:
        if not isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            continue
        if node.name.startswith("_"):
            continue
        if isinstance(node, ast.ClassDef):
            yield from public_functions(node.body, f"{owner}{node.name}.")
        else:
            yield f"{owner}{node.name}", node


def arguments(node) -> list:
    """Every argument of a function; of a method, without the object that it belongs to."""
    given = node.args
    named = given.posonlyargs + given.args
    own = [one.arg for one in named[:1]] in (["self"], ["cls"])
    starred = [one for one in (given.vararg, given.kwarg) if one is not None]
    return named[own:] + given.kwonlyargs + starred


def line_count(node) -> int:
    """Lines of a function without its docstring; decorators are not part of it."""
    first = node.body[0]
    documented = ast.get_docstring(node, clean=False) is not None
    docstring = first.end_lineno - first.lineno + 1 if documented else 0
    return node.end_lineno - node.lineno + 1 - docstring


def too_large(source: str) -> list:
    return [
        f"{name}: {len(arguments(node))} arguments, {line_count(node)} lines"
        for name, node in public_functions(ast.parse(source).body)
        if len(arguments(node)) > MOST_ARGUMENTS or line_count(node) > MOST_LINES
    ]


# With the reason; a name leaves the list once its function is short enough.
SPARED = {
    "quantity": "a word for each thing that a key of session.toml may say of itself",
}


def test_a_public_function_takes_few_arguments_and_fits_a_page():
    found = {
        str(path.relative_to(PACKAGE)): [
            one
            for one in too_large(path.read_text(encoding="utf-8"))
            if one.split(":")[0] not in SPARED
        ]
        for path in PATHS
    }
    assert {path: large for path, large in found.items() if large} == {}


def test_a_function_that_is_too_large_is_known_for_one():
    assert (
        too_large("def f(a, b, c, d, e, *, g, h, i): ...\ndef _g(a, b, c, d, e, f, g, h, i): ...")
        == []
    )
    nine, long = "def f(a, b, c, d, e, *, g, h, i, j): ...", "def f():\n" + " pass\n" * 70
    assert [*too_large(nine), *too_large(long)] == [
        "f: 9 arguments, 1 lines",
        "f: 0 arguments, 71 lines",
    ]


# Signatures say their types: every public function's arguments, and what it returns -------------


def untyped(source: str) -> list:
    """Places in a module where a type is lacking."""
    found = []
    for name, node in public_functions(ast.parse(source).body):
        lacking = [one.arg for one in arguments(node) if one.annotation is None]
        lacking += [] if node.returns is not None else ["what it returns"]
        found += [f"{name}: {one}" for one in lacking]
    return found


def test_a_public_function_says_the_types_of_its_arguments_and_of_what_it_returns():
    found = {path.name: untyped(path.read_text(encoding="utf-8")) for path in PATHS}
    assert {name: lacking for name, lacking in found.items() if lacking} == {}


@pytest.mark.parametrize(
    ("source", "lacking"),
    [
        ("def f(a) -> int: ...", ["f: a"]),
        ("def f(a: int): ...", ["f: what it returns"]),
        ("class A:\n    def f(self, a) -> int: ...", ["A.f: a"]),
        ("def _f(a): ...\ndef f() -> int:\n    def g(a): ...\n    return 1", []),
    ],
)
def test_a_type_that_is_lacking_is_noticed(source, lacking):
    assert untyped(source) == lacking
