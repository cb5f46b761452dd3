"""Lets these tests use the samples of the rooms below (tests/review, tests/evaluation)."""

import sys
from pathlib import Path

for room in ("evaluation", "review"):
    sys.path.insert(0, str(Path(__file__).parent.parent / room))
