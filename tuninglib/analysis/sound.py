"""What the sound of the runs says: what was heard, pulls, changes of gear, a slipping clutch."""

from dataclasses import replace
from itertools import pairwise
from typing import Literal

import numpy as np

from tuninglib.analysis.records import HeardPull, HeardRing, Recording
from tuninglib.interval import Z_95, Interval
from tuninglib.physics.engine import first_tangential_mode_hz
from tuninglib.session.read_sound import RING_STEP_S, power_in_band
from tuninglib.session.records import Session
from tuninglib.session.schema import Log
from tuninglib.session.trace import Trace
from tuninglib.statistics.clock_shift import clock_shift
from tuninglib.statistics.engine_sound import new_rings, rings, stands_out
from tuninglib.statistics.track_runs import gear_changes, pulls

# Heard in so much of it, nothing is to be said; clipped in more than so much, it matters (ours).
_NEARLY_ALL, _CLIPPED = 0.9, 0.05
# What is loud within so many seconds of a pull's end may tell of it (ours).
_NEAR_S = 5.0


def recordings(session: Session, mixtures: tuple) -> tuple:
    """Every recording of a session, in the order of session.toml.

    Parameters
    ----------
    session : tuninglib.session.records.Session
    mixtures : tuple of tuninglib.analysis.records.Mixture

    Returns
    -------
    tuple of Recording
    """
    heard = {name: trace for name, trace in session.traces.items() if trace.kind == "sound"}
    found = {
        name: replace(recording(name, trace, session.logs[name]), slip=_slip(session, trace))
        for name, trace in heard.items()
    }
    rings = _rings(session, found, mixtures)
    return tuple(replace(one, rings=tuple(rings.get(name, ()))) for name, one in found.items())


def recording(name: str, trace: Trace, log: Log) -> Recording:
    """What is heard in one recording, by itself.

    Parameters
    ----------
    name : str
    trace : tuninglib.session.trace.Trace
    log : tuninglib.session.schema.Log

    Returns
    -------
    Recording
    """
    heard = trace.heard
    if heard is None:
        raise ValueError(f"{name} is no recording")
    rpm = trace.channels.get("engine_speed_rpm", np.full(trace.time_s.size, np.nan))
    known = np.isfinite(rpm)
    share = float(known.mean())
    found, marks = [], log.marks if trace.channels else ()
    for begin, end in marks or (pulls(trace.time_s, rpm)[:, ::2] if known.any() else ()):
        low, high = np.interp([begin, end], trace.time_s[known], rpm[known]).tolist()
        found.append(HeardPull(begin_s=float(begin), end_s=float(end), low_rpm=low, high_rpm=high))
    why: Literal["", "past", "octave", "clipped", "drowned"] = "drowned"
    if trace.goes_past:
        why = "past"
    elif share >= _NEARLY_ALL:
        why = ""
    elif heard.unsure_octave.sum() > 0.5 * np.count_nonzero(~known):
        why = "octave"
    elif trace.clipped > _CLIPPED:
        why = "clipped"
    return Recording(
        name=name,
        seconds=float(trace.time_s[-1]),
        heard_share=share,
        why_not=why,
        clipped_share=trace.clipped,
        pulls=tuple(found),
        gear_changes_s=gear_changes(trace.time_s, rpm),
        sd_ratio=float(np.median((heard.sd_rpm / rpm)[known])) if known.any() else None,
        loud_s=tuple(
            at
            for at in stands_out(heard)
            if any(abs(at - end) < _NEAR_S for one in found for end in (one.begin_s, one.end_s))
        ),
    )


# On the hill the wind is louder than on a test at the roadside: what is to be heard there stands
# out by this here (ours: of simulated sounds that do, noise twice as large still leaves two of
# three instants and more); and a test takes so many seconds.
_STANDS_OUT_DB, _TEST_S = 2.5, (5.0, 30.0)


def place_of_phone(trace: Trace) -> Literal["", "good", "wind", "clipped", "past"]:
    """Whether a phone lay well, by some ten seconds of riding.

    Parameters
    ----------
    trace : tuninglib.session.trace.Trace
        Of a recording.

    Returns
    -------
    str
        Empty where it is no such test.
    """
    heard = trace.heard
    if heard is None or not _TEST_S[0] <= trace.time_s[-1] <= _TEST_S[1]:
        return ""
    if trace.goes_past:
        return "past"
    if trace.clipped > _CLIPPED:
        return "clipped"
    known = np.isfinite(heard.over_noise_db)
    good = known.mean() >= _NEARLY_ALL and np.median(heard.over_noise_db[known]) >= _STANDS_OUT_DB
    return "good" if good else "wind"


# Each third of a run, and how well a logged speed's mean over it is known (ours).
_THIRDS, _SPEED_SD = 3, 0.004


def _slip(session, trace) -> Interval | None:
    """By how much engine speed over road speed differs from third to third of the runs."""
    track = session.track
    if track is None or track is session.recordings or "speed_m_s" not in track.channels:
        return None
    if "engine_speed_rpm" not in trace.channels:
        return None
    speed, rpm = track.channels["speed_m_s"], trace.channels["engine_speed_rpm"]
    shift = clock_shift(track.time_s, speed, trace.time_s, rpm).shift_s
    if shift is None:
        return None
    ratios = []
    for one in session.found.passes:
        if not one.up:
            continue
        edges = np.linspace(one.enter_s + 0.5, one.leave_s - 0.5, _THIRDS + 1)
        at = trace.time_s + shift.value
        rows = [(at >= low) & (at < high) & np.isfinite(rpm) for low, high in pairwise(edges)]
        if all(row.sum() > 10 for row in rows):
            per = rpm / np.interp(at, track.time_s, speed)
            ratios.append([per[row].mean() for row in rows])
    if not ratios:
        return None
    mean = np.mean(np.log(ratios), axis=0)
    sd = float(np.sqrt(2) * _SPEED_SD / np.sqrt(len(ratios)))
    value = float(mean.max() - mean.min())
    return Interval(value, value - Z_95 * sd, value + Z_95 * sd)


# How well the sound of burnt gas is known, and with it the band (ours).
_BAND = 0.08
# What the engine's own loudness is taken from. [Hz]
_ENGINE_HZ = (100.0, 1300.0)


def _rings(session, found, mixtures) -> dict:
    """Places to listen to in recordings of one run each, held against the richest setup's runs."""
    runs = session.runs.set_index("run")
    named = {}
    for name, one in found.items():
        listed = session.logs[name].runs
        if len(listed) == 1 and len(one.pulls) == 1 and listed[0] in runs.index:
            named[name] = runs.loc[listed[0]]
    # Safe is what somebody listened to and heard nothing of, on the richest of these setups.
    quiet = runs.groupby("setup")["knock"].agg(lambda own: (own == "none").all())
    rich = {one.setup: one.lambda_.value for one in mixtures if one.lambda_ and quiet[one.setup]}
    if not rich:
        return {}
    safest = min(rich, key=lambda setup: rich[setup])
    heard = {}
    for name, row in named.items():
        engine = session.engines[session.setups[row["setup"]].engine]
        if engine.bore is None:
            continue
        middle = float(first_tangential_mode_hz(engine.bore.value))
        band = (1 - _BAND) * middle, (1 + _BAND) * middle
        power = power_in_band(session.folder / session.logs[name].file, *band)
        below = power_in_band(session.folder / session.logs[name].file, *_ENGINE_HZ)
        if power is None or below is None:
            continue
        time, *rest = rings(
            power, below, RING_STEP_S, session.traces[name].heard, cylinders=int(engine.cylinders)
        )
        pull = found[name].pulls[0]
        within = (time >= pull.begin_s) & (time + 0.25 <= pull.end_s)
        heard[name] = band, tuple(one[within] for one in (time, *rest))
    others = [own for name, (_, own) in heard.items() if named[name]["setup"] == safest]
    return {
        name: [
            HeardRing(run=float(row.name), begin_s=a, end_s=b, low_hz=band[0], high_hz=band[1],
                      against=safest)
            for a, b in new_rings(own, others)
        ]
        for name, (band, own) in heard.items()
        if others and (row := named[name])["setup"] != safest
    }  # fmt: skip
