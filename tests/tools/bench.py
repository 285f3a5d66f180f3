"""What things cost: gains by rows, seasons and clubs by outings, logs by their size, reports.

Run it from the top of the project: ``python -m tests.tools.bench growth``, ``season [outings]``,
``logs [rows [points]]``, ``many [sessions]`` or ``club [outings]``. Each prints a table, measured
in one run, with ratios that hold when the speed of the machine drifts. Nothing asserts these times.
"""

import datetime
import json
import multiprocessing
import resource
import shutil
import sys
import tempfile
import time
import tracemalloc
from dataclasses import replace
from functools import partial
from pathlib import Path
from xml.etree import ElementTree
from xml.parsers import expat

import numpy as np
import pandas as pd

from tests.tools.shared import head, row
from tuninglib.session.gpx_file import read_gpx
from tuninglib.session.read_log import read_delimited

# What else is needed is loaded where it is: each reader of logs starts a process with this file.
DEMO = Path(__file__).resolve().parents[2] / "demo_data" / "bigger_cylinder"
SUMMER = DEMO.parent / "one_summer"


def seconds(call) -> float:
    begin = time.perf_counter()
    call()
    return time.perf_counter() - begin


def peak_mb(call) -> float:
    """The most that a call has in arrays at a time."""
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return peak


# Gains ------------------------------------------------------------------------------------------

STEP = 0.955 / 3.6


def day(rows, setups, way_down, seed=1):
    """Runs of a day as a rider would write them down."""
    from tuninglib.physics.motion import Hill, Ride, exit_speed_m_s
    from tuninglib.statistics.road_runs import Runs

    rng = np.random.default_rng(seed)
    setup, rider = np.arange(rows) % setups, np.arange(rows) // setups % 2
    hill, mass = Hill([150.0, 250.0], [0.055, 0.065]), 124 + np.array([68.0, 86.0])[rider]
    entry = 13 + 0.25 * rng.standard_normal(rows)
    force = 265 * np.exp(0.02 * setup % 0.2 + 0.02 * rng.standard_normal(rows))
    wind = 0.6 * rng.standard_normal(rows) * way_down
    road = {
        "mass_kg": mass, "rotating_mass_kg": 8.0, "air_density_kg_m3": 1.18, "drag_area_m2": 0.55,
        "rolling_coefficient": 0.015,
    }  # fmt: skip
    ride = Ride(hill=hill, wind_m_s=wind, **road)
    speeds = {"entry": entry, "exit": exit_speed_m_s(ride, force_n=force, entry_speed_m_s=entry)}
    if way_down:
        start = 7 + 0.4 * rng.standard_normal(rows)
        back = Ride(hill=hill.reversed(), wind_m_s=-wind, **road)
        speeds["down_entry"] = start
        speeds["down_exit"] = exit_speed_m_s(back, force_n=0.0 * entry, entry_speed_m_s=start)
    read = {f"true_{name}_m_s": np.round(v / STEP) * STEP for name, v in speeds.items()}
    return Runs(hill=hill, setup=setup, rider=rider, **road, **read)


def growth(most=33000):
    """How the cost of a day's gains grows with its runs and setups."""
    from tests.tools.simulate_days import World, gains_of

    head("rows", "setups", "rolled back down", "seconds", "ms a row", "over 33 rows", "peak MB")
    gains_of(day(33, 2, True), World(), STEP, drift_sd=0.02)
    for way_down in (False, True):
        for setups in (2, 40):
            first = None
            for rows in (33, 330, 3300, 10000, 33000):
                if not 2 * setups <= rows <= most:
                    continue
                call = partial(gains_of, day(rows, setups, way_down), World(), STEP, drift_sd=0.02)
                took = seconds(call)
                first = first or took / rows
                row(rows, setups, "yes" if way_down else "no", f"{took:.2f}",
                    f"{1e3 * took / rows:.2f}", f"{took / rows / first:.2f}",
                    f"{peak_mb(call):.0f}")  # fmt: skip


# Seasons ----------------------------------------------------------------------------------------


def records(count):
    """Outings of the demo summer again and again, each with numbers of its own, as text."""
    from tuninglib.analysis.analyse import analyse, results_document
    from tuninglib.session.load import load_session

    rng = np.random.default_rng(20261126)
    plain = [
        json.dumps(results_document(analyse(load_session(folder)))["season"])
        for folder in sorted(SUMMER.iterdir())
        if folder.is_dir()
    ]
    for number in range(count):
        one = json.loads(plain[number % len(plain)])
        day = rng.normal(0, 0.02)
        one["forces"]["mean"] = [
            mean + (day + rng.normal(0, 0.015) if at < len(one["forces"]["setups"]) else 0)
            for at, mean in enumerate(one["forces"]["mean"])
        ]
        for cell in one["readings"]:
            cell["log_mean"] += rng.normal(0, 0.01)
        yield json.dumps(one)


def season(*counts):
    """What a season costs by its outings, read as records and pooled."""
    from tuninglib.analysis.season import Outing, season_of
    from tuninglib.analysis.season_record import record_from

    head("outings", "kB a record", "reading [s]", "pooling [s]", "ms an outing", "peak MB")
    for count in counts or (100, 1000, 10_000):
        lines, outings = list(records(count)), []

        def read(lines=lines, outings=outings):
            first = datetime.date(2000, 1, 1)
            for number, line in enumerate(lines):
                record = replace(record_from(json.loads(line)), bike="one")
                date = first + datetime.timedelta(days=number)
                outings.append(Outing(folder=f"{number:05d}", title="", date=date, record=record))

        took, pool = seconds(read), partial(season_of, outings)
        pooled, size = seconds(pool), sum(map(len, lines)) / count / 1000
        row(count, f"{size:.1f}", f"{took:.2f}", f"{pooled:.2f}", f"{1000 * pooled / count:.2f}",
            f"{peak_mb(pool):.0f}")  # fmt: skip


# Logs -------------------------------------------------------------------------------------------

TURNS = 5


def write_table(path, rows):
    """A log of six columns, each with a few digits."""
    rng = np.random.default_rng(20261126)
    with path.open("w", encoding="utf-8") as stream:
        stream.write("time [s],speed [km/h],gauge,throttle [%],rpm,head_temperature [degC]\n")
        for start in range(0, rows, 500_000):
            n = min(500_000, rows - start)
            columns = [
                np.round(np.arange(start, start + n) * 0.1, 1), np.round(rng.normal(50, 1, n), 2),
                np.round(rng.normal(13, 0.1, n), 2), np.round(rng.uniform(0, 100, n), 1),
                np.round(rng.uniform(3000, 9000, n)), np.round(rng.uniform(80, 180, n), 1),
            ]  # fmt: skip
            frame = pd.DataFrame(dict(enumerate(columns)))
            frame.to_csv(stream, index=False, header=False)


def write_track(path, points):
    """A track with elevations and speeds, a line a point."""
    times = pd.to_datetime(1_778_933_002 + np.arange(points) / 5, unit="s", utc=True)
    text = times.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    with path.open("w", encoding="utf-8") as stream:
        stream.write('<?xml version="1.0"?><gpx version="1.1"><trk><trkseg>\n')
        for i in range(points):
            stream.write(
                f'<trkpt lat="{46 + i * 2e-5:.7f}" lon="8.0"><ele>{300 + i * 1e-3:.2f}</ele>'
                f"<time>{text[i]}</time><extensions><speed>{11.12:.2f}</speed></extensions>"
                "</trkpt>\n"
            )
        stream.write("</trkseg></trk></gpx>")


def bare_pandas(path):
    """pandas' fastest reader."""
    pd.read_csv(path)


def bare_expat(path):
    """The parser of tracks with handlers that do nothing."""
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = lambda name, attributes: None
    parser.EndElementHandler = lambda name: None
    parser.CharacterDataHandler = lambda text: None
    with path.open("rb") as stream:
        parser.ParseFile(stream)


def bare_elementtree(path):
    """The standard library's reader of XML piece by piece, nothing taken."""
    for _, element in ElementTree.iterparse(path):
        element.clear()


def timed(read, path, small, queue):
    """Seconds and megabytes of one reading, after a small one that loads what is needed."""
    read(small)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    took = seconds(partial(read, path))
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    queue.put((took, (after - before) / 1024))


def compared(readers, path, small, table_mb):
    """The least seconds and megabytes of each reader, each in a process of its own, in turns."""
    context = multiprocessing.get_context("spawn")
    found = {read.__name__: [] for read in readers}
    for _ in range(TURNS):
        for read in readers:
            queue = context.Queue()
            process = context.Process(target=timed, args=(read, path, small, queue))
            process.start()
            found[read.__name__].append(queue.get())
            process.join()
    least = {name: np.min(own, axis=0) for name, own in found.items()}
    ours = next(iter(least.values()))[0]
    for name, (took, megabytes) in least.items():
        print(
            f"  {name:15} {took:6.2f} s  ours takes {ours / took:4.2f} times that   "
            f"at most {megabytes:5.0f} MB, {megabytes / table_mb:.1f} times the table"
        )


def logs(rows=10_000_000, points=200_000):
    """What reading a log costs beside the bare readers, and the memory that it takes."""
    with tempfile.TemporaryDirectory() as folder:
        path, small = Path(folder) / "log.csv", Path(folder) / "small.csv"
        write_table(path, rows)
        write_table(small, 1000)
        table_mb = rows * 6 * 8 / 2**20
        print(f"{rows} rows of six columns, {table_mb:.0f} MB as numbers")
        compared([read_delimited, bare_pandas], path, small, table_mb)
        path, small = Path(folder) / "track.gpx", Path(folder) / "small.gpx"
        write_track(path, points)
        write_track(small, 100)
        print(f"{points} points of a track")
        track_mb = points * 5 * 8 / 2**20
        compared([read_gpx, bare_expat, bare_elementtree], path, small, track_mb)


# Many reports -----------------------------------------------------------------------------------


def own_peak_mb(who=resource.RUSAGE_SELF):
    return resource.getrusage(who).ru_maxrss / 1024


def many(count=40):
    """Many reports against one: on one core, on two, and on two workers of a scheduler."""
    from distributed import LocalCluster

    from tuninglib.report.make import executor_at, make_report, make_reports

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "season"
        for number in range(count):
            own = Path(shutil.copytree(DEMO, folder / f"outing_{number:03d}"))
            text = (own / "session.toml").read_text(encoding="utf-8")
            text = text.replace("124 kg", f"{124 + number / 100:g} kg")
            (own / "session.toml").write_text(text, encoding="utf-8")
        make_report(DEMO, Path(place) / "warm")
        warm = seconds(lambda: [make_report(DEMO, Path(place) / f"one {n}") for n in range(5)]) / 5
        print(f"one report in a warm process: {warm:.2f} s")
        head("sessions", "jobs", "seconds", "a report", "over one warm report", "peak MB")

        def told(jobs, took, peak):
            each = took / count
            row(count, jobs, f"{took:.1f}", f"{each:.2f}", f"{each / warm:.2f}", f"{peak:.0f}")

        for jobs in (1, 2):
            took = seconds(partial(make_reports, folder, Path(place) / f"out {jobs}", jobs=jobs))
            told(jobs, took, own_peak_mb(resource.RUSAGE_CHILDREN if jobs > 1 else 0))
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as workers,
            executor_at(workers.scheduler_address) as executor,
        ):
            out = Path(place) / "out dask"
            took = seconds(partial(make_reports, folder, out, executor=executor))
            told("2 workers", took, max(executor.submit(own_peak_mb).result() for _ in range(8)))
        again = seconds(partial(make_reports, folder, Path(place) / "out 2", jobs=2))
        print(f"once more, nothing changed: {again:.2f} s")


def club(most=1000):
    """A newcomer by other bikes: the page from the demo's outings, and what their number costs."""
    from tests.tools.simulate_club import World, record_of, someone_new
    from tuninglib.analysis.club import before_buying
    from tuninglib.report.club import make_before

    source = DEMO.parent / "a_club"
    with tempfile.TemporaryDirectory() as place:
        here = shutil.copytree(source, Path(place) / "a_club")
        took = seconds(lambda: make_before(here / "newcomer", here / "club"))
        print(f"five packed outings to the page, in a process that has to load all: {took:.2f} s")
    world, newcomer = World(np.random.default_rng(20261130), 0.025), someone_new()
    head("outings", "seconds", "ms an outing")
    for count in (5, 12, 100, 1000, 10000):
        if count <= most:
            records = [record_of(world, at)[0] for at in range(count)]
            took = seconds(partial(before_buying, newcomer, records))
            row(count, f"{took:.2f}", f"{1e3 * took / count:.1f}")


if __name__ == "__main__":
    what = {one.__name__: one for one in (growth, season, logs, many, club)}
    what[sys.argv[1]](*map(int, sys.argv[2:]))
