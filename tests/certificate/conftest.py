"""Lets these tests use the samples of the room below (tests/review)."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "review"))
