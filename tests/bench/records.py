"""Speed and size of the records, on demand: python tests/bench/records.py [--runs 100000] [--engine sqlite|postgresql]

Raw waveforms against plain int16; a unit's history and a part's last results among many runs, on both engines.
The runs are rows put down as the index puts them (12 results a run, 4 runs a unit, 40 part numbers).
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

TOP = Path(__file__).parents[2]
sys.path[:0] = [str(TOP / "tests" / "records"), str(TOP / "tests" / "bench")]

import numpy as np
import postgres_server
from sqlalchemy import select

from rig.records.index import tables
from rig.records.index.database import VARIABLE, Database
from rig.records.index.history import History
from rig.records.run.raw import RawFile
from rig.records.store import Store
from rig.signal.waveform import Waveform

RESULTS, PARTS, RUNS_A_UNIT, BATCH = 12, 40, 4, 1000
Row = dict[str, Any]


def slowest_ms(n: int, work: Callable[[int], Any]) -> float:
    """Longest wall time of n tries, milliseconds; the try's number is handed to the work."""
    times = []
    for k in range(n):
        start = time.perf_counter()
        work(k)
        times.append(time.perf_counter() - start)
    return 1e3 * max(times)


def raw_figures(folder: Path, positions: int = 300) -> tuple[float, float]:
    """(size over plain int16, MB of int16 a second) of a sweep written, closed and hashed; best of 3."""
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
    plain, took_s = sum(w.codes.nbytes for w in waves), []
    for n in range(3):
        raw = RawFile(folder / f"raw-{n}.h5")
        start = time.perf_counter()
        for wave in waves:
            raw.append("sweep_ccw", wave)
        raw.close()
        took_s.append(time.perf_counter() - start)
    return (folder / "raw-0.h5").stat().st_size / plain, plain / 1e6 / min(took_s)


def rows(first: int, count: int) -> Iterator[tuple[Row, list[Row]]]:
    """Rows of runs number first, first + 1 ...: (run, results)."""
    rng = np.random.default_rng(first)
    values = rng.normal(9.0, 0.1, (count, RESULTS))
    blank: Row = dict.fromkeys((c.name for c in tables.RUNS.c), "")
    line: Row = {"home": "bench", "unit": "ohm", "verdict": "pass", "qualifier": "", "U": 0.02, "k": 2.0}
    line |= {"lower": 8.1, "upper": 9.9}
    for i in range(count):
        n = first + i
        part, serial, job = unit_of(n // RUNS_A_UNIT)
        day, second = divmod(n, 3000)
        moment = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=day, seconds=28 * second)
        whose = {"home": "bench", "run": f"{moment:%Y%m%d-%H%M%S}-{n:05x}", "part": part, "serial": serial}
        row = blank | whose | {"job": job, "sequence": "full_test", "outcome": "within limits"}
        row |= {"condition": ("as received", "after cleaning")[n % 2], "started_utc": moment.isoformat()}
        row |= {"simulated": True, "closed": True}
        results = [
            line | whose | {"line": k + 1, "measurand": f"m{k}", "estimate": float(values[i, k])}
            for k in range(RESULTS)
        ]
        yield row, results


def unit_of(number: int) -> tuple[str, str, str]:
    """(part, serial, job) of a unit's number."""
    return f"PX-{number % PARTS}", f"S{number:06d}", f"J{number // 10}"


def fill(database: Database, runs: int) -> None:
    for first in range(0, runs, BATCH):
        batch = list(rows(first, min(BATCH, runs - first)))
        with database.writing() as connection:
            connection.execute(tables.RUNS.insert(), [run for run, _ in batch])
            connection.execute(tables.RESULTS.insert(), [line for _, results in batch for line in results])
    if database.file is None:
        with database.writing() as connection:
            connection.exec_driver_sql("ANALYZE")


def last_results(store: Store, part: str, measurand: str = "", most: int = 1000) -> list[Row]:
    """The newest rows of results of a part number (of one measurand), newest run first."""
    t = tables.RESULTS
    query = select(t).where(t.c.part == part, *([t.c.measurand == measurand] if measurand else []))
    return store.index.database.rows(query.order_by(t.c.run.desc(), t.c.home, t.c.line).limit(most))


def history_figures(home: Path, runs: int) -> dict[str, float]:
    """Milliseconds, longest of several tries: a unit's history, a part's last 1000 results, those of one measurand."""
    store = Store(home)
    start = time.perf_counter()
    fill(store.index.database, runs)
    filled_s = time.perf_counter() - start
    history = History(store)
    units = runs // RUNS_A_UNIT
    assert len(history.unit("PX-0", "S000000")) == RUNS_A_UNIT
    assert len(last_results(store, "PX-1")) == 1000
    some = [unit_of(int(n)) for n in np.random.default_rng(1).integers(0, units, 40)]
    figures = {
        "unit_ms": slowest_ms(40, lambda k: history.unit(*some[k][:2])),
        "part_ms": slowest_ms(20, lambda k: last_results(store, f"PX-{k % PARTS}")),
        "one_ms": slowest_ms(20, lambda k: last_results(store, f"PX-{k % PARTS}", "m3")),
        "changes_ms": slowest_ms(20, lambda k: history.changes(*some[k])),
    }
    return figures | {"filled_s": filled_s}


Figures = dict[str, float] | str


def on_both_engines(runs: int, engines: tuple[str, ...] = ("sqlite", "postgresql")) -> dict[str, Figures]:
    """Engine -> figures, or why it could not be measured."""
    figures: dict[str, Figures] = {}
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


def told(f: dict[str, float]) -> str:
    """Figures of one engine in a sentence."""
    return (
        f"a unit's history {f['unit_ms']:.1f} ms (promised 50), a part's last 1000 results {f['part_ms']:.0f} ms, "
        f"of one measurand {f['one_ms']:.0f} ms (promised 200), changes between conditions {f['changes_ms']:.1f} ms"
    )


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
        print(f"{engine}, {runs} runs ({f['filled_s']:.0f} s to fill): {told(f)}")


if __name__ == "__main__":
    main()
