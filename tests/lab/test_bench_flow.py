"""The panel for injectors on the bench: what it says, writes and refuses."""

import pytest

from tests.lab.panels import labelled, words
from tuninglib.lab.coast_down import bench_flow
from tuninglib.session.load import load_session
from tuninglib.session.tables import BENCH_HEADER, parse_volumes
from tuninglib.text_files import SessionError

ROWS = BENCH_HEADER + "i178,1000,4,,8.9\ni178,1000,12,,32.6\ni178,1000,4,,8.8\ni178,1000,12,,32.7\n"


def test_a_measured_injector_goes_into_the_session(demo_copy):
    before = load_session(demo_copy).injectors["i178"]
    panel = bench_flow(demo_copy)
    assert "there is no volume yet" in words(panel)
    labelled(panel, "caught volumes").value = ROWS
    said = words(panel)
    # By hand: 23.8 mL more in 8 s open is 178.5 mL a minute; 8.85 mL at 4 ms leave 1.02 ms.
    assert "i178: 178" in said
    assert "dead time 1.0" in said
    assert "petrol sprayed into the open is a mist that any spark lights" in said
    labelled(panel, "Keep the rows").click()
    assert (demo_copy / "benchflow.csv").read_text(encoding="utf-8") == ROWS
    labelled(panel, "Write these values").click()
    after = load_session(demo_copy).injectors["i178"]
    assert after.flow.value * 6e7 == pytest.approx(178.5, abs=0.6)
    assert 0 < after.flow.half_width < before.tolerance.value * before.flow.value
    assert after.tolerance.value == pytest.approx(0.001)
    assert after.dead_time.value == pytest.approx(0.00102, abs=0.00005)
    assert 0 < after.dead_time.half_width < before.dead_time.half_width
    # What is typed is there again when the panel is opened again.
    assert labelled(bench_flow(demo_copy), "caught volumes").value == ROWS.rstrip("\n") + "\n"


def test_another_fluid_flows_at_another_volume(demo_copy):
    panel = bench_flow(demo_copy)
    labelled(panel, "caught volumes").value = BENCH_HEADER + "i178,,,60,100\n"
    assert "i178: 100" in words(panel)
    assert "nothing is known of its dead time" in words(panel)
    labelled(panel, "density of the test fluid").value = 1000
    # By hand: 100 times the root of 1000/745 is 115.9.
    assert "i178: 115.9 cc/min" in words(panel)


def test_an_unknown_injector_is_not_written(demo_copy):
    before = (demo_copy / "session.toml").read_bytes()
    panel = bench_flow(demo_copy)
    labelled(panel, "caught volumes").value = ROWS.replace("i178", "i999")
    labelled(panel, "Write these values").click()
    assert "'i999' is not one of the injectors of session.toml" in words(panel)
    assert (demo_copy / "session.toml").read_bytes() == before


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("i1,1000,,,8", r"row 2: needs either pulses and width, or the time"),
        ("i1,,4,,8", r"row 2: needs either pulses and width"),
        ("i1,1000,4,60,8", r"row 2: needs either pulses and width"),
        ("i1,,,,8", r"row 2: needs either pulses and width"),
        ("i1,1000,4,,", r"row 2, volume: is empty"),
        ("i1,1000,4000,,8", r"row 2, width: 4000 ms is outside 0.2 to 100 ms"),
        ("i1,10.5,4,,8", r"row 2, pulses: 10.5 is not a whole number"),
    ],
)
def test_a_wrong_row_is_said_with_its_place(row, said):
    with pytest.raises(SessionError, match=said):
        parse_volumes(BENCH_HEADER + row + "\n")
