"""Files written so that nothing is ever half written, lost, or overwritten by accident."""

import codecs
import errno
import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from tuninglib.text_files import Problem, SessionError, decoded, printable

# Byte-order marks, and the encoding that each stands for.
_ENCODINGS = {
    codecs.BOM_UTF8: "utf-8",
    codecs.BOM_UTF16_LE: "utf-16-le",
    codecs.BOM_UTF16_BE: "utf-16-be",
}
# Names that nobody else gives: of the lock, and of a file that is being written.
_LOCK, _PART, _PART_END = ".tuninglib.lock", ".tuninglib.", ".part"


def write_atomic(path: Path, content: str | bytes) -> None:
    """Write a file so that a reader sees the old one or the new one, never a part.

    Parameters
    ----------
    path : Path
        A link stays one: the file that it points to is written.
    content : str or bytes
        Text is written as UTF-8 with its line ends as they are.

    Raises
    ------
    OSError
        If it cannot be written, or the file that is there is write-protected.
    """
    write_together({path: content})


def write_together(contents: dict, *, keep: bool = False) -> tuple:
    """Write several files that belong together: each is written out before any takes its place.

    Parameters
    ----------
    contents : dict of Path to str or bytes
        They take their places in this order, within a moment of each other.
    keep : bool
        Whether to keep a copy of each file that is there with other content.

    Returns
    -------
    tuple of Path
        The copies.

    Raises
    ------
    OSError
        Whatever hinders the writing, a full disk before all, leaves every earlier file in place.
    """
    staged = {}
    try:
        for path, content in contents.items():
            raw = content.encode() if isinstance(content, str) else content
            staged[path] = _stage(Path(os.path.realpath(path)), path, raw)
        # Copies, so that no name stands empty meanwhile.
        changed = [path for path, (_, _, changes) in staged.items() if changes and keep]
        kept = tuple(keep_earlier(path) for path in changed)
        for path, (temporary, target, _) in list(staged.items()):
            with _said_of(path):
                os.replace(temporary, target)
            del staged[path]
        return kept
    finally:
        for temporary, _, _ in staged.values():
            temporary.unlink(missing_ok=True)


def _stage(target: Path, path: Path, raw: bytes) -> tuple:
    """A stand-in beside a file, its target, and whether it changes a file that is there."""
    with _said_of(path):
        # mkstemp makes a private file; a report is for handing on.
        mode, changes = 0o644, False
        if target.exists():
            mode, changes = stat.S_IMODE(target.stat().st_mode), target.read_bytes() != raw
            if not mode & stat.S_IWUSR:
                raise PermissionError(errno.EACCES, "is write-protected")
        begins = f"{_PART}{target.name[:80]}."
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=begins, suffix=_PART_END)
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(raw)
            temporary.chmod(mode)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        return temporary, target, changes


@contextmanager
def _said_of(path: Path):
    """A full disk says so of the file that was to be written, not of its stand-in."""
    try:
        yield
    except OSError as error:
        if error.errno:
            error.filename, error.filename2 = str(path), None
        raise


def keep_earlier(path: Path) -> Path:
    """A copy of a file under the next free name of the kind ``session.earlier-1.toml``."""
    number = 1
    while (kept := path.with_name(f"{path.stem}.earlier-{number}{path.suffix}")).exists():
        number += 1
    write_atomic(kept, path.read_bytes())
    return kept


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Keep others from writing into a folder meanwhile, and clear what a killed one left there.

    Parameters
    ----------
    folder : Path
        It exists.

    Raises
    ------
    SessionError
        If somebody is writing there now.

    Notes
    -----
    The system takes the lock away when the process ends, however it ends.
    """
    busy = "another report is being written there; wait for it, or choose another --out"
    with one_writer(folder, busy=busy, patience_s=0.1):
        for left in folder.glob(f"{_PART}*{_PART_END}"):
            left.unlink(missing_ok=True)
        yield


@contextmanager
def one_writer(
    folder: Path,
    *,
    busy: str = "is being written to by another program; try again in a moment",
    patience_s: float = 10.0,
) -> Iterator[None]:
    """Let only one at a time read files of a folder, change them and write them back.

    Parameters
    ----------
    folder : Path
        It exists.
    busy : str
        What is said of it where the one before does not end.
    patience_s : float
        How long to wait for that. [s]

    Raises
    ------
    SessionError
        If somebody is writing there for so long.
    """
    lock = FileLock(folder / _LOCK)
    try:
        # Not at once: one that ends deletes the file, and then its name must be asked for again.
        lock.acquire(timeout=patience_s, poll_interval=0.01)
    except Timeout:
        raise SessionError([Problem(printable(folder.resolve().name), busy)]) from None
    except OSError as error:
        # On a disk that knows no locks: better two at once than none.
        if error.errno not in (errno.ENOLCK, errno.EOPNOTSUPP):
            raise
    try:
        yield
    finally:
        # First the name, then the lock: who opened the file before finds it gone, and asks again.
        # Where an open file cannot be deleted, letting go of it does.
        with suppress(OSError):
            (folder / _LOCK).unlink()
        lock.release()


def write_like(path: Path, text: str) -> None:
    """Write a text file over an earlier one, in the encoding and with the line ends that it has.

    Parameters
    ----------
    path : Path
    text : str
        With plain line ends.
    """
    raw = path.read_bytes()
    mark = next((mark for mark in _ENCODINGS if raw.startswith(mark)), b"")
    encoding = _ENCODINGS.get(mark, "utf-8")
    if not mark and raw.strip() and decoded(raw, path.name).encoding == "cp1252":
        try:
            text.encode(encoding := "cp1252")
        except UnicodeEncodeError:
            encoding = "utf-8"
    if "\r\n".encode(encoding) in raw:
        text = text.replace("\n", "\r\n")
    write_atomic(path, mark + text.encode(encoding))


_REMEDIES = {
    errno.ENOSPC: "make room on the disk, then do it again",
    errno.EDQUOT: "make room on the disk, then do it again",
    errno.EACCES: "allow writing there, or choose another place",
    errno.EPERM: "allow writing there, or choose another place",
    errno.EROFS: "choose a place that can be written to",
    errno.EEXIST: "something else has that name; choose another one",
    errno.ENOTDIR: "a file stands where a folder should be; choose another place",
    errno.EISDIR: "a folder stands where a file should be; rename it",
    errno.ENOENT: "look for the missing folder, or choose another place",
    errno.ELOOP: "a link points to itself; choose another place",
    errno.ENAMETOOLONG: "choose a shorter name",
    errno.EFBIG: "allow larger files there, or choose another place",
}


def in_words(error: OSError) -> str:
    """One sentence on what the system refused: of which file, why, and what to do.

    Examples
    --------
    >>> in_words(OSError(errno.ENOSPC, "No space left on device", "report.html"))
    'report.html: No space left on device; make room on the disk, then do it again'
    """
    where = printable(str(error.filename)) if error.filename else "a file"
    remedy = _REMEDIES.get(error.errno or 0, "check the disk, then do it again")
    return f"{where}: {error.strerror or error}; {remedy}"
