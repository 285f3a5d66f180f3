import os
import shutil
import threading
from pathlib import Path

import pytest

from tuninglib.lab import kit
from tuninglib.lab.start import make_report_with
from tuninglib.report.page_parts import Prose


@pytest.mark.slow
def test_the_report_button_shows_progress_and_gives_the_page(demo_copy):
    shown = []
    done = make_report_with(demo_copy, lambda prose: shown.append(str(prose)))
    page = demo_copy.parent / f"{demo_copy.name}.report" / "report.html"
    assert page.is_file()
    assert str(page) in done.plain()
    assert 'download="report.html"' in done.html()
    assert any("Working it out" in line for line in shown)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="names that other systems do not have")
def test_the_report_button_finds_a_page_in_a_folder_of_any_name(demo_copy):
    folder = Path(os.fsdecode(os.fsencode(demo_copy.parent) + b"/day \xff"))
    shutil.copytree(demo_copy, folder)
    done = make_report_with(folder, lambda prose: None)
    assert 'download="report.html"' in done.html()
    assert "day ?.report" in done.plain()
    done.plain().encode()


@pytest.mark.parametrize(
    ("status", "said"),
    [(0, "Written: {page}\nno room\n"), (2, "To fix: no room\nTo fix: page"),
     (1, "The program failed: no room\nThe program failed: page")],
)  # fmt: skip
def test_what_the_program_says_is_shown_by_how_it_ended(tmp_path, monkeypatch, status, said):
    program, page = tmp_path / "python", tmp_path / "outing.report" / "report.html"
    page.parent.mkdir()
    page.write_text("a page")
    program.write_text(
        f"#!/bin/sh\necho '· reading'; echo; echo 'no room'; echo page; exit {status}"
    )
    program.chmod(0o755)
    monkeypatch.setattr("sys.executable", str(program))
    shown = []
    done = make_report_with(tmp_path / "outing", lambda prose: shown.append(prose.plain()))
    assert done.plain() == said.format(page=page)
    assert shown[:2] == ["Working: starting", "Working: reading"]


def test_while_work_is_under_way_its_button_cannot_be_pressed():
    goes_on, begun = threading.Event(), threading.Event()

    def act(show):
        show(Prose((("Working", "at it"),)))
        begun.set()
        goes_on.wait(20)
        return Prose((("Done", "all of it"),))

    button, words = kit.background_action("Long work", "takes long", act, icon="file").children
    button.click()
    begun.wait(20)
    meanwhile = button.disabled, words.value
    goes_on.set()
    for one in threading.enumerate():
        if one.name == "Long work":
            one.join(20)
    assert meanwhile[0]
    assert "at it" in meanwhile[1]
    assert not button.disabled
    assert "all of it" in words.value


def test_the_report_button_shows_what_is_to_be_mended(edit):
    folder = edit("session.toml", "scale = 14.7", "scale = 147")
    done = make_report_with(folder, lambda prose: None)
    assert "147" in str(done)
    assert "To fix" in str(done)
    assert done.style == "caution"
    assert not (folder.parent / f"{folder.name}.report").exists()
