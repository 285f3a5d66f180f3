"""The button that makes the report, by the same command that a rider would type."""

import base64
import os
import subprocess
import sys
from pathlib import Path

from tuninglib.lab import kit
from tuninglib.report.display import Html, Prose
from tuninglib.report.make import report_folder
from tuninglib.report.templates import render
from tuninglib.text_files import printable


def make_report_with(session_folder, show):
    """Run ``tuninglib report`` and show its progress line by line.

    Parameters
    ----------
    session_folder : path
    show : callable
        Called with a :class:`tuninglib.report.display.Prose` at each line of progress.

    Returns
    -------
    Html or Prose
        Links to the page, or what needs fixing.
    """
    command = [sys.executable, "-m", "tuninglib", "report", str(session_folder)]
    show(Prose((("Working", "starting"),)))
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
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


def report_links(page: Path, remarks=()) -> Html:
    """Words and links to a report page that lies outside what JupyterLab serves.

    Parameters
    ----------
    page : Path
    remarks : sequence of str
        What else the command said.
    """
    words = Prose((("Written", printable(str(page))), *(("", remark) for remark in remarks)))
    copy = base64.b64encode(page.read_bytes()).decode()
    link = render(
        "lab/templates/report_link.html.j2", words=words.html(), name=page.name, page=copy
    )
    return Html(link, f"{words.plain()}\n")


def report_button(session_folder):
    """A button that makes the report of a session while the notebook stays usable.

    Parameters
    ----------
    session_folder : path
    """
    return kit.background_action(
        "Make the report",
        "Runs: tuninglib report, on this session",
        lambda show: make_report_with(session_folder, show),
        icon="file-text",
    )
