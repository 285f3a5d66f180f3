"""The cells of a large table in text: blocks of whole lines, several at once.

pandas' C reader does the work and lets other threads run meanwhile; the text as a whole is never
copied.
"""

import collections
import csv
import io
import mmap
import os
from concurrent.futures import ThreadPoolExecutor

import pandas as pd

from tuninglib.session.log_layout import Layout
from tuninglib.text_files import Problem, SessionError

_BLOCK_BYTES = 1 << 23
_LONGEST_LINE = 200_000
_MOST_THREADS = 4
# Words for "no reading", besides those that pandas knows.
_NOTHING = ["-", "--", "---", "–", "*", "?", "n.a.", "none", "off"]


def read_blocks(path, layout: Layout, positions, then):
    """What a function makes of each block of a table, in the order of the file.

    Parameters
    ----------
    path : Path
    layout : Layout
    positions : list of int
        Of the columns that are wanted.
    then : callable
        Takes a pandas.DataFrame with a row for each line, empty ones too, and its columns by
        position; where a line has too many cells there is one column more, in which such lines
        have something. Runs in another thread.

    Yields
    ------
    object

    Raises
    ------
    SessionError
        If lines cannot be told apart, so that none is lost without a word.
    """
    threads = min(_MOST_THREADS, os.cpu_count() or 1)
    waiting = collections.deque()

    def work(text, start, stop):
        return then(_cells(path, layout, positions, text, start, stop))

    with path.open("rb") as stream, ThreadPoolExecutor(threads) as pool:
        if layout.plain_lines:
            text = mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ)
        else:
            # Line ends or letters that cannot be cut as bytes.
            whole = stream.read().decode(layout.encoding, "replace")
            text = whole.replace("\r\n", "\n").replace("\r", "\n").encode()
        for start, stop in _cuts(path, layout, text):
            waiting.append(pool.submit(work, text, start, stop))
            if len(waiting) > threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _cuts(path, layout: Layout, text):
    """Where blocks of whole lines begin and end, below the header."""
    start = 0
    for _ in range(layout.first_row - 1):
        start = text.find(b"\n", start) + 1
    length = len(text)
    while start < length:
        stop = length
        if start + _BLOCK_BYTES < length:
            near = start + _BLOCK_BYTES
            stop = text.find(b"\n", near, near + _LONGEST_LINE) + 1
            if not stop:
                row = _lines(text, 0, near)
                message = f"has a line of more than {_LONGEST_LINE // 1000} kB; is it a log?"
                raise SessionError([Problem(path.name, message, row=row)])
        yield start, stop
        start = stop


def _lines(text, start, stop) -> int:
    """How many lines a piece has."""
    piece = text[start:stop]
    return piece.count(b"\n") + (not piece.endswith(b"\n"))


def _cells(path, layout: Layout, positions, text, start, stop) -> pd.DataFrame:
    piece = text[start:stop].rstrip(b"\x00\x1a")
    try:
        table = _parsed(layout, positions, piece)
    except (pd.errors.ParserError, ValueError):
        table = None
    # Without quotation marks nothing can swallow the end of a line.
    if table is None or (layout.quoted and len(table) != _lines(piece, 0, None)):
        first = _lines(text, 0, start) + 1 if start else 1
        message = (
            f"has lines from here to line {first + _lines(piece, 0, None) - 1} that cannot be told "
            "apart: a quotation mark that is not closed? Export the log again"
        )
        raise SessionError([Problem(path.name, message, row=first)])
    return table


def _parsed(layout: Layout, positions, piece: bytes) -> pd.DataFrame:
    """Cells by their position; one column more where a line has too many of them."""
    how = {
        "sep": layout.separator,
        "decimal": "," if layout.decimal_comma else ".",
        "encoding": layout.encoding if layout.plain_lines else "utf-8",
        "encoding_errors": "replace",
        "header": None,
        "skip_blank_lines": False,
        "na_values": _NOTHING,
        "quoting": csv.QUOTE_MINIMAL if layout.quoted else csv.QUOTE_NONE,
    }
    if layout.width <= 2 * len(positions):
        try:
            table = pd.read_csv(io.BytesIO(piece), **how)
        except (pd.errors.ParserError, pd.errors.EmptyDataError):
            pass
        else:
            if table.shape[1] == layout.width:
                return table
    # A first row of as many cells as can be, so that a line with too many shows it.
    extra = layout.width
    joint = " " if layout.separator == r"\s+" else layout.separator
    first = joint.join(["0"] * (extra + 1)) + "\n"
    wanted = sorted({*positions, extra})
    return pd.read_csv(
        io.BytesIO(first.encode() + piece), names=range(extra + 1), usecols=wanted, **how
    ).iloc[1:]
