"""Tools that measure by hand; tests use some of what they make."""

import os

# Processes share the work; more threads inside each only get in each other's way. This must stand
# before numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
