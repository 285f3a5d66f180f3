"""A recording dropped into a workbook: heard, seen, judged, and brought into the outing.

Nothing of it is kept before the button is pressed, and nothing that is there is written over.
"""

import json
import re
import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path

import ipywidgets as widgets
import numpy as np

from tuninglib.analysis.sound import place_of_phone, recording
from tuninglib.lab import kit
from tuninglib.report import sound
from tuninglib.report.page_parts import BAND, Prose, Table, headed, shown, table_of
from tuninglib.rounding import fixed
from tuninglib.session.load import recording_in
from tuninglib.session.read_log import SOUNDS
from tuninglib.session.read_sound import to_hear
from tuninglib.session.read_toml import tables_as_typed, units_of
from tuninglib.session.schema import Log
from tuninglib.statistics.track_runs import runs_by_pulls
from tuninglib.text_files import SessionError, printable, quoted
from tuninglib.whole_files import write_atomic

# Played at once; and where a picture's axis ends without a pull. [s], [1/min]
_LONGEST_S, _TOP_RPM = 10.0, 16000.0
_ASK, _TAKE = "not yet", "yes: from the start line to the marker, in one gear"


def from_sound(session_folder: Path | str) -> widgets.VBox:
    """A place to drop a recording or choose one, what is heard in it, and a button that takes it.

    Parameters
    ----------
    session_folder : path
    """
    folder = Path(session_folder)
    try:
        system = units_of(tables_as_typed(folder))
    except SessionError as error:
        return kit.unreadable(error)
    # Dropped files lie there until the panel is gone.
    dropped = tempfile.TemporaryDirectory(prefix="recording")
    listened = cache(lambda path, _: recording_in(folder, path))
    controls = _controls(folder)
    player = widgets.Audio(format="wav", autoplay=False, loop=False, layout={"width": "100%"})

    def heard_in(path):
        return listened(path, path.stat().st_mtime_ns)

    def drop(change):
        for one in change["new"]:
            path = Path(dropped.name) / _plain(one["name"])
            path.write_bytes(bytes(one["content"]))
            chooser = controls["path"]
            others = [pair for pair in chooser.options if pair[1] != path]
            chooser.options = [*others, (path.name, path)]
            chooser.value = path

    def choose(_):
        path = controls["path"].value
        if path is not None:
            controls["name"].value = _key(path.stem)
            with suppress(SessionError):
                controls["begin"].max = float(heard_in(path)[0].time_s[-1]) // 0.5 * 0.5

    controls["upload"].observe(drop, "value")
    controls["path"].observe(choose, "value")
    choose(None)

    def answer(*, path, begin, seconds, **typed):
        del typed["upload"]
        if path is None:
            player.value = b""
            return kit.Said((_NONE,), _image(_axes(), "No recording yet."))
        try:
            trace, tables = heard_in(path)
        except SessionError:
            player.value = b""
            raise
        end = min(begin + seconds, trace.time_s[-1])
        player.value = to_hear(path, min(begin, end), end)
        one, words = _heard(folder, path, trace, **typed)
        per_hz = 120 / max([e.cylinders for e in tables["engines"].values() if e], default=1)
        table = _pulls(one, trace, tables["hill"], system)
        return kit.Said((words, table), _picture(trace, one, (begin, end), per_hz))

    def take(show):
        show(Prose((("Working", "the whole session is checked with it"),)))
        values = kit.values_of(controls)
        path = values["path"]
        if path is None:
            raise ValueError("no recording is chosen; drop one, or put it into the folder")
        return _taken(folder, path, values)

    text = "Copies the recording into the outing's folder and names it in session.toml"
    # Every recording of the session is listened to again, which takes seconds.
    label = "Take this recording into my session"
    more = (player, kit.background_action(label, text, take, icon="check"))
    return kit.panel(controls, answer, name=f"sound of {folder}", more=more)


_NONE = Prose((("Recording", "drop one here, or put it into the outing's folder."),))


def _controls(folder) -> dict:
    files = [one for one in folder.iterdir() if one.is_file() and not one.name.startswith(".")]
    there = sorted(one for one in files if one.suffix.lower() in SOUNDS)
    upload = widgets.FileUpload(
        accept=",".join(SOUNDS),
        description="Drop a recording",
        layout={"width": "auto", "align_self": "flex-start"},
    )
    controls = {
        "upload": upload,
        "path": kit.choice(
            "recording", [(printable(one.name), one) for one in there] or [("none", None)]
        ),
        "begin": kit.slider("hear it from", "s", 0.0, (0.0, 120.0), 0.5),
        "seconds": kit.slider("for", "s", 5.0, (0.5, _LONGEST_S), 0.5),
        "name": kit.text("its name in session.toml", "recording"),
        "pulls": kit.choice("each pull in it is a run", [_ASK, _TAKE]),
        "runs": kit.text("their numbers in runs.csv", placeholder="3, or 1, 2, 4"),
    }
    for name in ("begin", "seconds", "name", "runs"):
        controls[name].continuous_update = False
    return controls


def _heard(folder, path, trace, **typed) -> tuple:
    """What is heard, as a record, and with what the button writes in words."""
    log = Log(file=path.name)
    one = recording(typed["name"], trace, log)
    said = [*sound.heard(path.name, one, log)]
    if judged := sound.place(place_of_phone(trace), one):
        said.append(("Place of the phone", judged))
    said.append(("The button writes", f"{'; '.join(_lines(folder, path, **typed))}."))
    return one, Prose(tuple(said))


def _plain(name: str) -> str:
    """The name of a dropped file without what no outing's file may have in its name."""
    return re.sub(r"[^A-Za-z0-9 _.-]", "_", Path(name).name).lstrip(" .") or "recording.wav"


def _key(stem: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", stem.lower()).strip("_") or "recording"


def _values(path, name, pulls, runs) -> dict:
    """Keys of the log's table."""
    if not re.fullmatch(r"[A-Za-z0-9_]+", name):
        raise ValueError(f"{quoted(name)} is no name for a log; use letters, digits and _ alone")
    values: dict[str, object] = {"file": path.name}
    if pulls == _TAKE:
        values["pulls_are_runs"] = "yes"
    numbers = [one.strip() for one in runs.split(",") if one.strip()]
    if not all(one.isdigit() for one in numbers):
        raise ValueError(f"{quoted(runs)} is no list of run numbers; write for example 1, 2, 4")
    if numbers:
        values["runs"] = [int(one) for one in numbers]
    return values


def _lines(folder, path, **typed) -> list:
    """What the button writes, in words."""
    values = _values(path, **typed)
    keys = ", ".join(f"{key} = {json.dumps(value)}" for key, value in values.items())
    copied = [] if path.parent == folder else [f"a copy of {path.name} in {folder.name}"]
    return [*copied, f"[logs.{typed['name']}] with {keys} in session.toml"]


def _taken(folder, path, values) -> Prose:
    """Copy the file and name it; what is there already is refused, not written over."""
    name, target = values["name"], folder / path.name
    written = _values(path, name, values["pulls"], values["runs"])
    known = tables_as_typed(folder).get("logs") or {}
    for other, own in known.items():
        if other == name or own.get("file") == path.name:
            raise ValueError(
                f"[logs.{other}] in session.toml is {quoted(str(own.get('file')))} already; choose "
                "another name here, or change that table by hand"
            )
    new = path != target
    if new and target.exists():
        raise ValueError(
            f"{path.name} is in the outing's folder already; choose it from the list, or rename "
            "the one that you drop"
        )
    if new:
        write_atomic(target, path.read_bytes())
    try:
        return kit.write(folder, {f"logs.{name}": written})
    except BaseException:
        if new:
            target.unlink(missing_ok=True)
        raise


def _pulls(one, trace, hill, system) -> Table | Prose:
    """The pulls with their speeds, if each went over the hill's length."""
    length = hill and hill.length and hill.length.value
    if not one.pulls or not length:
        return Prose(())
    rpm = trace.channels["engine_speed_rpm"]
    per = runs_by_pulls(trace.time_s, rpm, length_m=length).metres_per_turn
    columns = {
        "Pull, from and to [s]": lambda it: f"{fixed(it.begin_s, 1)} to {fixed(it.end_s, 1)}",
        "Engine speed [rpm]": lambda it: f"{fixed(it.low_rpm, -1)} to {fixed(it.high_rpm, -1)}",
        headed("Begins at", "speed", system): lambda it: shown(
            it.low_rpm / 60 * per, "speed", system, 1
        ),
        headed("Ends at", "speed", system): lambda it: shown(
            it.high_rpm / 60 * per, "speed", system, 1
        ),
    }
    note = "Road speeds are right only if each pull went from the start line to the marker."
    return table_of(one.pulls, columns, "Pulls in one gear", note)


def _axes():
    return kit.small_axes(2.8, "time in the recording [s]", "engine speed [1000 rpm]")


def _image(ax, alt) -> kit.Image:
    ax.figure.canvas.draw()
    return kit.Image(kit.png_of(ax.figure.canvas), alt)


def _picture(trace, one, played, per_hz) -> kit.Image:
    """What stands out of the noise, the path in it, and what is played."""
    ax = _axes()
    known = trace.channels.get("engine_speed_rpm", np.array([np.nan]))
    top = 2.3 * np.nanmax(known) if np.isfinite(known).any() else _TOP_RPM
    sound.draw_heard(ax, trace, (0.0, trace.time_s[-1]), top, per_hz)
    ax.axvspan(*played, color=BAND, alpha=0.4, lw=0)
    said = "; ".join(
        f"pull from {fixed(it.low_rpm, -1)} to {fixed(it.high_rpm, -1)} rpm between "
        f"{fixed(it.begin_s, 1)} and {fixed(it.end_s, 1)} s"
        for it in one.pulls
    )
    begin, end = (fixed(at, 1) for at in played)
    alt = (
        f"Spectrogram of {fixed(one.seconds, 0)} s of sound with the engine speed that was heard: "
        f"{said or 'no pull'}. Shaded: what is played, {begin} to {end} s."
    )
    return _image(ax, alt)
