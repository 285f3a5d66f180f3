"""How a log in delimited text is written, told from its first lines."""

import re
from dataclasses import dataclass
from pathlib import Path

from tuninglib.text_files import Problem, SessionError, quoted
from tuninglib.units import parse_unit

_HEAD_BYTES = 1 << 17
_LINES, _SAMPLE = 200, 40
_SEPARATORS = (",", ";", "\t", "|", r"\s+")
_MOST_COLUMNS = 2000
_NUMBER = re.compile(r"[-+−]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")
_TIME = re.compile(r"\d{1,4}[-./:]\d{1,2}[-./:]\d{1,4}([T ,]?[\d:.,]*)?( ?(Z|[-+]\d\d:?\d\d))?")
_PLAIN_NUMBER = re.compile(r"[-+]?\d+,\d+")
_POINT = re.compile(r"[-+]?\d*\.\d+([eE][-+]?\d+)?")


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How the table is written.

    Attributes
    ----------
    separator : str
        As pandas takes it.
    decimal_comma, quoted : bool
    encoding : str
    plain_lines : bool
        Lines end with a line feed, in an encoding of single bytes or UTF-8.
    header_row, first_row : int
        Lines of the header and of the first row of numbers, from 1; without a header, the columns
        are called by their numbers.
    heads, names, units : tuple of str
        Of each column: as it stands, without its unit, the unit (empty if there is none).
    sample : tuple of tuples of str
        Cells of the first rows.
    """

    separator: str
    decimal_comma: bool
    quoted: bool
    encoding: str
    plain_lines: bool
    header_row: int
    first_row: int
    heads: tuple
    names: tuple
    units: tuple
    sample: tuple

    @property
    def width(self) -> int:
        """How many columns there are."""
        return len(self.heads)

    def places(self, name: str, name_only: bool = False) -> list:
        """Positions of the columns of a name, with or without the unit in it."""
        wanted = _key(name)
        found = [] if name_only else [i for i, one in enumerate(self.heads) if _key(one) == wanted]
        return found or [i for i, one in enumerate(self.names) if _key(one) == wanted]

    def listed(self) -> str:
        """The columns as a sentence lists them."""
        shown = ", ".join(quoted(one) for one in self.heads[:12])
        return f"{shown}{', …' if len(self.heads) > 12 else ''}"


def _key(text: str) -> str:
    return re.sub(r"[\s_]+", "_", text.strip().lower())


def layout_of(path: Path) -> Layout:
    """The layout of a log.

    Parameters
    ----------
    path : Path

    Raises
    ------
    SessionError
        If no table of numbers can be found in its first lines.

    Notes
    -----
    For each separator the first line of which half of the cells are numbers or times, with as many
    cells in the line after it, begins the table; the separator that makes the largest share of
    numbers, and among equals the most cells, is taken. The line above is the header; where that
    holds nothing but units, the one above it is, too.
    """
    raw, whole = _first_bytes(path)
    encoding = _encoding(raw, path.name, whole)
    text = raw.decode(encoding, "ignore" if encoding.startswith("utf") else "replace")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    lines = lines if whole else lines[:-1]
    lines = lines[: _LINES + 2 * _SAMPLE]
    best = None
    for separator in _SEPARATORS:
        found = _table(lines, separator)
        if found and (best is None or found[0] > best[0]):
            best = found
    if best is None:
        message = (
            "holds no table of numbers that can be found: a line of names, then lines with as many "
            "numbers; export the log as CSV"
        )
        raise SessionError([Problem(path.name, message)])
    _, separator, first, rows = best
    width = len(rows[0])
    if width > _MOST_COLUMNS:
        message = f"has {width} columns; {_MOST_COLUMNS} are the most"
        raise SessionError([Problem(path.name, message)])
    heads, units, header_row = _heads(lines, separator, first, width)
    split = [_split_unit(head) for head in heads]
    names = tuple(name for name, _ in split)
    units = tuple(own or unit for own, (_, unit) in zip(units, split, strict=True))
    flat = [cell for row in rows for cell in row]
    comma = any(map(_PLAIN_NUMBER.fullmatch, flat)) and not any(map(_POINT.fullmatch, flat))
    return Layout(
        separator=separator,
        decimal_comma=comma and (separator != "," or '"' in text),
        quoted='"' in text,
        encoding=encoding,
        plain_lines=encoding != "utf-16" and b"\n" in raw,
        header_row=header_row,
        first_row=first + 1,
        heads=heads,
        names=names,
        units=units,
        sample=tuple(map(tuple, rows)),
    )


def _first_bytes(path):
    with path.open("rb") as stream:
        raw = stream.read(_HEAD_BYTES)
        return raw, not stream.read(1)


# All but control characters, those of text excepted.
_TEXT_BYTES = bytes(byte for byte in range(256) if byte >= 32 or byte in b"\t\n\r\f\x1a\x1b")


def _encoding(raw: bytes, name: str, whole: bool) -> str:
    """Encoding of a text file; refused where it is none."""
    if not raw.strip():
        raise SessionError([Problem(name, "is empty")])
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    if raw.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        message = "is a spreadsheet's own file, not text; export it as CSV"
        raise SessionError([Problem(name, message)])
    odd = len(raw.translate(None, _TEXT_BYTES))
    if b"\x00" in raw or odd > len(raw) / 100:
        message = "is not text that can be read; export the log as CSV"
        raise SessionError([Problem(name, message)])
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError as error:
        if whole or error.start < len(raw) - 4:
            return "cp1252"
    return "utf-8-sig"


def _cells(line: str, separator: str) -> list:
    """Cells of one line, without blanks and quotation marks around them."""
    if separator == r"\s+":
        found = line.split()
    elif '"' in line:
        one = re.escape(separator)
        found = re.findall(rf'(?:^|{one})("[^"]*"|[^{one}]*)', line)
    else:
        found = line.split(separator)
    return [cell.strip(" \t\"'") for cell in found]


def _numeric(cell: str) -> bool:
    return bool(_NUMBER.fullmatch(cell) or _TIME.fullmatch(cell))


def _share(cells) -> float:
    """Share of numbers among the cells in which something stands."""
    filled = [cell for cell in cells if cell]
    return sum(map(_numeric, filled)) / len(filled) if filled else 0.0


def _table(lines, separator):
    """Score, separator, position of the first row and cells of the first rows; None if no table."""
    cut = [_cells(line, separator) if line.strip() else [] for line in lines]
    for first, cells in enumerate(cut[:_LINES]):
        if len(cells) < 2 or _share(cells) < 0.5 or not _numeric_somewhere(cells):
            continue
        below = next((row for row in cut[first + 1 :] if row), cells)
        header = next((row for row in reversed(cut[:first]) if row), [])
        fits = len(header) == len(cells)
        # A line of a version may hold a number; below a header, or above its like, is a table.
        goes_on = len(below) == len(cells) and _share(below) >= 0.5
        if not goes_on and not (fits and _share(header) < 0.5):
            continue
        rows = [row for row in cut[first : first + _SAMPLE] if len(row) == len(cells)]
        share = sum(map(_share, rows)) / len(rows)
        return (round(share, 2), fits, len(cells)), separator, first, rows
    return None


def _numeric_somewhere(cells) -> bool:
    return sum(map(_numeric, cells)) >= 2


def _heads(lines, separator, first, width):
    """Heads and units of a line of their own, and the row of the header (from 1)."""
    above = [
        (at, cells)
        for at in range(first - 1, -1, -1)
        if lines[at].strip() and len(cells := _cells(lines[at], separator)) == width
    ][:2]
    none = ("",) * width
    if not above or above[0][0] < first - 3:
        return tuple(str(number) for number in range(1, width + 1)), none, first + 1
    at, cells = above[0]
    filled = sum(map(bool, cells))
    if (
        len(above) > 1
        and above[1][0] >= at - 2
        and filled
        and sum(map(bool, above[1][1])) >= filled
        and all(map(_unit_or_nothing, cells))
    ):
        return tuple(above[1][1]), tuple(map(_bare, cells)), above[1][0] + 1
    return tuple(cells), none, at + 1


def _bare(cell: str) -> str:
    """A unit without the brackets around it."""
    found = cell.strip("[](){} ")
    return found if _is_unit(found) else ""


def _unit_or_nothing(cell: str) -> bool:
    return not cell.strip("[](){} -") or _is_unit(cell.strip("[](){} ")) or cell.strip("[]() ") in (
        "lambda", "AFR", "afr", "hh:mm:ss",
    )  # fmt: skip


def _is_unit(text: str) -> bool:
    if not text or text.isdigit() or len(text) > 20:
        return False
    try:
        parse_unit(text)
    except ValueError:
        return False
    return True


def _split_unit(head: str) -> tuple:
    """Name and unit of a head such as ``speed [km/h]`` or ``Speed (km/h)``."""
    match = re.fullmatch(r"(.*?)\s*[\[(]([^\[\]()]*)[\])]\s*", head)
    if match and match[1] and (_is_unit(match[2]) or match[2] in ("", "lambda", "AFR")):
        return match[1], match[2] if _is_unit(match[2]) else ""
    return head, ""
