"""Everything that must hold before a change may land: python tests/check.py

Style, format, types, tests (the arrows and the pages are among them), and the quick part of each show. Left out are
the tests marked slow (whole runs that repeat another test with one more fault): plain pytest takes them too.
"""

import os
import subprocess
import sys
import time
from pathlib import Path

TOP = Path(__file__).parents[1]
STEPS = (
    ("style", ["-m", "ruff", "check", "."]),
    ("format", ["-m", "ruff", "format", "--check", "."]),
    ("types", ["-m", "mypy"]),
    ("tests", ["-m", "pytest", "-q", "-n", "2", "--dist", "loadgroup", "-m", "not slow", "--durations=20"]),
    ("shows, quick: house", ["tests/shows/house.py", "--quick", "--held"]),
    ("shows, quick: main job", ["tests/shows/main_job.py", "--quick"]),
    ("shows, quick: records", ["tests/shows/records.py", "--quick"]),
    ("shows, quick: instruments", ["tests/shows/instruments.py", "--quick"]),
    ("shows, quick: benches", ["tests/shows/benches.py", "--quick"]),
    ("shows, quick: lots", ["tests/shows/lots.py", "--quick"]),
    ("shows, quick: metrology", ["tests/shows/metrology.py", "--quick"]),
    ("shows, quick: axis", ["tests/shows/axis.py", "--quick"]),
    ("shows, quick: diagnosis", ["tests/shows/diagnosis.py", "--quick"]),
    ("shows, quick: nights", ["tests/shows/nights.py", "--quick"]),
    ("shows, quick: panel", ["tests/shows/panel.py", "--quick"]),
)
STEP_PATIENCE_S = 3600.0  # a busy machine needs its time; a step that hangs must not hold up the rest for ever
PATIENCE_S = 80 * 60.0  # of all steps together


def main() -> int:
    failed = []
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # before any child loads numpy: spinning threads cost tenfold on two cores
    if (shared := TOP.parent / "shared").is_dir():
        os.environ.setdefault("ANGLEWRIGHT_SHARED", str(shared))
    begun = time.monotonic()
    for name, words in STEPS:
        start = time.monotonic()
        patience_s = max(1.0, min(STEP_PATIENCE_S, begun + PATIENCE_S - start))
        print(f"== {name}", flush=True)
        try:
            status = subprocess.run([sys.executable, *words], cwd=TOP, check=False, timeout=patience_s).returncode
            told = "passed" if status == 0 else "FAILED"
        except subprocess.TimeoutExpired:
            status, told = 1, "FAILED, not finished"
        print(f"== {name}: {told} in {time.monotonic() - start:.0f} s", flush=True)
        if status:
            failed.append(name)
    print(f"failed: {', '.join(failed)}" if failed else "all passed")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
