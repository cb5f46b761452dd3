"""A unit's history, the retest rule, duplicates, instruments; on both engines."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from records_samples import a_header, a_judgement, a_reading

from rig.errors import UsageError
from rig.records.book.entries import Intake, Job, Return
from rig.records.book.jobs import CODE_DIGITS, Book, _check_digit, tag_of
from rig.records.files import sha256_of
from rig.records.index.database import VARIABLE
from rig.records.index.history import History
from rig.records.index.home_index import HomeIndex
from rig.records.run.stored import StoredRun
from rig.records.store import Store

DAY = "2026-11-{:02d}T08:00:00Z"


def kept(store: Store, day: int, estimate: float = 9.01, outcome: str = "within limits", **changes: Any) -> StoredRun:
    run = store.begin(a_header(started_utc=DAY.format(day), **changes))
    run.journal.append("reading", a_reading(day).to_dict())
    return store.finish(run, judgement=a_judgement(outcome, estimate))


def test_a_unit_is_followed_across_jobs(engine_home: Path) -> None:
    """Every run of a serial, oldest first, whatever the job; other serials and parts stay out; attempts are counted."""
    store = Store(engine_home)
    first = kept(store, 1, job="J1", condition="as received", outcome="outside limits")
    second = kept(store, 2, job="J1", condition="as received", retest_of=first.id)
    third = kept(store, 3, job="J2")
    kept(store, 4, serial="T-2")
    kept(store, 5, part={"number": "PX-2"})
    cut = store.begin(a_header(started_utc=DAY.format(6), job="J2"))
    found = History(store).unit("PX-1", "T-1")
    assert [f.run for f in found] == [first.id, second.id, third.id, cut.id]
    assert [(f.attempt, f.attempts) for f in found] == [(1, 2), (2, 2), (1, 1), (0, 0)]
    assert found[1].retest_of == first.id
    cut.close()


def test_conditions_are_compared_with_the_uncertainty_of_the_difference(engine_home: Path) -> None:
    """As received, after cleaning, after soak: neighbours in time; U of a difference grows with re-clamping scatter."""
    store = Store(engine_home)
    kept(store, 1, 9.00, job="J1", condition="as received")
    kept(store, 2, 9.05, job="J1", condition="as received")
    kept(store, 3, 9.09, job="J1", condition="after cleaning")
    kept(store, 4, 9.01, job="J1", condition="after soak")
    kept(store, 5, 8.00, job="J2", condition="after soak")
    history = History(store)
    changes = history.changes("PX-1", "T-1", "J1")
    assert [(c.earlier, c.later) for c in changes] == [
        ("as received", "after cleaning"),
        ("after cleaning", "after soak"),
    ]
    assert [round(c.delta, 9) for c in changes] == [0.04, -0.08]
    assert changes[0].U_delta == pytest.approx(0.02 * 2**0.5)
    assert [c.beyond for c in changes] == [True, True]
    wider = history.changes("PX-1", "T-1", "J1", scatter={"r20_exc": 0.02})
    assert wider[0].U_delta == pytest.approx((2 * 0.02**2 + 2 * 0.04**2) ** 0.5)
    assert [c.beyond for c in wider] == [False, True]


def test_one_retest_and_no_more(store: Store) -> None:
    """A run outside its limits may be repeated once after a re-seat; both stay; the third is refused."""
    first = kept(store, 1, outcome="outside limits", job="J1")
    begun = store.begin(a_header(started_utc=DAY.format(2), job="J1", retest_of=first.id))
    store.finish(begun, ended="stopped by the operator")
    second = kept(store, 3, job="J1", retest_of=first.id)
    with pytest.raises(UsageError, match="retested already"):
        store.begin(a_header(started_utc=DAY.format(4), job="J1", retest_of=first.id))
    with pytest.raises(UsageError, match="is a retest itself"):
        store.begin(a_header(started_utc=DAY.format(4), job="J1", retest_of=second.id))
    assert store.find(first.id).outcome == "outside limits"
    assert len(store.ids()) == 3


@pytest.mark.parametrize(
    "changes,words",
    [
        ({"serial": "T-9"}, "has to have its serial"),
        ({"job": "J2"}, "has to have its job"),
        ({"condition": "after soak"}, "has to have its condition"),
        ({"sequence": "quick_screen"}, "has to have its sequence"),
        ({"part": {"number": "PX-2"}}, "has to be of part PX-1"),
        ({"retest_of": "20200101-000000-0000"}, "there is no run"),
    ],
)
def test_a_retest_is_of_the_same_unit(store: Store, changes: dict[str, Any], words: str) -> None:
    """Same part, serial, job, condition and sequence, or it is no retest."""
    first = kept(store, 1, outcome="undecided", job="J1")
    with pytest.raises(UsageError, match=words):
        store.begin(a_header(**({"started_utc": DAY.format(2), "job": "J1", "retest_of": first.id} | changes)))


def test_a_pass_is_not_retested(store: Store) -> None:
    """Within limits there is nothing to repeat."""
    first = kept(store, 1)
    with pytest.raises(UsageError, match="nothing to retest"):
        store.begin(a_header(started_utc=DAY.format(2), retest_of=first.id))


def test_intake_and_return_carry_what_was_told(engine_home: Path) -> None:
    """Complaint and fault codes as told, one tag for stator and rotor; a unit leaves once for each time it came."""
    store = Store(engine_home)
    book = Book(store)
    book.open_job(Job(job="J1", customer="Lower Mill Motors (invented)", reference="77"))
    book.open_job(Job(job="J1", remark="second unit follows"))
    came = book.take_in(
        Intake(job="J1", part="PX-1", serial="T-1", complaint="jerks when warm", fault_codes="P0A3F", condition="oily")
    )
    assert came.tag == tag_of("J1", "PX-1", "T-1") and tag_is_whole(came.tag)
    kept(store, 1, job="J1")
    found = History(store).job("J1")
    assert found["job"]["customer"] == "Lower Mill Motors (invented)"
    assert found["job"]["remark"] == "second unit follows"
    assert [(i["complaint"], i["fault_codes"], i["condition"]) for i in found["intakes"]] == [
        ("jerks when warm", "P0A3F", "oily")
    ]
    assert len(found["runs"]) == 1
    book.hand_back(Return(job="J1", part="PX-1", serial="T-1", handed_to="driver"))
    with pytest.raises(UsageError, match="has left already"):
        book.hand_back(Return(job="J1", part="PX-1", serial="T-1"))
    with pytest.raises(UsageError, match="never came in"):
        book.hand_back(Return(job="J1", part="PX-1", serial="T-2"))
    with pytest.raises(UsageError, match="names no serial"):
        book.take_in(Intake(job="J1", part="PX-1", serial=" "))
    with pytest.raises(UsageError, match="can't be a job number"):
        book.open_job(Job(job="../x"))


def test_a_duplicate_serial_is_told(engine_home: Path) -> None:
    """The same serial twice in the house, one that only looks the same, and one of another part; not one that left."""
    store = Store(engine_home)
    book, history = Book(store), History(store)
    book.take_in(Intake(job="J1", part="PX-1", serial="K0-11"))
    assert "in the house already under job J1" in history.duplicates("PX-1", "K0-11", "J2")[0]
    assert "under this job" in history.duplicates("PX-1", "K0-11", "J1")[0]
    assert "looks like 'K0-11'" in history.duplicates("PX-1", "ko 1l", "J2")[0]
    assert history.duplicates("PX-1", "K0-12", "J2") == []
    book.hand_back(Return(job="J1", part="PX-1", serial="K0-11"))
    assert history.duplicates("PX-1", "K0-11", "J2") == []
    kept(store, 1, serial="K0-11", part={"number": "PX-2"})
    assert history.duplicates("PX-1", "K0-11") == ["serial 'K0-11' is known as part PX-2 too."]


def tag_is_whole(tag: str) -> bool:
    """Whether the last digit of a tag fits the others."""
    job, _, digits = tag.strip().upper().rpartition("-")
    return len(digits) == 5 and set(digits) <= set(CODE_DIGITS) and digits[4] == _check_digit(job, digits[:4])


def test_a_slip_in_a_tag_is_noticed() -> None:
    """One wrong character, or two neighbours swapped, and the tag is not whole."""
    tag = tag_of("J2041", "PX-1", "T-1")
    assert tag_is_whole(tag) and tag_is_whole(f" {tag.lower()} ")
    head, digits = tag[:-5], tag[-5:]
    for n, c in enumerate(digits):
        for other in CODE_DIGITS:
            if other != c:
                assert not tag_is_whole(head + digits[:n] + other + digits[n + 1 :]), (n, other)
        if n < 4 and digits[n] != digits[n + 1]:
            assert not tag_is_whole(head + digits[:n] + digits[n + 1] + c + digits[n + 2 :])
    assert not tag_is_whole("J2041") and not tag_is_whole("")


def test_instruments_keep_their_calibrations(engine_home: Path) -> None:
    """A recalibrated instrument is one instrument with two calibrations; due dates decide its status."""
    store = Store(engine_home)
    meter = {"role": "multimeter", "maker": "M", "model": "X", "serial": "1", "asset": "IT-3", "due": "2026-06-01"}
    meter |= {"calibrated": "2025-06-01", "certificate": "C-1"}
    other = {"role": "generator", "maker": "M", "model": "Y", "serial": "2", "asset": ""}
    kept(store, 1, instruments={"multimeter": meter, "generator": other})
    newer = meter | {"calibrated": "2026-06-02", "due": "2027-06-02", "certificate": "C-2"}
    kept(store, 2, instruments={"multimeter": newer, "generator": other})
    kept(store, 3, instruments={"multimeter": newer})
    generator, found = History(store).instruments("2026-11-25")
    assert [c["certificate"] for c in found["calibrations"]] == ["C-1", "C-2"]
    assert found["status"] == "calibrated" and found["identity"] == "M X 1"
    assert History(store).instruments("2027-06-03")[1]["status"] == "overdue"
    assert generator["instrument"] == "M Y 2" and generator["status"] == "no calibration recorded"


def test_remarks_and_photos_stand_at_their_step(engine_home: Path, tmp_path: Path) -> None:
    """A remark and a photo are kept with hash in the run's folder; a text posing as a photo is refused."""
    from rig.records.run.remarks import read_remarks

    store = Store(engine_home)
    run = kept(store, 1)
    photo = tmp_path / "teeth.JPG"
    photo.write_bytes(b"\xff\xd8\xff\xe0" + b"x" * 100)
    store.add_remark(run.id, "rub marks on two teeth", author="A. N.", step="visual", photo=photo)
    store.add_remark(run.id, "smells of oil", author="A. N.")
    remarks = read_remarks(run.path)
    assert [(r.step, r.text, r.photo) for r in remarks] == [
        ("visual", "rub marks on two teeth", "photo.jpg"),
        ("", "smells of oil", ""),
    ]
    assert sha256_of(run.path / "photo.jpg") == remarks[0].sha256
    photo.write_text("not a picture")
    with pytest.raises(UsageError, match="no JPEG"):
        store.add_remark(run.id, "", author="A. N.", photo=photo)
    with pytest.raises(UsageError, match="without a word"):
        store.add_remark(run.id, " ", author="A. N.")


def test_everything_is_rebuilt_from_the_folders(engine_home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new, empty database is filled from runs/ and book/ and answers as the old one did."""
    store = Store(engine_home)
    book = Book(store)
    book.open_job(Job(job="J1", customer="c"))
    book.take_in(Intake(job="J1", part="PX-1", serial="T-1"))
    kept(store, 1, job="J1", instruments={"multimeter": {"asset": "IT-3", "calibrated": "2026-01-01"}})
    before = (History(store).job("J1"), History(store).unit("PX-1", "T-1"), History(store).instruments("2026-02-02"))
    monkeypatch.setenv(VARIABLE, f"sqlite:///{engine_home / 'other.sqlite'}")
    again = History(Store(engine_home))
    assert (again.job("J1"), again.unit("PX-1", "T-1"), again.instruments("2026-02-02")) == before


def test_nothing_new_is_read_twice(engine_home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once a second has passed, a refresh lists no folder; a new run, a closed run and a stale one are still seen."""
    store = Store(engine_home)
    done = kept(store, 1)
    opened = store.begin(a_header(started_utc=DAY.format(2)))
    os.utime(store.folder, (1, 1))
    assert len(store.list()) == 2
    written: list[list[str]] = []
    plain = HomeIndex._write

    def watched(index: HomeIndex, runs: Sequence[str]) -> None:
        written.append(list(runs))
        plain(index, runs)

    monkeypatch.setattr(HomeIndex, "_write", watched)
    assert len(store.list()) == 2
    assert written == []
    opened.journal.append("reading", a_reading().to_dict())
    store.list()
    assert written == [[opened.id]]
    (engine_home / ".stale" / done.id).touch()
    store.list()
    assert written[1:] == [[done.id]]
    store.finish(opened, judgement=a_judgement("undecided"))
    assert store.list()[0].outcome == "undecided"


def test_two_homes_share_one_database(engine_home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs of the same id in two homes never cross; lists are a home's own, histories are everybody's."""
    if VARIABLE not in os.environ:
        monkeypatch.setenv(VARIABLE, f"sqlite:///{tmp_path / 'shared.sqlite'}")
    one, two = Store(engine_home), Store(tmp_path / "second")
    a = kept(one, 1, serial="A")
    twin = two.folder / a.id
    twin.mkdir(parents=True)
    run = two.begin(a_header(started_utc=DAY.format(2), serial="A"))
    two.finish(run, judgement=a_judgement("undecided"))
    for file in run.path.iterdir():
        file.rename(twin / file.name)
    run.path.rmdir()
    assert [(f.run, f.outcome) for f in one.list()] == [(a.id, "within limits")]
    assert [(f.run, f.outcome) for f in two.list()] == [(a.id, "undecided")]
    assert [f.outcome for f in History(one).unit("PX-1", "A")].count("undecided") == 1
    assert len(History(two).unit("PX-1", "A")) == 2
    for file in twin.iterdir():
        file.unlink()
    twin.rmdir()
    assert two.list() == []
    assert [f.run for f in one.list()] == [a.id]
