"""The weather: how it is taken out of the gains."""

from tuninglib.report.cells import NONE, spaced
from tuninglib.report.display import Prose, Table
from tuninglib.rounding import fixed, listing, percent


def sentences(results) -> Prose:
    """How the weather of the day is taken out, raw and corrected side by side."""
    return Prose(tuple(("", sentence) for sentence in _notes(results)))


def _notes(results) -> list:
    """How far the weather moved, and whether the corrections may be used."""
    if results.road is None:
        return ["Without speeds there is nothing to correct."]
    runs = [run for run in results.runs if run.force_n is not None]
    spread = max(r.sae_j1349 for r in runs) / min(r.sae_j1349 for r in runs) - 1
    found = [
        f"Over the runs that count the air changed engine output by {percent(spread, 1)}; the "
        "gains are corrected for it by SAE J1349."
    ]
    outside = sorted({spaced(r.setup) for r in runs if not r.within_limits})
    if outside:
        found.append(
            f"For {listing(outside)} a factor lies outside what its standard allows (0.95 to 1.05 "
            "for SAE J1349, 0.93 to 1.07 for ISO 1585): forces of these runs are not comparable "
            "with a bench; gains between runs in the same air still are."
        )
    return found


def table(results) -> Table | Prose:
    """Gain before and after the weather correction, and the correction's range."""
    if not results.pulls:
        return Prose(())
    rows = []
    for g in results.pulls:
        runs = [run for run in results.runs if run.setup == g.setup and run.force_n is not None]
        rows.append(
            (
                spaced(g.setup),
                _span([run.sae_j1349 for run in runs]),
                _span([run.iso_1585 for run in runs]),
                NONE if g.gain is None else percent(g.raw_gain, 1),
                NONE if g.gain is None else percent(g.gain.ratio.value, 1),
            )
        )
    header = ("Setup", "SAE J1349", "ISO 1585", "Gain, raw", "Gain, corrected")
    note = "Factors that bring engine output to 25 °C and 990 hPa of dry air; gains use SAE J1349."
    return Table("Weather corrections", header, tuple(rows), note)


def _span(factors) -> str:
    if not factors:
        return NONE
    low, high = fixed(min(factors), 3), fixed(max(factors), 3)
    return low if low == high else f"{low} to {high}"
