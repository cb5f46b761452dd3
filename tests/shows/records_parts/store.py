"""What issue 6 promises of the store and of judging again: nothing lost by a kill, histories in time, two benches on
one database, an archive judged by a crew. Quick: 8 writers killed, 4 000 runs, a small archive; whole: 200 writers,
100 000 runs on both engines, 1000 sweeps judged twice (about 40 minutes on two free cores).
"""

from __future__ import annotations

# ruff: noqa: E402  (threads are held to one before numpy loads; helpers of other tests stand in their own folders)
import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

TOP = Path(__file__).parents[3]
ROOMS = ("records", "bench", "review", "evaluation")
sys.path[:0] = [str(TOP / "tests" / room) for room in ROOMS]

import postgres_server
import records as bench
from archive_samples import copies, stored
from kill_moments import altered_home, broken_promises, kill_one
from observed_from_world import full_test, quick_screen

from rig.records.index.database import VARIABLE
from rig.records.run.record import dump_judgement
from rig.records.store import Store
from rig.review.archive.archive import ArchiveReport, judge_archive
from rig.review.archive.crews import cluster

Line = Iterator[tuple[bool, str]]
WORK = Path(tempfile.mkdtemp(prefix="anglewright-show-"))
os.environ.pop(VARIABLE, None)
BENCH = """
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from records_samples import a_header, a_judgement, a_reading, a_waveform
from rig.records.store import Store
home, name, runs = Path(sys.argv[1]), sys.argv[3], int(sys.argv[4])
store = Store(home)
for n in range(runs):
    begun = datetime(2026, 11, 25, tzinfo=UTC) + timedelta(seconds=86_400 * n / runs)
    header = a_header(serial=f"U-{n}", started_utc=begun.isoformat(), bench={"name": name}, job=f"{name}-{n // 5}")
    run = store.begin(header)
    for k in range(20):
        run.journal.append("reading", a_reading(k).to_dict())
    run.raw.append("sweep_ccw", a_waveform(n, 800))
    store.finish(run, judgement=a_judgement(estimate=9.0 + n / 1e4))
    print(run.id, flush=True)
"""


def checks(quick: bool) -> list[tuple[str, Callable[[], Line]]]:
    return [
        ("kills", partial(kills, 8 if quick else 200)),
        ("histories", partial(histories, quick)),
        ("two benches", partial(two_benches, 5 if quick else 288)),
        ("archive", partial(archive, quick)),
    ]


def kills(count: int) -> Line:
    """kill -9 at random moments while writing: all acknowledged is there, nothing half-written passes."""
    home = WORK / "kills"
    acknowledged = [words for seed in range(count) for words in kill_one(home, seed, 1.0)]
    wrong = broken_promises(home, acknowledged)
    store = Store(home)
    unlisted = set(store.ids()) ^ {found.run for found in store.list()}
    cut = sum(store.find(run).record is None for run in store.ids())
    rows = altered_home(store)
    told = f"{count} kills, {len(acknowledged)} acknowledgements, {len(store.ids())} runs of which {cut} cut short, "
    told += f"{len(wrong)} promises broken, {len(unlisted)} unlisted, {len(rows)} runs with wrong rows"
    yield not wrong and not unlisted and not rows and cut > 0, told
    for line in wrong[:5]:
        yield False, line


def histories(quick: bool) -> Line:
    """Raw data at most 60 % of int16 at 20 MB/s; a unit's history under 50 ms, a part's last 1000 under 200 ms."""
    size, speed_mb_s = bench.raw_figures(WORK, 360)
    yield size <= 0.6, f"raw file: {100 * size:.0f} % of int16"
    yield quick or speed_mb_s >= 20, f"raw file: {speed_mb_s:.0f} MB/s"
    runs = 4_000 if quick else 100_000
    for engine, figures in bench.on_both_engines(runs, ("sqlite",) if quick else ("sqlite", "postgresql")).items():
        if isinstance(figures, str):
            yield False, f"{engine}: {figures}"
            continue
        fine = figures["unit_ms"] < 50 and max(figures["part_ms"], figures["one_ms"]) < 200
        yield fine, f"{engine}, {runs} runs: {bench.told(figures)}"


def archive(quick: bool) -> Line:
    """Sweeps judged again on a local Dask cluster: 1.6 times one loop, same results, a killed worker loses none."""
    store = Store(WORK / "archive")
    kinds = 2 if quick else 4
    count = 4 if quick else 1000
    for seed in range(kinds):
        obs = quick_screen({"seed": seed + 1}) if quick else full_test({"seed": seed + 1})
        made = stored(Store(WORK / "originals"), obs, sequence="quick_screen" if quick else "full_test")
        copies(made, store.home, count // kinds, day=seed + 1)
    started = time.monotonic()
    alone = judge_archive(store, "alone")
    alone_s = time.monotonic() - started
    two, two_s, deaths = on_a_cluster(store, count)
    differing = [run for run in store.ids() if not same_twice(store, run)]
    told = f"{count} runs: alone {alone_s:.0f} s, two workers {two_s:.0f} s with a kill, {alone_s / two_s:.2f} times; "
    told += f"{len(alone.told)} and {len(two.told)} judged, {len(differing)} differ, {deaths} worker killed"
    whole = len(two.told) == len(alone.told) == count and deaths == 1
    whole = whole and not (two.faults or two.left or differing)
    yield whole, told
    if not quick:
        yield alone_s / two_s >= 1.6, f"two workers with a kill: {alone_s / two_s:.2f} times the serial loop"


def on_a_cluster(store: Store, count: int) -> tuple[ArchiveReport, float, int]:
    """(report, seconds, workers killed)."""
    import dask
    from distributed import LocalCluster

    deaths: list[int] = []
    dask.config.set({"distributed.admin.log-format": "%(message)s", "logging.distributed": "critical"})
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as local:
        workers = [worker.process.process.pid for worker in local.workers.values()]

        def progress(done: int, _of: int) -> None:
            if not deaths and done >= count // 4:
                deaths.append(workers[0])
                os.kill(workers[0], signal.SIGKILL)

        started = time.monotonic()
        report = judge_archive(store, "cluster", crew=cluster(local.scheduler_address), on_progress=progress)
        return report, time.monotonic() - started, len(deaths)


def same_twice(store: Store, run: str) -> bool:
    """Whether both campaigns kept one judgement of a run, and the same."""
    made = [e for e in store.find(run).evaluations if e.campaign]
    if sorted(e.campaign for e in made) != ["alone", "cluster"]:
        return False
    return dump_judgement(made[0].judgement) == dump_judgement(made[1].judgement)


def two_benches(runs: int) -> Line:
    """Two benches write one PostgreSQL at once for a simulated day: nothing lost, nothing crossed."""
    server = postgres_server.start(durable=True)
    if isinstance(server, str):
        yield False, f"NOT MEASURED: {server}"
        return
    os.environ[VARIABLE] = server.new_database("day")
    try:
        started = time.monotonic()
        words = [sys.executable, "-c", BENCH]
        both = {
            name: subprocess.Popen(
                [*words, str(WORK / name), str(TOP / "tests" / "records"), name, str(runs)],
                stdout=subprocess.PIPE,
                text=True,
            )
            for name in ("north", "south")
        }
        said = {name: process.communicate()[0].split() for name, process in both.items()}
        took_s = time.monotonic() - started
        stores = {name: Store(WORK / name) for name in both}
        listed = {name: {f.run for f in store.list()} for name, store in stores.items()}
        crossed = [
            f
            for name, store in stores.items()
            for run in listed[name]
            if (f := store.find(run)).header.bench["name"] != name
        ]
        wrong = {name: altered_home(store) for name, store in stores.items()}
        from sqlalchemy import func, select

        from rig.records.index.tables import RESULTS, RUNS

        (rows,) = stores["north"].index.database.rows(select(func.count().label("n")).select_from(RUNS))
        (lines,) = stores["north"].index.database.rows(select(func.count().label("n")).select_from(RESULTS))
        lost = [run for name in both for run in said[name] if run not in listed[name]]
        fine = not lost and not crossed and not any(wrong.values()) and rows["n"] == 2 * runs and lines["n"] == 4 * runs
        fine = fine and all(len(said[name]) == runs for name in both)
        told = f"2 x {runs} runs over a day of bench time in {took_s:.0f} s: {rows['n']} runs and {lines['n']} results "
        told += f"there, {len(lost)} lost, {len(crossed)} crossed, {sum(map(len, wrong.values()))} with wrong rows"
        yield fine, told
        for store in stores.values():
            store.index.database.close()
    finally:
        os.environ.pop(VARIABLE, None)
        server.close()
