"""Whoever calls pytest alone gets the same single thread as tests/check.py."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
NAMES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
ALONE = """
import os, sys, pytest
class Seen:
    def pytest_plugin_registered(self, plugin):
        if str(getattr(plugin, "__file__", "")).endswith("tests/conftest.py"):
            print("numpy came", "first" if "numpy" in sys.modules else "later")
    def pytest_collection_finish(self, session):
        import numpy as np
        np.ones((300, 300)) @ np.ones((300, 300))
        print("threads", len(os.listdir("/proc/self/task")))
pytest.main(["--collect-only", "-q", "-s", "-p", "no:cacheprovider", sys.argv[1]], plugins=[Seen()])
"""


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="threads are counted in /proc")
def test_pytest_alone_works_small_matrices_with_one_thread() -> None:
    """Without any variable set, conftest comes before numpy and a product of matrices leaves one thread."""
    env = {name: value for name, value in os.environ.items() if name not in NAMES}
    words = [sys.executable, "-c", ALONE, str(Path(__file__))]
    done = subprocess.run(words, cwd=TOP, env=env, capture_output=True, text=True, timeout=120, check=False)
    assert "numpy came later" in done.stdout, done.stdout + done.stderr
    assert "threads 1\n" in done.stdout, done.stdout + done.stderr
