"""The store: every run stays, closed or cut short; nothing is overwritten; the index is only an index."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from records_samples import a_header, a_judgement, a_reading, a_waveform

from rig.errors import RecordError, UsageError
from rig.records.files import write_beside, write_new
from rig.records.run.record import RUN_SCHEMA, RunHeader, RunRecord, dump_judgement, load_judgement, load_record
from rig.records.run.stored import StoredRun
from rig.records.schema import dump, load
from rig.records.store import Store

BEGINNER = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from records_samples import a_header, a_judgement, a_reading
from rig.records.store import Store
store = Store(Path(sys.argv[1]))
for n in range(8):
    run = store.begin(a_header(serial=f"{sys.argv[3]}-{n}"))
    run.journal.append("reading", a_reading(n).to_dict())
    store.finish(run, judgement=a_judgement())
"""


def a_finished(store: Store, **changes: object) -> StoredRun:
    run = store.begin(a_header(**changes))
    for n in range(3):
        run.journal.append("reading", a_reading(n).to_dict())
    run.journal.append("event", {"name": "step begun"})
    run.raw.append("ramp", a_waveform())
    run.close()
    return store.finish(run, judgement=a_judgement())


def test_a_finished_run_gives_back_what_was_put_in(store: Store) -> None:
    """Header, readings, events, captures and judgement of a closed run come back equal."""
    stored = store.find(a_finished(store).id)
    assert stored.header == a_header(run=stored.id)
    assert stored.readings == tuple(a_reading(n) for n in range(3))
    assert stored.events == ({"kind": "event", "name": "step begun"},)
    assert len(stored.captures.stack("ramp")) == 1
    assert stored.judgement == a_judgement()
    assert stored.outcome == "within limits"
    record = stored.record
    assert record is not None
    assert record.counts == {"readings": 3, "events": 1, "captures": 1}
    assert set(record.hashes) == {"journal.jsonl", "raw.h5"}
    assert stored.altered_files() == []
    assert stored.id.startswith("20261125-101500-")


def test_a_changed_file_is_found(store: Store) -> None:
    """A digit changed in the journal after closing is found by its hash, and the file is named."""
    stored = a_finished(store)
    file = stored.path / "journal.jsonl"
    file.write_bytes(file.read_bytes().replace(b"T-1", b"T-2"))
    (stored.path / "raw.h5").unlink()
    assert stored.altered_files() == ["journal.jsonl", "raw.h5"]


def test_a_run_cut_short_is_listed_as_incomplete(store: Store) -> None:
    """A run without run.json stays, with its readings and the captures of its .part file, and counts as incomplete."""
    run = store.begin(a_header())
    run.journal.append("reading", a_reading().to_dict())
    found = store.list()
    assert [(f.run, f.outcome, f.serial) for f in found] == [(run.id, "incomplete", "T-1")]
    stored = store.find(run.id)
    assert stored.record is None
    assert len(stored.readings) == 1
    assert stored.judgement is None
    store.finish(run, judgement=a_judgement())
    assert [f.outcome for f in store.list()] == ["within limits"]


def test_a_stopped_run_is_closed_as_incomplete(store: Store) -> None:
    """A stopped run gets a closed record that says why it ended; it stays like any other."""
    run = store.begin(a_header())
    stored = store.finish(run, ended="stopped by the operator")
    assert stored.outcome == "incomplete"
    assert stored.record is not None
    assert stored.record.ended == "stopped by the operator"


def test_a_second_judgement_goes_beside(store: Store) -> None:
    """Judged again, a run keeps its own judgement untouched and bears the newest outcome."""
    stored = a_finished(store)
    before = (stored.path / "run.json").read_bytes()
    assert store.add_judgement(stored.id, a_judgement("outside limits", 11.0)).name == "judgement-2.json"
    assert store.add_judgement(stored.id, a_judgement("undecided", 9.9)).name == "judgement-3.json"
    again = store.find(stored.id)
    assert [e.judgement.outcome for e in again.evaluations] == ["within limits", "outside limits", "undecided"]
    assert again.outcome == store.list()[0].outcome == "undecided"
    assert (stored.path / "run.json").read_bytes() == before


def test_a_run_is_closed_once(store: Store) -> None:
    """Closing a run a second time is refused and changes nothing."""
    run = store.begin(a_header())
    store.finish(run, judgement=a_judgement())
    before = (run.path / "run.json").read_bytes()
    with pytest.raises(RecordError, match="never overwritten"):
        store.finish(run, judgement=a_judgement("undecided"))
    assert (run.path / "run.json").read_bytes() == before
    assert sorted(p.name for p in run.path.iterdir()) == ["journal.jsonl", "run.json"]


def test_files_go_beside_each_other(store: Store) -> None:
    """A second certificate takes the next free name."""
    stored = a_finished(store)
    names = [store.add_file(stored.id, "certificate.pdf", b"x").name for _ in range(3)]
    assert names == ["certificate.pdf", "certificate-2.pdf", "certificate-3.pdf"]


def test_runs_are_found_by_a_piece_of_their_id(store: Store) -> None:
    """An id, its beginning, its end or "latest" finds a run; several or none is a usage error that shows ids."""
    with pytest.raises(UsageError, match="none yet"):
        store.find("latest")
    first = a_finished(store)
    second = a_finished(store, started_utc="2026-11-26T10:15:00Z")
    assert store.find("latest").id == second.id
    assert store.find("20261125").id == first.id
    assert store.find(first.id[-4:]).id == first.id
    with pytest.raises(UsageError, match="2 runs fit"):
        store.find("2026")
    with pytest.raises(UsageError, match=second.id):
        store.find("zzz")


def test_the_index_is_rebuilt_when_absent_or_damaged(store: Store) -> None:
    """Deleted, turned into rubbish or cut in half, the index is read anew from the folders; rubbish is set aside."""
    ids = {a_finished(store, serial=f"S{n}").id for n in range(3)}
    index = store.home / "anglewright.sqlite"
    store.index.database.close()

    def listed() -> set[str]:
        again = Store(store.home)
        found = {f.run for f in again.list()}
        again.index.database.close()
        return found

    assert listed() == ids
    index.unlink()
    assert listed() == ids
    index.write_bytes(b"rubbish" * 1000)
    assert listed() == ids
    index.write_bytes(index.read_bytes()[:5000])
    assert listed() == ids
    assert len(list(store.home.glob("anglewright*.damaged"))) == 2
    assert [r["estimate"] for r in Store(store.home).results(measurand="r20_exc")] == [9.01] * 3


def test_lists_can_be_narrowed(store: Store) -> None:
    """Runs are listed newest first, by serial or part; a vanished folder leaves the list."""
    a = a_finished(store, serial="A")
    b = a_finished(store, serial="B", started_utc="2026-11-26T08:00:00Z")
    assert [f.run for f in store.list()] == [b.id, a.id]
    assert [f.run for f in store.list(serial="A")] == [a.id]
    for file in b.path.iterdir():
        file.unlink()
    b.path.rmdir()
    assert [f.run for f in store.list()] == [a.id]


def test_a_damaged_record_is_listed_with_its_fault(store: Store) -> None:
    """One damaged run.json hides no other run; the run itself names the file."""
    good, bad = a_finished(store), a_finished(store)
    (bad.path / "run.json").write_text('{"schema": "anglewr')
    (store.home / "anglewright.sqlite").unlink()
    again = Store(store.home)
    assert {f.run for f in again.list()} == {good.id, bad.id}
    with pytest.raises(RecordError, match=r"run\.json: is damaged"):
        _ = again.find(bad.id).outcome


def test_two_benches_write_at_once(store: Store) -> None:
    """Two processes beginning and closing runs in the same second never clash; every run is in the index."""
    words = [sys.executable, "-c", BEGINNER, str(store.home), str(Path(__file__).parent)]
    both = [subprocess.Popen([*words, name]) for name in ("P", "Q")]
    assert [p.wait(60) for p in both] == [0, 0]
    assert {f.serial for f in store.list()} == {f"{name}-{n}" for name in "PQ" for n in range(8)}
    assert len(store.results(measurand="r20_exc")) == 16


def test_a_full_disk_leaves_nothing_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When a record can't be written whole the error names it, and neither it nor its draft is left."""

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("rig.records.files.os.fsync", full)
    with pytest.raises(RecordError, match=r"run\.json: .*No space left"):
        write_new(tmp_path / "run.json", b"{}")
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(RecordError, match="No space left"):
        write_beside(tmp_path / "run.json", b"{}")


def test_a_home_that_refuses_is_named(tmp_path: Path) -> None:
    """A home that can't be written to is one clear error with the path."""
    (tmp_path / "home").write_text("a file, not a folder")
    with pytest.raises(RecordError, match=f"{tmp_path / 'home'}"):
        Store(tmp_path / "home").begin(a_header())


def test_records_of_another_schema_are_refused(tmp_path: Path) -> None:
    """A record that another schema wrote is refused with both names; unknown keys of this schema are left aside."""
    with pytest.raises(RecordError, match="'anglewright run 9' found"):
        load(RunHeader, {"schema": "anglewright run 9"}, "header", RUN_SCHEMA)
    data = dump(a_header()) | {"later_key": 1}
    assert load(RunHeader, data, "header", RUN_SCHEMA) == a_header()
    with pytest.raises(RecordError, match="incomplete"):
        load(RunHeader, {"schema": "anglewright run 1"}, "header", RUN_SCHEMA)
    record = RunRecord(header=a_header(), ended="complete", ended_utc="", outcome="undecided", hashes={})
    assert load_record(json.loads(json.dumps(dump(record)))) == record
    with pytest.raises(RecordError, match="'fine' is no outcome"):
        load_record(dump(record) | {"outcome": "fine"})


def test_a_judgement_survives_json(tmp_path: Path) -> None:
    """Budgets, infinite degrees of freedom and curves come back from strict JSON equal; NaN becomes null."""
    text = json.dumps(dump_judgement(a_judgement()), allow_nan=False)
    assert load_judgement(json.loads(text)) == a_judgement()
    odd = a_judgement(estimate=float("nan"))
    back = load_judgement(json.loads(json.dumps(dump_judgement(odd), allow_nan=False)))
    line = back.line("r20_exc")
    assert line is not None
    assert line.result is not None
    assert line.result.estimate is None
    with pytest.raises(RecordError, match="damaged"):
        load_judgement({"schema": "anglewright judgement 1", "outcome": "undecided"})


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk needs root")
def test_a_really_full_disk(tmp_path: Path) -> None:
    """On a disk of one megabyte a run ends in a RecordError that names the file; all acknowledged captures are read."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)], check=False)
    if mounted.returncode:
        pytest.skip("mount is not allowed here")
    try:
        run = Store(disk).begin(a_header())
        stored = 0
        with pytest.raises(RecordError, match=str(disk)):
            for n in range(1000):
                run.raw.append("sweep_ccw", a_waveform(n, 4000))
                stored += 1
        assert stored > 5
        assert Store(disk).find(run.id).captures.path.suffix == ".part"
        run.close()
        assert Store(disk).find(run.id).captures.count("sweep_ccw") == stored
    finally:
        subprocess.run(["umount", str(disk)], check=True)
