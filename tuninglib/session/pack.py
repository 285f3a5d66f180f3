"""A session in one file to send, and back into a folder without trusting who packed it."""

import hashlib
import re
import zipfile
import zlib
from pathlib import Path

from tuninglib.session.read_log import log_files
from tuninglib.session.read_toml import tables_as_typed
from tuninglib.text_files import Problem, SessionError, quoted
from tuninglib.whole_files import write_atomic, write_together

SUFFIX = ".outing.zip"
MANIFEST = "checksums.sha256"
# A session is a few small tables and the logs of a day; more than this is none.
MOST_FILES, MOST_BYTES = 20, 20_000_000
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\.(toml|csv|gpx|txt|tsv|log)")
_TABLES = (".toml", ".csv")
# The same session packs to the same bytes: no clock in it.
_WHEN = (1980, 1, 1, 0, 0, 0)


def pack_session(folder: Path | str, file: Path | str | None = None) -> Path:
    """Write a session's files into one file, with a checksum of each.

    Parameters
    ----------
    folder : path
    file : path, optional
        Left out: beside the folder, named after it.

    Returns
    -------
    Path

    Raises
    ------
    SessionError
        If it is no session, or something stands in the way.
    """
    folder = Path(folder)
    if not (folder / "session.toml").is_file():
        raise SessionError([Problem(str(folder), "holds no session.toml, so it is no session")])
    logs = log_files(tables_as_typed(folder))
    names = [
        path.name
        for path in sorted(folder.iterdir())
        if path.is_file()
        and _NAME.fullmatch(path.name)
        and ".earlier-" not in path.name
        and (path.suffix in _TABLES or path.name in logs)
    ]
    strange = next((name for name in logs if name not in names), None)
    if strange is not None:
        message = (
            f"{quoted(strange)} cannot be packed: it is not there, or its name is not made of "
            "letters, digits and _ with .csv, .txt or .gpx behind; rename it here and under [logs]"
        )
        raise SessionError([Problem("session.toml", message)])
    contents = {name: (folder / name).read_bytes() for name in names}
    problem = _too_much(len(contents), sum(map(len, contents.values())))
    if problem:
        raise SessionError([Problem(str(folder), problem)])
    file = Path(file) if file else folder.parent / f"{folder.resolve().name}{SUFFIX}"
    if file.exists():
        message = "is there already; take it away, or choose another name"
        raise SessionError([Problem(str(file), message)])
    lines = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in contents.items()]
    part = file.with_name(f".{file.name}.part")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as packed:
            for name, data in {**contents, MANIFEST: "".join(lines).encode()}.items():
                packed.writestr(zipfile.ZipInfo(name, _WHEN), data, zipfile.ZIP_DEFLATED)
        write_atomic(file, part.read_bytes())
    finally:
        part.unlink(missing_ok=True)
    return file


def unpack_session(file: Path | str, folder: Path | str | None = None) -> Path:
    """A packed session as a folder, if it is just that.

    Parameters
    ----------
    file : path
    folder : path, optional
        Left out: beside the file, named after it. Must not exist yet, or be empty.

    Returns
    -------
    Path

    Raises
    ------
    SessionError
        If the file is damaged, holds anything that is no session's, or more than a session has;
        nothing is written then.
    """
    file = Path(file)
    stem = file.name.removesuffix(".zip").removesuffix(".outing")
    folder = Path(folder) if folder else file.parent / stem
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        message = "exists and is not an empty folder; choose a new name"
        raise SessionError([Problem(str(folder), message)])
    try:
        with zipfile.ZipFile(file) as packed:
            contents = _contents(packed)
    except FileNotFoundError:
        raise SessionError([Problem(str(file), "is not there")]) from None
    except ValueError as error:
        raise SessionError([Problem(file.name, str(error))]) from None
    except (zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, EOFError, OSError, RuntimeError,
            NotImplementedError) as error:  # fmt: skip
        message = f"is no packed session, or is damaged ({error}); have it sent again"
        raise SessionError([Problem(file.name, message)]) from None
    folder.mkdir(parents=True, exist_ok=True)
    write_together({folder / name: data for name, data in contents.items()})
    return folder


def _too_much(count: int, size: int) -> str:
    if count > MOST_FILES:
        return f"holds {count} files; a session has {MOST_FILES} at the most"
    if size > MOST_BYTES:
        return f"holds {size / 1e6:.0f} MB; a session has {MOST_BYTES / 1e6:.0f} MB at the most"
    return ""


def _contents(packed: zipfile.ZipFile) -> dict:
    """Every file of a packed session, each as its checksum says."""
    infos = packed.infolist()
    names = [info.filename for info in infos]
    problem = _too_much(len(infos) - 1, sum(info.file_size for info in infos))
    if problem:
        raise ValueError(problem)
    if len(set(map(str.lower, names))) != len(names):
        raise ValueError("holds two files of one name; have it packed again")
    strange = next((name for name in names if name != MANIFEST and not _NAME.fullmatch(name)), None)
    if strange is not None:
        raise ValueError(f"holds {quoted(strange)}, which is no file of a session")
    if MANIFEST not in names or "session.toml" not in names:
        raise ValueError("holds no session.toml with its checksum, so it is no packed session")
    data = {info.filename: _read(packed, info) for info in infos}
    said = {}
    for line in data.pop(MANIFEST).decode("ascii", "replace").splitlines():
        checksum, _, name = line.partition("  ")
        said[name] = checksum
    if set(said) != set(data):
        raise ValueError("does not hold just the files that its checksums name; it was changed")
    wrong = next((n for n, d in data.items() if hashlib.sha256(d).hexdigest() != said[n]), None)
    if wrong is not None:
        raise ValueError(f"{wrong} is not what was packed; have it sent again")
    return data


def _read(packed, info) -> bytes:
    """One file, never more of it than it says, so that a small one cannot fill the memory."""
    with packed.open(info) as stream:
        data = stream.read(info.file_size + 1)
    if len(data) != info.file_size:
        raise ValueError(f"{info.filename} is longer than it says; it was changed")
    return data
