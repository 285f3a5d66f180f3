"""Results to a written report, one file a heading."""

from contextlib import chdir
from pathlib import Path

# Matplotlib obeys a matplotlibrc that lies where it is first imported, which may be a stranger's
# outing, then the one of the home or the environment: figures are ours whatever lies there.
with chdir(Path(__file__).parent):
    import matplotlib

matplotlib.rcdefaults()
