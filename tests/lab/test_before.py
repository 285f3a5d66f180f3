"""What the workbook before buying says; there is no session yet."""

import pytest

from tests.lab.panels import labelled, words
from tuninglib.lab import first_guess
from tuninglib.physics.fuels import Octane

KIT = {
    "system": "metric", "bore": 57.0, "stroke": 57.8, "made": 9.5, "new_bore": 62.0,
    "speed": 9000.0, "need": Octane(91.0, "RON"), "fuel": Octane(95.0, "RON"),
    "clearance": 0.0, "dome": 0.0, "gasket": 0.0,
}  # fmt: skip


def said(**changes):
    given = KIT | changes
    others = {name: given.pop(name) for name in ("system", "need", "fuel")}
    planned = first_guess.CylinderKit(**given)
    return " ".join(str(one) for one in first_guess.compression_words(planned, **others))


def test_a_larger_bore_under_the_same_head_raises_the_compression():
    # By hand: the chamber is 147.5/8.5 = 17.35 cc; (174.5 + 17.35)/17.35 = 11.06.
    words = said()
    assert "147.5 cc as made, 174.5 cc with the kit (18.3 %)" in words
    assert "11.1 with the kit if the head stays as it is, 9.5 as made" in words
    assert "95 RON is not enough where compression is raised by 1.6" in words
    assert "asks for 4.7 to 7.8 octane numbers more" in words
    assert "knock breaks pistons fast" in words


def test_a_measured_chamber_is_taken_as_it_is():
    # 174.5/18.4 + 1 = 10.48; 3 to 5 numbers times 0.98.
    words = said(clearance=18.4)
    assert "10.5 with the chamber that was measured, 9.5 as made." in words
    assert "burette" not in words
    assert said(clearance=18.4, dome=3.0, gasket=1.0) == words
    assert "95 RON is enough or not, that cannot be said" in words
    assert "asks for 3.0 to 4.9 octane" in words


def test_octane_is_compared_on_its_own_scale():
    assert "the maker asks for 91 RON; 95 RON is enough." in said(new_bore=57.0)
    assert "knock breaks" not in said(new_bore=57.0)
    assert "86 AKI is enough or not" in said(new_bore=57.0, fuel=Octane(86.0, "AKI"))
    assert "not enough" in said(new_bore=57.0, fuel=Octane(84.0, "AKI"))


def test_the_piston_speed_has_a_warning():
    # By hand: 2 x 57.8 mm x 9000/60 = 17.34 m/s; at 10 500 20.2.
    assert "17.3 m/s at 9000 rpm." in said()
    assert "above 20 m/s" not in said()
    assert "20.2 m/s at 10500 rpm." in said(speed=10500.0)
    assert "above 20 m/s wears small engines fast" in said(speed=10500.0)


def test_the_panels_work_without_a_session():
    panel = first_guess.compression()
    labelled(panel, "bore of the kit").value = 57
    assert "95 RON is enough." in words(panel)
    guess = first_guess.first_guess()
    # By hand: 150 cc/min times 175/150.
    assert "Injector to look for: 175 cc/min (" in words(guess)
    labelled(guess, "planned: displacement").value = 150
    assert "Injector to look for: 150 cc/min (" in words(guess)
    assert "cc/min" in words(first_guess.first_guess(system="us"))
    poured = first_guess.tank(system="us")
    assert "gal" in words(poured)
    # Half E5, half E85 is far beyond what the maker allows.
    assert "after topping up: 45.0 % ethanol is more than the 10 % that the maker allows" in words(
        poured
    )


def test_a_dome_takes_from_the_chamber_and_a_gasket_adds_to_it():
    # By hand: 17.35 - 2 + π/4 x 6.2² x 0.05 = 16.86 cc; 174.5/16.86 + 1 = 11.349.
    assert "11.3 with the kit" in said(dome=2.0, gasket=0.5)
    # A dish of 3 cc: 20.35; 9.57.
    assert "9.6 with the kit" in said(dome=-3.0)
    with pytest.raises(ValueError, match="the piston would touch the head"):
        said(dome=18.0)


def test_idle_and_cruise_follow_from_the_injector_that_is_to_be_had():
    guess = first_guess.first_guess()
    # 175 for 150: the open part of 1 ms shrinks to 1/1.1667 = 0.857; the trim is 0 by manifold
    # pressure, and 150/175 - 1 by throttle.
    assert "a pulse of 2.00 ms becomes 1.86 ms" in words(guess)
    assert "must trim by −14 % to 0 %" in words(guess)
    labelled(guess, "planned: flow; 0").value = 240
    # 240 for 150: 1/1.6 - 1 and 1.1667/1.6 - 1; 1.625 ms.
    said_now = words(guess)
    assert "becomes 1.63 ms" in said_now
    assert "must trim by −38 % to −27 %" in said_now
    assert "more than the ECU can do" in said_now
    labelled(guess, "now: pulse at a warm idle").value = 1.6
    assert "idle may hunt or stall" in words(guess)
