"""Lets these tests rehearse runs on a world without the wire (tests/evaluation/observed_from_world.py)."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "evaluation"))
