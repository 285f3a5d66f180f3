from tests.analysis.test_coast_down import rolled
from tests.lab.panels import everything, labelled, words
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.coast_down import start_of
from tuninglib.lab.coast_down import coast_down
from tuninglib.session.load import load_session


def test_the_coast_down_panel_draws_and_writes_into_the_session(demo_copy):
    panel = coast_down(demo_copy)
    assert "there is no timed fall yet" in words(panel)
    assert start_of(demo_copy).speed_factor == load_session(demo_copy).speedometer.factor.value
    labelled(panel, "timed falls").value = rolled()
    assert any("<img" in str(getattr(w, "value", "")) for w in everything(panel))
    labelled(panel, "Keep the rows").click()
    assert (demo_copy / "coastdown.csv").read_text(encoding="utf-8") == rolled()
    labelled(panel, "Write these values").click()
    bike = load_session(demo_copy).bike
    assert 0.3 < bike.drag_area.value < 0.8
    assert bike.drag_area.half_width > 0
    assert analyse(load_session(demo_copy)).road.drag_area_m2.source == "stated"
    labelled(panel, "timed falls").value = rolled().replace("back", "out")
    assert "ride the same stretch in both directions" in words(panel)


def test_a_rider_who_thinks_in_feet_reads_feet(demo_copy, edit):
    edit("session.toml", 'units = "metric"', 'units = "us"')
    panel = coast_down(demo_copy)
    labelled(panel, "timed falls").value = rolled()
    said = words(panel)
    assert "ft² (drag coefficient" in said
    assert "m² (" not in said
    # More doubt in the speedometer is more doubt in the drag area.
    before = float(said.partition(" ± ")[2].split()[0])
    labelled(panel, "which may be off by").value = 8
    assert float(words(panel).partition(" ± ")[2].split()[0]) > before
