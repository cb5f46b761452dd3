"""`analyse` on every shared recording of phasors and waves: what it says of each, and the tests that know the answers.

The cases stand outside the repository: ANGLEWRIGHT_SHARED points to them; without it this is said and counts as short.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from judged_recordings import judge_file

from rig.result import Judgement

TOP = Path(__file__).parents[3]
SHOWN = ("tr_sin", "ratio_sin", "tr_imbalance", "orthogonality_elec_deg", "pole_pairs", "error_max_elec_arcmin")


def said(found: Judgement) -> str:
    """Outcome, reasons and a few figures."""
    parts = [found.outcome, *sorted({reason.code for reason in found.reasons})]
    for id_ in SHOWN:
        row = found.line(id_)
        if row is not None and row.result is not None and row.result.estimate is not None:
            parts.append(f"{id_} {row.result.estimate:.5g}")
    return ", ".join(parts)


def show() -> Iterator[tuple[bool, str]]:
    """Every file, then the tests of these files."""
    shared = os.environ.get("ANGLEWRIGHT_SHARED") or str(TOP.parent / "shared")
    cases = Path(shared) / "cases"
    if not cases.is_dir():
        yield False, "the shared cases are not there: set ANGLEWRIGHT_SHARED"
        return
    for path in sorted((cases / "phasors").glob("*.csv")):
        yield True, f"{path.name}: {said(judge_file(path, 1))}"
    for path in sorted((cases / "waves").glob("*.csv")):
        yield True, f"{path.name}: {said(judge_file(path))}"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-k", "shared", "tests/review/test_recordings.py"],
        cwd=TOP,
        env=os.environ | {"ANGLEWRIGHT_SHARED": shared},
        capture_output=True,
        text=True,
        check=False,
    )
    last = done.stdout.strip().splitlines()[-1] if done.stdout.strip() else done.stderr[-200:]
    yield done.returncode == 0 and "skipped" not in last, f"their figures against what is known of them: {last}"
