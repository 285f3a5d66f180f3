"""What a report was made from and with."""

import hashlib
from importlib import metadata
from pathlib import Path

import tuninglib


def provenance(folder: Path, logs=()) -> tuple:
    """Names and SHA-256 checksums of a session's files, and versions of what worked on them.

    Parameters
    ----------
    folder : Path
    logs : iterable of str
        Names of files that belong to the session, whatever their kind.

    Returns
    -------
    tuple of (str, str)
        Name and value; no clock, no path, so that the same session gives the same report.
    """
    files = [
        (path.name, hashlib.sha256(path.read_bytes()).hexdigest())
        for path in sorted(Path(folder).iterdir())
        if (path.suffix in (".toml", ".csv") or path.name in logs)
        and not path.name.startswith(".")
        and ".earlier-" not in path.name
    ]
    libraries = [
        (name, metadata.version(name))
        for name in ("numpy", "scipy", "pandas", "matplotlib", "pint")
    ]
    return (*files, ("tuninglib", tuninglib.__version__), *libraries)
