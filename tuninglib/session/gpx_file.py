"""A track in the open format GPX, versions 1.0 and 1.1, to a trace.

The parser is expat. A document type is refused before anything in it is read, and with it every
entity: the format has none.
"""

from dataclasses import replace
from pathlib import Path
from xml.parsers import expat

import numpy as np
import pandas as pd

from tuninglib.session.trace import LeftOut, Trace, counted, in_order, iso_seconds
from tuninglib.text_files import Problem, SessionError, quoted

_PIECE, _LONGEST_TAG = 1 << 16, 200_000
# A logged speed is taken for m/s if the positions say so to this share.
_SAME_SPEED = 0.15


def read_gpx(path: Path) -> Trace:
    """Every track point of a GPX file, all tracks and segments in the order of time.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Trace
        With ``latitude_deg``, ``longitude_deg`` and, where they are there, ``elevation_m`` and
        ``speed_m_s`` (of GPX 1.0, or a speed among the extensions that fits the positions).

    Raises
    ------
    SessionError
        If it is no GPX, holds no track points with a time, or has a document type.

    Notes
    -----
    Of a file that breaks off, the points before that are kept. A time without a zone is UTC, as the
    format asks [1]_.

    References
    ----------
    .. [1] GPX 1.1 schema: times are in UTC, xsd:dateTime (from memory).
    """
    points = _Points()
    parser = points.parser()
    left_out = []
    try:
        with path.open("rb") as stream:
            fed = 0
            while piece := stream.read(_PIECE):
                fed += len(piece)
                parser.Parse(piece, False)
                # The parser begins a tag anew with every piece of it.
                if fed - parser.CurrentByteIndex > _LONGEST_TAG:
                    raise _Refused(
                        f"has a tag of more than {_LONGEST_TAG // 1000} kB; export the track again"
                    )
            parser.Parse(b"", True)
    except _Refused as error:
        raise SessionError([Problem(path.name, str(error))]) from None
    except expat.ExpatError as error:
        if not points.texts:
            message = f"is not a readable GPX track ({expat.ErrorString(error.code)})"
            raise SessionError([Problem(path.name, message, row=error.lineno)]) from None
        left_out.append(LeftOut("breaks off", 0, len(points.texts)))
    except (LookupError, ValueError) as error:
        # An encoding that nobody knows.
        message = f"is not a readable GPX track ({error}); export it again"
        raise SessionError([Problem(path.name, message)]) from None
    if not points.texts:
        message = "holds no track points; routes and waypoints have no times, so export the track"
        raise SessionError([Problem(path.name, message)])
    texts, channels = pd.DataFrame(points.texts, columns=_NAMES, dtype=object), {}
    seconds, numbers = iso_seconds(texts.pop("time")), np.arange(len(texts)) + 1
    for name, own in texts.items():
        values = pd.to_numeric(own, errors="coerce").to_numpy(float)
        channels[name] = np.where(np.isinf(values), np.nan, values)
        wrong = own.notna().to_numpy() & np.isnan(channels[name])
        left_out += counted("no number", wrong, numbers, name)
    trace = in_order(
        "gpx", path.name, seconds, channels, numbers, left_out=left_out, scale="utc",
        parts=points.parts,
    )  # fmt: skip
    return _with_own_speed(trace)


class _Refused(Exception):
    """What is no GPX, with the reason in words."""


# What is read of a point: two attributes, and three elements in it.
_KEYS = ("lat", "lon", "ele", "time", "speed")
_NAMES = ("latitude", "longitude", "elevation", "time", "speed")


class _Points:
    """Collects the texts of track points, and where a part of the track begins."""

    def __init__(self):
        self.texts, self.parts = [], []
        self._open, self._point, self._wanted = [], {}, ""

    def parser(self):
        """An expat parser that feeds these points."""
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler, parser.EndElementHandler = self._start, self._end
        parser.CharacterDataHandler, parser.StartDoctypeDeclHandler = self._text, self._doctype
        return parser

    def _start(self, name, attributes):
        # Its prefix may be any.
        short = name.rpartition(":")[2]
        if not self._open and short != "gpx":
            raise _Refused(
                f"is XML, but not GPX: it begins with {quoted(name)}; export a GPX track"
            )
        if "trkpt" in self._open:
            # Time and elevation of the point itself, not of something below it.
            own = short == "speed" or (short in _KEYS and self._open[-1] == "trkpt")
            if own and not self._point.get(short, "").strip():
                self._wanted, self._point[short] = short, ""
        elif short == "trkpt":
            self._point = dict(attributes)
        elif short == "trkseg":
            self.parts.append(len(self.texts))
        self._open.append(short)

    def _end(self, _):
        self._wanted = ""
        if self._open.pop() == "trkpt" and "trkpt" not in self._open:
            self.texts.append([self._point.get(key, "").strip() or None for key in _KEYS])

    def _text(self, data):
        if self._wanted:
            self._point[self._wanted] += data

    def _doctype(self, *_):
        raise _Refused(
            "has a document type, which no GPX track needs and which could hide something; "
            "export the track again"
        )


def _with_own_speed(trace: Trace) -> Trace:
    """The trace without a logged speed that is not the one of its positions."""
    speed = trace.channels.get("speed_m_s")
    if speed is None or "latitude_deg" not in trace.channels:
        return trace
    ratio = _logged_over_ridden(trace, speed)
    if ratio is None or abs(ratio - 1) <= _SAME_SPEED:
        return trace
    kept = {name: values for name, values in trace.channels.items() if name != "speed_m_s"}
    count = int(np.isfinite(speed).sum())
    reason = LeftOut("other speed", count, None, "speed", f"{ratio:.2g}")
    return replace(trace, channels=kept, left_out=(*trace.left_out, reason))


def _logged_over_ridden(trace: Trace, speed):
    """Way by the logged speed over way by the positions where the bike moved; None if too short."""
    # Over seconds, not from point to point: at ten a second a place that is off by 0.3 m to either
    # side makes a way of many small steps twice as long.
    latitude, longitude = (trace.channels[f"{one}_deg"] for one in _BOTH)
    known = np.flatnonzero(np.isfinite(latitude + longitude + speed))
    if known.size < 2:
        return None
    time = trace.time_s[known]
    whole = np.concatenate([[True], np.diff(np.floor(time / _CHORD_S)) > 0])
    whole[-1] = True
    phi, theta = (np.deg2rad(one[known][whole]) for one in (latitude, longitude))
    half = np.sin(np.diff(phi) / 2) ** 2
    half += np.cos(phi[1:]) * np.cos(phi[:-1]) * np.sin(np.diff(theta) / 2) ** 2
    ridden = 2 * _EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(half, 0, 1)))
    v = speed[known]
    logged = np.concatenate([[0.0], np.cumsum((v[1:] + v[:-1]) / 2 * np.diff(time))])[whole]
    step_s, logged = np.diff(time[whole]), np.diff(logged)
    moved = (ridden / step_s > _MOVING_M_S) & (step_s < _LONGEST_GAP_S)
    way = ridden[moved].sum()
    return float(logged[moved].sum() / way) if way > _FAR_ENOUGH_M else None


_BOTH = ("latitude", "longitude")
_EARTH_RADIUS_M, _MOVING_M_S, _FAR_ENOUGH_M = 6371000.0, 4.0, 300.0
_CHORD_S, _LONGEST_GAP_S = 3.0, 10.0
