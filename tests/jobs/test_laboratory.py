"""What a laboratory keeps: corrections that every book follows, suspect results, proofs that block arming, persons,
method sheets and validation, backup and drill, retention with stubs, a damaged home named line by line."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "certificate"))
import sample

from rig.certificate.issue import issue
from rig.certificate.seal.register import Register
from rig.certificate.seal.verify_run import run_verification, verify_run
from rig.cli.main import cli
from rig.description.benches import load_bench
from rig.errors import RecordError, SafetyStop, UsageError
from rig.jobs.kept.before_run import look_before
from rig.jobs.kept.correcting import correct_unit
from rig.jobs.kept.home_check import damages, drill
from rig.jobs.kept.laboratory import (
    authorise_person,
    check_person,
    check_proofs,
    note_found,
    record_proof,
    validate_method,
)
from rig.jobs.kept.method import method_sheet
from rig.jobs.kept.removing.letting_go import due_now, let_go
from rig.records.backup import back_up, restore
from rig.records.book.entries import Intake, Job
from rig.records.book.jobs import Book
from rig.records.book.laboratory import Authorisation, Correction, FoundInstrument, SafetyProof
from rig.records.index.history import History
from rig.records.run.listing import newest_runs
from rig.records.run.stored import StoredRun
from rig.records.store import Store

REAL = {"simulated": False, "current": True}
PART, SERIAL, JOB = "QS4-0093", "93-00417", "TS-1180"


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    return Store(tmp_path / "home")


def a_run(store: Store, **header: object) -> StoredRun:
    return sample.stored(store.home, sample.good(), sample.a_header(**(REAL | header)))


def correction(**words: object) -> Correction:
    given = {"part": PART, "serial": SERIAL, "why": "misread", "who": "operator 2", **words}
    return Correction(**given)  # type: ignore[arg-type]


def test_a_corrected_unit_is_right_everywhere(store: Store) -> None:
    """Lists, history, job, results, the quick list and the amended report show it; header and first report stay."""
    book = Book(store)
    book.open_job(Job(job=JOB, customer="Mil"))
    book.take_in(Intake(job=JOB, part=PART, serial=SERIAL))
    run = a_run(store)
    first = issue(store, run)
    done = correct_unit(store, correction(new_serial="93-00471", new_customer="Mill"))
    assert (done.runs, done.entries, len(done.reports)) == ((run.id,), 1, 1)
    again = Store(store.home)
    assert [row.serial for row in again.list()] == ["93-00471"]
    assert newest_runs(store.folder, 5)[0].serial == "93-00471"
    assert {row["serial"] for row in again.results()} == {"93-00471"}
    assert [one.run for one in History(again).unit(PART, "93-00471")] == [run.id]
    job = History(again).job(JOB)
    assert (job["intakes"][0]["serial"], job["job"]["customer"]) == ("93-00471", "Mill")
    assert Book(again).of("intake")[0]["serial"] == "93-00471"
    face = json.loads(Path(done.reports[0].files["data"]).read_bytes())
    assert (face["item"]["Serial"], face["job"]["Customer"]) == ("93-00471", "Mill, as told")
    assert "misread (corrected by operator 2)" in face["amendment"]["reason"]
    assert Register(store.home).state(first.number).startswith("replaced by")
    assert StoredRun(run.path).header.serial == SERIAL
    assert verify_run(again, again.find(run.id)) == []
    for file in store.home.glob("anglewright.sqlite*"):
        file.unlink()
    rebuilt = Store(store.home)
    assert History(rebuilt).job(JOB)["intakes"][0]["serial"] == "93-00471"
    assert [row.serial for row in rebuilt.list()] == ["93-00471"]


def test_an_intake_is_taken_back_and_nonsense_is_refused(store: Store) -> None:
    """Gone from the lists, its file still there; with runs, without a reason, or of an unknown unit it is refused."""
    book = Book(store)
    book.open_job(Job(job=JOB))
    book.take_in(Intake(job=JOB, part=PART, serial="X1"))
    correct_unit(store, correction(serial="X1", taken_back=True))
    assert History(store).job(JOB)["intakes"] == [] and book.of("intake") == []
    assert len(list((store.home / "book").glob("*-intake-*.json"))) == 1
    a_run(store)
    for wanted, words in (
        (correction(taken_back=True), "can't be taken back"),
        (correction(new_serial="Y", why=" "), "needs a reason"),
        (correction(), "nothing is corrected"),
        (correction(serial="gone", new_serial="Y"), "no unit"),
        (correction(new_serial="a\u2028b"), r"U\+2028"),
    ):
        with pytest.raises(UsageError, match=words):
            correct_unit(store, wanted)


def test_an_instrument_out_of_tolerance_makes_results_suspect(store: Store) -> None:
    """Runs since the calibration before, up to the day it was found; an entry beside each, no file changed."""
    before = a_run(store, started_utc="2026-03-01T10:00:00Z")
    run = a_run(store)
    later = a_run(store, started_utc="2026-12-02T10:00:00Z")
    files = {file: file.read_bytes() for one in (before, run, later) for file in one.path.iterdir()}
    found = FoundInstrument(instrument="A-001", on="2026-11-30", in_tolerance=False, who="bench lead")
    assert note_found(store, found) == [run.id]
    assert all(file.read_bytes() == data for file, data in files.items())
    assert "suspect: multimeter A-001 was found out of tolerance" in run_verification(store, run).register
    assert note_found(store, replace(found, in_tolerance=True)) == []
    with pytest.raises(UsageError, match="no run has seen"):
        note_found(store, replace(found, instrument="A-999"))
    with pytest.raises(UsageError, match="is no day"):
        note_found(store, replace(found, on="yesterday"))


def test_overdue_or_failed_proofs_block_arming(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    """Never recorded: said; within the month: silent; older, or failed: the bench can't be armed at its terminal."""
    bench = load_bench("simulated")
    assert "never recorded" in check_proofs(store, bench)[0]
    proof = SafetyProof(bench=bench.name, device="emergency-stop", passed=True, who="operator 2")
    record_proof(store, proof)
    assert check_proofs(store, bench) == []
    record_proof(store, replace(proof, passed=False))
    with pytest.raises(SafetyStop, match="did not cut off"):
        check_proofs(store, bench)
    old = (datetime.now(UTC) - timedelta(days=40)).isoformat(timespec="seconds")
    record_proof(store, replace(proof, at_utc=old))
    from drivers.roles import InterlockState
    from rig.control.arming.arming import Arming
    from rig.jobs.operator.arming_hand import by_hand

    closed = InterlockState(guard_closed=True, emergency_stop=False)
    interlock = SimpleNamespace(state=lambda: closed)
    real = SimpleNamespace(file=bench, guard=SimpleNamespace(arming=Arming()), interlock=interlock)
    with pytest.raises(SafetyStop, match="was last proven 40 days ago"):
        by_hand(real)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="no device"):
        record_proof(store, replace(proof, device="horn"))


def test_once_somebody_is_named_nobody_else_may(store: Store) -> None:
    """No list: anybody; a list: those on it, until their day, not when withdrawn; looked at before anything opens."""
    today = date(2026, 12, 1)
    check_person(store, "full_test", "", today)
    named = Authorisation(person="operator 2", method="full_test", who="bench lead", until="2026-12-31")
    assert authorise_person(store, named) == ["operator 2: full_test until 2026-12-31"]
    check_person(store, "full_test", "operator 2", today)
    check_person(store, "quick_screen", "operator 1", today)
    for person, day in (("operator 1", today), ("", today), ("operator 2", date(2027, 1, 1))):
        with pytest.raises(UsageError, match="authorised for full_test"):
            check_person(store, "full_test", person, day)
    with pytest.raises(UsageError, match="not authorised"):
        look_before(store, "full_test", {"serial": "1", "operator": "operator 1"}, {})
    authorise_person(store, replace(named, withdrawn=True, until=""))
    with pytest.raises(UsageError, match="not authorised"):
        check_person(store, "full_test", "operator 2", today)


def test_what_the_book_knows_goes_into_the_header_and_onto_the_page(store: Store) -> None:
    """Date of receipt, customer and contact; a text that no font can print is refused before anything opens."""
    book = Book(store)
    book.open_job(Job(job=JOB, customer="Mill", contact="order desk"))
    book.take_in(Intake(job=JOB, part=PART, serial=SERIAL, received_utc="2026-11-20T08:00:00Z"))
    known = look_before(store, "full_test", {"serial": SERIAL, "job": JOB, "part": PART}, {})
    assert known == {"received": "2026-11-20", "customer": "Mill", "customer_contact": "order desk"}
    made = issue(store, a_run(store, details={k: v for k, v in known.items() if k != "customer"}))
    face = json.loads(Path(made.files["data"]).read_bytes())
    assert face["item"]["Received"] == "2026-11-20"
    assert face["job"]["Contact"] == "order desk" and face["job"]["Place"] == "4 Tallow Street"
    assert face["job"]["Method"] == "sequence full test 1, method sheet M-full_test-1"
    with pytest.raises(UsageError, match=r"customer: no font here can print U\+12000 .*fonts-noto-core"):
        look_before(store, "full_test", {"serial": "1", "customer": "Mill \U00012000"}, {})
    look_before(store, "full_test", {"serial": "1", "customer": "ไทย Ελλάδα Привет"}, {})


def test_method_sheets_and_validation(store: Store) -> None:
    """Every step of the sequence stands on its sheet; two versions on one unit are compared by their uncertainties."""
    sheet = method_sheet("full_test")
    assert sheet.subject.startswith("M-full_test-")
    assert len(sheet.blocks[1].rows) > 15  # type: ignore[union-attr]
    old, new = a_run(store), a_run(store, sequence_version="2", started_utc="2026-11-25T12:00:00Z")
    made = validate_method(store, old, new, "bench lead")
    assert (made.version, made.against, made.worst) == ("2", "1", 0.0) or made.worst < 1e-9
    worse = sample.stored(
        store.home, sample.bad(), sample.a_header(**REAL, sequence_version="3", started_utc="2026-11-25T13:00:00Z")
    )
    with pytest.raises(UsageError, match="not validated"):
        validate_method(store, new, worse, "bench lead")
    with pytest.raises(UsageError, match="not two versions"):
        validate_method(store, old, old, "bench lead")


def test_a_changed_method_and_an_updated_program_hold_reports_back(store: Store) -> None:
    """A newer version of a sequence certifies once it is validated; a bench once it was proven by this program."""
    first = a_run(store)
    issue(store, first)
    newer = a_run(store, sequence_version="2", started_utc="2026-11-25T12:00:00Z")
    held = json.loads(Path(issue(store, newer).files["data"]).read_bytes())
    assert held["subtitle"] == "provisional" and not Register(store.home).entries[-1].sealed
    validate_method(store, first, newer, "bench lead")
    free = json.loads(Path(issue(store, newer, reason="validated").files["data"]).read_bytes())
    assert free["subtitle"] == "calibration-style" and Register(store.home).entries[-1].sealed
    proof = a_run(store, sequence="prove", software="anglewright 0.0.9", started_utc="2026-11-24T10:00:00Z")
    health = {"made_utc": "2026-11-24T10:00:00Z", "run": proof.id, "data": {"fell_short": []}}
    after = a_run(store, started_utc="2026-11-25T13:00:00Z", calibration={"health": health})
    made = issue(store, after)
    assert json.loads(Path(made.files["data"]).read_bytes())["subtitle"] == "provisional"
    assert issue(store, after).again


def test_a_home_in_one_file_and_back(store: Store, tmp_path: Path) -> None:
    """Every file but index, locks and private keys; the drill looks it over; altered, or over something: refused."""
    Book(store).open_job(Job(job=JOB))
    run = a_run(store)
    made = issue(store, run)
    (store.home / "keys").mkdir()
    (store.home / "keys" / "shop.key.pem").write_text("secret")
    count = back_up(store.home, tmp_path / "home.zip")
    assert drill(tmp_path / "home.zip") == (count, [])
    other = tmp_path / "other"
    restore(tmp_path / "home.zip", other)
    assert not (other / "keys" / "shop.key.pem").exists()
    back = Store(other)
    assert run_verification(back, back.find(run.id)).state == "unchanged"
    assert Register(other).find(made.number) is not None and Register(other).faults == ()
    with pytest.raises(RecordError, match="is not empty"):
        restore(tmp_path / "home.zip", other)
    data = bytearray((tmp_path / "home.zip").read_bytes())
    data[len(data) // 3] ^= 1
    (tmp_path / "bad.zip").write_bytes(data)
    with pytest.raises(RecordError):
        restore(tmp_path / "bad.zip", tmp_path / "third")
    assert not (tmp_path / "third").exists()


def test_a_damaged_home_names_what_is_damaged(store: Store) -> None:
    """A report's folder gone, the register's last line cut off, a run altered, a bad entry: a line each; lists work."""
    Book(store).open_job(Job(job=JOB))
    runs = [a_run(store, started_utc=f"2026-11-25T1{n}:00:00Z", serial=f"S{n}") for n in range(3)]
    for run in runs:
        issue(store, run)
    assert damages(store.home) == []
    import shutil

    shutil.rmtree(runs[0].path)
    (runs[1].path / "journal.jsonl").write_bytes(b"x")
    register = store.home / "certificates.jsonl"
    register.write_bytes(b"".join(register.read_bytes().splitlines(keepends=True)[:-1]))
    entry = next((store.home / "book").glob("*.json"))
    entry.write_bytes(b"{")
    said = damages(store.home)
    assert any(one.startswith("register: its last line is missing") for one in said)
    assert any("the folder of report" in one and runs[0].id in one for one in said)
    assert any(one.startswith(f"runs/{runs[1].id}: journal.jsonl") for one in said)
    assert any(one.startswith("book: ") for one in said)
    assert {row.run for row in Store(store.home).list()} == {runs[1].id, runs[2].id}
    done = CliRunner().invoke(cli, ["job", "check"])
    assert done.exit_code == 1 and "its last line is missing" in done.output


def test_old_raw_files_and_faces_go_by_rule_and_leave_their_hashes(store: Store) -> None:
    """Only by the shop's rule, not of a job that is kept; the run verifies by its stub; a forged stub does not."""
    with pytest.raises(UsageError, match="no rule"):
        due_now(store)
    store.home.mkdir(exist_ok=True)
    (store.home / "shop.toml").write_text(
        'schema = "anglewright shop 1"\nname = "T"\n[retention]\nfaces_years = 1\nkeep_jobs = ["kept"]\n'
    )
    old, kept = a_run(store), a_run(store, job="kept", started_utc="2026-11-25T12:00:00Z")
    for run in (old, kept):
        issue(store, run)
        record = json.loads((run.path / "run.json").read_bytes())
        assert record["ended_utc"].startswith("2026-11")
    assert due_now(store) == []
    from rig.records.retention import due_files

    runs = [StoredRun(old.path), StoredRun(kept.path)]
    due = due_files(runs, date(2028, 1, 1), raw_years=1, faces_years=1, keep_jobs=["kept"])
    assert [one.run for one in due] == [old.id]
    let_go(store, due, "bench lead")
    assert not list(old.path.glob("certificate*"))
    assert verify_run(store, StoredRun(old.path)) == []
    stub = old.path / "deleted.json"
    os.chmod(stub, 0o644)
    data = json.loads(stub.read_bytes())
    data["files"] = dict.fromkeys(data["files"], "0" * 64)
    stub.write_text(json.dumps(data))
    assert any("missing" in place for place in verify_run(store, StoredRun(old.path)))
