"""For all tests: one thread for small matrices, and the option `--bench FILE`.

Spinning threads cost small matrices tenfold on two cores; the names must stand before numpy loads, also in children.
`--bench FILE` runs the dialogues of a real bench's instruments and records them.
"""

import os

import pytest

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--bench", default=None, metavar="FILE", help="bench file: record dialogues from real instruments")
