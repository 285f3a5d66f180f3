"""The headings on logs: every row that was not used is said, and nothing is claimed besides."""

import dataclasses
import json
from dataclasses import replace

import numpy as np
import pytest

from tests.conftest import EVENING
from tuninglib.analysis.analyse import analyse, results_document
from tuninglib.interval import Interval
from tuninglib.report import cautions, gain, logs, method, page_parts, tested
from tuninglib.session.load import load_session
from tuninglib.session.trace import LeftOut

HEAD = "time,speed [km/h],gauge,oil\n"


def rows():
    for i in range(400):
        if i == 17:
            yield "?,50,13,1\n"
        elif i == 30:
            yield f"{i},fast,13,1\n"
        elif i == 31:
            yield f"{i},900,13,1\n"
        elif i == 60:
            yield f"{i},50,13,1,1,1\n"
        elif not 100 <= i < 190:
            yield f"{i},{40 + i % 7},{12 + i % 5 / 10},1\n"


@pytest.fixture(scope="module")
def results(demo_folder, tmp_path_factory):
    folder = tmp_path_factory.mktemp("logged")
    for path in demo_folder.iterdir():
        if path.is_file():
            (folder / path.name).write_bytes(path.read_bytes())
    (folder / "box.csv").write_text(HEAD + "".join(rows()), encoding="utf-8")
    with (folder / "session.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[logs.black_box]\nfile = "box.csv"\nunits = { time = "s" }\n')
    return analyse(load_session(folder))


def test_the_sentences_count_every_row(results):
    text = logs.sentences(results).plain()
    assert "box.csv (black box): a table of 310 rows, 308 of them used, over 7 minutes" in text
    assert "one every 1 s, with 1 gap, the longest of 91 s" in text
    assert "It holds speed and gauge. Columns that are not used: “oil”." in text
    assert "Left out: 1 line without a time that can be read, the first at line 19." in text
    assert "1 line with more cells than columns, the first is line 62." in text
    assert "1 reading of speed: no number; the first is “fast” at line 32." in text
    assert "1 reading of speed that cannot be, the first is 900.0 km/h at line 33." in text


def test_wild_readings_are_said_as_such(results):
    (log,) = results.logs
    jumps = (
        LeftOut("jump", 1, 33, "speed", "83.3333"), LeftOut("jump", 2, 35, "latitude", "47.02"),
    )  # fmt: skip
    wild = dataclasses.replace(log, left_out=jumps)
    text = logs.sentences(dataclasses.replace(results, logs=(wild,))).plain()
    said = "1 reading of speed far from those before and after, the first at line 33."
    assert said in text
    assert "2 positions far from those before and after, the first at line 35." in text


def test_each_channel_has_its_own_name_unit_and_decimals(results):
    """In metric units, by hand; -3 °C is 270.15 K."""
    shown = {
        "latitude_deg": (47.123456, "latitude", "47.12346", "°"),
        "longitude_deg": (-8.7, "longitude", "−8.70000", "°"),
        "elevation_m": (612.4, "elevation", "612", "m"),
        "speed_m_s": (10.0, "speed", "36.0", "km/h"),
        "gauge": (12.9, "gauge", "12.90", "as shown"),
        "throttle_ratio": (0.953, "throttle", "95", "%"),
        "engine_speed_rpm": (7222.2, "engine speed", "7222", "rpm"),
        "head_temperature_k": (483.15, "head", "210", "°C"),
        "air_temperature_k": (270.15, "air", "−3", "°C"),
    }
    (log,) = results.logs
    channels = [replace(log.channels[0], name=name, readings=1234, low=one[0], high=2 * one[0])
                for name, one in shown.items()]  # fmt: skip
    every = replace(results, logs=(replace(log, channels=tuple(channels)),))
    rows = logs.table(every).rows
    assert [(*row[:4], row[5]) for row in rows] == [
        ("black box", name, "1,234", low, unit) for _, name, low, unit in shown.values()
    ]
    assert rows[3][4] == "72.0"
    names = ", ".join(one[1] for one in shown.values()).replace(", air", " and air")
    assert f"It holds {names}." in logs.sentences(every).plain()


@pytest.mark.parametrize(("seconds", "said"), [
    (9.94, "9.9 s"), (10, "10 s"), (119, "119 s"), (120, "2 minutes"), (7199, "120 minutes"),
    (7200, "2.0 hours"),
])  # fmt: skip
def test_a_time_is_said_as_long_as_it_is(results, seconds, said):
    (log,) = results.logs
    long = replace(log, duration_s=seconds, unused=tuple("abcdefghij"), usual_step_s=9.5)
    short = replace(log, usual_step_s=0.1, channels=(), kind="gpx", gaps=0)
    text = logs.sentences(replace(results, logs=(long, short))).plain()
    assert f"a table of 310 rows, 308 of them used, over {said}; one every 10 s, with" in text
    assert "used: “a”, “b”, “c”, “d”, “e”, “f”, “g” and “h” and 2 more." in text
    assert "a track of 310 points, 308 of them used, over 7 minutes; one every 0.1 s. It" in text
    assert "It holds no channel that is used here." in text


def test_without_logs_there_are_no_such_headings(results):
    none = dataclasses.replace(results, logs=(), bands=(), force_curves=())
    shown = (logs.sentences, logs.table, logs.figure, logs.mixture_sentences, logs.mixture_table,
             logs.curve_sentences, logs.curve_table, logs.curve_figure)  # fmt: skip
    assert "".join(str(one(none).html()) for one in shown) == ""


def test_results_hold_what_was_left_out(results):
    (log,) = json.loads(json.dumps(results_document(results)))["logs"]
    assert log["used"] + sum(one["count"] for one in log["left_out"] if not one["channel"]) == 310
    assert [one["name"] for one in log["channels"]] == ["speed_m_s", "gauge"]


def test_no_peak_is_lost_when_a_picture_is_thinned():
    rng = np.random.default_rng(2)
    time, values = np.arange(100_000) / 10, rng.normal(size=100_000)
    values[54_321], values[99] = 40.0, np.nan
    middle, low, high = logs.thinned(time, values, 600)
    assert middle.size == 600
    assert (np.nanmin(low), np.nanmax(high)) == (np.nanmin(values), 40.0)
    assert middle[int(np.nanargmax(high))] == pytest.approx(5432.1, abs=10)


# Runs that were found -----------------------------------------------------------------------------


def with_found(evening, **changes):
    session = evening.session
    found = dataclasses.replace(session.found, **changes)
    return dataclasses.replace(evening, session=dataclasses.replace(session, found=found))


def with_readings(evening, **changes):
    readings = dataclasses.replace(evening.session.found.readings, **changes)
    return with_found(evening, readings=readings)


def test_the_sentences_say_what_was_found_and_how_to_overrule_it(evening):
    text = logs.run_sentences(evening).plain()
    assert "In their order they are the runs of runs.csv; if not, write runs = [1, 2, …]" in text
    assert "phone has 8 runs from the start line to the marker and 8 back." in text
    assert "if not, write runs = [1, 2, …] under [logs.phone]" in text
    assert "entry and exit speeds of runs 1 to 8 are from its logged speed; one at the" in text
    said = "marker is good to ± 1.0 km/h, the place of the line (± 6 m) included"
    assert said in text.replace("\u00a0", " ")
    assert "its clock is shifted by 41.5 s (41.1 to 42.0 s), found from what both recorded" in text
    assert "the readings of runs 2 to 8 are its steady range" in text
    assert "box was not on for all of run 1, so no reading is used." in text
    assert "give a mean grade of 6.17 % (5.93 to 6.40 %); 6.1 % is stated and used" in text
    assert "Throttle" not in text


@pytest.mark.parametrize(
    ("why", "said"),
    [
        ("count", "runs.csv has 8 full-throttle rows, so nothing is taken from the log"),
        ("listed", "The list under runs is longer or shorter than that, so nothing is taken"),
        ("unknown", "has a run twice, or one that runs.csv does not have, so nothing is taken"),
    ],
)
def test_why_nothing_is_taken_is_said_with_the_remedy(evening, why, said):
    text = logs.run_sentences(with_found(evening, why_not=why, filled=())).plain()
    assert said in text
    alone = logs.run_sentences(with_found(evening, why_not=why, filled=(), rows=1)).plain()
    assert ("runs.csv has 1 full-throttle row, so" in alone) == (why == "count")
    assert "write runs = [1, 2, …] under [logs.phone]" in text
    assert "are from its" not in text


@pytest.mark.parametrize(
    ("why", "said"),
    [
        ("short", "they have too little in common"),
        ("unlike", "does not rise and fall together"),
        ("twins", "two shifts fit about as well"),
        ("nothing", "it has no speed, engine speed or throttle to go by"),
    ],
)
def test_a_clock_that_is_not_known_is_asked_for(evening, why, said):
    text = logs.run_sentences(with_readings(evening, shift_s=None, why_not=why, filled=())).plain()
    assert said in text
    assert "Write shift under [logs.box] to have its readings used." in text
    assert "steady range" not in text


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"grade": Interval(0.045, 0.042, 0.048)}, "which is far from it: check grade, length and"),
        (
            {"length_m": Interval(352.0, 346.0, 358.0)},
            "by the track it is 352 m (346 to 358 m) from start to marker, far from the 400 m",
        ),
        (
            {"pairs": ((20.0, 19.9, 0.2), (25.0, 19.0, 0.2))},
            "far from each other: 90.0 as shown against 68.4 km/h in truth.",
        ),
    ],
)
def test_what_is_far_off_is_named_and_what_is_not_is_not(evening, changes, said):
    assert said in logs.run_sentences(with_found(evening, **changes)).plain()
    assert said not in logs.run_sentences(evening).plain()


def test_what_is_far_off_counts_what_is_unknown_of_both(evening):
    """Two that are good to as much each may differ by the root of two times as much."""
    hill, shown = evening.session.hill, evening.road.speed_factor.value
    for share, far in ((1.3, False), (1.5, True)):
        # On the level a slope of 6.1 % is as long as its cosine.
        stated = (hill.grade, 1.0), (hill.length, np.cos(np.arctan(0.061)))
        grade, length = (
            Interval(x, x - one.half_width, x + one.half_width)
            for one, level in stated
            for x in [one.value * level + 1.5 * share * one.half_width]
        )
        pairs = ((20.0, 20.0 * shown + 3 * share * 0.3, 0.3), (20.0, 20.0 * shown, 0.3))
        given = with_found(evening, grade=grade, length_m=length, pairs=pairs)
        text = logs.run_sentences(given).plain()
        for said in (
            "is stated, which is far from it",
            "far from the 400 m",
            "far from each other",
        ):
            assert (said in text) == far
        assert text.count("as shown against") == far
    # Without forces there is no factor.
    bare = replace(with_found(evening, pairs=((20.0, 20.0, 0.3),)), road=None)
    assert "far from each other" not in logs.run_sentences(bare).plain()


def test_numbers_are_no_finer_than_they_are_known(evening):
    fine = {"shift_s": Interval(41.52, 41.50, 41.54), "lag_s": Interval(0.62, 0.61, 0.63)}
    text = logs.run_sentences(with_readings(evening, **fine, filled=(1, 2, 5, 6))).plain()
    assert "its clock is shifted by 41.5 s (41.5 to 41.5 s), found" in text
    assert "the mixture 0.6 s (0.6 to 0.6 s) late, found where the throttle opens; the" in text
    assert "the readings of runs 1, 2, 5 and 6 are its steady" in text
    factor, pairs = Interval(0.95512, 0.9451, 0.9651), ((20.0, 19.1, 0.3),) * 2
    text = logs.run_sentences(with_found(evening, factor=factor, pairs=pairs)).plain()
    assert "typed exit speeds and the log's calibrate it: true over shown is 0.955 ± 0.010." in text


def test_a_pass_begins_in_the_recording_that_it_is_in(evening):
    one, found = evening.session.found.passes[0], evening.session.found
    several = replace(found, parts=(("a", 0.0), ("b", 100.0), ("c", 200.0)))
    begins = [
        logs.begin_of(several, replace(one, enter_s=at)) for at in (50.0, 100.0, 150.0, 250.0)
    ]
    assert begins == [0.0, 100.0, 100.0, 200.0]
    assert logs.in_name(several) == "3 recordings"


def test_a_run_without_full_throttle_is_named(evening):
    first, *rest = evening.session.found.readings.readings
    shut = dataclasses.replace(first, covered=True, full_share=0.3)
    text = logs.run_sentences(with_readings(evening, readings=(shut, *rest))).plain()
    assert "run 1 had the throttle fully open, as far as was logged, for less than 60 %" in text


@pytest.mark.parametrize(
    ("at", "said"), [("marker", "the marker"), ("start", "the start line"), ("both", "both lines")]
)
def test_a_gap_at_a_line_is_named_with_its_run(evening, at, said):
    first, *rest = evening.session.found.passes
    unseen = dataclasses.replace(first, run=None, missed=3.0, gap_s=9.0, gap_at=at)
    spoilt = with_found(evening, passes=(unseen, *rest))
    text = logs.run_sentences(spoilt).plain()
    assert (
        f"run 3 were not found: phone has a gap of 9.0 s at {said}. Type them if somebody" in text
    )
    assert logs.runs_table(spoilt).rows[0][:3] == ("1", "3", "large nozzle")


def test_the_table_and_the_figure_show_every_way_up(evening):
    table = logs.runs_table(evening)
    assert [row[:3] for row in table.rows[:3]] == [
        ("1", "1", "small nozzle"), ("2", "2", "large nozzle"), ("3", "3", "large nozzle"),
    ]  # fmt: skip
    # Passed at 182.59 s, and 206.23 s.
    assert table.rows[1][3:] == (
        "3:02.6", "23.6", "42.0 ± 1.3", "70.7 ± 1.1", "12.80 to 13.10", "96 %",
    )  # fmt: skip
    assert table.rows[0][7:] == ("–", "–")
    alt = logs.runs_figure(evening).alt
    assert "8 runs marked, with 66.0 to 70.7 km/h at the marker" in alt


def test_other_headings_know_that_speeds_are_logged(evening):
    assert not any("may read high" in one for one in cautions.remarks(evening))
    assert tested.runs_table(evening).caption == "Speeds as shown by the log"
    assert "Marker speed is as the log shows it" in gain.table(evening).plain()
    assert any(row[2].startswith("speeds of a log are true ones") for row in
               method.assumptions(evening).rows)  # fmt: skip


def test_without_places_the_page_says_what_to_write(evening):
    session = evening.session
    hill = dataclasses.replace(session.hill, start=None, marker=None)
    bare = dataclasses.replace(session, found=None, hill=hill)
    text = logs.run_sentences(dataclasses.replace(evening, session=bare)).plain()
    assert "write start and marker under [hill]" in text
    heard = dataclasses.replace(session.traces["box"], kind="sound")
    for traces, said in (({"a": heard}, ()), (bare.traces | {"a": heard}, text.split("\n"))):
        mixed = dataclasses.replace(evening, session=dataclasses.replace(bare, traces=traces))
        assert logs.run_sentences(mixed).plain().split("\n") == (list(said) or [""])
    found = dataclasses.replace(session, found=None)
    assert logs.run_sentences(dataclasses.replace(evening, session=found)).items == ()
    none = dataclasses.replace(bare, traces={"box": session.traces["box"]})
    text = logs.run_sentences(dataclasses.replace(evening, session=none)).plain()
    assert "no log has positions, so no runs can be found in them." in text


# Mixture by throttle ------------------------------------------------------------------------------


def test_part_throttle_is_held_at_one_and_full_throttle_is_not(evening):
    """In the demo's world the mixture is 1 at part throttle, and at full throttle the setup's."""
    seen = {(one.setup, round(one.low, 2)): one for one in evening.bands if one.by == "throttle"}
    assert {low for _, low in seen} == {0.05, 0.2, 0.9}
    for setup, full in (("small_nozzle", 0.958), ("large_nozzle", 0.874)):
        for low in (0.05, 0.2):
            assert seen[setup, low].lambda_.value == pytest.approx(1.0, abs=0.006)
        band = seen[setup, 0.9].lambda_
        assert band.low <= full <= band.high


def test_engine_speeds_are_those_of_full_throttle(evening):
    own = [one for one in evening.bands if one.by == "engine speed"]
    assert {one.low for one in own} == {4000.0, 5000.0}
    assert all(one.seconds > 5 for one in own)


def test_no_lean_spot_is_made_up(evening):
    assert "Lean spot" not in logs.mixture_sentences(evening).plain()


def test_a_spot_that_is_leaner_than_the_mean_is_named(evening):
    bands = tuple(
        dataclasses.replace(one, lambda_=Interval(0.93, 0.92, 0.94))
        if one.by == "engine speed" and one.setup == "large_nozzle" and one.low == 5000
        else one
        for one in evening.bands
    )
    text = logs.mixture_sentences(dataclasses.replace(evening, bands=bands)).plain()
    assert "large nozzle reads 0.93" in text
    assert "from 5000 to 6000 rpm, leaner than the band up to 0.90" in text
    assert "Engines fail at their leanest spot" in text


def test_the_table_has_every_band(evening):
    rows = logs.mixture_table(evening).rows
    assert len(rows) == len(evening.bands) == 10
    assert rows[0][0] == "5 % to 20 %"
    assert "90 % to 100 %" in {row[0] for row in rows}
    assert rows[-1][0] == "5000 to 6000 rpm"


# Wheel force against speed ------------------------------------------------------------------------


def test_the_bands_hold_the_forces_that_the_demo_was_made_with(evening):
    truth = json.loads((EVENING / "truth.json").read_text("utf-8"))
    stock, large = evening.force_curves
    assert (stock.setup, stock.runs, large.runs) == ("small_nozzle", 4, 4)
    held = []
    for at, speed in enumerate(stock.speed_m_s):
        true = 318.0 * (1 - ((speed - 14.0) / 19.0) ** 2)
        for curve, factor in ((stock, 1.0), (large, 1.06)):
            band = curve.force_n[at]
            if band is not None:
                held.append(band.low <= factor * true <= band.high)
        if large.gain[at] is not None:
            assert large.gain[at].low <= truth["gain"]["large_nozzle"] <= large.gain[at].high
    # Of eight 95 % intervals one may miss.
    assert len(held) == 8
    assert sum(held) >= 7


def test_speeds_are_whole_fives_of_the_readers_unit(evening):
    shown = np.array(evening.force_curves[0].speed_m_s) * 3.6
    np.testing.assert_allclose(shown, [50, 55, 60, 65, 70])


def test_what_is_stated_wider_widens_the_forces_and_not_the_gains(evening):
    session = evening.session
    hill = dataclasses.replace(
        session.hill, grade=dataclasses.replace(session.hill.grade, half_width=0.012)
    )
    wide = analyse(dataclasses.replace(session, hill=hill))
    for before, after in zip(evening.force_curves, wide.force_curves, strict=True):
        for one, other in zip(before.force_n, after.force_n, strict=True):
            if one is not None:
                assert other.half_width > one.half_width + 3
        assert before.gain == after.gain


# What the figures show ----------------------------------------------------------------------------


@pytest.fixture
def figure_of(monkeypatch):
    """What is drawn for a wide screen, and the picture with its words."""
    drawn = []
    monkeypatch.setattr(page_parts, "_svg", lambda draw, width_in: drawn.append(draw(width_in)))
    return lambda make, results: (make(results), drawn[-2])


def filled(area):
    """Ends of what an area covers."""
    corners = np.concatenate([path.vertices for path in area.get_paths()])
    return corners.min(0), corners.max(0)


def legend_of(one) -> list:
    return [text.get_text() for text in one.get_texts()]


def test_the_picture_of_a_log_spans_its_time_and_its_readings(results, evening, figure_of):
    picture, figure = figure_of(logs.figure, results)
    (ax,) = figure.axes
    ((begin, low), (end, high)) = filled(ax.collections[0])
    # In minutes, 400 seconds from the first; speeds of 40 to 46 km/h.
    assert (begin, end, low, high) == pytest.approx((0, 399 / 60, 40, 46), abs=0.01)
    assert (
        picture.alt == "Logs over time: speed of black box from 40.0 to 46.0 km/h over 7 minutes."
    )
    # Of the phone the speed, of the gauge's box, which has no speed, what it read.
    picture, figure = figure_of(logs.figure, evening)
    titles = [ax.get_title() for ax in figure.axes]
    assert titles == ["phone: speed [km/h]", "box: gauge [as shown]"]
    assert picture.caption.startswith("Speed of phone from ")
    assert "; gauge of box from " in picture.caption


def test_the_picture_of_the_runs_marks_each_and_lays_them_upon_each_other(evening, figure_of):
    first, *rest = evening.session.found.passes
    unlisted = with_found(evening, passes=(replace(first, run=None), *rest))
    setups = dict(zip(evening.session.runs["run"], evening.session.runs["setup"], strict=True))
    whole_min = evening.session.track.time_s[-1] / 60
    for given, names in (evening, list("12345678")), (unlisted, ["–", *"2345678"]):
        picture, figure = figure_of(logs.runs_figure, given)
        whole, laid = figure.axes
        end, highest = filled(whole.collections[0])[1]
        assert end == pytest.approx(whole_min, rel=0.01)
        assert whole.get_ylim()[0] == 0
        assert [one.get_text() for one in whole.texts] == names
        up = [one for one in given.session.found.passes if one.up]
        speeds = [one for one in laid.lines if len(one.get_xdata())]
        looks = {line.get_label(): line.get_color() for line in laid.lines}
        assert set(legend_of(laid.get_legend())) == {"small nozzle", "large nozzle"}
        for one, span, text, line in zip(up, whole.patches, whole.texts, speeds, strict=True):
            ends = span.get_x(), span.get_x() + span.get_width()
            assert ends == pytest.approx((one.enter_s / 60, one.leave_s / 60))
            # In its middle, above all that is drawn.
            middle, height = text.get_position()
            assert middle == pytest.approx(sum(ends) / 2)
            assert highest < height < whole.get_ylim()[1]
            seconds, speed = line.get_data()
            assert (seconds[0], seconds[-1]) == pytest.approx((0, one.leave_s - one.enter_s), abs=1)
            assert speed[-1] == pytest.approx(3.6 * one.exit_m_s, abs=3)
            for setup, colour in looks.items():
                own = setup.replace(" ", "_") == setups.get(one.run)
                assert (line.get_color() == colour) == own or setup.startswith("_")
        assert f"Speed in phone over {whole_min:.0f} minutes with 8 runs marked" in picture.alt
        assert picture.caption == "8 runs found in phone."
    unseen = [replace(one, exit_m_s=float("nan")) for one in (first, *rest)]
    assert "8 runs marked; below, each" in logs.runs_figure(with_found(evening, passes=unseen)).alt
    one = logs.runs_figure(with_found(evening, passes=(first,)))
    assert (one.caption, "1 run marked, with" in one.alt) == ("1 run found in phone.", True)
    back = [one for one in rest if not one.up]
    assert logs.runs_figure(with_found(evening, passes=back)).items == ()
    many = with_found(evening, passes=(first,) * 40)
    assert not figure_of(logs.runs_figure, many)[1].axes[0].texts, "there is no room for them"


def test_the_picture_of_the_forces_has_each_with_its_interval(evening, figure_of):
    picture, figure = figure_of(logs.curve_figure, evening)
    said = []
    for curve, line, area in zip(
        evening.force_curves, figure.axes[0].lines, figure.axes[0].collections, strict=True
    ):
        at = 3.6 * np.array(curve.speed_m_s)[[one is not None for one in curve.force_n]]
        known = [one for one in curve.force_n if one]
        assert list(line.get_xdata()) == pytest.approx(list(at))
        assert list(line.get_ydata()) == pytest.approx([one.value for one in known])
        assert [end[1] for end in filled(area)] == pytest.approx(
            [min(one.low for one in known), max(one.high for one in known)]
        )
        ends = " and ".join(f"{known[i].value:.0f} at {at[i]:.0f}" for i in (0, -1))
        said.append(f"{page_parts.spaced(curve.setup)} {ends}")
    assert picture.alt == f"Wheel force in N against speed in km/h: {'; '.join(said)}."
    assert picture.caption == f"Wheel force [N] at speed [km/h]: {'; '.join(said)}."
    assert legend_of(figure.legends[0]) == ["small nozzle", "large nozzle"]
    table = logs.curve_table(evening)
    assert table.header == ("Speed [km/h]", "small nozzle [N]", "large nozzle [N]", "Gain [%]")
    assert [row[0] for row in table.rows] == ["50", "55", "60", "65", "70"]
    assert "from 50 to 70 km/h" in logs.curve_sentences(evening).plain()
    stock, large = evening.force_curves
    for row, *forces, over in zip(
        table.rows, stock.force_n, large.force_n, large.gain, strict=True
    ):
        cells = [f"{x.value:.0f} ({x.low:.0f} to {x.high:.0f})" if x else "–" for x in forces]
        assert list(row[1:3]) == cells
        assert row[3].startswith(f"{100 * over.value:.0f}" if over else "–")
    unknown = replace(stock, force_n=(None,) * 5)
    assert logs.curve_figure(replace(evening, force_curves=(unknown,))).items == ()
    _, figure = figure_of(logs.curve_figure, replace(evening, force_curves=(unknown, large)))
    assert legend_of(figure.legends[0]) == ["large nozzle"]
