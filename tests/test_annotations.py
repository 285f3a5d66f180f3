"""Signatures say their types: every public function's arguments, and what it returns."""

import ast
from pathlib import Path

import pytest

import tuninglib

PACKAGE = Path(tuninglib.__file__).parent
PATHS = sorted(PACKAGE.rglob("*.py"))


def public_functions(body: list, owner: str = ""):
    """Functions of a module, and methods of its classes, without those that are private."""
    for node in body:
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            if node.name.startswith("_"):
                continue
            if isinstance(node, ast.ClassDef):
                yield from public_functions(node.body, f"{owner}{node.name}.")
            else:
                yield f"{owner}{node.name}", node, bool(owner)


def arguments(node, method: bool) -> list:
    """Every argument of a function; of a method, without the object that it belongs to."""
    given = node.args
    plain = given.posonlyargs + given.args
    static = any(ast.unparse(one) == "staticmethod" for one in node.decorator_list)
    starred = [one for one in (given.vararg, given.kwarg) if one is not None]
    return plain[method and not static :] + given.kwonlyargs + starred


def untyped(source: str) -> list:
    """Places in a module where a type is lacking."""
    found = []
    for name, node, method in public_functions(ast.parse(source).body):
        lacking = [one.arg for one in arguments(node, method) if one.annotation is None]
        lacking += [] if node.returns is not None else ["what it returns"]
        found += [f"{name}: {one}" for one in lacking]
    return found


@pytest.mark.parametrize("path", PATHS, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_public_function_says_the_types_of_its_arguments_and_of_what_it_returns(path):
    assert untyped(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("source", "lacking"),
    [
        ("def f(a: int) -> int: ...", []),
        ("def f(a) -> int: ...", ["f: a"]),
        ("def f(a: int): ...", ["f: what it returns"]),
        ("def f(a: int, /, b, *c, d, **e) -> int: ...", ["f: b", "f: d", "f: c", "f: e"]),
        ("async def f(a) -> int: ...", ["f: a"]),
        ("class A:\n    def f(self, a) -> int: ...", ["A.f: a"]),
        ("class A:\n    @staticmethod\n    def f(a) -> int: ...", ["A.f: a"]),
        ("class A:\n    class B:\n        def f(self): ...", ["A.B.f: what it returns"]),
        ("def _f(a): ...", []),
        ("class _A:\n    def f(self, a): ...", []),
        ("def f() -> int:\n    def g(a): ...\n    return 1", []),
    ],
)
def test_a_type_that_is_lacking_is_noticed(source, lacking):
    assert untyped(source) == lacking
