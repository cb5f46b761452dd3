"""Lots, studies, outcomes, as promised (issue 14): python tests/shows/lots.py [--quick] [--only WORD]

Each part in lots_parts/ offers `checks(quick) -> [(name, check)]`; a check is a generator of (fine, figures) and its
docstring is the line that was promised. Exit status 1 when one falls short.
"""

from __future__ import annotations

import sys
from pathlib import Path

from runner import run_parts

sys.path.insert(0, str(Path(__file__).parents[1] / "review"))  # the samples of its tests

if __name__ == "__main__":
    raise SystemExit(run_parts("lots"))
