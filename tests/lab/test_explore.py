import pytest

from tests.lab.panels import everything, labelled, words
from tuninglib.analysis.analyse import analyse
from tuninglib.lab import explore
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError


def test_the_mixture_panel_speaks_warns_and_resets(results):
    panel = explore.mixture(results)
    before = words(panel)
    assert "the gauge (scale 14.7) would show" in before
    assert "true ratio of air to fuel" in before
    assert "do not use it" not in before
    labelled(panel, "ethanol").value = 30
    assert "more than the 10 % that the maker allows: do not use it" in words(panel)
    labelled(panel, "injector flow").value = labelled(panel, "injector flow").min
    assert "may be leaner than the band" in words(panel)
    assert "outside those that were read" in words(panel)
    labelled(panel, "Reset").click()
    assert words(panel) == before


def test_an_upside_down_band_is_a_sentence_and_no_picture(results):
    panel = explore.mixture(results)
    labelled(panel, "band, richest").value = 0.95
    assert "must be below its leanest" in words(panel)
    assert not any("<img" in str(getattr(w, "value", "")) for w in everything(panel))


def test_a_candidate_is_written_and_then_listed(demo_copy):
    session = load_session(demo_copy)
    explore.add_candidate(session, "i169", "169 cc/min", "5 %")
    after = load_session(demo_copy)
    assert "i169" in after.candidates
    assert after.injectors["i169"].tolerance.value == pytest.approx(0.05)
    used = next(iter(session.setups.values())).injector
    with pytest.raises(SessionError, match="it is no candidate"):
        explore.add_candidate(session, used, "169 cc/min", "5 %")
    with pytest.raises(SessionError, match="is no name for an injector"):
        explore.add_candidate(session, "two words", "169 cc/min", "5 %")


def test_the_button_shows_the_sentence_instead_of_a_traceback(demo_copy):
    panel = explore.mixture(analyse(load_session(demo_copy)))
    labelled(panel, "Write this injector").click()
    assert "is no name for an injector" in words(panel)
    labelled(panel, "band, leanest").value = 0.88
    labelled(panel, "Write the target band").click()
    assert "session.earlier-1.toml" in words(panel)
    assert load_session(demo_copy).target.highest == 0.88
