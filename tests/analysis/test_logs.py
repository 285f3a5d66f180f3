"""What is told of a log, counted by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from tuninglib.analysis.logs import LogChannel, logs_read
from tuninglib.session.trace import LeftOut, Trace


def read(steps, **channels):
    time = np.concatenate([[0.0], np.cumsum(steps)])
    trace = Trace(
        kind="table", time_s=time, started_utc_s=7.0, clock_s=8.0, channels=channels, rows=99,
        left_out=(LeftOut("no time", 2, 3),), reordered=4, unused=("x",),
    )  # fmt: skip
    session = SimpleNamespace(logs={"box": SimpleNamespace(file="box.csv")}, traces={"box": trace})
    (one,) = logs_read(session)
    return one


def test_a_log_is_told_as_it_was_read():
    one = read([1.0] * 3, gauge=np.array([12.0, np.nan, 13.0, 11.0]))
    assert (one.name, one.file, one.kind, one.rows, one.used) == ("box", "box.csv", "table", 99, 4)
    assert (one.duration_s, one.usual_step_s, one.longest_gap_s) == (3.0, 1.0, 1.0)
    assert one.channels == (LogChannel(name="gauge", readings=3, low=11.0, high=13.0),)
    assert (one.started_utc_s, one.clock_s, one.reordered, one.unused) == (7.0, 8.0, 4, ("x",))
    assert one.left_out == (LeftOut("no time", 2, 3),)


@pytest.mark.parametrize(
    ("usual", "pause", "gaps"),
    # Five usual steps, and two seconds at the least.
    [(0.1, 1.9, 0), (0.1, 2.1, 1), (1.0, 4.9, 0), (1.0, 5.1, 1)],
)
def test_a_gap_is_a_pause_of_five_steps_and_two_seconds(usual, pause, gaps):
    one = read([usual] * 5 + [pause] + [usual] * 5)
    assert (one.gaps, one.longest_gap_s) == (gaps, pytest.approx(pause))
    assert one.usual_step_s == pytest.approx(usual)
