"""What readings are worth, what is not known of a fuel, and fuels that lack octane."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.outing import Outing
from tuninglib.analysis.combinations import stop_limits
from tuninglib.analysis.mixture import (
    ASSUMED_READING_SD,
    _common_shift_sd,
    _mixture,
    _share_of_wide,
    _weight_in_ladder,
    flow_on_bike,
    fuel_limits,
    fuel_terms,
    readings_of,
    tolerance_sd,
    weighed_readings,
)
from tuninglib.interval import Z_95, Measured
from tuninglib.physics.fuels import Blend
from tuninglib.physics.injector import metering_demand
from tuninglib.rounding import gauge_text
from tuninglib.session.defaults import air_of_runs
from tuninglib.session.load import load_session
from tuninglib.statistics.repeats import GroupMean


@pytest.mark.parametrize(
    ("keys", "bike", "parts"),
    [
        ({"tolerance": "7 %"}, {}, [0.07 / 1.96]),
        ({"flow": "178 cc/min +/- 4 cc/min", "tolerance": "0.1 %"}, {},
         [0.001 / 1.96, 4 / 178 / 1.96]),
        # Flow goes with the root of pressure, so a tenth of it is a twentieth of flow.
        ({"tolerance": "7 %", "flow_pressure": "2.5 bar +/- 0.25 bar"}, {"fuel_pressure": "3 bar"},
         [0.07 / 1.96, 0.1 / 1.96 / 2]),
        # Without the bike's own pressure the stated one moves nothing.
        ({"tolerance": "7 %", "flow_pressure": "2.5 bar +/- 0.25 bar"}, {"fuel_pressure": None},
         [0.07 / 1.96]),
    ],
)  # fmt: skip
def test_what_is_not_known_of_a_flow(demo_folder, tmp_path, keys, bike, parts):
    outing = Outing(demo_folder, tmp_path / "outing")
    outing.key("injectors.i178", **keys).key("bike", **bike)
    session = load_session(outing.save())
    assert tolerance_sd(session, "i178") == pytest.approx(
        np.sqrt(np.sum(np.square(parts))), rel=1e-3
    )
    more = 1.2**0.5 if {**keys, **bike}.get("fuel_pressure") and "flow_pressure" in keys else 1.0
    assert flow_on_bike(session, "i178") == pytest.approx(178e-6 / 60 * more)


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


@pytest.mark.parametrize("dof", [3.0, 0.0])
@pytest.mark.parametrize(("at", "place"), [(12.8, "inside"), (13.9, "leaner"), (11.3, "richer")])
def test_a_mixture_has_the_scatter_of_its_readings_and_the_gauges_own(session, dof, at, place):
    """Odds by Student's t, of which only the repeats' part of the variance is estimated."""
    known = replace(session, gauge=replace(session.gauge, accuracy=Measured(0.01, 0.0196)))
    read = GroupMean(np.log(at), 0.008**2, dof, 3)
    found = _mixture(known, "big_172", read, 2, 0.8)
    variance = 0.008**2 + (0.0196 / Z_95) ** 2
    free = dof * (variance / 0.008**2) ** 2 if dof else np.inf
    spread = np.exp(stats.t.ppf(0.975, free) * np.sqrt(variance))
    shown = found.gauge.value, found.gauge.low, found.gauge.high
    assert shown == pytest.approx((at, at / spread, at * spread))
    # A gauge of 14.7 that shows a hundredth too much.
    lambda_ = at / 14.7 / 1.01
    assert found.lambda_.value == pytest.approx(lambda_, rel=1e-4)
    assert found.lambda_.high / found.lambda_.low == pytest.approx(spread**2)
    ratio = found.true_ratio.value / found.lambda_.value
    assert ratio == pytest.approx(Blend(0.04).stoichiometric_ratio, rel=1e-6)
    below = [stats.t.cdf(np.log(edge / lambda_) / np.sqrt(variance), free) for edge in (0.83, 0.90)]
    odds = found.odds.richer, found.odds.inside, found.odds.leaner
    assert odds == pytest.approx((below[0], below[1] - below[0], 1 - below[1]), abs=2e-3)
    assert (found.place, found.readings, found.pegged) == (place, 3, 2)
    sure = getattr(found.odds, place)
    assert _mixture(known, "big_172", read, 0, sure + 1e-6).place == "unsure"


# Wide readings ----------------------------------------------------------------------------------


def rows_of(*rows):
    """Setup, whether it is wide, what each is off by alone and by its steady value, its weight."""
    return pd.DataFrame(rows, columns=["setup", "wide", "own_sd", "steady_sd", "weight"])


def test_wide_readings_of_a_setup_count_as_one_and_by_what_each_has_of_its_own():
    """In units of the usual scatter: three wide ones of 2 beside narrow ones of 0."""
    a = ASSUMED_READING_SD
    rows = rows_of(*[("x", True, 0.5 * a, 2 * a, 1.0)] * 3, ("x", False, 0.5 * a, 0.5 * a, 1.0),
                   ("y", True, 0.5 * a, 2 * a, 1.0))  # fmt: skip
    # A narrow one would have 1 + 0.25; three together 1 + 3 · 4 each, one alone 1 + 4.
    assert _share_of_wide(rows) == pytest.approx([1.25 / 13] * 3 + [1, 1.25 / 5])
    # Ever so many, hardly scattered, say no more than one.
    many = rows_of(*[("x", True, 0.0, 1.0, 1.0)] * 400)
    assert np.sum(_share_of_wide(many)) / a**2 == pytest.approx(1.0, rel=1e-3)


def test_the_ladder_counts_what_a_wide_reading_is_off_by_once():
    """Its noise has the triangle between the ends; the weight brings that to the row's own."""
    gauge = SimpleNamespace(step=0.1)
    rows = rows_of(("x", True, 0.01, 0.03, 0.2), ("y", False, 0.004, 0.004, 0.9))
    rows = rows.assign(gauge_low=[12.0, 12.7], gauge_high=[14.0, 12.9])
    found = _weight_in_ladder(SimpleNamespace(gauge=gauge), rows)
    spread = np.array([2.0, 0.2])
    noise = ASSUMED_READING_SD**2 + (spread**2 / 24 + 0.01 / 12) / np.array([13.0, 12.8]) ** 2
    meant = (ASSUMED_READING_SD**2 + np.array([0.01, 0.004]) ** 2) / np.array([0.2, 0.9])
    assert noise / found == pytest.approx(meant)


def test_all_are_off_together_as_far_as_the_answer_rests_on_wide_ones():
    assert _common_shift_sd(rows_of(("x", False, 0.004, 0.004, 1.0))) == 0.0
    rows = rows_of(("x", True, 0.01, 0.03, 0.2), ("x", True, 0.01, 0.04, 0.3),
                   ("y", False, 0.004, 0.9, 1.5))  # fmt: skip
    # A quarter of the weight; of 0.03 and 0.04 the root of the mean square is 0.05 / √2.
    assert _common_shift_sd(rows) == pytest.approx(0.25 * 0.05 / np.sqrt(2))


def test_a_gauge_that_shows_lambda_is_read_to_a_hundredth(demo_folder, tmp_path):
    """Its step need not be stated: it reads as sharply as one that shows 14.7 for 1."""
    outing = Outing(demo_folder, tmp_path / "outing").key("gauge", resolution=None)
    ratio = outing.results()
    for row in outing.rows:
        for name in ("gauge_low", "gauge_high"):
            row[name] = f"{float(row[name]) / 14.7:.2f}"
    outing.key("gauge", scale=1, lowest=None, highest=None).key("target", highest="0.887")
    shown = outing.results()
    assert [one.step for one in (ratio.session.gauge, shown.session.gauge)] == [0.1, 0.01]
    for one, other in zip(ratio.mixtures, shown.mixtures, strict=True):
        own, same = (np.log(x.lambda_.high / x.lambda_.low) for x in (one, other))
        assert same == pytest.approx(own, rel=0.05)
        assert gauge_text(other.gauge.value, shown.session.gauge) == f"{other.gauge.value:.2f}"
    # No reading beyond the edge is allowed: 0.887 is not read as 0.89, nor as 0.8.
    assert stop_limits(shown.session).reading == pytest.approx(0.88)


def test_readings_at_either_end_of_a_gauge_are_none(demo_folder, tmp_path):
    outing = Outing(demo_folder, tmp_path / "outing")
    outing.key("gauge", lowest="11.4", highest="14.9")
    session = load_session(outing.save())
    rows = readings_of(session)
    ends = (rows["gauge_low"] < 11.45) | (rows["gauge_high"] > 14.85)
    assert ends.any()
    assert not ends.all()
    assert rows["pegged"].tolist() == ends.tolist()
    kept = weighed_readings(session, air_of_runs(session), None)
    assert not set(kept["run"]) & set(rows["run"][rows["pegged"]])
    # Off full throttle nothing is held against anything.
    rest = kept[kept["state"] != "full"]
    assert len(rest)
    assert not rest["disagree"].any()
    assert (rest["weight"] == 1.0).all()
    assert not weighed_readings(session, air_of_runs(session), "idle")["wide"].any()
    wide = replace(session, runs=session.runs.assign(gauge_high=session.runs["gauge_low"] + 2))
    rows = weighed_readings(wide, air_of_runs(wide))
    assert rows["wide"].all()  # each is off by itself as one of half a unit is
    own_sd = (rows["own_sd"] * np.exp(rows["log_middle"])).to_numpy()
    assert own_sd == pytest.approx(0.5 / 24**0.5)


# Fuels --------------------------------------------------------------------------------------------


def asked(ethanol, density):
    blend = Blend(ethanol, petrol_density_kg_m3=density)
    return np.log(metering_demand(blend.stoichiometric_ratio, blend.density_kg_m3))


@pytest.mark.parametrize(("ethanol", "half"), [(0.095, 0.015), (0.7, 0.08)])
def test_the_doubt_of_a_fuel_is_that_of_its_content_and_its_density(edit, ethanol, half):
    """Differences over the whole of what is typed, not over a small step."""
    typed = f'ethanol = "{100 * ethanol:g} +/- {100 * half:g} %"'
    edit("session.toml", 'ethanol = "9.5 +/- 0.5 %"', typed)
    for widest in (5, 30):
        told = f'petrol_density = "745 +/- {widest} kg/m3"\noctane = "95 RON"'
        edit("session.toml", 'octane = "95 RON"', told)
        session = load_session(edit("session.toml", "[fuels.e10]", "[fuels.e10]"))
        by_content = (asked(ethanol + half, 745.0) - asked(ethanol - half, 745.0)) / 2
        by_density = (asked(ethanol, 745.0 + widest) - asked(ethanol, 745.0 - widest)) / 2
        terms = fuel_terms(session, "e10")
        expected = np.hypot(by_content, by_density)
        assert 1.96 * terms.sd == pytest.approx(expected, rel=0.03)
        edit("session.toml", told, 'octane = "95 RON"')


def test_a_fuel_below_the_makers_octane_is_said_once_and_of_no_engine(edit):
    limits = fuel_limits(
        load_session(edit("session.toml", 'octane = "95 RON"', 'octane = "85 RON"'))
    )
    (low,) = [one for one in limits if one.fuel == "e10"]
    assert (low.code, low.engine) == ("octane", None)
    # Enough for the maker, but not for the raised compression of one engine.
    folder = edit("session.toml", 'octane = "85 RON"', 'octane = "91 RON"')
    (low,) = [one for one in fuel_limits(load_session(folder)) if one.fuel == "e10"]
    assert (low.code, low.engine) == ("octane", "big")
    # Nothing is asked for: nothing is too low.
    folder = edit("session.toml", 'lowest_octane = "91 RON"', "")
    assert [one for one in fuel_limits(load_session(folder)) if one.code == "octane"] == []
