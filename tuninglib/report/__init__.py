"""Results to a written report, one file a heading."""

import sys
from contextlib import chdir
from pathlib import Path

# Matplotlib obeys a matplotlibrc that lies where it is first imported, which may be a stranger's
# outing, then the one of the home or the environment: figures are ours whatever lies there.
with chdir(Path(__file__).parent):
    import matplotlib

matplotlib.rcdefaults()

# The notebook packages load jsonschema, which compiles a grammar for web addresses in all alphabets
# each time, if the package for that is there: a third of a report's time, and no notebook has such
# an address. ``None`` in ``sys.modules`` is Python's documented way of saying that a package is not
# there, and to jsonschema this one is optional.
_GRAMMAR = "rfc3987_syntax"
if _GRAMMAR not in sys.modules:
    sys.modules[_GRAMMAR] = None  # type: ignore[assignment]
    import jsonschema  # noqa: F401

    del sys.modules[_GRAMMAR]
