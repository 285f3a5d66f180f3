"""Wall time of `tuninglib report` beside what a newcomer would type for three plain figures.

Run it by hand: ``python -m tests.tools.bench_report [repeats]``. Both are whole commands, in
turn, so that the ratio holds when the machine's speed drifts. Nothing asserts these times.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import nbformat

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_data" / "bigger_cylinder"
PLAIN = """
import pandas as pd
import matplotlib.pyplot as plt
runs = pd.read_csv({path!r})
runs.plot.scatter("entry_speed [km/h]", "exit_speed [km/h]")
plt.show()
runs.plot.scatter("gauge_low", "gauge_high")
plt.show()
runs.plot.scatter("run", "head_temperature [degC]")
plt.show()
"""


def timed(*commands) -> float:
    start = time.perf_counter()
    for command in commands:
        subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - start


def main(repeats: int) -> None:
    """Print the median of each and of their ratio, pair by pair."""
    with tempfile.TemporaryDirectory() as folder:
        plain = Path(folder) / "plain.ipynb"
        notebook = nbformat.v4.new_notebook(
            cells=[nbformat.v4.new_code_cell(PLAIN.format(path=str(DEMO / "runs.csv")))],
            metadata={"kernelspec": {"name": "python3", "display_name": "Python 3"}},
        )
        nbformat.write(notebook, plain)
        done = Path(folder) / "done.ipynb"
        ours = [sys.executable, "-m", "tuninglib", "report", str(DEMO), "--out", folder + "/out"]
        newcomer = (
            [sys.executable, "-m", "papermill", str(plain), str(done)],
            [sys.executable, "-m", "nbconvert", "--to", "html", str(done)],
        )
        timed(ours), timed(*newcomer)
        pairs = [(timed(ours), timed(*newcomer)) for _ in range(repeats)]
    report, plain_way = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = statistics.median(a / b for a, b in pairs)
    print(f"tuninglib report            {report:6.2f} s")
    print(f"papermill, then nbconvert   {plain_way:6.2f} s")
    print(f"ratio                       {ratio:6.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
