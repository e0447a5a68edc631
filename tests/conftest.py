"""One linear-algebra thread for the tests, set before numpy is loaded: the matrices are small,
and threads that wait for one another make a busy machine many times slower."""

from __future__ import annotations

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
