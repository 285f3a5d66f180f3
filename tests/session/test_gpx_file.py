"""Tracks in GPX: what the open format allows, what devices make of it, and what is refused."""

import datetime

import gpxpy
import gpxpy.gpx
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.session.conftest import require_whole
from tuninglib.session.gpx_file import read_gpx
from tuninglib.session.trace import LeftOut
from tuninglib.text_files import SessionError

NAMESPACE = "http://www.topografix.com/GPX/1/1"
HEAD = (
    f'<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="x" xmlns="{NAMESPACE}">'
)
DAY = datetime.datetime(2026, 5, 16, 12, tzinfo=datetime.UTC)


def point(second, *, lat=46.0, lon=8.0, ele="300", more=""):
    time = (DAY + datetime.timedelta(seconds=second)).isoformat().replace("+00:00", "Z")
    elevation = f"<ele>{ele}</ele>" if ele is not None else ""
    return f'<trkpt lat="{lat}" lon="{lon}">{elevation}<time>{time}</time>{more}</trkpt>'


def track(*points, head=HEAD):
    return f"{head}<trk><name>a &amp; b</name><trkseg>{''.join(points)}</trkseg></trk></gpx>"


@pytest.fixture
def read(tmp_path):
    def reader(content, encoding="utf-8"):
        path = tmp_path / "phone.gpx"
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return read_gpx(path)

    return reader


def test_a_track_is_read_as_it_stands(read):
    trace = read(track(*(point(i, lat=46 + i / 1e4, ele=300 + i) for i in range(5))))
    assert trace.kind == "gpx"
    assert trace.rows == 5
    assert trace.started_utc_s == DAY.timestamp()
    np.testing.assert_array_equal(trace.time_s, range(5))
    np.testing.assert_allclose(trace.channels["latitude_deg"], 46 + np.arange(5) / 1e4)
    np.testing.assert_array_equal(trace.channels["longitude_deg"], [8.0] * 5)
    np.testing.assert_array_equal(trace.channels["elevation_m"], 300 + np.arange(5))
    assert trace.left_out == ()
    assert "speed_m_s" not in trace.channels


@pytest.mark.outside(source="gpxpy 1.6, the reference reader of the open format in Python")
def test_it_reads_what_the_reference_reader_reads(read):
    """Several tracks and segments, a route and waypoints beside, made by the other library."""
    made = gpxpy.gpx.GPX()
    made.waypoints.append(gpxpy.gpx.GPXWaypoint(46.5, 8.5))
    rng = np.random.default_rng(5)
    for t in range(3):
        made.tracks.append(gpxpy.gpx.GPXTrack(name=f"t{t}"))
        for s in range(2):
            segment = gpxpy.gpx.GPXTrackSegment()
            made.tracks[-1].segments.append(segment)
            for i in range(20):
                when = DAY + datetime.timedelta(seconds=1000 * t + 100 * s + i + 0.25)
                segment.points.append(
                    gpxpy.gpx.GPXTrackPoint(*rng.uniform(-80, 80, 2), rng.uniform(40, 900), when)
                )
    text = made.to_xml()
    trace = read(text)
    points = [p for one in gpxpy.parse(text).tracks for s in one.segments for p in s.points]
    assert trace.rows == len(points) == 120
    for name, wanted in (("latitude_deg", "latitude"), ("longitude_deg", "longitude"),
                         ("elevation_m", "elevation")):  # fmt: skip
        np.testing.assert_array_equal(trace.channels[name], [getattr(p, wanted) for p in points])
    np.testing.assert_allclose(
        trace.time_s + trace.started_utc_s, [p.time.timestamp() for p in points], rtol=1e-12
    )


@pytest.mark.outside(source="gpxpy 1.6: a file of GPX 1.0, in which a point has its speed")
def test_the_older_version_holds_speeds(read):
    made = gpxpy.gpx.GPX()
    made.version = "1.0"
    made.tracks.append(gpxpy.gpx.GPXTrack())
    made.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment())
    metre = 1 / 111_320
    for i in range(60):
        made.tracks[0].segments[0].points.append(
            gpxpy.gpx.GPXTrackPoint(
                12 * i * metre, 0.0, 100, DAY + datetime.timedelta(seconds=i), speed=12.0
            )
        )
    trace = read(made.to_xml(version="1.0"))
    np.testing.assert_array_equal(trace.channels["speed_m_s"], [12.0] * 60)


@pytest.mark.outside(source="RFC 3339, section 5.8: examples of times that say the same instant")
@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870"),
    ],
)
def test_times_say_their_zone(read, text, utc):
    later = f"{text[:8]}{int(text[8:10]) + 1:02}{text[10:]}"
    points = (f'<trkpt lat="1" lon="1"><time>{one}</time></trkpt>' for one in (text, later))
    trace = read(track(*points))
    wanted = np.datetime64(utc, "ms").astype(float) / 1000
    assert trace.started_utc_s == pytest.approx(wanted, abs=1e-6)


def test_a_leap_second_is_left_out_and_said(read):
    """Of RFC 3339, 5.8. A day of 86,400 s has no such second: a point less, not a wrong one."""
    leap = '<trkpt lat="1" lon="1"><time>1990-12-31T23:59:60Z</time></trkpt>'
    trace = read(track(point(0), leap, point(1)))
    assert trace.left_out == (LeftOut("no time", 1, 2),)


@pytest.mark.parametrize(
    "odd",
    [
        "0026-05-16T12:00:00Z",
        "9999-12-31T23:59:59-14:00",
        "2026-02-30T12:00:00Z",
        "2026-05-16T12:00:00+99:00",
        # What a receiver writes that has not found its date yet.
        "1980-01-06T00:00:00Z",
    ],
)
def test_a_time_that_no_calendar_of_an_outing_holds_is_none(read, odd):
    stray = f'<trkpt lat="1" lon="1"><time>{odd}</time></trkpt>'
    trace = read(track(point(0), stray, point(1), point(2)))
    assert trace.left_out == (LeftOut("no time", 1, 2),)
    assert trace.started_utc_s == DAY.timestamp()
    np.testing.assert_array_equal(trace.time_s, [0, 1, 2])
    with pytest.raises(SessionError, match=r"holds 0 rows with a time|holds 1 rows with a time"):
        read(track(stray))


@pytest.mark.parametrize("wrong", [{"lat": 95.0}, {"lon": "east"}, {"lat": "", "lon": ""}])
def test_where_no_place_can_be_used_the_speed_is_what_is_left(read, wrong):
    speed = "<speed>10</speed>"
    trace = read(track(*(point(i, more=speed, **wrong) for i in range(3))))
    assert set(trace.channels) == {"elevation_m", "speed_m_s"}


def test_a_tag_without_end_is_refused(read):
    with pytest.raises(SessionError, match="has a tag of more than 200 kB"):
        read(track(point(0), f'<x y="{"z" * 400_000}"/>', point(1)))
    assert read(track(*(point(i) for i in range(5000)))).rows == 5000


def test_segments_in_any_order_are_taken_but_a_clock_set_back_is_refused(read):
    late, early = ([point(i) for i in range(low, low + 9)] for low in (20, 0))
    trace = read(track(*late, "</trkseg><trkseg>", *early))
    assert (trace.reordered, trace.left_out, trace.time_s.size) == (1, (), 18)
    with pytest.raises(SessionError, match="row 10: time goes back from 2026"):
        read(track(*late, *early))


def test_what_is_left_out_is_counted_with_its_reason_and_place(read):
    no_time = '<trkpt lat="46" lon="8"><ele>300</ele></trkpt>'
    trace = read(
        track(
            point(0), no_time, point(1, ele="0"), point(1), point(2, lat=99), point(3, lon="east"),
            no_time, point(4, ele=None),
        )
    )  # fmt: skip
    assert trace.rows == 8
    assert set(trace.left_out) == {
        LeftOut("no time", 2, 2),
        LeftOut("time twice", 1, 4),
        LeftOut("limits", 1, 5, "latitude", "99"),
        LeftOut("no number", 1, 6, "longitude"),
        LeftOut("zero", 1, 3, "elevation", "0"),
    }
    np.testing.assert_array_equal(trace.time_s, [0, 1, 2, 3, 4])
    np.testing.assert_array_equal(
        np.isfinite(trace.channels["elevation_m"]), [True, False, True, True, False]
    )


def moving(speed, more):
    """A minute at so many metres a second to the north."""
    return track(*(point(i, lat=i * speed / 111_320, lon=0, more=more) for i in range(60)))


def ridden(speeds, logged, *, step=1.0, latitude=0.0):
    """To the east at speeds that change, with the speeds that a device writes down."""
    metre, way, points = 1 / (111_195 * np.cos(np.deg2rad(latitude))), 0.0, []
    for i, (speed, shown) in enumerate(zip(speeds, logged, strict=True)):
        way += step * speed if i else 0.0
        more = f"<extensions><speed>{shown}</speed></extensions>" if shown is not None else ""
        points.append(point(i * step, lat=latitude, lon=way * metre, more=more))
    return track(*points)


@pytest.mark.parametrize(
    ("speeds", "logged", "how", "kept"),
    [
        # In km/h on a track of five a second far from the equator, and in m/s.
        ([11.0] * 200, [39.6] * 200, {"step": 0.2, "latitude": 60.0}, False),
        ([11.0] * 200, [11.0] * 200, {"step": 0.2, "latitude": 60.0}, True),
        # A speed that rises: each counts where it was.
        (np.linspace(5, 25, 60), np.linspace(5, 25, 60), {}, True),
        (np.linspace(5, 25, 60), 1.2 * np.linspace(5, 25, 60), {}, False),
        ([10.0] * 60, [11.4] * 60, {}, True),
        ([10.0] * 60, [11.6] * 60, {}, False),
        ([10.0] * 60, [8.4] * 60, {}, False),
        # Three hundred metres tell, less do not.
        ([10.0] * 31, [20.0] * 31, {}, True),
        ([10.0] * 33, [20.0] * 33, {}, False),
        # On foot and over a gap nothing is told.
        ([10.0] * 40 + [3.9] * 90, [10.0] * 40 + [39.0] * 90, {}, True),
        ([4.1] * 90, [41.0] * 90, {}, False),
        ([10.0] * 40, [20.0] * 40, {"step": 10.0}, True),
        ([10.0] * 40, [20.0] * 40, {"step": 9.0}, False),
        # A speed at every second point tells as well.
        ([10.0] * 60, [None, 20.0] * 30, {}, False),
        ([10.0] * 80, [None, *[20.0] * 79], {}, False),
    ],
)
def test_a_logged_speed_is_held_against_the_way(read, speeds, logged, how, kept):
    trace = read(ridden(speeds, logged, **how))
    assert ("speed_m_s" in trace.channels) == kept
    said = [one for one in trace.left_out if one.reason == "other speed"]
    assert [one.count for one in said] == [sum(one is not None for one in logged)] * (not kept)
    if said and len(set(logged)) == 1 and "step" not in how:
        assert float(said[0].example) == pytest.approx(logged[0] / speeds[0], rel=0.05)


def test_a_point_without_a_place_takes_none_from_what_is_in_it(read):
    bare = '<trkpt lat="46"><sat>7</sat><name>x</name><time>2026-05-16T12:00:{:02}Z</time></trkpt>'
    trace = read(track(point(0), *(bare.format(at) for at in (1, 2)), point(3)))
    np.testing.assert_array_equal(np.isnan(trace.channels["longitude_deg"]), [0, 1, 1, 0])
    assert trace.left_out == ()


def test_a_time_below_a_point_is_not_the_points_time(read):
    more = "<extensions><x><time>1999-01-01T00:00:00Z</time><ele>9</ele></x></extensions>"
    bare = '<trkpt lat="1" lon="1">{}</trkpt>'
    trace = read(track(point(0, more=more), point(1, more=more), bare.format(more)))
    np.testing.assert_array_equal(trace.channels["elevation_m"], [300, 300])
    assert trace.started_utc_s == DAY.timestamp()
    assert trace.left_out == (LeftOut("no time", 1, 3),)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "iso-8859-1", "ascii"])
def test_encodings_that_xml_knows(read, encoding):
    name = "utf-8" if encoding == "utf-8-sig" else encoding
    trace = read(track(point(0), point(1), head=HEAD.replace("UTF-8", name)), encoding)
    assert trace.rows == 2


@pytest.mark.parametrize("head", [HEAD.replace("/1/1", "/1/0"), "<gpx>", "<g:gpx xmlns:g='u'>"])
def test_any_version_or_none_will_do(read, head):
    text = track(point(0), point(1), head=head)
    if head.startswith("<g:"):
        text = text.replace("<trk", "<g:trk").replace("</trk", "</g:trk").replace("/gpx", "/g:gpx")
        text = text.replace("<time", "<g:time").replace("</time", "</g:time")
        text = text.replace("<ele>", "<g:ele>").replace("</ele>", "</g:ele>")
        text = text.replace("<name>", "<g:name>").replace("</name>", "</g:name>")
    assert read(text).rows == 2


def test_a_file_that_breaks_off_keeps_what_is_there(read):
    text = track(*(point(i) for i in range(10)))
    trace = read(text[: text.index("12:00:07") + 3])
    assert trace.rows == 7
    assert trace.left_out == (LeftOut("breaks off", 0, 7),)


LAUGHS = "".join(f'<!ENTITY a{i + 1} "{f"&a{i};" * 10}">' for i in range(12))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is not a readable GPX track (no element found)"),
        (b"\x89PNG\r\n\x1a\n\x00", "is not a readable GPX track"),
        ("time,lat\n1,2\n", "is not a readable GPX track (syntax error)"),
        ("<kml><Placemark/></kml>", "is XML, but not GPX: it begins with 'kml'"),
        ("<gpx><wpt lat='1' lon='1'/></gpx>", "holds no track points; routes and waypoints"),
        (track('<trkpt lat="1" lon="1"/>'), "holds 0 rows with a time; a log needs at least two"),
        (track(point(0)), "holds 1 rows with a time"),
        (track(point(0), point(0)), "has the same time in all its rows"),
        (f'<!DOCTYPE gpx [<!ENTITY a0 "x">{LAUGHS}]><gpx>&a12;</gpx>', "has a document type"),
        ('<!DOCTYPE gpx SYSTEM "file:///etc/passwd"><gpx/>', "has a document type"),
        ('<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/passwd">]><gpx>&x;</gpx>', "document type"),
        ("<gpx>&x;</gpx>", "is not a readable GPX track (undefined entity)"),
        (track(point(0), head="<?xml version='1.0' encoding='klingon'?><gpx>"), "unknown encoding"),
    ],
)  # fmt: skip
def test_what_is_no_track_is_refused_in_one_sentence(read, content, said):
    with pytest.raises(SessionError) as refused:
        read(content)
    (problem,) = refused.value.problems
    assert said in problem.message
    assert problem.file == "phone.gpx"


@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damage_is_read_or_refused_and_no_point_is_lost_unsaid(read, data):
    """Bytes changed, cut, doubled or put in: every point is used or counted as left out."""
    raw = bytearray(track(*(point(i, lat=40 + i) for i in range(8))).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 1))
        change = data.draw(st.sampled_from(["set", "cut", "insert", "copy"]))
        if change == "set":
            raw[at] = data.draw(st.integers(0, 255))
        elif change == "cut":
            del raw[at : at + data.draw(st.integers(1, 60))]
        elif change == "insert":
            raw[at:at] = data.draw(st.binary(max_size=8))
        else:
            raw[at:at] = raw[at : at + data.draw(st.integers(1, 200))]
        if not raw:
            break
    try:
        trace = read(bytes(raw))
    except SessionError:
        return
    require_whole(trace)


@pytest.mark.parametrize(
    ("rate_hz", "times", "kept"), [(10, 1, True), (10, 3.6, False), (1, 1, True), (0.25, 1, True)]
)
def test_a_good_speed_is_kept_however_often_it_was_logged(read, rate_hz, times, kept):
    """Places that jitter by 0.5 m make a way of tenths of a second far too long; the bike is not
    faster for that. A wrong unit is still one."""
    rng = np.random.default_rng(20261129)
    metre, points = 1 / 111_320, []
    for i in range(int(90 * rate_hz)):
        north, east = (
            11 * i / rate_hz + 0.5 * rng.standard_normal(2)[0],
            0.5 * rng.standard_normal(),
        )
        speed = times * (11 + 0.1 * rng.standard_normal())
        more = f"<extensions><speed>{speed:.2f}</speed></extensions>"
        points.append(point(i / rate_hz, lat=north * metre, lon=east * metre, more=more))
    assert ("speed_m_s" in read(track(*points)).channels) == kept


def test_a_speed_is_read_bare_and_in_a_namespace_of_its_own(read):
    """The format asks for the second of what is not its own; many devices write the first."""
    bare = read(moving(11.0, "<extensions><speed>11.0</speed></extensions>"))
    own = '<extensions><own:speed xmlns:own="urn:example:phone">11.0</own:speed></extensions>'
    for trace in (bare, read(moving(11.0, own))):
        np.testing.assert_array_equal(trace.channels["speed_m_s"], [11.0] * 60)
