"""The workbooks in JupyterLab: which folder they work on, how the server is started.

And the button that makes the report, by the same command that a rider would type.
"""

import base64
import hashlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from jupyter_core.paths import jupyter_data_dir

from tuninglib.report.make import PACKAGE, SAFE_PATH, report_folder, workbook_path
from tuninglib.report.page_parts import Html, Prose, day_of, render
from tuninglib.rounding import listing
from tuninglib.session.read_table import RUNS
from tuninglib.session.read_toml import TOML, tables_as_typed, units_of
from tuninglib.text_files import Problem, SessionError, printable
from tuninglib.units import SYSTEMS
from tuninglib.whole_files import write_together

if TYPE_CHECKING:
    import ipywidgets as widgets

    from tuninglib.analysis.season import Season
    from tuninglib.session.records import Session

# Set by ``tuninglib lab FOLDER`` for the workbooks that it opens.
SESSION_VARIABLE = "TUNINGLIB_SESSION"
START = "start"
DEMO = PACKAGE.parent / "demo_data" / "bigger_cylinder"
SEASON_DEMO = DEMO.parent / "one_summer"
# Where programs of this kind keep what a user makes with them, on each system.
COPIES = Path(jupyter_data_dir()) / "tuninglib"


def chosen_folder(session_folder: str = "", *, demo: bool = True) -> Path:
    """The session that a workbook works on.

    Parameters
    ----------
    session_folder : str
        As typed in the workbook's parameters cell; empty: the one that ``tuninglib lab`` was given,
        or else a copy of the demo.
    demo : bool
        Whether the demo may stand in. A verdict on it would be taken for one's own.

    Returns
    -------
    Path

    Raises
    ------
    SessionError
        If no folder is named anywhere, or the one named does not exist.
    """
    named = session_folder or os.environ.get(SESSION_VARIABLE)
    if not named and demo and DEMO.is_dir():
        return demo_to_write_in()
    if not named:
        message = "is empty; name your outing's folder, or start with: tuninglib lab FOLDER"
        raise SessionError([Problem("session_folder", message)])
    folder = Path(named).expanduser().resolve()
    if not folder.is_dir():
        raise SessionError([Problem(str(named), "is not a folder that exists")])
    return folder


def chosen_units(units: str = "") -> str:
    """The units that a workbook shows where it is about no session.

    Parameters
    ----------
    units : str
        As typed in the workbook's parameters cell; empty: those of the session that ``tuninglib
        lab`` was given, or else metric.

    Raises
    ------
    ValueError
        If there are no such units.
    """
    named = os.environ.get(SESSION_VARIABLE)
    if not units:
        return units_of(tables_as_typed(named)) if named else "metric"
    if units not in SYSTEMS:
        raise ValueError(f"{units!r} are no units; write one of {', '.join(SYSTEMS)}")
    return units


def chosen_season(season_folder: str = "") -> Path:
    """The folder whose sessions the season workbook works on.

    Parameters
    ----------
    season_folder : str
        As typed in the workbook's parameters cell; empty: the one that holds the session that
        ``tuninglib lab`` was given, or else the demo's.

    Returns
    -------
    Path

    Raises
    ------
    SessionError
        If no folder is named anywhere, or the one named does not exist.
    """
    if not season_folder and not os.environ.get(SESSION_VARIABLE) and SEASON_DEMO.is_dir():
        return SEASON_DEMO
    if not season_folder:
        return chosen_folder().parent
    return chosen_folder(season_folder)


class Unfinished(SessionError):
    """A session that a workbook has nothing to work on yet: there it is one line, with a link."""

    def _render_traceback_(self):
        from IPython.display import display

        display(not_finished(self.problems))
        return [f"Not finished: {printable(str(self.problems[0]))}"]


def not_finished(problems: Sequence[Problem]) -> Html:
    """What a session lacks in one line, and a link to the form where it is filled in.

    Parameters
    ----------
    problems : sequence of Problem
    """
    empty = dict.fromkeys(
        (one.column or "").replace("_", " ")
        for one in problems
        if one.message.startswith("is still empty")
    )
    others = [one for one in problems if not one.message.startswith("is still empty")]
    said = [f"{TOML} still lacks {listing(tuple(empty))}"] if empty else []
    if others:
        more = f" ({len(others) - 1} more to fix)" if len(others) > 1 else ""
        said.append(f"{others[0]}{more}")
    words = Prose((("Not finished", f"{'; '.join(said)}."),))
    files = {one.file for one in problems}
    form, label = next((named for file, *named in _FORMS if file in files), ("", ""))
    shown = render("lab/templates/unfinished.html.j2", words=words.html(), form=form, label=label)
    return Html(shown, words.plain())


# Where the problems of a file are mended.
_FORMS = ((TOML, "session.ipynb", "Fill in the session"), (RUNS, "runs.ipynb", "Enter the runs"))


def opened(session_folder: str = "", *, demo: bool = True) -> "Session":
    """The session that a workbook works on, read.

    Parameters
    ----------
    session_folder, demo
        As of :func:`chosen_folder`.

    Raises
    ------
    Unfinished
        If it cannot be used as it is.
    """
    from tuninglib.session.load import load_session

    try:
        return load_session(chosen_folder(session_folder, demo=demo))
    except SessionError as error:
        raise Unfinished(error.problems) from None


def opened_season(season_folder: str = "", bike: str = "", reports_folder: str = "") -> "Season":
    """The season that a workbook works on.

    Parameters
    ----------
    season_folder : str
        As of :func:`chosen_season`.
    bike, reports_folder : str
        As of :func:`tuninglib.report.season.season_below`.

    Raises
    ------
    Unfinished
        If there is no outing yet.
    """
    from tuninglib.report.season import season_below

    folder = chosen_season(season_folder)
    try:
        return season_below(folder, bike, reports_folder)
    except SessionError as error:
        raise Unfinished(error.problems) from None
    except ValueError as error:
        raise Unfinished([Problem(folder.name, str(error))]) from error


def demo_to_write_in() -> Path:
    """A copy of the demo, so that trying the workbooks changes nothing in the demo itself.

    Returns
    -------
    Path
        The same one each time, with what was typed into it before, until the demo changes.
    """
    files = sorted(path for path in DEMO.iterdir() if path.is_file())
    made_of = hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:8]
    copy = COPIES / f"demo-{made_of}" / DEMO.name
    copy.mkdir(parents=True, exist_ok=True)
    # Those that are not there: all of them at first, or after it was stopped half way.
    lacking = [path for path in files if not (copy / path.name).exists()]
    write_together({copy / path.name: path.read_bytes() for path in lacking})
    return copy


def which_session(session_folder: str = "") -> Prose:
    """Words that say which session the workbooks work on, and why that one."""
    folder = chosen_folder(session_folder)
    if session_folder:
        why = "named in the first cell of this workbook"
    elif os.environ.get(SESSION_VARIABLE):
        why = "the one that tuninglib lab was started with"
    else:
        why = (
            "a copy of the invented demo, to try things in; start with tuninglib lab FOLDER to "
            "work on your own"
        )
    return Prose((("Session", f"{folder} ({why})."),))


def read_session(session: "Session") -> Prose:
    """Words that say which session was read: title, day and the name of its folder."""
    about = session.about
    name = printable(session.folder.resolve().name)
    return Prose((("Session", f"{about.title}, {day_of(about.date)}, in the folder {name}."),))


def own_workbooks() -> Path:
    """The user's copies of the workbooks, so that an edit never changes what makes the report.

    Returns
    -------
    Path
        Their folder, the same each time. An edited copy stays until the program brings another
        version of that workbook; then the edited one is kept under another name.
    """
    folder = COPIES / "workbooks"
    folder.mkdir(parents=True, exist_ok=True)
    # What each copy was made of: tells an edited copy from one of an earlier version.
    record = folder / ".made_of.json"
    made_of = json.loads(record.read_text(encoding="utf-8")) if record.is_file() else {}
    originals = {p.name: p.read_bytes() for p in workbook_path(START).parent.glob("*.ipynb")}
    now = {name: hashlib.sha256(raw).hexdigest() for name, raw in originals.items()}
    for name, raw in originals.items():
        copy = folder / name
        there = hashlib.sha256(copy.read_bytes()).hexdigest() if copy.is_file() else None
        if there is None or made_of.get(name) != now[name]:
            write_together({copy: raw}, keep=there != made_of.get(name))
    write_together({record: json.dumps(now)})
    return folder


def lab_command(*, browser: bool = True, options: Sequence[str] = ()) -> list:
    """Command that starts JupyterLab with the start page open.

    Parameters
    ----------
    browser : bool
        Whether to open one.
    options : sequence of str
        More options for JupyterLab.

    Returns
    -------
    list of str
    """
    folder = own_workbooks()
    return [
        sys.executable,
        "-P",
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={folder}",
        f"--LabApp.default_url=/lab/tree/{START}.ipynb",
        # Workbooks run when they are first looked at.
        f"--LabApp.extra_labextensions_path={Path(__file__).parent / 'labextensions'}",
        # A recording that is dropped comes as one message.
        "--ServerApp.tornado_settings={'websocket_max_message_size': 200_000_000}",
        # It would ask the network for updates.
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        *([] if browser else ["--no-browser"]),
        *options,
    ]


def lab_environment(session_folder: str = "") -> dict:
    """Environment in which the workbooks find their session."""
    environment = {**os.environ, SAFE_PATH: "1"}
    # The folder labconfig in there keeps JupyterLab from asking whether it may fetch news.
    own = [environment["JUPYTER_CONFIG_PATH"]] if "JUPYTER_CONFIG_PATH" in environment else []
    environment["JUPYTER_CONFIG_PATH"] = os.pathsep.join([*own, str(Path(__file__).parent)])
    if session_folder:
        environment[SESSION_VARIABLE] = str(chosen_folder(session_folder))
    return environment


def start_lab(session_folder: str = "", *, browser: bool = True) -> int:
    """Run JupyterLab on the workbooks until it is closed; the number is its exit status.

    Whoever ends this program, by Ctrl-C or by SIGTERM, ends JupyterLab and its kernels with it.

    Parameters
    ----------
    session_folder : str
        Empty: each workbook's own, or the demo.
    browser : bool
        Whether to open one.
    """
    command, environment = lab_command(browser=browser), lab_environment(session_folder)
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    # Not where the command was given, which may be a stranger's outing.
    with subprocess.Popen(command, env=environment, cwd=own_workbooks()) as running:
        try:
            return running.wait()
        except KeyboardInterrupt:
            running.terminate()
            running.wait()
            return 0
        finally:
            signal.signal(signal.SIGTERM, before)


# The button that makes the report -----------------------------------------------------------------


def make_report_with(session_folder: Path | str, show: Callable[[Prose], object]) -> Html | Prose:
    """Run ``tuninglib report`` and show its progress line by line.

    Parameters
    ----------
    session_folder : path
    show : callable
        Called with a :class:`tuninglib.report.page_parts.Prose` at each line of progress.

    Returns
    -------
    Html or Prose
        Links to the page, or what needs fixing.
    """
    command = [sys.executable, "-P", "-m", "tuninglib", "report", str(session_folder)]
    show(Prose((("Working", "starting"),)))
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        errors="replace",
        env={**os.environ, "PYTHONUTF8": "1"},
    ) as running:
        lines = []
        for line in running.stdout:
            lines.append(line.strip())
            show(Prose((("Working", lines[-1].lstrip("· ")),)))
    said = [line for line in lines if line and not line.startswith("·")]
    if running.returncode != 0:
        label = "To fix" if running.returncode == 2 else "The program failed"
        return Prose(tuple((label, line) for line in said[-12:]), style="caution")
    # What the command printed of the page's place lacks letters that a terminal has not.
    return report_links(report_folder(session_folder) / "report.html", said[:-1])


def report_links(page: Path, remarks: Sequence[str] = ()) -> Html:
    """Words and links to a report page that lies outside what JupyterLab serves.

    Parameters
    ----------
    page : Path
    remarks : sequence of str
        What else the command said.
    """
    words = Prose((("Written", printable(str(page))), *(("", remark) for remark in remarks)))
    copy = base64.b64encode(page.read_bytes()).decode()
    slots = {"words": words.html(), "name": page.name, "page": copy}
    link = render("lab/templates/report_link.html.j2", **slots)
    return Html(link, f"{words.plain()}\n")


def report_button(session_folder: Path | str) -> "widgets.VBox":
    """A button that makes the report of a session while the notebook stays usable.

    Parameters
    ----------
    session_folder : path
    """
    # Late: the report's own workbook has no buttons, and need not wait for what makes them.
    from tuninglib.lab import kit

    def make(show):
        return make_report_with(session_folder, show)

    tooltip = "Runs: tuninglib report, on this outing"
    return kit.background_action("Make the report", tooltip, make, icon="file-text")
