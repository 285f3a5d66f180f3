"""Lambda that does not follow flow at full throttle: nothing is predicted, nobody is accused."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.outing import Outing
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.injector import ladder_of
from tuninglib.analysis.mixture import ladder_columns, weighed_readings
from tuninglib.lab import explore
from tuninglib.report import injector, verdict
from tuninglib.report import mixture as mixture_words
from tuninglib.session.defaults import air_of_runs
from tuninglib.session.load import load_session
from tuninglib.statistics.ladder import fit_ladder, suspicious_injectors

HELD = {"stock": 12.8, "big_150": 12.9, "big_164": 12.8, "big_172": 12.7, "big_172_e10": 12.8}


def hold(folder, at=None):
    """Every full-throttle reading of the folder at one lambda, whatever the injector."""
    path = folder / "runs.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines):
        cells = line.split(",")
        if "full" in cells:
            middle = (at or HELD).get(cells[1], 12.7)
            cells[5], cells[6] = f"{middle - 0.1:.1f}", f"{middle + 0.1:.1f}"
            # What knocks without being lean shuts the engine; that is tried elsewhere.
            lines[number] = ",".join(cells).replace(",light,", ",none,")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def held(demo_folder, tmp_path_factory):
    copy = shutil.copytree(demo_folder, tmp_path_factory.mktemp("held") / "outing")
    return analyse(load_session(hold(Path(copy))))


def test_untried_injectors_are_not_predicted(held):
    ladder = held.ladder
    assert ladder.withheld == "corrects"
    assert ladder.not_predicted == ("i178", "i205")
    assert {one.injector for one in ladder.prospects} == {"i150", "i164", "i172", "i185"}
    assert all(one.tried for one in ladder.prospects)
    assert (held.plan.next.code, held.plan.next.why) == ("ride again", "open loop")
    assert (ladder.curves, held.plan.flow_wanted) == ((), None)
    assert ladder_of(held.judged, held.ladder) is None


def test_no_stated_flow_is_accused(demo_copy):
    """One injector reads far from the others, which all read alike."""
    odd = analyse(load_session(hold(demo_copy, HELD | {"big_164": 12.4})))
    air = air_of_runs(odd.judged)
    columns = ladder_columns(odd.judged, air, weighed_readings(odd.judged, air))
    assert suspicious_injectors(fit_ladder(*columns)), "there is nothing to be withheld"
    assert odd.ladder.withheld == "corrects"
    assert odd.ladder.suspicions == ()
    assert "reads as if it flowed" not in str(injector.sentences(odd))


def test_no_flow_is_asked_for_where_lambda_follows_it_a_little(demo_copy):
    flow = {"stock": 150, "big_150": 150, "big_164": 164, "big_172": 172, "big_172_e10": 172}
    lambdas = {name: 12.8 * (165 / cc) ** 0.3 for name, cc in flow.items()}
    lambdas["big_185"] = 12.8 * (165 / 185) ** 0.3
    little = analyse(load_session(hold(demo_copy, lambdas)))
    assert little.ladder.withheld == "corrects"
    assert little.plan.flow_wanted is None
    assert "Look for" not in str(injector.sentences(little))


def test_what_was_read_is_said_on_the_fuels_on_which_it_was_read(held):
    fuels = {p.injector: {one.fuel for one in p.fuels} for p in held.ladder.prospects}
    assert fuels == {"i150": {"e5"}, "i164": {"e5"}, "i172": {"e5", "e10"}, "i185": {"e5"}}
    mixtures = {m.setup: m for m in held.mixtures}
    for name, setup in held.session.setups.items():
        if setup.engine == held.ladder.engine:
            prospect = next(p for p in held.ladder.prospects if p.injector == setup.injector)
            assert prospect.on(setup.fuel).lambda_.value == pytest.approx(
                mixtures[name].lambda_.value, rel=0.005
            )


def test_the_report_says_what_it_means(held):
    text = str(injector.response_sentences(held))
    assert "Full throttle: lambda does not follow flow, although it should" in text
    assert "trims the mixture there by its oxygen sensor" in text
    assert "really taken at full throttle and in open loop" in text
    answer = str(verdict.sentences(held))
    assert "another injector will not move it" in answer
    assert "really taken at full throttle and in open loop" in answer
    for words in (answer, str(verdict.reasons(held)), str(injector.sentences(held))):
        assert "stay with injector" not in words
        assert "no candidate is listed" not in words
    said = str(injector.sentences(held))
    assert "lambda did not follow flow, so none is predicted for i178 and i205" in said
    assert "leaner than e5" not in str(mixture_words.sentences(held))
    assert "did not follow flow" in str(injector.figure(held))
    assert "another injector will not move it" in str(explore.mixture(held))


def test_a_kept_injector_that_was_never_read_is_not_predicted_either(held):
    runs = held.session.runs
    silent = runs["setup"].isin(["big_172", "big_172_e10"])
    columns = {name: runs[name].where(~silent) for name in ("gauge_low", "gauge_high")}
    session = replace(held.session, runs=runs.assign(**columns))
    ladder = analyse(session).ladder
    assert ladder.withheld == "corrects"
    assert "i172" in ladder.not_predicted
    assert "i172" not in held.ladder.not_predicted


def test_an_injector_that_was_read_on_another_engine_only_is_left_out(held):
    runs = held.session.runs
    silent = runs["setup"] == "big_150"
    columns = {name: runs[name].where(~silent) for name in ("gauge_low", "gauge_high")}
    ladder = analyse(replace(held.session, runs=runs.assign(**columns))).ladder
    assert (ladder.withheld, ladder.engine) == ("corrects", "big")
    assert ladder.not_predicted == ("i150", "i178", "i205")


def test_one_injector_tells_by_the_engine_that_grew(demo_folder, tmp_path):
    """An ECU that corrects would have hidden the larger cylinder, too."""
    outing = Outing(demo_folder, tmp_path / "outing")
    results = outing.only(lambda row: row["setup"] in ("stock", "big_150")).results()
    assert {r.state: r.verdict for r in results.ladder.responses}["full"] == "table"
    assert results.ladder.withheld is None
    assert len(results.ladder.prospects) == len(results.session.injectors)


def test_a_device_in_the_way_of_a_sensor_is_told_by_what_the_sensor_measures(held):
    text = str(injector.response_sentences(held))
    assert "a resistor that alters the oxygen sensor's signal acts where the ECU corrects" in text
    assert "only through what the ECU has learned" in text
    assert "Temperature sensors: a resistor" in text
    assert "as a rule at full throttle too" in text
    assert "about 20 to 25 % (common practice)" in text
    assert "Cold start and acceleration: their extra fuel comes from tables" in text
    assert "between about 14.5 and 14.9 on a 14.7 scale" in text
    assert text.index("ECU (engine control unit)") < text.index("the ECU corrects")
    assert "controller" not in text
