"""What an injector's flow and a lone reading are worth, by hand."""

import numpy as np
import pytest

from tests.outing import Outing
from tuninglib.analysis.readings import ASSUMED_READING_SD, tolerance_sd
from tuninglib.session.load import load_session


@pytest.mark.parametrize(
    ("keys", "bike", "parts"),
    [
        ({"tolerance": "7 %"}, {}, [0.07 / 1.96]),
        (
            {"flow": "178 cc/min +/- 4 cc/min", "tolerance": "0.1 %"},
            {},
            [0.001 / 1.96, 4 / 178 / 1.96],
        ),
        # Flow goes with the root of pressure, so a tenth of it is a twentieth of flow.
        (
            {"tolerance": "7 %", "flow_pressure": "2.5 bar +/- 0.25 bar"},
            {"fuel_pressure": "3 bar"},
            [0.07 / 1.96, 0.1 / 1.96 / 2],
        ),
        # Without the bike's own pressure the stated one moves nothing.
        (
            {"tolerance": "7 %", "flow_pressure": "2.5 bar +/- 0.25 bar"},
            {"fuel_pressure": None},
            [0.07 / 1.96],
        ),
    ],
)  # fmt: skip
def test_what_is_not_known_of_a_flow(demo_folder, tmp_path, keys, bike, parts):
    outing = Outing(demo_folder, tmp_path / "outing")
    outing.key("injectors.i178", **keys).key("bike", **bike)
    session = load_session(outing.save())
    assert tolerance_sd(session, "i178") == pytest.approx(
        np.sqrt(np.sum(np.square(parts))), rel=1e-3
    )


def test_a_lone_reading_counts_as_far_as_it_is_off(demo_folder, tmp_path):
    """Its injector was read on the other fuel, too; the weight goes with the distance squared."""
    outing = Outing(demo_folder, tmp_path / "outing")
    kept, *others = outing.full("big_172_e10")
    for row in others:
        row["gauge_low"] = row["gauge_high"] = ""
    kept["gauge_low"], kept["gauge_high"] = "14.4", "14.4"
    results = outing.results()
    (doubt,) = [one for one in results.doubts if one.setup == "big_172_e10"]
    own = next(run for run in results.runs if run.run == float(kept["run"]))
    off = np.log1p(doubt.off)
    assert off > 0.05
    assert own.reading_weight == pytest.approx((ASSUMED_READING_SD / off) ** 2, rel=0.06)
    # Where it should be, it counts in full.
    kept["gauge_low"], kept["gauge_high"] = "13.1", "13.1"
    again = outing.results()
    own = next(run for run in again.runs if run.run == float(kept["run"]))
    assert own.reading_weight == 1.0
