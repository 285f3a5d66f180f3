"""What was tested and how it was worked out: tables and lines beside the results, by own sums."""

from dataclasses import replace
from types import SimpleNamespace

from tuninglib.interval import Measured
from tuninglib.report import method, tested
from tuninglib.report.page_parts import Prose
from tuninglib.session.schema import Gauge


def of_session(results, **values):
    return replace(results, session=replace(results.session, **values))


def in_us(results):
    return of_session(results, about=replace(results.session.about, units="us"))


def test_one_line_has_bike_hill_riders_and_the_runs_that_count(results):
    line = "124 kg bike, 204 cc cylinder, 400 m at 6.0 %, tove and ilmar, 21 full-throttle runs"
    assert tested.in_one_line(results) == line
    runs = tuple(replace(one, exclude="" if one.run != 1 else "rain") for one in results.runs)
    alone = of_session(replace(results, runs=runs), riders={"me": None})
    assert tested.in_one_line(alone) == (
        "124 kg bike, 204 cc cylinder, 400 m at 6.0 %, 20 full-throttle runs"
    )
    nothing = replace(results, plan=replace(results.plan, ride=None))
    assert "180 cc cylinder" in tested.in_one_line(nothing)
    rows = {row[0]: row[1:] for row in tested.table(replace(results, runs=runs)).rows}
    assert rows["stock"] == ("as it left the factory", "180", "i150", "e5", "4", "–", "–")
    assert rows["big 172 e10"] == ("204 cc cylinder", "204", "i172", "e10", "3", "199 EUR", "–")


def test_the_air_and_what_was_noted_of_fuel_and_injector_are_said(results):
    session = results.session
    hot = [replace(one, temperature_k=300.15 if one.run == 7 else one.temperature_k)
           for one in results.runs]  # fmt: skip
    assert "; air: 14 °C to 27 °C; road: dry" in str(tested.sentences(replace(results, runs=hot)))
    alike = tuple(replace(one, temperature_k=291.15) for one in results.runs)
    fuels = session.fuels | {"e5": replace(session.fuels["e5"], note="from the old can")}
    said = str(tested.sentences(of_session(replace(results, runs=alike), fuels=fuels)))
    assert "; air: 18 °C; road" in said
    assert "Note on the fuel e5: from the old can" in said
    assert "Note on the fuel e10" not in said


def test_every_run_stands_as_it_was_written_down(results):
    table = tested.runs_table(results)
    assert table.caption == "Speeds as shown by the speedometer"
    rows = {row[0]: row[1:] for row in table.rows}
    assert rows["5"] == (
        "big 150", f"{results.runs[4].stated_force_n:.0f}", "14.6 to 14.9", "48", "66", "ilmar",
        "18", f"{results.runs[4].density_kg_m3:.3f}",
        "light rattle near the milestone, backed off; no more of this setup",
    )  # fmt: skip
    assert rows["22"][1:5] == ("–", "14.5 to 14.8", "–", "–")
    assert rows["22"][-1] == "idle"
    # In steps of 1 km/h, to a tenth of a mile an hour.
    assert tested.runs_table(in_us(results)).rows[4][4:6] == ("29.8", "41.0")
    fine = replace(results.session.speedometer, resolution=Measured(0.01))
    assert tested.runs_table(of_session(results, speedometer=fine)).rows[4][4:6] == ("48.0", "66.0")
    unknown = of_session(results, gauge=Gauge())
    first = replace(results.runs[0], gauge_low=0.87, gauge_high=12.85)
    assert tested.runs_table(replace(unknown, runs=(first,))).rows[0][3] == "0.87 to 12.85"
    first = replace(results.runs[0], gauge_low=None, gauge_high=None)
    assert tested.runs_table(replace(results, runs=(first,))).rows[0][3] == "–"


def test_the_weather_is_taken_out_of_the_gains_and_its_factors_stand_beside_them(results):
    timed = [one for one in results.runs if one.force_n is not None]
    for row, pull in zip(tested.weather_table(results).rows, results.pulls, strict=True):
        for cell, name in ((row[3], "sae_j1349"), (row[4], "iso_1585")):
            own = [getattr(one, name) for one in timed if one.setup == pull.setup]
            assert cell == f"{min(own):.3f} to {max(own):.3f}"
        if pull.gain:
            assert row[1] == f"{100 * pull.gain.ratio.value:.1f} %"
            assert row[2] == f"{100 * pull.raw_gain:.1f} %"
    alike = tuple(replace(one, sae_j1349=1.0101, iso_1585=1.0) for one in results.runs)
    stock = [one.setup == "stock" for one in alike]
    apart = tuple(replace(one, sae_j1349=1.02) if own else one
                  for one, own in zip(alike, stock, strict=True))  # fmt: skip
    rows = tested.weather_table(replace(results, runs=apart)).rows
    assert [row[3:] for row in rows[:2]] == [("1.020", "1.000"), ("1.010", "1.000")]
    untimed = tuple(replace(one, force_n=None) if own else one
                    for one, own in zip(results.runs, stock, strict=True))  # fmt: skip
    assert tested.weather_table(replace(results, runs=untimed)).rows[0][3:] == ("–", "–")
    # One air for all is no weather.
    assert tested.weather_table(replace(results, runs=alike)) == Prose(())
    text = str(tested.weather_sentences(replace(results, runs=alike)))
    assert text.startswith("The air is taken as the same on all runs, so there is nothing to corr")
    assert "For stock" not in text


def test_files_stand_with_their_checksums_and_packages_with_their_versions(results):
    *files, versions = tested.provenance_table(results).rows
    assert [name for name, _ in files] == ["runs.csv", "session.toml"]
    assert all(len(checksum) == 64 for _, checksum in files)
    assert versions[0] == "Versions"
    assert versions[1].startswith("tuninglib 0.")
    everything = replace(results, gearing=1, fuel_use=(1,), logs=(1,))
    assert str(tested.missing_sentences(everything)) == ""
    assert "[gearing]" not in str(tested.missing_sentences(replace(results, gearing=1)))


# How it was worked out ------------------------------------------------------------------------


def test_a_steeper_hill_by_hand(results):
    """One point more: a hundredth of the weight of what goes up, in two figures."""
    force = results.pulls[0].force_n.value
    items = list(method.sentences(results).items)
    assert [label for label, _ in items[:3]] == ["Wheel force", "The grade", "Gain"]
    more = float(items[1][1].partition("would be ")[2].partition(" N higher")[0])
    # 124 kg, and two riders in turns.
    assert more == float(f"{0.0981 * (124 + (68 + 86) / 2):.2g}")
    said = (
        f"were one point steeper (7.0 %), every force would be {more:.0f} N higher "
        f"({100 * more / force:.0f} % of that of stock); one point less steep, as much lower. "
        "Gains hardly change: one of 10 % would become 9.3 %."
    )
    assert said in items[1][1]
    octane = (SimpleNamespace(compression_rise=None), SimpleNamespace(compression_rise=1.2))
    assert "Octane" in dict(method.sentences(replace(results, octane=octane)).items)
    assert "The grade" not in dict(method.sentences(replace(results, road=None)).items)


def test_what_is_assumed_has_its_value_and_where_it_is_from(results):
    rows = {row[0]: row[1:] for row in method.assumptions(results).rows}
    assert {name: rows[name][0] for name in ("Run scatter", "Leaner limit", "Richest lambda",
                                             "Injector tolerance")} == {
        "Run scatter": "0.026", "Leaner limit": "0.10", "Richest lambda": "0.75",
        "Injector tolerance": "±7.0 %",
    }  # fmt: skip
    assert rows["Gauge reads too high by"] == (
        "0.0 ± 2.0 %", "12 readings where the ECU may hold lambda 1",
    )  # fmt: skip
    assert rows["Headwind"][1] == "usual (headwind under [weather] changes it)"
    session = results.session
    gauge = replace(session.gauge, accuracy=Measured(0.01, 0.03))
    weather = replace(session.weather, headwind=Measured(1.0, 0.5))
    check = replace(results.gauge_check, offset=None)
    stated = of_session(replace(results, gauge_check=check), gauge=gauge, weather=weather)
    rows = {row[0]: row[1:] for row in method.assumptions(stated).rows}
    assert rows["Gauge reads too high by"] == (
        "1.0 ± 3.0 %", "accuracy under [gauge] in session.toml",
    )  # fmt: skip
    assert rows["Headwind"] == ("3.6 ± 1.8 km/h", "headwind under [weather] in session.toml")


def test_what_makes_a_gain_uncertain_stands_with_the_largest_first(results):
    shares = {"grade": 0.0049, "drift of the day": 0.2, "scatter": 0.79, "reading": 0.0051}

    def gained(*setups):
        pulls = [one for one in results.pulls if one.setup in ("stock", *setups)]
        pulls = [replace(one, gain=one.gain and replace(one.gain, shares=shares)) for one in pulls]
        return replace(results, road=replace(results.road, pulls=tuple(pulls)))

    assert method.contributions(gained("big_164", "big_172")).rows == (
        ("Scatter", "79 %"), ("Drift of the day", "20 %"), ("Reading", "1 %"),
    )  # fmt: skip
    # Where nothing is ridden, of the first that has a gain.
    for setups, ride, name in ((("big_185",), None, "big 185"),
                               (("big_164", "big_172"), results.plan.ride, "big 172")):  # fmt: skip
        found = replace(gained(*setups), plan=replace(results.plan, ride=ride))
        caption = method.contributions(found).caption
        assert caption == f"What makes the gain of {name} uncertain"
    assert str(method.contributions(gained())) == ""
    assert str(method.contributions(replace(results, road=None))) == ""
