"""For all tests: one thread for small matrices (before numpy loads), so that tests don't wait for spinning threads."""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
