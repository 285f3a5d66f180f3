"""What the tests of a session's folder share."""

import csv
import io

import numpy as np
import pytest

from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError


@pytest.fixture
def problems():
    """A function from a session's folder to the sentences with which it is refused."""

    def of(folder) -> list[str]:
        with pytest.raises(SessionError) as caught:
            load_session(folder)
        return [str(problem) for problem in caught.value.problems]

    return of


@pytest.fixture
def retyped(demo_copy):
    """Write runs.csv anew: what a function makes of its rows, each a dictionary by the header."""

    def write(change, folder=demo_copy):
        path = folder / "runs.csv"
        rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
        rows = change(rows) or rows
        out = io.StringIO()
        writer = csv.DictWriter(out, rows[0], lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        path.write_text(out.getvalue(), encoding="utf-8")
        return folder

    return write


def require_whole(trace) -> None:
    """Every row of a log is used or counted as left out, times rise, and no number is endless."""
    whole = sum(one.count for one in trace.left_out if not one.channel)
    assert trace.time_s.size + whole == trace.rows
    assert (np.diff(trace.time_s) > 0).all()
    for values in trace.channels.values():
        assert values.shape == trace.time_s.shape
        assert not np.isinf(values).any()
