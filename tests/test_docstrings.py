"""Docstrings hold what the house promises: each public name has one, and it names the arguments."""

import importlib
import inspect
import pkgutil
import re

import tuninglib

MODULES = sorted(
    info.name
    for info in pkgutil.walk_packages(tuninglib.__path__, "tuninglib.")
    if not info.name.rsplit(".", 1)[-1].startswith("_")
)


def public_functions(name):
    module = importlib.import_module(name)
    for key, value in vars(module).items():
        if inspect.isfunction(value) and value.__module__ == name and not key.startswith("_"):
            yield key, value


def documented(docstring: str) -> set:
    """Names in the Parameters section of a docstring; a backslash continues a line of names."""
    section = re.search(
        r"Parameters\n-+\n(.*?)(?:\n\w[^\n]*\n-{3,}|\Z)", docstring, flags=re.DOTALL
    )
    if not section:
        return set()
    names = set()
    for line in section[1].replace("\\\n", " ").splitlines():
        if line and not line.startswith(" "):
            names |= {part.strip(" *`") for part in line.split(" : ")[0].split(",")}
    return names


FUNCTIONS = [(name, *of) for name in MODULES for of in public_functions(name)]


def test_every_public_function_says_what_it_is():
    for name in MODULES:
        assert importlib.import_module(name).__doc__, name
    for name, key, function in FUNCTIONS:
        assert inspect.getdoc(function), f"{name}.{key} has no docstring"


def test_a_docstring_that_names_arguments_names_them_all():
    for name, key, function in FUNCTIONS:
        named = documented(inspect.getdoc(function))
        if named:
            missing = set(inspect.signature(function).parameters) - named
            assert not missing, f"{name}.{key} does not document {sorted(missing)}"
            extra = named - set(inspect.signature(function).parameters)
            assert not extra, f"{name}.{key} documents {sorted(extra)}, which it does not take"
