"""What many reports cost against one, on one core, on two, and on two workers of a scheduler.

Run it from the top of the project, ``python -m tests.tools.bench_many [sessions]``: copies of
the demo that differ in a number; the time for each report over that of one in a warm process, and
the memory of the largest process.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from distributed import LocalCluster

from tuninglib.report.make import make_report
from tuninglib.report.many import executor_at, make_reports

DEMO = Path(__file__).resolve().parents[2] / "demo_data" / "bigger_cylinder"


def season(folder, count):
    for number in range(count):
        own = Path(shutil.copytree(DEMO, folder / f"outing_{number:03d}"))
        text = (own / "session.toml").read_text(encoding="utf-8")
        text = text.replace("124 kg", f"{124 + number / 100:g} kg")
        (own / "session.toml").write_text(text, encoding="utf-8")


def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "season"
        season(folder, count)
        make_report(DEMO, Path(place) / "warm")
        begin = time.perf_counter()
        for number in range(5):
            make_report(DEMO, Path(place) / f"one {number}")
        warm = (time.perf_counter() - begin) / 5
        print(f"one report in a warm process: {warm:.2f} s")
        print("| sessions | jobs | seconds | a report | over one warm report | peak MB |")
        print("|---|---|---|---|---|---|")

        def row(jobs, took, peak):
            print(
                f"| {count} | {jobs} | {took:.1f} | {took / count:.2f} | "
                f"{took / count / warm:.2f} | {peak:.0f} |",
                flush=True,
            )

        for jobs in (1, 2):
            begin = time.perf_counter()
            make_reports(folder, Path(place) / f"out {jobs}", jobs=jobs)
            who = resource.RUSAGE_SELF if jobs == 1 else resource.RUSAGE_CHILDREN
            row(jobs, time.perf_counter() - begin, resource.getrusage(who).ru_maxrss / 1024)
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as workers,
            executor_at(workers.scheduler_address) as executor,
        ):
            begin = time.perf_counter()
            make_reports(folder, Path(place) / "out dask", executor=executor)
            took = time.perf_counter() - begin
            peaks = [executor.submit(peak_mb).result() for _ in range(8)]
        row("2 workers", took, max(peaks))
        begin = time.perf_counter()
        make_reports(folder, Path(place) / "out 2", jobs=2)
        print(f"once more, nothing changed: {time.perf_counter() - begin:.2f} s")


if __name__ == "__main__":
    main()
