"""Text files as people save them, read; and files written so that nothing is ever half there."""

import codecs
import csv
import difflib
import io
import os
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path

# Byte-order marks, and the encoding that each stands for.
_ENCODINGS = {
    codecs.BOM_UTF8: "utf-8",
    codecs.BOM_UTF16_LE: "utf-16-le",
    codecs.BOM_UTF16_BE: "utf-16-be",
}


@dataclass(frozen=True)
class Problem:
    """One thing that a file says and that cannot be used, in words for the rider."""

    file: str
    message: str
    row: int | None = None
    column: str | None = None

    def __str__(self) -> str:
        where = [self.file]
        if self.row is not None:
            where.append(f"row {self.row}")
        if self.column:
            where.append(self.column)
        return f"{', '.join(where)}: {self.message}"


class SessionError(ValueError):
    """A session that cannot be used; ``problems`` lists everything that is wrong with it."""

    def __init__(self, problems):
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def _render_traceback_(self):
        """In a notebook: the sentences, without the way that led to them."""
        return ["To fix in the session:", *(f"  {problem}" for problem in self.problems)]


def read_text(path: Path) -> str:
    """Text of a file in UTF-8, or in UTF-16 with a byte-order mark, with plain line ends.

    Raises
    ------
    SessionError
        If the file is missing, empty, a spreadsheet's own format, or in another encoding.
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise SessionError(
            [Problem(path.name, f"is missing in the folder {path.parent.name!r}")]
        ) from None
    except OSError as error:
        raise SessionError([Problem(path.name, f"cannot be read: {error.strerror}")]) from error
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding, name = "utf-16", "UTF-16"
    elif raw.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        message = "is a spreadsheet's own file, not text; export it as CSV in UTF-8"
        raise SessionError([Problem(path.name, message)])
    else:
        encoding, name = "utf-8-sig", "UTF-8"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        row = raw[: error.start].count(b"\n") + 1
        message = f"byte 0x{raw[error.start]:02x} is not {name}; save it as UTF-8"
        raise SessionError([Problem(path.name, message, row=row)]) from error
    if "\x00" in text:
        raise SessionError([Problem(path.name, "is not a text file; export it as CSV in UTF-8")])
    if not text.strip():
        raise SessionError([Problem(path.name, "is empty")])
    return text.replace("\r\n", "\n").replace("\r", "\n")


@dataclass(frozen=True)
class RawTable:
    """Cells of a delimited text file as typed, with the row of the file that each came from."""

    headers: tuple
    rows: tuple
    row_numbers: tuple
    delimiter: str
    decimal_comma: bool


def read_table(path: Path) -> RawTable:
    """The table in a text file; :func:`parse_table` says how it is read."""
    return parse_table(read_text(path), path.name)


def parse_table(text: str, name: str) -> RawTable:
    """Delimited text with one header row: comma, semicolon or tab; point or comma as decimal sign.

    A decimal comma is accepted only where the comma does not separate the cells, and only if no
    number in the file has a decimal point: otherwise 1,234 could be read two ways. A line that
    starts with # is a remark.

    Parameters
    ----------
    text : str
    name : str
        Of the file, for the problems.

    Raises
    ------
    SessionError
        If it cannot be read as one table, with a row for each problem.

    Examples
    --------
    >>> parse_table("run;time\\n1;4,4", "coastdown.csv").decimal_comma
    True
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    # A remark stays in place as an empty line, so that row numbers are the file's.
    kept = "\n".join("" if line.lstrip().startswith("#") else line for line in lines)
    header = next((line for line in kept.split("\n") if line.strip(' ,;\t"')), "")
    if not header:
        raise SessionError([Problem(name, "has no header row; the first row names the columns")])
    delimiter = max(",;\t", key=header.count)
    reader = csv.reader(io.StringIO(kept), delimiter=delimiter)
    cells, numbers, problems = [], [], []
    previous = 0
    try:
        for row in reader:
            first_line, previous = previous + 1, reader.line_num
            if any(cell.strip() for cell in row):
                cells.append([cell.strip() for cell in row])
                numbers.append(first_line)
    except csv.Error as error:
        raise SessionError([Problem(name, f"cannot be read: {error}", row=previous + 1)]) from error
    headers, rows = cells[0], []
    for row, at in zip(cells[1:], numbers[1:], strict=True):
        if len(row) > len(headers):
            remedy = (
                "a decimal comma? Write a point, or separate the cells with semicolons"
                if delimiter == ","
                else "put text that has the separator in it between double quotes"
            )
            message = f"has {len(row)} cells where the header has {len(headers)}; {remedy}"
            problems.append(Problem(name, message, row=at))
        rows.append((row + [""] * len(headers))[: len(headers)])
    if problems:
        raise SessionError(problems)
    comma, point = (
        any(re.fullmatch(rf"[-+−]?\d+{sign}\d+", cell) for row in rows for cell in row)
        for sign in (",", r"\.")
    )
    return RawTable(
        headers=tuple(headers),
        rows=tuple(tuple(row) for row in rows),
        row_numbers=tuple(numbers[1:]),
        delimiter=delimiter,
        decimal_comma=delimiter != "," and comma and not point,
    )


def write_atomic(path: Path, content: str | bytes) -> None:
    """Write a file so that a reader sees the old one or the new one, never a part.

    Parameters
    ----------
    path : Path
    content : str or bytes
        Text is written as UTF-8 with its line ends as they are.
    """
    raw = content.encode() if isinstance(content, str) else content
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(raw)
        # mkstemp makes a private file; a report is for handing on.
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def write_like(path: Path, text: str) -> None:
    """Write a text file over an earlier one, in the encoding and with the line ends that it has.

    Parameters
    ----------
    path : Path
    text : str
        With plain line ends.
    """
    raw = path.read_bytes()
    mark = next((mark for mark in _ENCODINGS if raw.startswith(mark)), b"")
    encoding = _ENCODINGS.get(mark, "utf-8")
    if "\r\n" in raw[len(mark) :].decode(encoding):
        text = text.replace("\n", "\r\n")
    write_atomic(path, mark + text.encode(encoding))


def nearest(word: str, known) -> str:
    """Words that point to the nearest known name, or that list the few there are.

    Examples
    --------
    >>> nearest("masss", ["mass", "grade"])
    "did you mean 'mass'?"
    """
    known = sorted(known)
    close = difflib.get_close_matches(word.lower(), [name.lower() for name in known], n=1)
    if close:
        original = next(name for name in known if name.lower() == close[0])
        return f"did you mean {original!r}?"
    if not known:
        return "none is defined"
    shown = ", ".join(repr(name) for name in known[:12])
    return f"known: {shown}{', …' if len(known) > 12 else ''}"
