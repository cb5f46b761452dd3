"""A job leaves in one file and comes in elsewhere unchanged; anything altered on the way is found and named."""

from __future__ import annotations

import hashlib
import json
import random
import zipfile
from pathlib import Path

import pytest
from records_samples import a_header, a_judgement, a_reading, a_waveform

from rig.certificate.sheets.slips import hand_back_slip, label
from rig.errors import RecordError, UsageError
from rig.records.book.entries import Intake, Job, Return
from rig.records.book.jobs import Book
from rig.records.exchange.arriving import import_job
from rig.records.exchange.leaving import export_job
from rig.records.index.history import History
from rig.records.run.stored import StoredRun
from rig.records.store import Store


def kept(store: Store, day: int, outcome: str = "within limits", estimate: float = 9.01, **more: object) -> StoredRun:
    run = store.begin(a_header(started_utc=f"2026-11-{day:02d}T08:00:00Z", job="J1", **more))
    run.journal.append("reading", a_reading(day).to_dict())
    run.raw.append("ramp", a_waveform(day))
    return store.finish(run, judgement=a_judgement(outcome, estimate))


@pytest.fixture
def job(store: Store) -> Store:
    """A job with two attempts as received, one after cleaning, and one still open."""
    book = Book(store)
    book.open_job(Job(job="J1", customer="Lower Mill Motors (invented)"))
    book.take_in(Intake(job="J1", part="PX-1", serial="T-1", complaint="jerks when warm", condition="oily"))
    first = kept(store, 1, "outside limits", 9.95, condition="as received")
    kept(store, 2, "outside limits", 9.96, condition="as received", retest_of=first.id)
    kept(store, 3, condition="after cleaning")
    store.add_remark(first.id, "rub marks", author="A. N.")
    store.begin(a_header(started_utc="2026-11-04T08:00:00Z", job="J1")).close()
    return store


def contents(store: Store) -> dict[str, bytes]:
    closed = [StoredRun(p) for p in store.folder.iterdir() if (p / "run.json").exists()]
    return {f"{r.id}/{f.name}": f.read_bytes() for r in closed for f in r.path.iterdir()}


def rewritten(
    source: Path, target: Path, change: dict[str, bytes | None], more: dict[str, bytes] | None = None
) -> Path:
    """The same archive with some files' bytes changed (None: left out), and others added."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            data = change.get(name, old.read(name))
            if data is not None:
                new.writestr(name, data)
        for name, data in (more or {}).items():
            new.writestr(name, data)
    return target


def test_a_job_comes_back_byte_for_byte(job: Store, engine_home: Path, tmp_path: Path) -> None:
    """Every file of every closed run and every entry; the open run is named; a second import changes nothing."""
    told = export_job(job, "J1", tmp_path / "J1.zip")
    assert len(told.runs) == 3 and told.entries == 2 and len(told.left_out) == 1
    other = Store(engine_home / "elsewhere")
    came = import_job(other, told.path)
    assert came.runs == told.runs and came.entries == 2 and came.job == "J1"
    assert contents(other) == contents(job)
    assert [r.altered_files() for r in map(other.find, came.runs)] == [[], [], []]
    history = History(other)
    assert history.job("J1")["job"]["customer"] == "Lower Mill Motors (invented)"
    assert [r.attempt for r in history.unit("PX-1", "T-1")] == [1, 2, 1]
    again = import_job(other, told.path)
    assert again.runs == () and again.known == told.runs and again.entries == 0
    assert contents(other) == contents(job)
    assert not (other.home / "import").exists()


def test_what_was_added_later_is_taken_over(job: Store, tmp_path: Path) -> None:
    """A judgement made after the first export joins the run that is there already."""
    export_job(job, "J1", tmp_path / "one.zip")
    other = Store(tmp_path / "other")
    import_job(other, tmp_path / "one.zip")
    run = other.ids()[0]
    job.add_judgement(run, a_judgement("undecided"))
    export_job(job, "J1", tmp_path / "two.zip")
    import_job(other, tmp_path / "two.zip")
    assert other.find(run).outcome == "undecided"
    assert next(f.outcome for f in other.list() if f.run == run) == "undecided"


def test_every_alteration_is_found_and_nothing_comes_in(job: Store, tmp_path: Path) -> None:
    """A changed digit in any file, one left out, one added, a path that leads outside, a forged manifest."""
    path = export_job(job, "J1", tmp_path / "J1.zip").path
    other = Store(tmp_path / "other")
    with zipfile.ZipFile(path) as archive:
        data = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(data["manifest.json"])
    cases: list[tuple[Path, str]] = []
    for n, name in enumerate(manifest["files"]):
        middle = len(data[name]) // 2
        changed = data[name][:middle] + bytes([data[name][middle] ^ 1]) + data[name][middle + 1 :]
        cases.append((rewritten(path, tmp_path / f"c{n}.zip", {name: changed}), name))
    some = next(name for name in manifest["files"] if name.endswith("journal.jsonl"))
    cases.append((rewritten(path, tmp_path / "gone.zip", {some: None}), some))
    cases.append((rewritten(path, tmp_path / "more.zip", {}, {"runs/a-b-c/x.json": b"{}"}), "not listed"))
    evil = manifest | {"files": manifest["files"] | {"../../evil": "0" * 64}}
    forged = {"manifest.json": json.dumps(evil).encode()}
    cases.append((rewritten(path, tmp_path / "evil.zip", forged, {"../../evil": b"x"}), "has no place"))
    altered = data[some].replace(b'"serial":"T-1"', b'"serial":"T-2"')
    smooth = manifest | {"files": manifest["files"] | {some: hashlib.sha256(altered).hexdigest()}}
    both = {some: altered, "manifest.json": json.dumps(smooth).encode()}
    cases.append((rewritten(path, tmp_path / "smooth.zip", both), "when the run was closed"))
    half = tmp_path / "half.zip"
    half.write_bytes(path.read_bytes()[:-200])
    cases.append((half, "is no job file"))
    for file, words in cases:
        with pytest.raises(RecordError) as told:
            import_job(other, file)
        assert words in str(told.value) and file.name in str(told.value)
    assert other.ids() == () and not (other.home / "book").exists()


def test_a_run_that_differs_here_is_never_overwritten(job: Store, tmp_path: Path) -> None:
    """The same id with other bytes: refused, and the one that is here stays."""
    path = export_job(job, "J1", tmp_path / "J1.zip").path
    run = job.find(job.ids()[0])
    record = run.path / "run.json"
    text = record.read_bytes()
    record.write_bytes(text.replace(b"9.95", b"9.05"))
    with pytest.raises(RecordError, match="differs from the one that is kept here"):
        import_job(job, path)
    assert record.read_bytes() == text.replace(b"9.95", b"9.05")


def test_an_unknown_job_and_a_taken_name(job: Store, tmp_path: Path) -> None:
    """Nothing is exported of a job that isn't there; a file that is there is not overwritten."""
    with pytest.raises(UsageError, match="nothing is kept"):
        export_job(job, "J9", tmp_path / "J9.zip")
    (tmp_path / "J1.zip").write_bytes(b"mine")
    with pytest.raises(RecordError, match="never overwritten"):
        export_job(job, "J1", tmp_path / "J1.zip")
    assert [p.name for p in tmp_path.iterdir() if p.is_file()] == ["J1.zip"]
    (tmp_path / "x.zip").write_text("no archive")
    with pytest.raises(RecordError, match="is no job file"):
        import_job(job, tmp_path / "x.zip")


def test_the_slip_tells_what_came_what_was_done_and_what_changed(job: Store) -> None:
    """Complaint as told, both attempts counted, outcomes as they are, simulated marked, the change that counts."""
    history = History(job)
    slip = hand_back_slip(history, "J1", "PX-1", "T-1")
    assert "Complaint, as told    jerks when warm" in slip
    assert "attempt 1 of 2" in slip and "attempt 2 of 2" in slip and "SIMULATED" in slip
    assert slip.count("outside limits") == 2
    assert "Coil resistance, excitation, at 20 °C: 9.960 -> 9.010 Ω" in slip
    assert "difference −0.950, U 0.028" in slip and "r20_exc" not in slip
    assert "Handed back" not in slip
    Book(job).hand_back(Return(job="J1", part="PX-1", serial="T-1", handed_to="the driver"))
    assert "To                    the driver" in hand_back_slip(history, "J1", "PX-1", "T-1")
    with pytest.raises(UsageError, match="never came in"):
        hand_back_slip(history, "J1", "PX-1", "T-9")
    intake = history.job("J1")["intakes"][0]
    assert label(intake).count(intake["tag"]) == 2 and "keep with its stator" in label(intake)
    assert label(intake | {"rotor": "none"}).count(intake["tag"]) == 1
    assert all(len(line) <= 72 for line in slip.splitlines())


def resealed(source: Path, target: Path, change: dict[str, bytes]) -> Path:
    """The archive with some files changed or added, and a manifest whose hashes fit."""
    with zipfile.ZipFile(source) as old:
        manifest = json.loads(old.read("manifest.json"))
    manifest["files"] |= {name: hashlib.sha256(data).hexdigest() for name, data in change.items()}
    known = {name: data for name, data in change.items() if name in zipfile.ZipFile(source).namelist()}
    more = {name: data for name, data in change.items() if name not in known}
    return rewritten(source, target, known | {"manifest.json": json.dumps(manifest).encode()}, more)


@pytest.mark.parametrize(
    "entry",
    [
        b"{",
        b"[" * 100_000,
        b'{"schema": "anglewright entry 1", "kind": "intake", "made_utc": "", "data": {"job": "J1"}}',
        b'{"schema": "anglewright entry 1", "kind": "intake", "made_utc": 3, "data": []}',
        b'{"schema": "anglewright entry 1", "kind": "good-unit", "made_utc": "", "data": {"job": "J1"}}',
        b'{"schema": "anglewright entry 1", "kind": "job", "made_utc": "", "data": {"job": "J2"}}',
        b'{"schema": "anglewright entry 1", "kind": "job", "kind": "job", "made_utc": "", "data": {"job": "J1"}}',
        b'{"schema": "anglewright entry 1", "kind": "job", "made_utc": "", "data": {"job": "J1", "customer": "\xff"}}',
    ],
)
def test_one_bad_entry_refuses_the_archive_and_disables_nothing(job: Store, tmp_path: Path, entry: bytes) -> None:
    """An entry in no schema of ours, of another job or kind, or not UTF-8 is named; nothing came in, lists work."""
    path = export_job(job, "J1", tmp_path / "J1.zip").path
    name = "book/20260101-000000-000000-intake-abcd.json"
    bad = resealed(path, tmp_path / "bad.zip", {name: entry})
    other = Store(tmp_path / "other")
    with pytest.raises(RecordError, match=name):
        import_job(other, bad)
    assert other.ids() == () and not (other.home / "book").exists()
    assert list(other.list()) == [] and History(other).job("J1")["intakes"] == []
    assert len(import_job(other, path).runs) == 3


def test_a_record_of_a_wrong_shape_refuses_the_archive(job: Store, tmp_path: Path) -> None:
    """A closed record without its header, or a folder under another run's name, is refused by the file's name."""
    path = export_job(job, "J1", tmp_path / "J1.zip").path
    run = job.find(job.ids()[0])
    data = json.loads((run.path / "run.json").read_bytes())
    bad = resealed(path, tmp_path / "bad.zip", {f"runs/{run.id}/run.json": json.dumps(data | {"header": {}}).encode()})
    with pytest.raises(RecordError, match=rf"runs/{run.id}/run\.json: incomplete"):
        import_job(Store(tmp_path / "other"), bad)
    files = {f"runs/20260101-000000-aaaa/{f.name}": f.read_bytes() for f in run.path.iterdir()}
    with pytest.raises(RecordError, match="is no closed run of that name"):
        import_job(Store(tmp_path / "other"), resealed(path, tmp_path / "twin.zip", files))


def test_mutated_archives_never_end_in_a_traceback(job: Store, tmp_path: Path) -> None:
    """Bytes flipped anywhere (headers, flags, compressed data, directory): taken whole or refused by name."""
    data = export_job(job, "J1", tmp_path / "J1.zip").path.read_bytes()
    rng, other = random.Random(12), Store(tmp_path / "other")
    directory = data.index(b"PK\x01\x02")
    for n in range(150):
        mutated = bytearray(data)
        for _ in range(rng.randint(1, 3)):
            place = rng.randrange(directory, len(data)) if n % 2 else rng.randrange(len(data))
            mutated[place] ^= 1 << rng.randrange(8)
        file = tmp_path / "m.zip"
        file.write_bytes(mutated)
        try:
            import_job(other, file)
        except RecordError as told:
            assert str(file) in str(told)
        assert len(other.ids()) in (0, 3)
    assert len(other.list()) == len(other.ids())
