from tests.analysis.test_first_guess import change
from tuninglib.lab import first_guess


def test_the_chart_warnings_come_when_they_should(results):
    same = {"own_valves": 2, "chart_valves": 2, "chart_ethanol": 0.05}
    assert first_guess.chart_warnings(change(), **same) == []
    valves = first_guess.chart_warnings(change(), **{**same, "chart_valves": 4})
    assert "breathe differently" in valves[0]
    fuel = first_guess.chart_warnings(change(new_ethanol=0.85), **{**same, "chart_ethanol": 0.0})
    assert "too small" in fuel[0]
