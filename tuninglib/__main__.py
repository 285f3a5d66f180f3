"""The command line: ``tuninglib report|check|new|plan|before|guide|pack|unpack|lab``.

Exit status: 0 done, 2 something in the rider's files needs fixing, 1 a fault of the program.
"""

import argparse
import codecs
import gc
import sys
from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path

from tuninglib.text_files import SessionError, printable

# One fault in a header makes one problem in every row.
_MOST_PROBLEMS = 40


def _say(said, *, file=None, flush=False) -> None:
    """Print a line that a terminal shows and never obeys, whatever a stranger's names hold."""
    shown = (
        one if one == "\n" or one.isprintable() or "\ud800" <= one <= "\udfff" else "?"
        for one in str(said)
    )
    print("".join(shown), file=file, flush=flush)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tuninglib",
        description="Hill tests and a lambda gauge in, a written tuning report out.",
    )
    commands = parser.add_subparsers(dest="command", required=True)
    report = commands.add_parser("report", help="make the report of an outing, or of many")
    report.add_argument(
        "session", type=Path, help="the outing's folder, or one that holds several outings"
    )
    report.add_argument("--out", type=Path, help="where to write (default: SESSION.report)")
    report.add_argument(
        "--jobs", type=int, help="with many outings: how many at a time (default: one per core)"
    )
    report.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="with many outings: hand them to the workers of this dask scheduler",
    )
    report.add_argument(
        "--anew",
        action="store_true",
        help="with many outings: remake the unchanged ones, too",
    )
    report.add_argument(
        "--kernel", action="store_true", help="run the workbook in a Jupyter kernel of its own"
    )
    report.add_argument("--pdf", action="store_true", help="also write report.pdf")
    report.add_argument("--quiet", action="store_true", help="show no progress")
    check = commands.add_parser("check", help="list everything that is wrong with an outing")
    check.add_argument("session", type=Path, help="the outing's folder")
    new = commands.add_parser("new", help="write the files of a new outing, to fill in")
    new.add_argument("folder", type=Path, help="a folder that does not exist yet")
    _add_units(new, "units of examples, headers and the report")
    new.add_argument("--track", type=Path, metavar="GPX", help="suggest the hill from this track")
    plan = commands.add_parser("plan", help="plan a day: a page for the phone, a sheet to print")
    plan.add_argument("session", type=Path, help="the outing's folder; it need not be complete")
    plan.add_argument(
        "--gain", type=_gain, metavar="PERCENT", help="gain in pull that must show (default: 10)"
    )
    before = commands.add_parser("before", help="what other bikes' outings say of your engine")
    before.add_argument("session", type=Path, help="your outing's folder, without runs yet")
    before.add_argument("others", type=Path, help="a folder with packed outings of other bikes")
    before.add_argument(
        "--without", action="append", default=[], metavar="NAME", help="leave this outing out"
    )
    guide = commands.add_parser("guide", help="write a page that explains every key and column")
    guide.add_argument(
        "file", type=Path, nargs="?", default="guide.html", help="default: guide.html"
    )
    _add_units(guide, "units of its examples")
    pack = commands.add_parser("pack", help="put an outing into one file to send")
    pack.add_argument("session", type=Path, help="the outing's folder")
    pack.add_argument("file", type=Path, nargs="?", help="default: SESSION.outing.zip")
    unpack = commands.add_parser("unpack", help="turn a packed outing back into a folder")
    unpack.add_argument("file", type=Path, help="the file that pack made")
    unpack.add_argument("folder", type=Path, nargs="?", help="a folder that does not exist yet")
    lab = commands.add_parser("lab", help="open the workbooks in JupyterLab")
    lab.add_argument("session", nargs="?", default="", help="the outing's folder (default: demo)")
    lab.add_argument("--no-browser", action="store_true", help="only print the address to open")
    return parser


def _add_units(parser, what: str) -> None:
    systems = ("metric", "us", "imperial")
    parser.add_argument(
        "--units", choices=systems, default="metric", help=f"{what} (default: metric)"
    )


def _gain(text: str) -> float:
    """A gain that a day can be planned for, as a ratio."""
    try:
        if 1 <= (percent := float(text.rstrip(" %"))) <= 100:
            return percent / 100
    except ValueError:
        pass
    raise argparse.ArgumentTypeError(f"{text!r} is not a gain; write a percentage from 1 to 100")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the number returned is the exit status."""
    options = _parser().parse_args(arguments)
    from tuninglib.whole_files import in_words

    try:
        return _COMMANDS[options.command](options)
    except SessionError as error:
        count = len(error.problems)
        _say(f"{count} problem{'s' if count > 1 else ''} to fix:", file=sys.stderr)
        for problem in error.problems[:_MOST_PROBLEMS]:
            _say(f"  {problem}", file=sys.stderr)
        if count > _MOST_PROBLEMS:
            _say(f"  and {count - _MOST_PROBLEMS} more once these are fixed", file=sys.stderr)
        return 2
    except OSError as error:
        if error.errno is None:
            raise
        _say(in_words(error), file=sys.stderr)
        return 2


def _report(options) -> int:
    if options.session.is_dir() and not (options.session / "session.toml").exists():
        from tuninglib.report.make import sessions_in

        if sessions_in(options.session):
            return _reports(options)
    from tuninglib.report.make import WorkbookError, make_report
    from tuninglib.report.page_parts import MissingPdf

    def progress(line):
        _say(f"· {line}", file=sys.stderr, flush=True)

    try:
        written = make_report(
            options.session,
            options.out,
            progress=None if options.quiet else progress,
            kernel=options.kernel,
            pdf=options.pdf,
        )
    except MissingPdf as error:
        _say(error, file=sys.stderr)
        return 2
    except WorkbookError as error:
        _say(f"This is a fault in the program, not in your files: {error}", file=sys.stderr)
        return 1
    for kept in written.kept:
        _say(f"The earlier file is kept as {kept}", file=sys.stderr)
    for path in filter(None, (written.page, written.pdf)):
        _say(path)
    return 0


def _progress(outcome, done, count) -> None:
    """A line for each outing."""
    line = f"{printable(outcome.session.name)}: {outcome.code}"
    _say(f"· {done}/{count} {line}", file=sys.stderr, flush=True)


def _reports(options) -> int:
    from tuninglib.report.make import NoCluster, WorkbookError, executor_at, make_reports

    # Of hundreds of reports the garbage is worth searching for.
    gc.enable()
    try:
        with executor_at(options.scheduler) if options.scheduler else nullcontext() as executor:
            found = make_reports(
                # Workers need not stand in the folder where this command was given.
                options.session.resolve() if options.scheduler else options.session,
                options.out.resolve() if options.scheduler and options.out else options.out,
                jobs=options.jobs,
                anew=options.anew,
                pdf=options.pdf,
                progress=None if options.quiet else _progress,
                executor=executor,
            )
    except NoCluster as error:
        _say(error, file=sys.stderr)
        return 2
    from tuninglib.report.season import make_seasons

    try:
        pages, fault = make_seasons(options.session, options.out), None
    except WorkbookError as error:
        pages, fault = (), error
    counts = {code: sum(one.code == code for one in found) for code in ("made", "unchanged")}
    outings = f"{len(found)} outing{'s' * (len(found) != 1)}"
    _say(f"{counts['made']} made, {counts['unchanged']} unchanged, of {outings}.")
    for page in pages:
        _say(page)
    wrong = [one for one in found if one.said]
    for one in wrong:
        _say(f"  {one.session}: {one.said}", file=sys.stderr)
    if fault:
        _say(f"This is a fault in the program, on the season page: {fault}", file=sys.stderr)
    if fault or any(one.code == "fault" for one in found):
        return 1
    return 2 if wrong else 0


def _check(options) -> int:
    from tuninglib.analysis.analyse import analyse
    from tuninglib.report import cautions, logs
    from tuninglib.session.load import load_session
    from tuninglib.session.read_log import unnamed_logs

    # First, for a log that nobody named may be all that the problems of the session are about.
    for said in unnamed_logs(options.session):
        _say(f"Note: {said}")
    session = load_session(options.session)
    results = analyse(session)
    for label, text in (*logs.sentences(results).items, *logs.run_sentences(results).items):
        _say(f"{label}: {text}")
    for label, text in cautions.doubts(results):
        _say(f"Note: {label}: {text}")
    for remark in cautions.remarks(results):
        _say(f"Note: {remark}")
    rows, setups = (
        f"{len(found)} {what}{'s' * (len(found) != 1)}"
        for found, what in ((session.runs, "row"), (session.setups, "setup"))
    )
    _say(f"{session.about.title}: {rows}, {setups}, nothing to fix.")
    return 0


def _new(options) -> int:
    from tuninglib.session.edit import hill_lines, write_new_session

    hill = hill_lines(options.track, options.units) if options.track else ""
    for path in write_new_session(options.folder, options.units, hill=hill):
        _say(path)
    return 0


def _plan(options) -> int:
    from tuninglib.analysis.day_plan import USUAL_GAIN, Aim, start_of, usual_day
    from tuninglib.lab import plan

    start = start_of(options.session)
    gain = options.gain or USUAL_GAIN
    try:
        day = usual_day(start, gain)
    except ValueError as error:
        _say(f"{printable(options.session.name)}: {error}", file=sys.stderr)
        return 2
    aim = Aim(gain=gain, scatter=start.scatter, day_sd=start.day_sd)
    words, *_ = plan.day_words(day, aim, start.source, start.watched)
    said = [words]
    if start.closed:
        said.append(plan.closed_words(start, start.closed, left_out=True))
    said.append(plan.write_sheet(day, start, options.session / plan.SHEET))
    said.append(plan.write_phone_page(day, start, options.session))
    for label, text in (item for one in said for item in one.items):
        _say(f"{label}: {text}")
    return 0


def _before(options) -> int:
    from tuninglib.report.club import make_before

    page, left_out = make_before(options.session, options.others, options.without)
    for name, said in left_out:
        _say(f"{name} is left out: {said}", file=sys.stderr)
    _say(page)
    return 0


def _guide(options) -> int:
    from tuninglib.report.guide import make_guide

    _say(make_guide(options.file, options.units))
    return 0


def _pack(options) -> int:
    import zipfile

    from tuninglib.session.load import MANIFEST, pack_session

    file = pack_session(options.session, options.file)
    with zipfile.ZipFile(file) as packed:
        names = [name for name in packed.namelist() if name != MANIFEST]
    _say(f"{file} holds {', '.join(names)}")
    return 0


def _unpack(options) -> int:
    from tuninglib.session.load import unpack_session

    _say(unpack_session(options.file, options.folder))
    return 0


def _lab(options) -> int:
    from tuninglib.lab.start import start_lab

    return start_lab(options.session, browser=not options.no_browser)


_COMMANDS = {
    "report": _report,
    "check": _check,
    "new": _new,
    "plan": _plan,
    "before": _before,
    "guide": _guide,
    "pack": _pack,
    "unpack": _unpack,
    "lab": _lab,
}


def _as_named(error: UnicodeError) -> tuple:
    """What a terminal lacks a letter for: a file's name as it is on the disk, else its number."""
    try:
        letters = error.object[error.start : error.end]
        return letters.encode("ascii", "surrogateescape"), error.end
    except UnicodeEncodeError:
        return codecs.backslashreplace_errors(error)


def command() -> None:
    """Entry point of the installed command."""
    # The process ends with the command: there is no use in searching its memory for garbage.
    gc.disable()
    codecs.register_error("as named", _as_named)
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(errors="as named")
    status = main()
    # Python need not search all memory at the end: an eighth of the command's time.
    gc.freeze()
    sys.exit(status)


if __name__ == "__main__":
    command()
