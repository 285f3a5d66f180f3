"""What each channel of a log can be: the edge is a reading, what lies beyond is none."""

import numpy as np
import pytest

from tuninglib.session.trace import CHANNELS, SI_NAMES, in_order

# A pole, the date line, the Dead Sea's shore and the highest peak; a device's noise at a stand and
# faster than any motorcycle; a gauge in lambda or air to fuel; a throttle a little out of its
# calibration; an engine's fastest; heads and air between the coldest and the hottest.
EDGES = {
    "latitude": (-90, 90),
    "longitude": (-180, 180),
    "elevation": (-450, 9000),
    "speed": (-0.5, 120),
    "gauge": (0.2, 45),
    "throttle": (-0.05, 1.05),
    "engine_speed": (0, 25000),
    "head_temperature": (200, 800),
    "air_temperature": (200, 350),
}


@pytest.mark.parametrize("name", CHANNELS)
def test_readings_reach_to_their_edges(name):
    low, high = EDGES[name]
    beyond = 1e-6 * (high - low)
    values = np.array([low, low - beyond, high, high + beyond, (low + 3 * high) / 4])
    trace = in_order(
        "table", "box.csv", np.arange(5.0), {name: values}, lambda row: row + 2, 
    )  # fmt: skip
    known = np.isfinite(trace.channels[SI_NAMES[name]])
    assert known.tolist() == [True, False, True, False, True]
    (one,) = trace.left_out
    assert (one.reason, one.count, one.first, one.channel) == ("limits", 2, 3, name)
