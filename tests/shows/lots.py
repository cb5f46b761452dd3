"""Lots, studies, outcomes, as promised (issue 14): python tests/shows/lots.py [--quick] [--only WORD]

Each part in lots_parts/ offers `checks(quick) -> [(name, check)]`; a check is a generator of (fine, figures) and its
docstring is the line that was promised. Exit status 1 when one falls short.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from importlib import util
from pathlib import Path
from types import ModuleType

Check = Callable[[], Iterator[tuple[bool, str]]]
PARTS = Path(__file__).parent / "lots_parts"
sys.path.insert(0, str(Path(__file__).parents[1] / "review"))  # the samples of its tests


def loaded(path: Path) -> ModuleType:
    spec = util.spec_from_file_location(f"lots_parts_{path.stem}", path)
    if spec is None or spec.loader is None:
        raise SystemExit(f"{path}: can't be loaded")
    module = util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def main() -> int:
    quick = "--quick" in sys.argv
    only = sys.argv[sys.argv.index("--only") + 1] if "--only" in sys.argv else ""
    short = 0
    for path in sorted(PARTS.glob("*.py")):
        checks: list[tuple[str, Check]] = loaded(path).checks(quick)
        for name, check in checks:
            if only not in name:
                continue
            start = time.monotonic()
            print(f"{name}: {(getattr(check, 'func', check).__doc__ or '').strip()}")
            for fine, told in check():
                print(f"  {'ok   ' if fine else 'SHORT'} {told}", flush=True)
                short += not fine
            print(f"  ({time.monotonic() - start:.1f} s)", flush=True)
    print(f"{short} short" if short else "nothing short")
    return 1 if short else 0


if __name__ == "__main__":
    raise SystemExit(main())
