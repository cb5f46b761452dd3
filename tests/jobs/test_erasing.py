"""A customer's name erased: nothing of the home holds it any more, and every hash, proof and reference stays."""

from __future__ import annotations

import re
import sys
import zlib
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "certificate"))
import sample

from rig.certificate.issue import issue
from rig.certificate.seal.verify import verify
from rig.errors import RecordError, UsageError
from rig.jobs.kept.carrying import carry_out, take_in
from rig.jobs.kept.correcting import correct_unit
from rig.jobs.kept.home_check import damages
from rig.jobs.kept.removing.erasing import erase_customer, settle_erasures
from rig.records import names
from rig.records.book.entries import Intake, Job, Return
from rig.records.book.jobs import Book
from rig.records.book.laboratory import Correction
from rig.records.index.history import History
from rig.records.run.stored import StoredRun
from rig.records.store import Store

NAME, CONTACT, DRIVER = "Mühle Unterau (invented)", "front desk, invented", "a driver, invented"
WHY = {"why": "asked for in writing", "who": "operator 2"}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A home with a job, a unit that came and left, and a run with an issued report."""
    made = Store(tmp_path / "home")
    book = Book(made)
    book.open_job(Job(job="J1", customer=NAME, contact=CONTACT))
    book.take_in(Intake(job="J1", part="KX4-2207", serial="T-1"))
    header = sample.a_header(serial="T-1", job="J1", customer=NAME, details={"customer_contact": CONTACT})
    sample.stored(made.home, sample.good(), header)
    issue(made, made.find("latest"))
    book.hand_back(Return(job="J1", part="KX4-2207", serial="T-1", handed_to=DRIVER))
    return made


def holding(home: Path, text: str) -> list[str]:
    """Files of a home whose bytes hold a text, as it stands or as JSON writes it, within streams of a PDF too."""
    forms = {text.encode(), text.encode("unicode_escape"), text.encode("utf-16-be")}
    return [
        str(file.relative_to(home))
        for file in sorted(home.rglob("*"))
        if file.is_file() and any(form in part for form in forms for part in _parts(file.read_bytes()))
    ]


def _parts(data: bytes) -> list[bytes]:
    found = [data]
    for piece in data.split(b"stream\n")[1:] if data.startswith(b"%PDF") else ():
        try:
            found.append(zlib.decompressobj().decompress(piece))
        except zlib.error:
            continue
    return found


def test_before_names_stand_in_one_place_and_in_what_is_printed(store: Store) -> None:
    """Header, journal and book hold references; the names' own files, the report and the index hold the words."""
    run = store.find("latest")
    assert run.header.customer == NAME and run.header_as_kept.customer.startswith("name:")
    assert History(store).job("J1")["job"]["customer"] == NAME
    kept = [name for name in holding(store.home, NAME) if not name.startswith("names/")]
    assert all("certificate" in name or name.startswith("anglewright.sqlite") for name in kept), kept
    assert len(list((store.home / "names").iterdir())) == 3


def test_an_erased_customer_is_nowhere_and_everything_still_holds(store: Store, tmp_path: Path) -> None:
    """Name, contact and driver are gone from every byte, the database's free pages included; hashes, register and
    proofs hold; a copy of the report that somebody kept is still unchanged; a report issued again says when."""
    run = store.find("latest")
    face = next(run.path.glob("certificate*.json"))
    copy = tmp_path / face.name
    copy.write_bytes(face.read_bytes())
    done = erase_customer(store, NAME, **WHY)
    assert (done.names, done.runs, done.before) == (3, (run.id,), ()) and done.reports >= 3
    for text in (NAME, CONTACT, DRIVER):
        assert holding(store.home, text) == []
    day = names.erased_day(Store(store.home).find(run.id).header.customer)
    assert day and History(store).job("J1")["job"]["customer"] == f"erased on {day}"
    assert not StoredRun(run.path).altered_files() and damages(store.home) == []
    assert verify(copy, store.home).exit_status == 0
    again = issue(Store(store.home), Store(store.home).find(run.id), reason="asked for again")
    shown = max(run.path.glob("certificate*.json"), key=lambda f: f.stat().st_mtime_ns).read_text(encoding="utf-8")
    assert again.number in shown
    assert f"name erased on {day}" in shown and "front desk" not in shown
    assert damages(store.home) == []  # the new report's files have names of their own
    assert verify(copy, store.home).exit_status == 0


def test_a_kill_in_the_middle_is_finished_at_the_next_start(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The entry stands, the rest does not: the name is already unread, named by the check, and goes with the next
    command."""

    def kill(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(type(store.index), "erase_names", kill)
        with pytest.raises(KeyboardInterrupt):
            erase_customer(store, NAME, **WHY)
    left = Store(store.home)
    assert names.erased_day(left.find("latest").header.customer)
    assert any("was to be erased" in row for row in damages(store.home))
    settle_erasures(left)
    assert holding(store.home, NAME) == [] and damages(store.home) == []


def test_reports_stay_where_the_shop_has_to_keep_them(store: Store) -> None:
    """keep_reports: the faces still print the name; nothing else does."""
    assert erase_customer(store, NAME, **WHY, keep_reports=True).reports == 0
    kept = holding(store.home, NAME)
    assert kept and all("certificate" in name for name in kept)


def test_a_name_travels_with_its_job_and_not_once_it_was_erased(store: Store, tmp_path: Path) -> None:
    """Another home shows the customer; erased there, the job file does not bring the name back; a name that is not
    what records refer to is refused."""
    file = tmp_path / "j1.zip"
    carry_out(store, "J1", file)
    other = Store(tmp_path / "other")
    take_in(other, file)
    assert other.find("latest").header.customer == NAME
    erase_customer(other, NAME, **WHY)
    take_in(other, file)
    assert names.erased_day(Store(other.home).find("latest").header.customer)
    assert [name for name in holding(other.home, NAME) if "certificate" not in name] == []
    wrong = next((store.home / "names").iterdir())
    wrong.write_text(wrong.read_text(encoding="utf-8").replace("invented", "forged"), encoding="utf-8")
    with pytest.raises(RecordError, match="does not hold the name"):
        take_in(Store(tmp_path / "third"), _carried(store, tmp_path / "forged.zip"))


def _carried(store: Store, file: Path) -> Path:
    import json
    import zipfile

    from rig.records.exchange.manifest import MANIFEST
    from rig.records.files import sha256_of

    with zipfile.ZipFile(file.with_name("j1.zip")) as source, zipfile.ZipFile(file, "w") as target:
        stated = json.loads(source.read(MANIFEST))
        for name in source.namelist():
            here = store.home / name
            forged = name.startswith("names/") and "forged" in here.read_text(encoding="utf-8")
            target.writestr(name, here.read_bytes() if forged else source.read(name)) if name != MANIFEST else None
            if forged:
                stated["files"][name] = sha256_of(here)
        target.writestr(MANIFEST, json.dumps(stated))
    return file


def test_a_corrected_customer_can_be_erased_too(store: Store) -> None:
    """The correction's entry and the run's hold references as well."""
    right = "Upper Mill, invented"
    part = str(store.find("latest").header.part["number"])
    words = {"part": part, "serial": "T-1", "why": "misread", "who": "operator 2"}
    assert correct_unit(store, Correction(**words, new_customer=right)).reports[0].number.endswith("-2")
    for name in (right, NAME):
        assert erase_customer(store, name, **WHY).runs
        assert holding(store.home, name) == []
    assert damages(store.home) == []
    again = issue(store, store.find("latest"), reason="asked for again")
    assert again.number.endswith("-3") and damages(store.home) == []


def test_a_name_that_only_an_amended_report_prints_goes_too(store: Store) -> None:
    """Given with a report's reason, it stands as a reference in the register."""
    other = "Third Mill, invented"
    issue(store, store.find("latest"), reason="wrong customer", corrections={"customer": other})
    assert [name for name in holding(store.home, other) if not name.startswith(("names/", "runs/"))] == []
    assert erase_customer(store, other, **WHY).reports >= 3
    assert holding(store.home, other) == [] and damages(store.home) == []


def test_what_can_t_be_erased_is_said(store: Store, tmp_path: Path) -> None:
    """An unknown name, no reason, a reason with the name; a run of before, whose header holds the name itself."""
    for name, words, match in (
        ("nobody", WHY, "no customer 'nobody' is kept"),
        (NAME, {**WHY, "why": ""}, "needs a reason"),
        (NAME, {**WHY, "why": f"{NAME.lower()} asked"}, "names the customer"),
    ):
        with pytest.raises(UsageError, match=match):
            erase_customer(store, name, **words)
    old = Store(tmp_path / "old")
    sample.stored(old.home, sample.good(), sample.a_header(serial="T-2"))
    run = old.find("latest").path
    for file in (run / "run.json", run / "journal.jsonl"):
        file.write_text(re.sub(r'"customer":"[^"]*"', '"customer":"Old Mill"', file.read_text("utf-8")), "utf-8")
    assert StoredRun(run).header.customer == "Old Mill"
    with pytest.raises(UsageError, match="part of what is hashed"):
        erase_customer(old, "Old Mill", **WHY)
