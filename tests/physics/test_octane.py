"""Octane numbers on their scales, against what standards print, and whether a fuel has enough."""

import pytest

from tuninglib.physics.fuels import (
    PER_COMPRESSION,
    SENSITIVITY,
    Octane,
    known_higher,
    octane_margin,
    on_scale,
)


# EN 228, unleaded petrol: at least RON 95 and MON 85; the 98 grade of the same pumps has RON 98
# and MON 88 (from memory).
# US Department of Energy, fueleconomy.gov: the number on the pump is (R+M)/2.
@pytest.mark.outside(source="EN 228; US DOE (fueleconomy.gov): (R+M)/2")
@pytest.mark.parametrize(("ron", "mon"), [(95.0, 85.0), (98.0, 88.0)])
def test_european_petrol_on_the_other_scales(ron, mon):
    research = Octane(ron, "RON")
    assert on_scale(research, "MON").low <= mon <= on_scale(research, "MON").high
    pump = on_scale(research, "AKI")
    assert pump.value == (ron + mon) / 2
    assert on_scale(Octane(mon, "MON"), "AKI").value == (ron + mon) / 2
    assert pump.low < pump.value < pump.high


@pytest.mark.parametrize("scale", ["RON", "MON", "AKI"])
def test_on_its_own_scale_a_number_is_exact(scale):
    found = on_scale(Octane(91.0, scale), scale)
    assert (found.low, found.value, found.high) == (91.0, 91.0, 91.0)


@pytest.mark.parametrize(
    ("octane", "scale", "low", "high"),
    [
        (Octane(91.0, "AKI"), "RON", 95.0, 97.0),
        (Octane(95.0, "RON"), "AKI", 89.0, 91.0),
        (Octane(95.0, "RON"), "MON", 83.0, 87.0),
        (Octane(85.0, "MON"), "RON", 93.0, 97.0),
        (Octane(85.0, "MON"), "AKI", 89.0, 91.0),
        (Octane(90.0, "AKI"), "MON", 84.0, 86.0),
    ],
)
def test_other_scales_by_hand(octane, scale, low, high):
    """Half of 8 to 12 lies between AKI and either; the whole of it between RON and MON."""
    found = on_scale(octane, scale)
    assert (found.low, found.high) == (low, high)
    assert found.low < found.value < found.high


def test_there_and_back_holds_the_number_it_came_from():
    for scale in ("MON", "AKI"):
        there = on_scale(Octane(95.0, "RON"), scale)
        back = on_scale(Octane(there.value, scale), "RON")
        assert back.low < 95.0 < back.high
        assert back.value == 95.0


@pytest.mark.parametrize(
    ("one", "other", "higher"),
    [
        (Octane(98.0, "RON"), Octane(95.0, "RON"), True),
        (Octane(95.0, "RON"), Octane(95.0, "RON"), False),
        (Octane(95.0, "RON"), Octane(98.0, "RON"), False),
        # 91 AKI is 95 to 97 RON; 98 RON is 92 to 94 AKI.
        (Octane(98.0, "RON"), Octane(91.0, "AKI"), True),
        (Octane(97.0, "RON"), Octane(91.0, "AKI"), False),
        (Octane(91.0, "AKI"), Octane(94.0, "RON"), True),
        (Octane(91.0, "AKI"), Octane(95.0, "RON"), False),
        (None, Octane(95.0, "RON"), False),
        (Octane(95.0, "RON"), None, False),
        (None, None, False),
    ],
)
def test_higher_only_where_it_is_known(one, other, higher):
    assert known_higher(one, other) is higher


def test_no_two_fuels_are_each_higher_than_the_other():
    fuels = [Octane(v, s) for s in ("RON", "MON", "AKI") for v in range(80, 101)]
    assert not [
        (one, other)
        for one in fuels
        for other in fuels
        if known_higher(one, other) and known_higher(other, one)
    ]


@pytest.mark.parametrize(
    ("fuel", "need", "rise", "margin"),
    [
        (Octane(95.0, "RON"), Octane(95.0, "RON"), 0.0, "enough"),
        (Octane(94.9, "RON"), Octane(95.0, "RON"), 0.0, "not enough"),
        # One unit of compression: 98 to 100 of 95.
        (Octane(100.0, "RON"), Octane(95.0, "RON"), 1.0, "enough"),
        (Octane(99.9, "RON"), Octane(95.0, "RON"), 1.0, "unclear"),
        (Octane(98.0, "RON"), Octane(95.0, "RON"), 1.0, "unclear"),
        (Octane(97.9, "RON"), Octane(95.0, "RON"), 1.0, "not enough"),
        # Lowered: the maker's number stays.
        (Octane(94.0, "RON"), Octane(95.0, "RON"), -2.0, "not enough"),
        (Octane(95.0, "RON"), Octane(95.0, "RON"), -2.0, "enough"),
        # Other scales: 91 AKI is 95 to 97 RON, 90 AKI is 94 to 96.
        (Octane(91.0, "AKI"), Octane(95.0, "RON"), 0.0, "enough"),
        (Octane(90.0, "AKI"), Octane(95.0, "RON"), 0.0, "unclear"),
        (Octane(88.0, "AKI"), Octane(95.0, "RON"), 0.0, "not enough"),
        (Octane(95.0, "RON"), Octane(91.0, "AKI"), 0.0, "unclear"),
        (Octane(91.0, "RON"), Octane(87.0, "AKI"), 0.0, "unclear"),
    ],
)
def test_margin(fuel, need, rise, margin):
    assert octane_margin(fuel, need, compression_rise=rise) == margin


def test_more_compression_never_helps_and_more_octane_never_hurts():
    ranks = {"not enough": 0, "unclear": 1, "enough": 2}
    need = Octane(95.0, "RON")
    for number in range(90, 106):
        fuel, more = Octane(float(number), "RON"), Octane(number + 1.0, "RON")
        by_rise = [
            ranks[octane_margin(fuel, need, compression_rise=rise / 10)] for rise in range(20)
        ]
        assert by_rise == sorted(by_rise, reverse=True)
        for rise in (0.0, 0.5, 1.0):
            had = ranks[octane_margin(fuel, need, compression_rise=rise)]
            assert ranks[octane_margin(more, need, compression_rise=rise)] >= had


def test_the_ranges_hold_their_values():
    for interval in (SENSITIVITY, PER_COMPRESSION):
        assert 0 < interval.low < interval.value < interval.high


@pytest.mark.parametrize("value", [49.9, 140.1])
def test_a_number_that_no_fuel_has_is_refused(value):
    with pytest.raises(ValueError, match=f"octane number .*{value}.*see the pump"):
        Octane(value, "RON")


def test_an_unknown_scale_is_refused():
    with pytest.raises(ValueError, match="'PON' is no scale of octane numbers; write one of RON"):
        Octane(91.0, "PON")


def test_it_is_printed_as_on_the_pump():
    assert str(Octane(91.0, "AKI")) == "91 AKI"
    assert str(Octane(95.5, "RON")) == "95.5 RON"
