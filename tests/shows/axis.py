"""The axis calibrates itself (issue 15): python tests/shows/axis.py [--quick] [--trials N] [--only WORD] [--write FILE]

Sets of places on tests/foreign, magnetics and a rig written apart from the product: what a master's rotor on even
places finds of the axis, how honest its radius is, what is refused, and what is left of the largest error's U. Every
row prints its figure against the number of the method's page. Exit status 1 when one falls short.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent / "axis_parts"))

from next_version import both_versions, slips
from sets import Row, good_sets, in_force, masters_refused, moved_stators, rechecks, slipped_couplings

TRIALS, QUICK = 60, 1
ALL = (good_sets, masters_refused, moved_stators, slipped_couplings, rechecks, in_force, both_versions, slips)


def after(word: str) -> str:
    return sys.argv[sys.argv.index(word) + 1] if word in sys.argv else ""


def main() -> int:
    quick = "--quick" in sys.argv
    trials = QUICK if quick else int(after("--trials") or TRIALS)
    parts = (good_sets, rechecks, in_force) if quick else ALL
    rows: list[str] = []
    short = 0
    for part in parts:
        if after("--only") not in part.__name__:
            continue
        start = time.monotonic()
        print(f"{part.__name__}: {(part.__doc__ or '').strip()}", flush=True)
        found: Iterator[Row] = part(trials)
        for row in found:
            word = {True: "ok", False: "SHORT", None: "few"}[row.fine].ljust(5)
            print(f"  {word} {row.text}", flush=True)
            rows.append(f"| {part.__name__} | {row.text} | {word.strip()} |")
            short += row.fine is False
        print(f"  ({time.monotonic() - start:.0f} s)", flush=True)
    if target := after("--write"):
        today = time.strftime("%Y-%m-%d", time.gmtime())
        head = f"# The axis from a rotor on even places: {trials} trials a row ({today})\n\n"
        told = "Made by `python tests/shows/axis.py`; magnetics and rig of tests/foreign, evaluated in process.\n\n"
        table = "| part | figure | |\n|---|---|---|\n" + "\n".join(rows) + "\n"
        Path(target).write_text(head + told + table, encoding="utf-8")
    print(f"{short} short" if short else "nothing short")
    return 1 if short else 0


if __name__ == "__main__":
    raise SystemExit(main())
