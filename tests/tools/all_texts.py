"""Every text that a user can see, in one file, to be read by somebody who did not write it.

``python -m tests.tools.all_texts > texts.txt``. Python's texts of two words or more are taken from
the sources, with ``{}`` where something is put in; docstrings give their first line. Then follow
the words of the pages' scripts, the workbooks' own sentences and the papers.
"""

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

PROJECT = Path(__file__).parents[2]
# Two words with a blank between them, which is what a sentence has and a key has not.
_WORDS = re.compile(r"[A-Za-z]{2,}[,.;:]? [A-Za-z{(]")


def texts_of(source: str) -> Iterator[tuple[int, str]]:
    """Line and text of what a Python source says, in its order."""
    tree = ast.parse(source)
    documents = {}
    for node in ast.walk(tree):
        named = isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        first = node.body[0] if named and node.body else None
        if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
            documents[id(first.value)] = not getattr(node, "name", "").startswith("_")
    found = []
    inside: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            inside |= {id(part) for part in ast.walk(node) if part is not node}
    for node in ast.walk(tree):
        if id(node) in inside:
            continue
        if id(node) in documents:
            if documents[id(node)]:
                found.append((node.lineno, "# " + node.value.strip().splitlines()[0]))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found.append((node.lineno, node.value))
        elif isinstance(node, ast.JoinedStr):
            found.append((node.lineno, _filled(node)))
    return ((line, text) for line, text in sorted(found) if _WORDS.search(text))


def _filled(node: ast.JoinedStr) -> str:
    """A text with what is put in: choices between words are shown, all else is ``{}``."""
    parts = []
    for part in node.values:
        if isinstance(part, ast.Constant):
            parts.append(str(part.value))
            continue
        words = [
            one.value
            for one in ast.walk(part)
            if isinstance(one, ast.Constant) and isinstance(one.value, str) and " " in one.value
        ]
        parts.append("{" + "|".join(words) + "}")
    return "".join(parts)


def _plain(text: str) -> str:
    return re.sub(r"[ \t]*\n[ \t]*", "\n    ", text.strip())


def main() -> None:
    for path in sorted((PROJECT / "tuninglib").rglob("*.py")):
        texts = list(texts_of(path.read_text(encoding="utf-8")))
        if texts:
            print(f"\n==== {path.relative_to(PROJECT)}")
            for line, text in texts:
                print(f"{line}: {_plain(text)}")
    for path in sorted((PROJECT / "tuninglib/report/page").iterdir()):
        if path.suffix in (".html", ".js"):
            print(f"\n==== {path.relative_to(PROJECT)}")
            for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
                shown = re.sub(r"<[^>]+>|\{[{%#].*?[}%#]\}|^\s*//.*", " ", line).strip()
                if _WORDS.search(shown):
                    print(f"{number}: {shown}")
    for path in sorted((PROJECT / "workbooks").glob("*.ipynb")):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        print(f"\n==== {path.relative_to(PROJECT)}")
        for cell in cells:
            if cell["cell_type"] == "markdown":
                print(_plain("".join(cell["source"])))


if __name__ == "__main__":
    main()
