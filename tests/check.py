"""Everything that must hold before a change may land: python tests/check.py

Style, format, types, tests (the arrows and the pages are among them), and the quick part of each show. Left out are
the tests marked slow (whole runs that repeat another test with one more fault): plain pytest takes them too.
"""

import os
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

TOP = Path(__file__).parents[1]
STEPS = (
    ("style", ["-m", "ruff", "check", "."]),
    ("format", ["-m", "ruff", "format", "--check", "."]),
    ("types", ["-m", "mypy"]),
    ("tests", ["-m", "pytest", "-q", "-n", "2", "--dist", "loadgroup", "-m", "not slow", "--durations=20"]),
)
SHOWS = (
    ("main_job", "records", "panel"),
    ("instruments", "metrology", "diagnosis", "benches", "axis", "lots", "nights"),
)
"""Quick shows, one column a core; those that time a stop or compare times stand in one column, so that no two of them
share the machine."""
STEP_PATIENCE_S = 3600.0  # a busy machine needs its time; a step that hangs must not hold up the rest for ever
PATIENCE_S = 80 * 60.0  # of all steps together


def main() -> int:
    failed: list[str] = []
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # before any child loads numpy: spinning threads cost tenfold on two cores
    if (shared := TOP.parent / "shared").is_dir():
        os.environ.setdefault("ANGLEWRIGHT_SHARED", str(shared))
    begun = time.monotonic()
    for name, words in (*STEPS, ("shows, quick: house", ["tests/shows/house.py", "--quick", "--held"])):
        print(f"== {name}", flush=True)
        if _run(name, words, begun):
            failed.append(name)
    with ThreadPoolExecutor(len(SHOWS)) as columns:
        for short in columns.map(lambda column: _run_shows(column, begun), SHOWS):
            failed += short
    print(f"failed: {', '.join(failed)}" if failed else "all passed")
    return 1 if failed else 0


def _run_shows(names: Sequence[str], begun: float) -> list[str]:
    """The quick shows of a column one after the other, each printed whole when it has ended; those that fell short."""
    labels = {f"shows, quick: {name}": [f"tests/shows/{name}.py", "--quick"] for name in names}
    return [label for label, words in labels.items() if _run(label, words, begun, whole=True)]


def _run(name: str, words: Sequence[str], begun: float, *, whole: bool = False) -> bool:
    """Whether a step failed. whole: its output is printed in one piece at its end."""
    start = time.monotonic()
    patience_s = max(1.0, min(STEP_PATIENCE_S, begun + PATIENCE_S - start))
    printed = b""
    try:
        done = subprocess.run(
            [sys.executable, *words],
            cwd=TOP,
            check=False,
            timeout=patience_s,
            stdout=subprocess.PIPE if whole else None,
            stderr=subprocess.STDOUT if whole else None,
        )
        failed, outcome, printed = done.returncode != 0, "FAILED" if done.returncode else "passed", done.stdout or b""
    except subprocess.TimeoutExpired as late:
        failed, outcome, printed = True, "FAILED, not finished", late.stdout or b""
    text = printed.decode("utf-8", "replace")
    print(f"{text}== {name}: {outcome} in {time.monotonic() - start:.0f} s", flush=True)
    return failed


if __name__ == "__main__":
    raise SystemExit(main())
