"""What the command says of itself, and of what it did, where no outing need be worked out."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from tuninglib import __main__
from tuninglib.report import make

# What is said of what can be typed, command by command.
HELP = {
    "report": "where to write (default: SESSION.report) | how many at a time (default: one per core"
    " | hand them to the workers of this dask scheduler | remake the unchanged ones, too | also "
    "write report.pdf | show no progress | or one that holds several outings",
    "check": "the outing's folder",
    "new": "units of examples, headers and the report (default: metric) | suggest the hill from "
    "this track | a folder that does not exist yet",
    "plan": "gain in pull that must show (default: 10) | it need not be complete",
    "before": "without runs yet | a folder with packed outings of other bikes | leave this outing",
    "guide": "default: guide.html | units of its examples (default: metric)",
    "pack": "default: SESSION.outing.zip",
    "unpack": "the file that pack made | a folder that does not exist yet",
    "lab": "the outing's folder (default: demo) | only print the address to open",
}


@pytest.mark.parametrize("command", HELP)
def test_each_command_says_what_can_be_typed(command, capsys):
    with pytest.raises(SystemExit):
        __main__.main([command, "--help"])
    told = " ".join(capsys.readouterr().out.split())
    for said in HELP[command].split(" | "):
        assert said in told
    with pytest.raises(SystemExit):
        __main__.main(["--help"])
    assert f" {command} " in capsys.readouterr().out


def test_many_problems_are_told_in_part_and_counted(demo_copy, capsys):
    path = demo_copy / "runs.csv"
    path.write_text(path.read_text("utf-8").replace("tove", "tovi"), "utf-8")
    head, _, rows = path.read_text("utf-8").partition("\n")
    path.write_text("\n".join([head, *(rows.splitlines() * 9)]), "utf-8")
    assert __main__.main(["check", str(demo_copy)]) == 2
    told = capsys.readouterr().err.splitlines()
    count = int(told[0].removesuffix(" problems to fix:"))
    assert len(told) == 1 + 40 + 1
    assert told[-1] == f"  and {count - 40} more once these are fixed"


def test_the_kept_report_is_told_and_what_failed_is_no_fault_of_the_files(
    demo_folder, monkeypatch, capsys
):
    written = SimpleNamespace(kept=[Path("report.earlier-1.html")], page=Path("new.html"), pdf=None)
    monkeypatch.setattr(make, "make_report", lambda *args, **options: written)
    assert __main__.main(["report", str(demo_folder)]) == 0
    out, said = capsys.readouterr()
    assert (out, said) == ("new.html\n", "The earlier file is kept as report.earlier-1.html\n")

    def fail(*args, **options):
        raise make.WorkbookError("the cell failed")

    monkeypatch.setattr(make, "make_report", fail)
    assert __main__.main(["report", str(demo_folder)]) == 1
    said = "This is a fault in the program, not in your files: the cell failed\n"
    assert capsys.readouterr().err == said
