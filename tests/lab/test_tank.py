from tests.lab.panels import everything, labelled, words
from tuninglib.lab import first_guess


def test_the_tank_panel_mixes_and_warns(results):
    panel = first_guess.tank(results)
    labelled(panel, "in the tank").value = 3
    labelled(panel, "poured in").value = 1
    first, second = (
        w for w in everything(panel) if getattr(w, "description", "").startswith("its ethanol")
    )
    first.value, second.value = 5, 85
    labelled(panel, "ethanol wanted").value = 25
    said = words(panel)
    # By hand: (3·5 + 1·85)/4 = 25 %, so exactly one litre is to be added.
    assert "25.0 % ethanol in 4.00 L" in said
    assert "add 1.00 L" in said
    assert said.count("more than the 10 % that the maker allows") == 2
    labelled(panel, "ethanol wanted").value = 90
    assert "it must lie between the two" in words(panel)
