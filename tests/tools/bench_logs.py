"""What reading a log costs beside the bare readers, in one run, and the memory that it takes.

Run it from the top of the project, ``python -m tests.tools.bench_logs [rows [points]]``: a
table of six columns against pandas' own reader (and pyarrow's where it is installed), a track
against the parser that reads it with handlers that do nothing, and against another bare one. Each
in a process of its own, a few times in turns; the least of each.
"""

import multiprocessing
import resource
import sys
import tempfile
import time
from pathlib import Path
from xml.etree import ElementTree
from xml.parsers import expat

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tuninglib.session.gpx_file import read_gpx
from tuninglib.session.read_log import read_delimited

TURNS = 5
HEAD = "time [s],speed [km/h],gauge,throttle [%],rpm,head_temperature [degC]\n"


def write_table(path, rows):
    """A log of six columns, each with a few digits."""
    rng = np.random.default_rng(20261126)
    with path.open("w", encoding="utf-8") as stream:
        stream.write(HEAD)
        for start in range(0, rows, 500_000):
            n = min(500_000, rows - start)
            pd.DataFrame(
                {
                    "t": np.round(np.arange(start, start + n) * 0.1, 1),
                    "v": np.round(rng.normal(50, 1, n), 2),
                    "g": np.round(rng.normal(13, 0.1, n), 2),
                    "w": np.round(rng.uniform(0, 100, n), 1),
                    "r": np.round(rng.uniform(3000, 9000, n)),
                    "h": np.round(rng.uniform(80, 180, n), 1),
                }
            ).to_csv(stream, index=False, header=False)


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


def bare_pyarrow(path):
    """pyarrow's reader, where it is installed."""
    from pyarrow import csv

    csv.read_csv(path)


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
    start = time.perf_counter()
    read(path)
    took = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    queue.put((took, (after - before) / 1024))


def measure(readers, path, small):
    """The least seconds and megabytes of each reader, in turns."""
    context = multiprocessing.get_context("spawn")
    found = {read.__name__: [] for read in readers}
    for _ in range(TURNS):
        for read in readers:
            queue = context.Queue()
            process = context.Process(target=timed, args=(read, path, small, queue))
            process.start()
            found[read.__name__].append(queue.get())
            process.join()
    return {name: (min(s for s, _ in own), min(m for _, m in own)) for name, own in found.items()}


def main(rows=10_000_000, points=200_000):
    readers = [read_delimited, bare_pandas]
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        print("pyarrow is not installed; pandas alone is compared with")
    else:
        readers.append(bare_pyarrow)
    with tempfile.TemporaryDirectory() as folder:
        path, small = Path(folder) / "log.csv", Path(folder) / "small.csv"
        write_table(path, rows)
        write_table(small, 1000)
        table_mb = rows * 6 * 8 / 2**20
        print(f"{rows} rows of six columns, {table_mb:.0f} MB as numbers")
        _print(measure(readers, path, small), table_mb)
        path, small = Path(folder) / "track.gpx", Path(folder) / "small.gpx"
        write_track(path, points)
        write_track(small, 100)
        print(f"{points} points of a track")
        _print(
            measure([read_gpx, bare_expat, bare_elementtree], path, small), points * 5 * 8 / 2**20
        )


def _print(found, table_mb):
    ours = next(iter(found.values()))[0]
    for name, (seconds, megabytes) in found.items():
        print(
            f"  {name:15} {seconds:6.2f} s  ours takes {ours / seconds:4.2f} times that   "
            f"at most {megabytes:5.0f} MB, {megabytes / table_mb:.1f} times the table"
        )


if __name__ == "__main__":
    main(*(int(one) for one in sys.argv[1:]))
