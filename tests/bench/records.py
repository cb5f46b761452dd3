"""Speed and size of the records, on demand: python tests/bench/records.py [--runs 100000] [--engine sqlite|postgresql]

Raw waveforms against plain int16; a unit's history and a part's last results among many runs, on both engines.
The runs are rows put down as the index puts them (12 results, 2 findings a run, 4 runs a unit, 40 part numbers).
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

TOP = Path(__file__).parents[2]
sys.path[:0] = [str(TOP / "tests" / "records"), str(TOP / "tests" / "bench")]

import numpy as np
import postgres_server

from rig.records import tables
from rig.records.database import VARIABLE, Database
from rig.records.history import History
from rig.records.raw import RawFile
from rig.records.store import Store
from rig.signal.waveform import Waveform

RESULTS, PARTS, RUNS_A_UNIT, BATCH = 12, 40, 4, 1000


def shortest(n: int, work: Callable[[int], Any]) -> tuple[float, float]:
    """(median, longest) wall time of n tries, seconds; the try's number is handed to the work."""
    times = []
    for k in range(n):
        start = time.perf_counter()
        work(k)
        times.append(time.perf_counter() - start)
    return sorted(times)[n // 2], max(times)


def raw_figures(folder: Path, positions: int = 300) -> tuple[float, float]:
    """(size over plain int16, MB of int16 a second) of a sweep written capture by capture, closed and hashed."""
    from main_job import sweep_codes

    codes = sweep_codes()[:: 720 // positions]
    waves = [
        Waveform(
            codes=c,
            scale_v=np.full(4, 10 / 32767),
            offset_v=np.zeros(4),
            sample_rate_hz=241_545.9,
            channels=("exc_v", "exc_i", "sin", "cos"),
            rail_low=-32768,
            rail_high=32767,
        )
        for c in codes
    ]
    raw = RawFile(folder / "raw.h5")
    start = time.perf_counter()
    for wave in waves:
        raw.append("sweep_ccw", wave)
    raw.close()
    took_s = time.perf_counter() - start
    plain = sum(w.codes.nbytes for w in waves)
    return (folder / "raw.h5").stat().st_size / plain, plain / 1e6 / took_s


def rows(first: int, count: int) -> Iterator[tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]]:
    """Rows of runs number first, first + 1 ...: (run, results, findings)."""
    rng = np.random.default_rng(first)
    values = rng.normal(9.0, 0.1, (count, RESULTS))
    for i in range(count):
        n = first + i
        unit = n // RUNS_A_UNIT
        part, serial = f"PX-{unit % PARTS}", f"S{unit:06d}"
        day, second = divmod(n, 3000)
        run = f"2026{1 + day // 28 % 12:02d}{1 + day % 28:02d}-{second * 28 // 3600:02d}{second * 28 // 60 % 60:02d}{second * 28 % 60:02d}-{n:05x}"
        row = dict.fromkeys((c.name for c in tables.RUNS.c), "")
        row |= {"run": run, "part": part, "serial": serial, "job": f"J{unit // 10}", "sequence": "full_test", "outcome": "within limits"}
        row |= {"condition": ("as received", "after cleaning")[n % 2], "started_utc": run, "simulated": True, "closed": True, "home": "bench"}
        results = [
            {"home": "bench", "run": run, "line": k + 1, "part": part, "serial": serial, "measurand": f"m{k}", "unit": "ohm", "verdict": "pass"}
            | {"qualifier": "", "estimate": float(values[i, k]), "U": 0.02, "k": 2.0, "lower": 8.1, "upper": 9.9}
            for k in range(RESULTS)
        ]
        findings = [{"home": "bench", "run": run, "line": k, "kind": "reason", "code": "skew", "evidence": "e", "probability": None} for k in (1, 2)]
        yield row, results, findings


def fill(database: Database, runs: int) -> None:
    for first in range(0, runs, BATCH):
        batch = list(rows(first, min(BATCH, runs - first)))
        with database.writing() as connection:
            connection.execute(tables.RUNS.insert(), [run for run, _, _ in batch])
            connection.execute(tables.RESULTS.insert(), [line for _, results, _ in batch for line in results])
            connection.execute(tables.FINDINGS.insert(), [line for _, _, findings in batch for line in findings])
    if database.file is None:
        with database.writing() as connection:
            connection.exec_driver_sql("ANALYZE")


def history_figures(home: Path, runs: int) -> dict[str, float]:
    """Milliseconds, longest of several tries: a unit's history, a part's last 1000 results, those of one measurand."""
    store = Store(home)
    start = time.perf_counter()
    fill(store.index.database, runs)
    filled_s = time.perf_counter() - start
    history = History(store)
    units = runs // RUNS_A_UNIT
    assert len(history.unit("PX-0", "S000000")) == RUNS_A_UNIT
    assert len(history.last_results("PX-1")) == 1000
    numbers = np.random.default_rng(1).integers(0, units, 40)
    _, unit_s = shortest(40, lambda k: history.unit(f"PX-{numbers[k] % PARTS}", f"S{numbers[k]:06d}"))
    _, part_s = shortest(20, lambda k: history.last_results(f"PX-{k % PARTS}"))
    _, one_s = shortest(20, lambda k: history.last_results(f"PX-{k % PARTS}", "m3"))
    _, changes_s = shortest(20, lambda k: history.changes(f"PX-{numbers[k] % PARTS}", f"S{numbers[k]:06d}", f"J{numbers[k] // 10}"))
    return {"filled_s": filled_s, "unit_ms": 1e3 * unit_s, "part_ms": 1e3 * part_s, "one_ms": 1e3 * one_s, "changes_ms": 1e3 * changes_s}


def on_both_engines(runs: int, engines: tuple[str, ...] = ("sqlite", "postgresql")) -> dict[str, dict[str, float] | str]:
    """Engine -> figures, or why it could not be measured."""
    figures: dict[str, dict[str, float] | str] = {}
    os.environ.pop(VARIABLE, None)
    with tempfile.TemporaryDirectory(prefix="anglewright-bench-") as folder:
        if "sqlite" in engines:
            figures["sqlite"] = history_figures(Path(folder) / "sqlite", runs)
        if "postgresql" in engines:
            server = postgres_server.start(durable=True)
            if isinstance(server, str):
                figures["postgresql"] = server
                return figures
            try:
                os.environ[VARIABLE] = server.new_database("bench")
                figures["postgresql"] = history_figures(Path(folder) / "postgresql", runs)
            finally:
                os.environ.pop(VARIABLE, None)
                server.close()
    return figures


def main() -> None:
    words = dict(zip(sys.argv[1::2], sys.argv[2::2], strict=False))
    with tempfile.TemporaryDirectory(prefix="anglewright-bench-") as folder:
        size, speed = raw_figures(Path(folder))
    print(f"raw file: {100 * size:.0f} % of int16 (promised 60), {speed:.0f} MB/s (promised 20)")
    runs = int(words.get("--runs", 100_000))
    engines = (words["--engine"],) if "--engine" in words else ("sqlite", "postgresql")
    for engine, f in on_both_engines(runs, engines).items():
        if isinstance(f, str):
            print(f"{engine}: NOT MEASURED: {f}")
            continue
        print(f"{engine}, {runs} runs ({f['filled_s']:.0f} s to fill): a unit's history {f['unit_ms']:.1f} ms (promised 50), a part's last 1000 results {f['part_ms']:.0f} ms, of one measurand {f['one_ms']:.0f} ms (promised 200), changes between conditions {f['changes_ms']:.1f} ms")


if __name__ == "__main__":
    main()
