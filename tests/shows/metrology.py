"""The measurement at its limit, with figures: python tests/shows/metrology.py [--quick] [--worlds N] [--processes N]

Each check prints its figures and says ok or SHORT; the exit status is non-zero when one falls short.
--quick (under a minute) is what .ci/run takes: few worlds, chance allowed for. The whole takes 2000 worlds without the
wire, 40 over it, 200 turned by hand, 600 foreign worlds and 100 of them over the wire, 1000 good turns; --worlds
shortens the first.
Tables of whole trials: tests/shows/results/.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent / "metrology_parts"))
sys.path.insert(0, str(Path(__file__).parents[1] / "evaluation"))
sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "review"))

import assumptions
import coverage
import decisions
import foreign_trials
import good_turns
import recordings

Checks = list[tuple[str, Callable[[], Iterator[tuple[bool, str]]]]]


def decided(count: int) -> Iterator[tuple[bool, str]]:
    """No pass for a part outside its limit beyond the stated risk, for each rule."""
    yield decisions.show(count), f"{count} decisions near the limit for each rule, limit and degrees of freedom"


def checks(options: argparse.Namespace) -> Checks:
    """What is shown, in order."""
    work = Path(tempfile.mkdtemp(prefix="anglewright-show-"))
    worlds, hands, wires, wrong, decisions_ = (40, 10, 0, 1, 1000) if options.quick else (2000, 200, 40, 24, 10_000)
    strangers, strangers_wired = (12, 0) if options.quick else (600, 100)
    worlds, strangers = options.worlds or worlds, options.foreign or strangers
    shown: Checks = [
        ("decisions", lambda: decided(decisions_)),
        ("recordings", recordings.show),
        ("coverage", lambda: coverage.trial(worlds, options.processes)),
        ("turned by hand", lambda: coverage.by_hand(hands, options.processes)),
        ("wrong assumptions", lambda: assumptions.show(wrong)),
    ]
    if strangers:
        shown.append(("foreign bench runs", lambda: foreign_trials.bench_runs(strangers, options.processes)))
    shown.append(("good turns", lambda: good_turns.good_turns(4 if options.quick else 1000, options.processes)))
    if strangers_wired:
        shown.append(("foreign recordings", lambda: foreign_trials.recordings(strangers, options.processes)))
        shown.append(("foreign over the wire", lambda: foreign_trials.over_wires(strangers_wired, work)))
    if wires:
        shown.append(("over the wire", lambda: coverage.over_the_wire(wires, work)))
    return [row for row in shown if not options.only or row[0] in options.only]


def main() -> int:
    """Every check; 1 when one falls short."""
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--quick", action="store_true")
    reader.add_argument("--worlds", type=int, default=0)
    reader.add_argument("--foreign", type=int, default=0)
    reader.add_argument("--processes", type=int, default=1)
    reader.add_argument("--only", action="append", default=[])
    short = 0
    for name, check in checks(reader.parse_args()):
        start = time.monotonic()
        print(f"{name}:", flush=True)
        for fine, told in check():
            short += not fine
            print(f"  {'ok   ' if fine else 'SHORT'} {told}", flush=True)
        print(f"  ({time.monotonic() - start:.0f} s)", flush=True)
    print("all shown" if short == 0 else f"{short} fell short")
    return 1 if short else 0


if __name__ == "__main__":
    raise SystemExit(main())
