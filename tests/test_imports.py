"""What a session without logs leaves unloaded, since everybody waits for what is loaded."""

import json
import subprocess
import sys

# Half a second of start, for readers of logs that most sessions do not have. (Where dask itself is
# installed, pint loads it to know its arrays; of ours nothing may ask for its cluster.)
ONLY_WITH_LOGS = (
    "scipy.signal",
    "scipy.stats",
    "distributed",
    "tuninglib.session.read_log",
    "tuninglib.session.gpx_file",
    "tuninglib.session.from_logs",
    "tuninglib.statistics.track_runs",
)
CODE = """
import json, sys
from tuninglib.analysis.analyse import analyse
from tuninglib.session.load import load_session
analyse(load_session(sys.argv[1]))
print(json.dumps(sorted(sys.modules)))
"""


def loaded(folder) -> set:
    """Modules that reading and analysing a session leaves in memory, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(folder)], capture_output=True, text=True, check=True
    )
    return set(json.loads(done.stdout))


def test_a_session_without_logs_loads_no_reader_of_logs(demo_folder):
    assert loaded(demo_folder) & set(ONLY_WITH_LOGS) == set()
