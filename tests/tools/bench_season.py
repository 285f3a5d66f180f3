"""What a season costs by its number of outings, read as records and pooled, on one core.

Run it from the top of the project, ``python -m tests.tools.bench_season [outings ...]``: the
outings of the demo summer again and again, each with speeds and readings of its own; seconds to
read the records from text and to pool them, and the memory that pooling takes at most.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import datetime
import json
import sys
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.results import results_document
from tuninglib.analysis.season import Outing, season_of
from tuninglib.analysis.season_record import record_from
from tuninglib.session.load import load_session

SUMMER = Path(__file__).resolve().parents[2] / "demo_data" / "one_summer"


def texts(count):
    """The records of so many outings as results.json has them."""
    rng = np.random.default_rng(20261126)
    plain = [
        json.loads(json.dumps(results_document(analyse(load_session(folder)))["season"]))
        for folder in sorted(SUMMER.iterdir())
        if folder.is_dir()
    ]
    found = []
    for number in range(count):
        one = json.loads(json.dumps(plain[number % len(plain)]))
        k = len(one["forces"]["setups"])
        day = rng.normal(0, 0.02)
        for at in range(k):
            one["forces"]["mean"][at] += day + rng.normal(0, 0.015)
        for cell in one["readings"]:
            cell["log_mean"] += rng.normal(0, 0.01)
        found.append(json.dumps(one))
    return found


def main():
    counts = [int(one) for one in sys.argv[1:]] or [100, 1000, 10_000]
    print("| outings | kB a record | reading [s] | pooling [s] | ms an outing | peak MB |")
    print("|---|---|---|---|---|---|")
    for count in counts:
        lines = texts(count)
        begin = time.perf_counter()
        records = [record_from(json.loads(line)) for line in lines]
        read = time.perf_counter() - begin
        first = datetime.date(2000, 1, 1)
        outings = [
            Outing(
                folder=f"{number:05d}",
                title="",
                date=first + datetime.timedelta(days=number),
                record=replace(record, bike="one"),
            )
            for number, record in enumerate(records)
        ]
        begin = time.perf_counter()
        season_of(outings)
        took = time.perf_counter() - begin
        tracemalloc.start()
        season_of(outings)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        size = sum(map(len, lines)) / count / 1000
        print(
            f"| {count} | {size:.1f} | {read:.2f} | {took:.2f} | {1000 * took / count:.2f} | "
            f"{peak:.0f} |"
        )


if __name__ == "__main__":
    main()
