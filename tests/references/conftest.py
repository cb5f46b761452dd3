"""Lets the reference tests import their reader of published values."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
