"""Text files as people save them, read, and what is wrong with them in words."""

import csv
import difflib
import math
import re
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

# A sentence on a screen; what is longer shows a file's content rather than what is wrong with it.
_LONGEST_MESSAGE = 600


@dataclass(frozen=True)
class Problem:
    """One thing that a file says and that cannot be used, in words for the rider."""

    file: str
    message: str
    row: int | None = None
    column: str | None = None

    def __post_init__(self):
        object.__setattr__(self, "message", shortened(self.message, _LONGEST_MESSAGE))
        if self.column:
            object.__setattr__(self, "column", shortened(self.column))

    def __str__(self) -> str:
        where = [printable(self.file)]
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


class Decoded(NamedTuple):
    """Text of a file with plain line ends, and the encoding that it was in."""

    text: str
    encoding: str


# All but control characters, those of text excepted; the first pages tell whether it is one.
_TEXT_BYTES = bytes(byte for byte in range(256) if byte >= 32 or byte in b"\t\n\r\f\x1a\x1b")
_HEAD_BYTES = 1 << 17


def decoded(raw: bytes, name: str) -> Decoded:
    """Text of a file's bytes, however it was saved: one rule for what is typed and what is logged.

    UTF-16 if it begins with that mark, else UTF-8 if most of its bytes beyond ASCII are letters
    there, else Windows-1252, in which older spreadsheets and devices write. A byte that is no
    letter becomes the sign U+FFFD. What a device puts behind the end of its file is left out.

    Parameters
    ----------
    raw : bytes
    name : str
        Of the file, for the problems.

    Raises
    ------
    SessionError
        If it is empty, a spreadsheet's own format, or no text.

    Examples
    --------
    >>> decoded("Öl".encode("cp1252"), "box.csv"), decoded("Öl".encode(), "box.csv")
    (Decoded(text='Öl', encoding='cp1252'), Decoded(text='Öl', encoding='utf-8-sig'))
    """
    if raw.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        message = f"is a spreadsheet's own file, not text; {_as_text(name)}"
        raise SessionError([Problem(name, message)])
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
        text = raw.decode(encoding, "replace")
    else:
        head = raw[:_HEAD_BYTES]
        if len(raw) <= _HEAD_BYTES:
            head = head.rstrip(b"\x00\x1a") or head
        if b"\x00" in head or len(head.translate(None, _TEXT_BYTES)) > len(head) / 100:
            message = f"is not a text file that can be read; {_as_text(name)}"
            raise SessionError([Problem(name, message)])
        encoding = "utf-8-sig"
        text = raw.decode(encoding, "replace")
        lost = text.count("\ufffd")
        # A letter of UTF-8 has two bytes or more; one of another encoding is lost by itself.
        if lost and 2 * lost >= len(raw.translate(None, bytes(range(128)))):
            encoding = "cp1252"
            text = raw.decode(encoding, "replace")
    # Files that were put together have marks in the middle; nobody sees them, nor means them.
    text = text.replace("\ufeff", "").rstrip("\x00\x1a")
    if not text or text.isspace():
        raise SessionError([Problem(name, "is empty")])
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return Decoded(text, encoding)


def _as_text(name) -> str:
    return "save it as plain text" if name.endswith(".toml") else "export it as CSV"


_NAMES = {"utf-8-sig": "is not UTF-8", "utf-16": "is not UTF-16"}


def read_text(path: Path) -> str:
    """Text that somebody typed, as :func:`decoded` has it, with plain line ends.

    Raises
    ------
    SessionError
        If the file is missing, empty, no text, or holds a byte that is no letter: what is typed
        names things, so that none may be lost.
    """
    try:
        require_regular(path, "a text file", _LARGEST_BYTES, "is it a log?")
        raw = path.read_bytes()
    except FileNotFoundError:
        message = f"is missing from the folder {path.parent.name!r}"
        raise SessionError([Problem(path.name, message)]) from None
    except OSError as error:
        raise SessionError([Problem(path.name, f"cannot be read: {error.strerror}")]) from error
    text, encoding = decoded(raw, path.name)
    if "\x00" in text:
        raise SessionError([Problem(path.name, f"is not a text file; {_as_text(path.name)}")])
    try:
        raw.decode(encoding)
    except UnicodeDecodeError as error:
        row = raw[: error.start].count(b"\n") + 1
        other = _NAMES.get(encoding, "is neither UTF-8 nor Windows-1252")
        message = f"byte 0x{raw[error.start]:02x} {other}; save it as UTF-8"
        raise SessionError([Problem(path.name, message, row=row)]) from error
    return text


def decimal_comma_in(cells: Iterable[str]) -> bool:
    """Whether a comma is the decimal sign of numbers in cells: some have one, and none a point.

    Else 1,234 could be read two ways.

    Examples
    --------
    >>> decimal_comma_in(["4,4", "12"]), decimal_comma_in(["4.4", "1,234"])
    (True, False)
    >>> decimal_comma_in(["12,6 to 12,8"])
    True
    """
    comma = False
    for cell in cells:
        if _WITH_POINT.fullmatch(cell):
            return False
        comma = comma or bool(_WITH_COMMA.fullmatch(cell))
    return comma


# What keyboards and spreadsheets put between two numbers.
DASHES = "[-‐‑‒–—−]"
# A second number is the end of a range, or how far off the first may be.
_SECOND = rf"(\s*(to|bis|{DASHES}|±|\+/-|\+-)\s*[-+−]?\d+{{sign}}\d+)?"
_WITH_COMMA = re.compile(rf"[-+−]?\d+,\d+{_SECOND.format(sign=',')}")
_WITH_POINT = re.compile(rf"[-+−]?\d*\.\d+([eE][-+]?\d+)?{_SECOND.format(sign='[.]')}")


# A text file of a session that is larger than this is something else.
_LARGEST_BYTES = 50_000_000


def require_regular(path: Path, what: str, most: float = math.inf, remedy: str = "") -> None:
    """Refuse what cannot be read to its end: a pipe or a device waits for ever.

    Parameters
    ----------
    path : Path
    what : str
        That should stand there.
    most : float
        Bytes that are read; more would fill the memory.
    remedy : str
        Against that.
    """
    found = path.stat()
    if not stat.S_ISREG(found.st_mode):
        kind = "a folder" if stat.S_ISDIR(found.st_mode) else "not an ordinary file"
        raise SessionError([Problem(path.name, f"is {kind}; put {what} in its place")])
    if found.st_size > most:
        megabytes = f"{found.st_size / 1e6:.0f} MB, more than the {most / 1e6:.0f} MB"
        raise SessionError([Problem(path.name, f"has {megabytes} that are read; {remedy}")])


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
    starts with # is a comment, unless it looks like a row: that is refused. Every other line is one
    row: a cell in quotes ends on its line, so that a stray quotation mark cannot swallow the rows
    after it.

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
    # A comment stays in place as an empty line, so that row numbers are the file's.
    kept = ["" if COMMENT.match(line) else line for line in lines]
    header = next((line for line in kept if line.strip(' ,;\t"')), "")
    if not header:
        raise SessionError([Problem(name, "has no header row; the first row names the columns")])
    delimiter = max(",;\t", key=header.count)
    cells, numbers, problems = [], [], []
    for at, line in enumerate(kept, start=1):
        try:
            row = [cell.strip() for cell in _cells(line, delimiter)]
        except ValueError as error:
            problems.append(Problem(name, str(error), row=at))
            continue
        if any(row):
            cells.append(row)
            numbers.append(at)
    if cells and len(cells[0]) > _MOST_COLUMNS:
        message = f"has {len(cells[0])} columns; at most {_MOST_COLUMNS} are allowed"
        problems.append(Problem(name, message, row=numbers[0]))
    elif cells:
        problems += _rows_behind_a_mark(lines, delimiter, len(cells[0]), name)
    if problems:
        raise SessionError(problems)
    headers, rows = cells[0], []
    widths = {len(row) for row in cells[1:]}
    if len(cells) > 2 and widths == {len(headers) + 1}:
        message = f"names {len(headers)} columns, but each row has one cell more"
        remedy = "add the name that is missing, or write decimal commas as points"
        raise SessionError([Problem(name, f"{message}; {remedy}", row=numbers[0])])
    remedy = "put text that contains the separator in double quotes"
    if delimiter == ",":
        remedy = "a decimal comma? Write a point, or separate the cells with semicolons"
    for row, at in zip(cells[1:], numbers[1:], strict=True):
        if len(row) > len(headers):
            message = f"has {len(row)} cells where the header has {len(headers)}; {remedy}"
            problems.append(Problem(name, message, row=at))
        rows.append((row + [""] * len(headers))[: len(headers)])
    if problems:
        raise SessionError(problems)
    return RawTable(
        headers=tuple(headers),
        rows=tuple(tuple(row) for row in rows),
        row_numbers=tuple(numbers[1:]),
        delimiter=delimiter,
        decimal_comma=delimiter != "," and decimal_comma_in(cell for row in rows for cell in row),
    )


# What a spreadsheet writes where a formula failed is no comment, though it begins like one.
COMMENT = re.compile(r'\s*"?#(?!(N/A|NA|REF!|VALUE!|DIV/0!|NAME\?|NUM!|NULL!|SPILL!))')
_MOST_COLUMNS = 1000


def _rows_behind_a_mark(lines, delimiter: str, columns: int, name: str):
    """Problems of comments that look like rows: first a number, then many cells."""
    for at, line in enumerate(lines, start=1):
        bare = line.strip().strip('"')
        # Trailing cells may be left out; a remark with a comma has two or three.
        cells = line.count(delimiter) + 1
        if re.match(rf'#\s*\d+"?\s*{delimiter}', bare) and cells >= max(3, columns / 2):
            message = (
                "begins with #, so it would not be read, but looks like a row; take the # away (to "
                "leave a run out, write the reason under exclude)"
            )
            yield Problem(name, message, row=at)


def _cells(line: str, delimiter: str) -> list:
    """Cells of one line; refused where a quotation mark opens a cell that does not end there."""
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True), [])
    except csv.Error as error:
        if "unexpected end" in str(error):
            raise ValueError(
                "a quotation mark opens a cell that does not end on this line; close it, write "
                "the note on one line, and for inches write in"
            ) from None
        if "larger than field limit" in str(error):
            raise ValueError("has a cell of more than 131072 characters; is it a table?") from None
    # A quotation mark inside a note is a letter like any other.
    return next(csv.reader([line], delimiter=delimiter), [])


def printable(name: str) -> str:
    """A file's name as text that can be written anywhere: what is no letter becomes a ?.

    Examples
    --------
    >>> printable("outing \\udcff"), printable("a\\x1b[2Jb")
    ('outing ?', 'a?[2Jb')
    """
    # What a terminal obeys, and what turns the direction of writing, is no letter either.
    return "".join(one if one.isprintable() else "?" for one in name)


# Of what somebody typed, a sentence shows no more.
LONGEST_SHOWN = 60


def shortened(text: str, most: int = LONGEST_SHOWN) -> str:
    """The beginning of a text that is too long to be shown.

    Examples
    --------
    >>> shortened("short"), len(shortened("x" * 1000))
    ('short', 61)
    """
    return text if len(text) <= most else f"{text[:most]}…"


def quoted(text: str) -> str:
    """What somebody typed, as a sentence shows it: between quotes, and not a page of it.

    Examples
    --------
    >>> quoted("masss")
    "'masss'"
    """
    return repr(shortened(text))


def a_few(texts: Iterable[str], most: int = 6) -> str:
    """Texts one after the other, and how many more there are.

    Examples
    --------
    >>> a_few(["a", "b", "c"], most=2), a_few([])
    ('a, b and 1 more', 'none')
    """
    shown = [shortened(text) for text in texts]
    more = f" and {len(shown) - most} more" if len(shown) > most else ""
    return (", ".join(shown[:most]) or "none") + more


def nearest(word: str, known: Iterable[str]) -> str:
    """Words that point to the nearest known name, or that list the few there are.

    Examples
    --------
    >>> nearest("masss", ["mass", "grade"])
    "did you mean 'mass'?"
    """
    known = sorted(known)
    word = shortened(word)
    close = difflib.get_close_matches(word.lower(), [name.lower() for name in known], n=1)
    if close:
        original = next(name for name in known if name.lower() == close[0])
        return f"did you mean {quoted(original)}?"
    if not known:
        return "none is defined"
    shown = ", ".join(quoted(name) for name in known[:12])
    return f"known: {shown}{', …' if len(known) > 12 else ''}"
