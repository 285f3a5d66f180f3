"""Changes to an invented session, a few words each.

Tests of the advice are written with it: `Outing(folder).knock("big_172", "light").results()`.
"""

import csv
import io
import re
import shutil
from pathlib import Path

import tomlkit

from tuninglib.analysis.analyse import analyse
from tuninglib.session.load import load_session


class Outing:
    """A copy of a session that a test may change; every change gives the outing back."""

    def __init__(self, source, folder):
        self.folder = Path(shutil.copytree(source, folder))
        self.toml = tomlkit.parse((self.folder / "session.toml").read_text(encoding="utf-8"))
        text = (self.folder / "runs.csv").read_text(encoding="utf-8")
        self.rows = list(csv.DictReader(io.StringIO(text)))

    # session.toml ---------------------------------------------------------------------------

    def key(self, table, **values):
        """Set keys of a table such as ``"bike"`` or ``"fuels.e10"``; None takes one out."""
        found = self._table(table)
        for name, value in values.items():
            found.pop(name, None)
            if value is not None:
                found[name] = value
        return self

    def without_table(self, name):
        """Take a whole table out."""
        *path, last = name.split(".")
        self._table(".".join(path)).pop(last)
        return self

    def setup(self, name, like, **values):
        """One more setup: another one with some keys changed."""
        self.toml["setups"][name] = dict(self.toml["setups"][like]) | values
        return self

    def only_setups(self, *names):
        """Take all other setups out, with their runs."""
        for name in [name for name in self.toml["setups"] if name not in names]:
            self.toml["setups"].pop(name)
        return self.only(lambda row: row["setup"] in names)

    def rich_with_one_at_hand(self, flow):
        """Of the big engine only a rich injector was ridden; a smaller one lies in the drawer."""
        self.only_setups("stock", "big_185").key("use", fuels=["e5"])
        for name in ("i172", "i178", "i205"):
            self.without_table(f"injectors.{name}")
        return self.key("injectors.i164", owned="yes", flow=f"{flow} cc/min")

    def reversed_tables(self):
        """Setups, injectors, fuels and engines in the opposite order."""
        for name in ("setups", "injectors", "fuels", "engines"):
            turned = tomlkit.table()
            for key in reversed(list(self.toml[name])):
                turned[key] = self.toml[name][key]
            self.toml[name] = turned
        return self

    def _table(self, name):
        found = self.toml
        for part in name.split(".") if name else ():
            if part not in found:
                found[part] = tomlkit.table()
            found = found[part]
        return found

    # runs.csv -------------------------------------------------------------------------------

    def full(self, *setups):
        """Full-throttle rows of some setups; of all without a name."""
        return [
            row
            for row in self.rows
            if row.get("state", "full") in ("full", "") and (not setups or row["setup"] in setups)
        ]

    def only(self, wanted):
        """Leave the rows for which a function is true."""
        self.rows = [row for row in self.rows if wanted(row)]
        return self

    def without_columns(self, pattern):
        """Take out the columns whose name matches."""
        self.rows = [
            {name: cell for name, cell in row.items() if not re.search(pattern, name)}
            for row in self.rows
        ]
        return self

    def cells(self, setup, **values):
        """Write the same into every full-throttle row of a setup."""
        for row in self.full(setup):
            row.update(values)
        return self

    def knock(self, setup, level, run=None):
        """Knock on a run of a setup, the last one unless its number is given."""
        rows = [row for row in self.full(setup) if run is None or float(row["run"]) == run]
        rows[-1]["knock"] = level
        return self

    def quiet(self, *setups):
        """Somebody listened and heard nothing."""
        for row in self.full(*setups):
            row["knock"] = "none"
        return self

    def gauge(self, setup, low, high):
        """The same reading on every full-throttle run of a setup."""
        return self.cells(setup, gauge_low=f"{low}", gauge_high=f"{high}")

    def faster(self, setup, by):
        """Speed at the marker changed on every run of a setup, as the speedometer shows it."""
        for row in self.full(setup):
            name = next(name for name in row if name.startswith("exit_speed"))
            row[name] = f"{float(row[name]) + by:g}"
        return self

    def speeds(self, setup, *pairs):
        """Entry and exit speeds of the runs of a setup, one pair a run."""
        for row, (entry, end) in zip(self.full(setup), pairs, strict=True):
            for name in row:
                if name.startswith("entry_speed"):
                    row[name] = f"{entry:g}"
                if name.startswith("exit_speed"):
                    row[name] = f"{end:g}"
        return self

    def head(self, setup, temperature):
        """Head temperature after every run of a setup, in the unit of the column."""
        for row in self.full(setup):
            row[next(name for name in row if name.startswith("head"))] = f"{temperature:g}"
        return self

    def hotter(self, by):
        """Every head temperature raised."""
        for row in self.rows:
            name = next(name for name in row if name.startswith("head"))
            if row[name]:
                row[name] = f"{float(row[name]) + by:g}"
        return self

    def ridden(self, name, like):
        """The runs of one setup once more, under the name of another."""
        last = max(float(row["run"]) for row in self.rows)
        again = [row | {"setup": name} for row in self.full(like)]
        for number, row in enumerate(again, start=1):
            row["run"] = f"{last + number:g}"
        self.rows += again
        return self

    def once(self, *setups):
        """Leave the first full-throttle run of each setup, of all or of some."""
        seen = set()

        def first(row):
            if setups and row["setup"] not in setups:
                return True
            if row["setup"] in seen or row not in self.full():
                return False
            seen.add(row["setup"])
            return True

        return self.only(first)

    def excluded(self):
        """Nothing counts."""
        for row in self.rows:
            row["exclude"] = "rain"
        return self

    # What comes of it -----------------------------------------------------------------------

    def save(self) -> Path:
        """Write both files."""
        text = tomlkit.dumps(self.toml)
        (self.folder / "session.toml").write_text(text, encoding="utf-8")
        names = list(dict.fromkeys(name for row in self.rows for name in row))
        out = io.StringIO()
        writer = csv.DictWriter(out, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.rows)
        (self.folder / "runs.csv").write_text(out.getvalue(), encoding="utf-8")
        return self.folder

    def results(self):
        """The analysis of it."""
        return analyse(load_session(self.save()))
