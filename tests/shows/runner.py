"""What every show does alike: run its checks, print each figure with ok or SHORT, count what fell short.

A check is a generator of (fine, figures); its docstring is the line that was promised. A show in parts has a folder
`<show>_parts/` in which each file offers `checks(quick) -> [(name, check)]`.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from importlib import util
from pathlib import Path
from types import ModuleType

Check = Callable[[], Iterator[tuple[bool, str]]]
HERE = Path(__file__).parent


def option(word: str) -> str:
    """What stands behind a word of the command line; "" where it was not given."""
    return sys.argv[sys.argv.index(word) + 1] if word in sys.argv else ""


def run_checks(checks: Sequence[tuple[str, Check]], only: str = "") -> int:
    """Run the checks whose name holds `only`; how many figures fell short."""
    short = 0
    for name, check in checks:
        if only not in name:
            continue
        start = time.monotonic()
        print(f"{name}: {(getattr(check, 'func', check).__doc__ or '').strip()}", flush=True)
        for fine, told in check():
            print(f"  {'ok   ' if fine else 'SHORT'} {told}", flush=True)
            short += not fine
        print(f"  ({time.monotonic() - start:.1f} s)", flush=True)
    return short


def exit_status(short: int) -> int:
    """Say how many fell short; 1 where any did."""
    print(f"{short} short" if short else "nothing short")
    return 1 if short else 0


def run_parts(show: str) -> int:
    """Run every part of a show by the words of the command line (--quick, --only WORD); the exit status."""
    quick, only, short = "--quick" in sys.argv, option("--only"), 0
    for path in sorted((HERE / f"{show}_parts").glob("*.py")):
        checks: list[tuple[str, Check]] = load_module(path, show).checks(quick)
        short += run_checks(checks, only)
    return exit_status(short)


def controller_of(home: Path, client: int = 0) -> int:
    """Process id of the controller that lives in a home, or that the process `client` has started; 0 without one."""
    words = ["pgrep", *(["-P", str(client)] if client else []), "-f", f"rig.jobs.controller {home}/live"]
    found = subprocess.run(words, capture_output=True, text=True, check=False).stdout.split()
    return int(found[0]) if found else 0


def load_module(path: Path, show: str) -> ModuleType:
    """A part's file as a module. Raises SystemExit where it can't be loaded."""
    spec = util.spec_from_file_location(f"{show}_parts_{path.stem}", path)
    if spec is None or spec.loader is None:
        raise SystemExit(f"{path}: can't be loaded")
    module = util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
