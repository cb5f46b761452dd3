"""One run on the simulated bench, as a process of its own: it can be interrupted, killed and looked at afterwards.

Prints one JSON line when the sweep has begun and one when the run is over. It stands below the panel: bench,
records and sequencer only.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.control.bench import open_bench
from rig.control.sequencer import run_sequence
from rig.control.step import Context, Progress
from rig.description.benches import load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.errors import RigError
from rig.quantity import Reading
from rig.records.run.record import RunHeader
from rig.records.schema import dump
from rig.records.store import Store
from sequences.registry import find_sequence


def _say(**words: Any) -> None:
    print(json.dumps(words), flush=True)


def main() -> int:
    """Run and say how it ended; the exit status is that of the fault, or 0."""
    ask = argparse.ArgumentParser()
    ask.add_argument("sequence")
    ask.add_argument("world")
    ask.add_argument("--home", type=Path, required=True)
    ask.add_argument("--log", type=Path, required=True)
    ask.add_argument("--part", default="KX4-2207")
    ask.add_argument("--speed", default="fast")
    ask.add_argument("--rotor", default="own")
    ask.add_argument("--points", type=int, default=None)
    ask.add_argument("--tell-at", default="sweep_ccw", help="quantity whose n-th reading is told")
    ask.add_argument("--n", type=int, default=10)
    ask.add_argument("--hang-at", default="", help="quantity at whose n-th reading the main thread hangs")
    given = ask.parse_args()
    try:
        return _run(given)
    except RigError as fault:
        _say(ended=False, fault=str(fault), kind=type(fault).__name__, code=getattr(fault, "code", None))
        return fault.exit_status


def _run(given: argparse.Namespace) -> int:
    part_file, bench_file, holder = load_part(given.part), load_bench("simulated"), load_holder("adapter_8")
    bench_file = bench_file.model_copy(update={"world": given.world})
    if given.points is not None and bench_file.axis is not None:
        axis = bench_file.axis.model_copy(update={"sweep_points": given.points})
        bench_file = bench_file.model_copy(update={"axis": axis})
    sequence = find_sequence(given.sequence)
    seen = 0

    def on_reading(reading: Reading) -> None:
        nonlocal seen
        seen += reading.quantity in (given.tell_at, given.hang_at)
        if seen == given.n and reading.quantity == given.tell_at:
            _say(at=given.tell_at, wall_s=time.time())
            seen += 1
        if seen == given.n and reading.quantity == given.hang_at:
            _say(hung=True, wall_s=time.time())
            bench.watchdog.progress(0.5)
            time.sleep(60)

    def on_progress(_: Progress) -> None:
        """Nobody looks on."""

    begun_s = time.monotonic()
    store = Store(given.home)
    with open_bench(bench_file, holder, speed=given.speed, log=given.log) as bench:
        header = RunHeader(
            sequence=sequence.name,
            started_utc=datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
            serial="T-1",
            part=part_file.model_dump(mode="json", by_alias=True),
            holder=holder.model_dump(mode="json", by_alias=True),
            bench=bench_file.model_dump(mode="json", by_alias=True),
            instruments=bench.identities(),
            rotor=given.rotor,
            simulated=bench.is_simulated,
        )
        folder = store.begin(header)
        context = Context(
            bench=bench,
            part=part_file.part(),
            holder=holder,
            journal=folder.journal,
            raw=folder.raw,
            rotor=given.rotor,
            header=dump(header),
            on_progress=on_progress,
            on_reading=on_reading,
        )
        ended = run_sequence(sequence, context)
        bench_s = context.readings[-1].bench_time_s if context.readings else 0.0
    store.finish(
        folder, outcome="measured, no limits" if ended.complete else "incomplete", ended=str(ended.fault or "complete")
    )
    _say(
        ended=True,
        run=folder.id,
        complete=ended.complete,
        reasons=[reason.code for reason in ended.reasons],
        fault=str(ended.fault) if ended.fault else None,
        code=getattr(ended.fault, "code", None),
        unsafe=dict(ended.unsafe),
        bench_s=bench_s,
        wall_s=time.monotonic() - begun_s,
    )
    return ended.exit_status


if __name__ == "__main__":
    sys.exit(main())
