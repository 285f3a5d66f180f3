"""What an outing leaves to others, and what a newcomer's kind of bike is; each by an own sum."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.conftest import ROOT
from tuninglib.analysis import club
from tuninglib.analysis.club import BikeRecord, RiddenEngine, RiddenFuel
from tuninglib.interval import Interval, Measured
from tuninglib.physics.fuels import Octane
from tuninglib.report.club import newcomer_of
from tuninglib.statistics.ladder import ReadingCell
from tuninglib.statistics.ladder_prediction import FuelDemand

E5 = FuelDemand(stoichiometric_ratio=14.3, density_kg_m3=745.0, sd=0.004)
# Bore 60 and 64 mm, stroke 63.5 mm, at 9.4 and 10.2 to 1; 150 cc/min.
MADE, GROWN = (np.pi / 4 * bore**2 * 0.0635 for bore in (0.060, 0.064))


@pytest.fixture(scope="module")
def newcomer():
    return newcomer_of(ROOT / "demo_data" / "a_club" / "newcomer")


def of(session, **more):
    return SimpleNamespace(**{**vars(session), **more})


def read(engine, lambda_, injector="i", fuel="e5", flow=2.6e-6):
    log = float(np.log(lambda_ * E5.demand))
    return ReadingCell(engine, injector, fuel, flow, log, 0.006, 0.0, 2)


def outing(size=MADE, **more):
    known = {
        "title": "any", "made": "stock", "made_flow_m3_s": 2.5e-6, "demands": {"e5": E5},
        "stated_flow_m3_s": {"i": 2.6e-6}, "tolerance_sd": {"i": 0.03}, "air_kg_m3": 1.1,
        "corrects_air": "no", "gauge_sd": 0.01, "day_sd": 0.02, "corrects": False, "engines": {
            "stock": RiddenEngine(displacement_m3=size, compression=9.4),
            "big": RiddenEngine(displacement_m3=GROWN, compression=10.2),
        },
    }  # fmt: skip
    return BikeRecord(**{**known, **more})


def test_a_gauge_is_off_beyond_what_is_stated_where_the_ecu_likely_holds_it():
    session = SimpleNamespace(gauge=SimpleNamespace(scale=14.7, accuracy=Measured(0.01, 0.02)))
    for shown, chance, off in (
        # Stated: 1 % high at most, within 2 %; and one more of the ECU's own holding.
        (1.045, 0.9, 0.035), (0.945, 0.9, -0.065), (1.039, 0.9, None), (0.981, 0.9, None),
        (1.045, 0.51, 0.035), (1.045, 0.49, None), (None, 0.9, None),
    ):  # fmt: skip
        states = [SimpleNamespace(chance=0.1), SimpleNamespace(chance=chance)]
        check = SimpleNamespace(gauge=shown and shown * 14.7, states=states)
        assert club._gauge_off(session, check) == (off and pytest.approx(off))


def test_what_was_ridden_heard_and_paid_is_left_to_others():
    def setup(engine, fuel, cost):
        return SimpleNamespace(engine=engine, injector="i", fuel=fuel, cost=cost)

    setups = {
        "a": setup("stock", "e5", None), "b": setup("big", "e5", 90.0),
        "c": setup("big", "e10", 80.0), "d": setup("other", "e5", None),
        "e": setup("stock", "e5", None),
    }  # fmt: skip
    rows = [
        ("a", "full", 430.0, "none"), ("a", "idle", 500.0, "heavy"), ("b", "full", 470.0, "light"),
        ("b", "full", np.nan, "heavy"), ("c", "full", 480.0, ""), ("b", "full", 460.0, "none"),
    ]  # fmt: skip
    engine, octane = SimpleNamespace(displacement_m3=2e-4, compression=9.0), Octane(95.0, "RON")
    session = SimpleNamespace(
        runs=pd.DataFrame(rows, columns=["setup", "state", "head_temperature_k", "knock"]),
        setups=setups, engines=dict.fromkeys(("stock", "big", "other"), engine),
        fuels={name: SimpleNamespace(octane_number=octane) for name in ("e5", "e10")},
    )  # fmt: skip
    heard = {"injector": "i", "fuel": "e5", "octane": octane}
    loudest = {one.engine: one for one in club._fuels(session)}
    assert loudest == {
        name: RiddenFuel(engine=name, knock=knock, **heard)
        for name, knock in (("stock", ""), ("big", "heavy"))
    }
    spread = np.diag([4e-4, 4e-4, 9e-4, 16e-4, 1.0])
    spread[0, 2] = spread[2, 0] = 1e-4
    spread[2, 3] = spread[3, 2] = 2e-4
    logs = np.log([490.0, 510.0, 600.0, 640.0])
    day = SimpleNamespace(setups=("a", "e", "b", "c"), mean=(*logs, 0.3), covariance=spread)
    found = club._engines(session, "stock", SimpleNamespace(of_day=day))
    shared = {"displacement_m3": 2e-4, "compression": 9.0}
    stock, big = (490.0 * 510.0) ** 0.5, (600.0 * 640.0) ** 0.5
    # Half of b and half of c, less half of a and half of e.
    sd = (9e-4 / 4 + 16e-4 / 4 + 2e-4 / 2 + 8e-4 / 4 - 1e-4 / 2) ** 0.5
    assert found == {
        "stock": RiddenEngine(**shared, hottest_k=430.0, force_n=pytest.approx(stock)),
        "big": RiddenEngine(
            **shared, hottest_k=480.0, cost=90.0, force_n=pytest.approx(big),
            log_gain=pytest.approx(np.log(big / stock)), gain_sd=pytest.approx(sd),
        ),
        "other": RiddenEngine(**shared),
    }  # fmt: skip
    assert club._engines(session, "stock", None)["big"].force_n is None


def test_how_far_a_bike_of_another_kind_may_be_off(newcomer):
    kind = club._Kind(newcomer, [])
    for given, sd in (
        ((1.0, 1.0), 0.0), ((1.009, 0.991), 0.0), ((1.1, 1.0), 0.3 * np.log(1.1)),
        ((1.0, 0.8), 0.3 * np.log(1.25)), ((0.9, 0.8), 0.3 * np.hypot(np.log(0.9), np.log(0.8))),
        # As large as the kit from the factory, or nearly: the outing does not show it as it was.
        ((GROWN / MADE * 1.018, 1.0), 0.03), ((GROWN / MADE * 0.983, 1.0), 0.03),
        ((GROWN / MADE * 1.025, 1.0), 0.3 * np.log(GROWN / MADE * 1.025)),
    ):  # fmt: skip
        one = outing(size=given[0] * MADE, made_flow_m3_s=given[1] * 2.5e-6)
        assert kind.other_sd(one) == pytest.approx(sd, abs=1e-9)
    assert kind.other_sd(outing(made=None)) == 0.03
    # Who has no kit yet asks of the bike as it is.
    alone = of(newcomer, engines={"stock": newcomer.engines["stock"]})
    assert (club._Kind(alone, []).other_sd(outing()), club._Kind(alone, []).kit) == (0.0, "")


def test_one_cylinder_is_one_displacement_and_compression_and_one_label_one_flow(newcomer):
    def engine(size, compression):
        return RiddenEngine(displacement_m3=size * 2e-4, compression=compression)

    for size, compression, same in (
        (1.009, 10.0, True), (0.991, 10.0, True), (1.011, 10.0, False), (0.989, 10.0, False),
        (1.0, 10.29, True), (1.0, 9.71, True), (1.0, 10.31, False), (1.0, 9.69, False),
        (1.0, None, True), (1.1, None, False),
    ):  # fmt: skip
        one, other = engine(1.0, 10.0), engine(size, compression)
        assert club._Kind._same(one, other) == club._Kind._same(other, one) == same
    kind = club._Kind(newcomer, [])
    flows = 2e-6, 2.009e-6, 1.991e-6, 2.011e-6, 1.989e-6, 2.0e-6
    assert [kind.sold_as(flow) for flow in flows] == ["0", "0", "0", "1", "2", "0"]


def test_a_reading_of_another_bike_is_brought_to_this_one(newcomer):
    """By what air and displacement take from lambda where nothing corrects for them."""
    for own, its, share, doubt in (
        ("yes", "no", 0.0, 0.0), ("no", "yes", 1.0, 0.0), ("unknown", "yes", 0.0, 0.0),
        ("unknown", "no", 1.0, 0.0), ("unknown", "unknown", 0.5, 1 / np.sqrt(12)),
    ):  # fmt: skip
        kind_of = of(newcomer, bike=replace(newcomer.bike, density_compensation=own))
        one = outing(
            readings=(read("stock", 0.88), read("big", 0.92)), corrects_air=its, size=MADE * 1.1
        )
        kind = club._Kind(kind_of, [one, outing(air_kg_m3=0.5)])
        thinner = np.log(kind.air_kg_m3 / 1.1)
        (bike,) = kind.bikes.values()
        stock, big = bike.cells
        level = np.log(E5.demand) + share * thinner
        assert stock.log_level == pytest.approx(level + np.log(0.88))
        assert big.log_level == pytest.approx(level + np.log(0.92) - np.log(GROWN / (MADE * 1.1)))
        assert (stock.kit, big.kit, stock.injector, stock.fuel) == ("", "0", "0", "e5")
        assert stock.log_flow == pytest.approx(np.log(2.6 / 2.5))
        assert (stock.sd, stock.tolerance_sd, stock.fuel_sd) == (0.006, 0.03, 0.004)
        unlike = np.hypot(doubt * thinner, 0.3 * np.log(1.1))
        assert bike.shared_sd == pytest.approx(np.sqrt(unlike**2 + 0.01**2 + 0.02**2))
        assert kind.shared_sd == pytest.approx(np.hypot(0.02 / 1.96, unlike), rel=1e-4)
        most = abs(1.1 / kind.air_kg_m3 - 1) if doubt else 0.0
        assert kind.other_air() == pytest.approx(most)
    thin = [replace(one, air_kg_m3=air * kind.air_kg_m3) for air in (0.8, 0.9, 1.15)]
    assert club._Kind(kind_of, thin).other_air() == pytest.approx(0.2)
    # A bike as this one counts more than one that is unlike, by what is not known of each.
    like = outing(readings=one.readings, corrects_air="yes", gauge_sd=0.03)
    kind = club._Kind(newcomer, [like, outing(readings=one.readings, size=MADE * 1.1)])
    sd = 0.3 * np.log(1.1)
    this, that = 1 / (0.03**2 + 0.02**2 + 0.03**2), 1 / (sd**2 + 0.01**2 + 0.02**2 + 0.03**2)
    unlike = that * sd / (this + that)
    assert kind.shared_sd == pytest.approx(np.hypot(0.02 / 1.96, unlike), rel=1e-4)


def test_before_any_is_read_lambda_is_what_makers_give(newcomer):
    kind = club._Kind(newcomer, [])
    before = kind.before(["e5", "e10"])
    demands = [club.fuel_terms(newcomer, name).demand for name in ("e5", "e10")]
    assert before.level == pytest.approx(np.log(0.87) + np.log(demands).mean())
    # ± 0.14 of 0.87, ± 0.3 of how it follows flow, ± 0.1 of how a kit breathes.
    assert before.level_sd == pytest.approx(0.14 / 2)
    assert before.response == 1.0
    assert [before.response_sd, before.kit_sd] == pytest.approx([0.3 / 1.96, 0.1 / 1.96], rel=1e-4)
    # The first guess brings that to the middle of the band.
    pooled = club.pool_bikes([], kind.before(["e5"]), kind.asked("e5"))
    lambda_, guess = kind.stock(pooled, "e5")
    # 95 of 100 within the seventh of it, and what bikes differ, days and the injector beside it.
    assert lambda_.value == pytest.approx(0.87, rel=0.01)
    sd = np.sqrt(0.07**2 + 0.025**2 + 0.036**2 + 0.0102**2)
    assert lambda_.half_width / lambda_.value == pytest.approx(1.96 * sd, rel=0.05)
    right = 2.5e-6 * GROWN / MADE * lambda_.value / np.sqrt(0.83 * 0.90)
    tolerance = newcomer.injectors["i150"].tolerance.value
    assert guess.value == pytest.approx(right)
    halves = lambda_.half_width / lambda_.value, 0.1, tolerance
    assert np.log(guess.high / guess.value) == pytest.approx(np.linalg.norm(halves), rel=1e-3)
    assert kind.asked("e5")[0].kit == "0"
    assert kind.asked("e5")[-1] == replace(kind.asked("e5")[0], kit="")
    assert kind.asked("e5")[1].log_flow == pytest.approx(np.log(157 / 150))


def test_one_reading_more_by_trying_it_very_often(newcomer):
    """The gauge shows this or that; of what then is no trial too lean, the best is taken."""
    gauge = replace(newcomer.gauge, accuracy=Measured(0.0, 0.04))
    kind = club._Kind(of(newcomer, gauge=gauge), [])
    kind.by_flow = {"a": 2.5e-6, "b": 2.7e-6}
    kind.asked = lambda fuel: []
    level = np.log(club.fuel_terms(newcomer, "e5").demand * MADE / GROWN)
    # Lean and rich of the band, and the bike as it is; twice: what is true may be the other.
    weights = np.array([0.6, 0.4])
    means = level + np.log([[0.90, 0.83, 0.87], [0.95, 0.86, 0.90]])
    root = np.array([[0.05, 0.0, 0.0], [0.04, 0.02, 0.0], [0.045, 0.0, 0.03]])
    both = means, np.stack([root @ root.T, root @ root.T / 2])
    pooled = SimpleNamespace(weights=weights, of_one_more=lambda *_: both)
    rng, many = np.random.default_rng(9100), 150_000
    which = (rng.random(many) < weights[1]).astype(int)
    scale = np.array([1.0, np.sqrt(0.5)])[which]
    true = means[which] + scale[:, None] * (rng.standard_normal((many, 3)) @ root.T)
    lambda_ = np.exp(true[:, :2] - level)
    for name, at in (("a", 0), ("b", 1), (None, 2)):
        shown = true[:, at] + rng.normal(0, np.hypot(0.04 / 1.96, 0.01), many)
        total, alike = 0.0, np.array_split(np.argsort(shown), 120)
        for rows in alike:
            inside = ((lambda_[rows] >= 0.83) & (lambda_[rows] <= 0.90)).mean(0)
            lean = (lambda_[rows] > 0.90).mean(0)
            total += max(*np.where(lean <= 0.30, inside, 0.0), 0.0) / len(alike)
        assert kind.after(pooled, name, "e5") == pytest.approx(total, abs=0.006)


def test_what_the_cylinder_pulls_and_gains_is_brought_to_this_engine(newcomer):
    def told(**values):
        big = RiddenEngine(displacement_m3=GROWN, compression=10.2, **values)
        stock = RiddenEngine(displacement_m3=MADE * 1.1, compression=9.4)
        return outing(engines={"stock": stock, "big": big})

    one = told(log_gain=0.12, gain_sd=0.02, force_n=300.0)
    force, gain, count = club._Kind(newcomer, [one]).pulls()
    # A gain beyond displacement of nothing within 10 % beforehand, by a bike of another model.
    level, other = 0.12 - np.log(GROWN / (MADE * 1.1)), 0.3 * np.log(1.1)
    heard = 0.02**2 + 0.03**2 + other**2
    share = 0.10**2 / (0.10**2 + heard)
    assert 1 + gain.value == pytest.approx(GROWN / MADE * np.exp(share * level), abs=0.003)
    sd = np.sqrt(0.10**2 * (1 - share) + 0.03**2)
    # A little wider, as how far bikes differ is not known either.
    assert 1.96 * sd < gain.half_width / (1 + gain.value) < 1.15 * 1.96 * sd
    assert count == 1
    # The force itself, of which nothing was known, with another bike's own 5 %.
    assert force.value == pytest.approx(300.0, rel=0.005)
    sd = np.sqrt(2 * 0.05**2 + 0.05**2 + other**2)
    assert 1.96 * sd < force.half_width / 300.0 < 1.15 * 1.96 * sd
    few = [replace(one, engines=told(force_n=pull).engines) for pull in (250.0, 310.0, 320.0)]
    force, *gain = club._Kind(newcomer, [*few, replace(one, made=None)]).pulls()
    assert gain == [None, 0], "what the outing is over is not shown"
    assert 290 < force.value < 310
    stock = of(newcomer, engines={"stock": newcomer.engines["stock"]})
    assert club._Kind(stock, [outing()]).pulls() == (None, None, 0)


def test_what_the_gain_adds_at_the_marker_step_by_step(newcomer):
    kind = club._Kind(newcomer, [])
    force, gain = Interval(330.0, 290.0, 370.0), Interval(0.12, 0.11, 0.13)
    load = club.road_load_of(newcomer, 201.0)
    factor = club.speedometer_factor(newcomer, 48 / 3.6).value
    # Dry air of 25 °C at 990 hPa.
    drag, slope = load.drag_area_m2.value / 2 * 99000.0 / (287.05 * 298.15), np.arctan(0.06)
    up = 201.0 * 9.80665 * (np.sin(slope) + load.rolling_coefficient.value * np.cos(slope))

    def shown(pull):
        square = (48 / 3.6 * factor) ** 2
        for _ in range(1000):
            square += 2 * (pull - up - drag * square) / (201.0 + load.rotating_mass_kg.value) * 0.4
        return np.sqrt(square) / factor

    def more(pull, ratio):
        return shown(pull) - shown(pull / ratio)

    found = kind.marker(force, gain)
    assert found.value == pytest.approx(more(330.0, 1.12), rel=0.003)
    ends = more(370.0, 1.12) - more(290.0, 1.12), more(330.0, 1.13) - more(330.0, 1.11)
    assert found.half_width == pytest.approx(np.hypot(*ends) / 2, rel=0.01)
    assert found.high - found.value == pytest.approx(found.half_width)
    for missing in ({"hill": None}, {"riders": {"me": None}}):
        assert club._Kind(of(newcomer, **missing), []).marker(force, gain) is None
    assert kind.marker(force, None) is kind.marker(None, gain) is None
    assert kind.marker(Interval(120.0, 80.0, 160.0), gain) is None, "it would not get up there"


def heard(knock, octane=98.0, engine="big", fuel="e5"):
    known = octane and Octane(octane, "RON")
    return RiddenFuel(engine=engine, injector="i", fuel=fuel, octane=known, knock=knock)


def test_knock_counts_by_bike_and_by_what_resists_it_no_less(newcomer):
    lean, inside = ((read("big", lambda_),) for lambda_ in (0.91, 0.89))
    for given, counts in (
        ([outing(fuels=(heard("light"),))], (1, 0, 1)),
        ([outing(fuels=(heard(""), heard("heavy")))], (1, 0, 1)),
        ([outing(fuels=(heard("light"),), readings=lean)], (0, 1, 1)),
        ([outing(fuels=(heard("heavy"),), readings=lean)], (1, 0, 1)),
        ([outing(fuels=(heard("light"),), readings=inside)], (1, 0, 1)),
        # One of a stronger fuel's knock counts; quiet on it does not; the other way about.
        ([outing(fuels=(heard("light", 102.0),)), outing(fuels=(heard("", 102.0),))], (1, 0, 1)),
        ([outing(fuels=(heard("light", 91.0),)), outing(fuels=(heard("", 91.0),))], (0, 0, 1)),
        ([outing(fuels=(heard("light", None),)), outing(fuels=(heard("", None),))], (1, 0, 2)),
        ([outing(fuels=(heard("light", engine="stock"),))], (0, 0, 0)),
        # Two outings of one bike are one bike, and what is worse there counts.
        ([outing(bike="b", fuels=(heard("light"),), readings=r) for r in ((), lean)], (1, 0, 1)),
    ):  # fmt: skip
        found = club._Kind(newcomer, given).heard("e5")
        assert (found.fuel, found.knocked, found.lean, found.listened) == ("e5", *counts)
    for knocked, listened, shut in ((0, 0, False), (1, 3, True), (1, 4, False), (2, 6, True)):
        one = club.Heard(fuel="e5", knocked=knocked, lean=0, listened=listened)
        assert one.shut == shut


def test_what_others_read_paid_and_measured_with_this_cylinder(newcomer):
    def other(cost, hottest, currency="EUR", **more):
        big = RiddenEngine(displacement_m3=GROWN, compression=10.2, cost=cost, hottest_k=hottest)
        stock = RiddenEngine(displacement_m3=MADE, compression=9.4, cost=5.0, hottest_k=600.0)
        return outing(engines={"stock": stock, "big": big}, currency=currency, **more)

    flows = {"i": 171e-6 / 60, "j": 179e-6 / 60}

    def saw(*lambdas, injector="i", engine="big", **more):
        cells = tuple(read(engine, one, injector=injector, flow=flows[injector]) for one in lambdas)
        sds = dict.fromkeys(flows, 0.03)
        return other(readings=cells, stated_flow_m3_s=flows, tolerance_sd=sds, **more)

    given = [
        saw(0.831, 0.899, cost=200.0, hottest=470.0), saw(0.829, 0.87, cost=150.0, hottest=None),
        saw(0.901, cost=None, hottest=480.0, currency="CHF"),
        saw(0.87, engine="stock", cost=90.0, hottest=450.0, currency="CHF"),
        saw(0.87, injector="j", bike="b", cost=170.0, hottest=460.0),
        saw(0.87, injector="j", bike="b", cost=None, hottest=None),
    ]  # fmt: skip
    kind = club._Kind(newcomer, given)
    counts = {name: tuple(kind._count(name).values()) for name in ("i164", "i171", "i179")}
    assert counts == {"i164": (0, 0), "i171": (1, 3), "i179": (1, 1)}
    assert kind.hottest() == (480.0, 470.0, 460.0, 450.0)
    assert kind.costs() == {"CHF": (90.0,), "EUR": (150.0, 170.0, 200.0)}
    assert list(kind.costs()) == ["CHF", "EUR"]

    def beside(chance, many):
        others = [SimpleNamespace(odd=chance)] * many
        kind = club._Kind(newcomer, [*given[:many], outing()])
        return list(kind.beside(SimpleNamespace(others=others)))

    assert [one.odd for one in beside(0.51, 3)] == [True] * 3 + [False]
    assert [one.odd for one in beside(0.49, 3)] == [False] * 4
    assert [one.odd for one in beside(0.9, 2)] == [False] * 3, "nobody can tell which"
    assert [one.injectors for one in beside(0.9, 4)] == [(flows["i"],)] * 3 + [()] * 2


def test_the_first_is_the_best_trial_then_one_at_hand_then_the_cheaper(newcomer):
    lambdas = {"good": Interval(0.865, 0.845, 0.885), "poor": Interval(0.80, 0.77, 0.83)}

    def offer(name, lambda_="good", inside=0.9, *, price=None, small=False, **more):
        known = {"fuel": "e5", "may_be_tried": True, "owned": False, **more}
        known |= {"odds": SimpleNamespace(inside=inside), "lambda_": lambdas[lambda_]}
        rest = {"flow_m3_s": 1.0, "fuels": (SimpleNamespace(**known),), "inside": 0, "read": 0}
        return club.Offer(injector=name, price=price, small=small, **rest)

    def on_both(more):
        two = offer("z", owned=True), offer("z", owned=True, **more)
        return replace(two[0], fuels=two[0].fuels + two[1].fuels)

    best, e10 = offer("m", price=30.0), {"fuel": "e10"}
    for others, name in (
        ([offer("a", "poor", price=1.0)], "m"), ([offer("a", "poor", owned=True)], "m"),
        ([offer("z", owned=True, price=50.0)], "z"), ([offer("a", price=31.0)], "m"),
        ([offer("z", price=29.0)], "z"), ([offer("z", price=30.0, inside=0.95)], "z"),
        ([offer("a", price=30.0)], "a"), ([offer("z", price=1.0, small=True)], "m"),
        ([offer("z", price=1.0, inside=0.19)], "m"), ([offer("z", price=1.0, inside=0.2)], "z"),
        ([offer("z", price=1.0, may_be_tried=False)], "m"), ([offer("z", fuel="e98")], "m"),
        # Of two fuels each must do.
        ([on_both(e10)], "z"), ([on_both({**e10, "may_be_tried": False})], "m"),
        ([on_both({**e10, "inside": 0.1})], "m"), ([on_both({**e10, "lambda_": "poor"})], "m"),
    ):  # fmt: skip
        assert club._first(newcomer, [best, *others], ("e5", "e10")).injector == name
    assert club._first(newcomer, [offer("a", small=True)], ("e5",)) is None
    no_price = [offer("a", price=0.5), offer("z")]
    assert club._first(newcomer, no_price, ("e5",)).injector == "z"
    assert on_both({**e10, "inside": 0.1}).worst == 0.1
