"""Provenance: which files and versions the report was made from."""

from tuninglib.report.display import Table


def table(results) -> Table:
    """Checksums of the session's files and versions of the packages that did the sums."""
    return Table(
        "Provenance",
        ("What", "SHA-256 or version"),
        tuple(results.provenance),
        "No random numbers are drawn anywhere in this report, so there is no seed. The same files "
        "and versions give the same report, byte for byte.",
    )
