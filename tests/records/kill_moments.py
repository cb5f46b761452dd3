"""A writer that is killed at a random moment, and what must then be true; shared by a test and the show.

The writer is forked (not started anew), so that hundreds of kills take a minute. It tells each acknowledgement on a
pipe after the call that made it has returned.
"""

from __future__ import annotations

import json
import os
import random
import signal
import time
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from records_samples import a_header, a_judgement, a_reading, a_waveform

from rig.records.book.entries import Intake
from rig.records.book.jobs import Book
from rig.records.index.audit import altered_rows
from rig.records.run.stored import StoredRun
from rig.records.store import Store


def write_until_killed(home: Path, pipe: int, seed: int) -> NoReturn:
    """Runs, readings, captures, judgements, remarks and entries, one after the other, until the end of the process."""
    store = Store(home)
    book = Book(store)
    n = 0

    def said(*words: object) -> None:
        os.write(pipe, (json.dumps(words) + "\n").encode())

    while True:
        run = store.begin(a_header(serial=f"K-{seed}-{n}", started_utc="2026-11-25T10:15:00Z"))
        said("begun", run.id)
        for k in range(12):
            run.journal.append("reading", a_reading(k).to_dict())
            said("reading", run.id, k)
            if k % 2 == 0:
                run.raw.append("sweep_ccw", a_waveform(k, 800))
                said("capture", run.id, k // 2)
        store.finish(run, judgement=a_judgement())
        said("closed", run.id)
        store.add_judgement(run.id, a_judgement("undecided", 9.5))
        said("judged", run.id)
        store.add_remark(run.id, "seen", author="A. N.")
        said("remarked", run.id)
        intake = book.take_in(Intake(job=f"J{seed}", part="PX-1", serial=f"K-{seed}-{n}"))
        said("entered", intake.tag)
        n += 1


def kill_one(home: Path, seed: int, longest_s: float = 0.4) -> list[list[Any]]:
    """Fork a writer, kill it (-9) at a moment drawn from the seed; its acknowledgements."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        try:
            write_until_killed(home, writer, seed)
        finally:
            os._exit(3)
    os.close(writer)
    time.sleep(random.Random(seed).uniform(0.0, longest_s))
    os.kill(child, signal.SIGKILL)
    with os.fdopen(reader, "rb") as pipe:
        text = pipe.read()
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), f"the writer ended by itself ({status})"
    return [json.loads(line) for line in text.decode().splitlines()]


def broken_promises(home: Path, acknowledged: list[list[Any]]) -> list[str]:
    """What was acknowledged and is not there, or is there and is not whole; [] when all is well."""
    wrong: list[str] = []
    store = Store(home)
    for kind, name, *more in acknowledged:
        if kind == "entered":
            if not any(e["tag"] == name for e in Book(store).of("intake")):
                wrong.append(f"entry {name} is gone")
            continue
        run = StoredRun(store.folder / name)
        if kind == "reading" and run.readings[more[0]] != a_reading(more[0]):
            wrong.append(f"{name}: reading {more[0]} is not what was acknowledged")
        if kind == "capture":
            codes = run.captures.stack("sweep_ccw").codes[more[0]]
            if not np.array_equal(codes, a_waveform(2 * more[0], 800).codes):
                wrong.append(f"{name}: capture {more[0]} is not what was acknowledged")
        if kind == "closed" and run.record is None:
            wrong.append(f"{name}: was closed and is not")
        if kind == "judged" and run.outcome != "undecided":
            wrong.append(f"{name}: its second judgement is gone")
        if kind == "remarked" and not (run.path / "remark.json").exists():
            wrong.append(f"{name}: its remark is gone")
    for name in {words[1] for words in acknowledged if words[0] != "entered"}:
        run = StoredRun(store.folder / name)
        if run.record is not None and (run.altered_files() or run.record.counts["readings"] != 12):
            wrong.append(f"{name}: has a record but is not whole")
        if run.record is None and run.outcome != "incomplete":
            wrong.append(f"{name}: half a run is taken for whole")
    return wrong


def altered_home(store: Store) -> dict[str, list[str]]:
    """Run id -> where its rows in the database differ from its folder, for every run that differs."""
    store.index.refresh()
    return {run: found for run in store.ids() if (found := altered_rows(store, run))}
