"""The register as an append-only tree: proofs against another implementation, cut ends, issues that were killed, jobs
that arrive unchanged."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pymerkle
import pytest
import sample
from test_seals import a_home, issued, looked

from rig.certificate import issue as issuing
from rig.certificate import pending
from rig.certificate.issue import issue, withdraw
from rig.certificate.seal import heads, merkle
from rig.certificate.seal.register import FILE, Register
from rig.certificate.seal.signatures import Key, new_key
from rig.certificate.seal.verify_run import run_verification, verify_run
from rig.errors import RecordError, UsageError
from rig.jobs.kept.carrying import carry_out, take_in
from rig.records.book.entries import Job
from rig.records.book.jobs import Book
from rig.records.store import Store

JOB = "TS-1180"


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Key:
    return new_key(tmp_path_factory.mktemp("keys"), "Tallow Street Motors, test key")


def test_root_and_proofs_agree_with_another_implementation() -> None:
    """Roots, inclusion and consistency of 1 to 40 lines are pymerkle's, and each proof fails for any other line."""
    tree = pymerkle.InmemoryTree(algorithm="sha256")
    leaves: list[bytes] = []
    for n in range(1, 41):
        line = b"line %d" % n
        tree.append_entry(line)
        leaves.append(merkle.leaf_hash(line))
        root = merkle.root(leaves)
        assert root == tree.get_root()
        assert leaves[-1] == tree.get_leaf(n)
        for index in {0, n // 2, n - 1}:
            path = merkle.inclusion_path(leaves, index)
            assert [step.hex() for step in path] == tree.prove_inclusion(index + 1).serialize()["path"][1:]
            assert merkle.is_included(leaves[index], index, n, path, root)
            assert not merkle.is_included(leaves[index], index + 1, n, path, root)
            assert not merkle.is_included(merkle.leaf_hash(b"forged"), index, n, path, root)
        for size in {1, (n + 1) // 2, n}:
            path = merkle.consistency_path(leaves, size)
            assert merkle.is_consistent(size, n, merkle.root(leaves[:size]), root, path)
            assert not merkle.is_consistent(size, n, merkle.root([*leaves[: size - 1], bytes(32)]), root, path)


def several(home: Path, key: Key | None, count: int = 3) -> Store:
    store = a_home(home, key)
    Book(store).open_job(Job(job=JOB, customer="Order desk (invented)"))
    for n in range(count):
        issued(store, started_utc=f"2026-11-25T10:{15 + n}:00Z", serial=f"93-0041{n}", job=JOB if n != 1 else "other")
    return store


def test_last_lines_cut_off_show(tmp_path: Path, key: Key) -> None:
    """One line, two lines, or the tree heads gone: each is told in words, in the list and by the run's own proof."""
    store = several(tmp_path / "home", key)
    assert Register(store.home).faults == ()
    run = store.find(store.ids()[-1])
    assert verify_run(store, run) == []
    file = store.home / FILE
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines[:-1]))
    (told,) = Register(store.home).faults
    assert told.startswith("its last line is missing: it held 3 on ")
    assert any(place.startswith("proof.json: ") for place in verify_run(store, run))
    file.write_bytes(lines[0])
    assert Register(store.home).faults[0].startswith("its last 2 lines are missing: it held 3")
    file.write_bytes(b"".join(lines))
    kept = (store.home / heads.FILE).read_bytes()
    (store.home / heads.FILE).unlink()
    assert Register(store.home).faults == (f"its tree heads ({heads.FILE}) are missing",)
    (store.home / heads.FILE).write_bytes(kept[:-40])
    assert Register(store.home).faults == ()


@pytest.mark.parametrize("step", ["put_down", "add", "take_places"])
def test_a_killed_issue_is_finished_or_was_none(
    tmp_path: Path, key: Key, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped after any step: never a signed face outside the register, never a line without its faces, no litter."""
    store = a_home(tmp_path / "home", key)
    run = sample.stored(store.home, sample.good(), sample.a_header(simulated=False, current=True))
    owner, name = (Register, "add") if step == "add" else (pending, step)
    original = getattr(owner, name)

    def killed(*given: object, **more: object) -> None:
        if step != "take_places":
            original(*given, **more)
        raise KeyboardInterrupt

    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(owner, name, killed)
        issue(store, run)
    assert not list(run.path.glob("certificate*"))
    pending.settle(store.home)
    assert not (store.home / pending.FOLDER).exists()
    assert len(Register(store.home).entries) == (0 if step == "put_down" else 1)
    assert verify_run(store, run) == []
    made = issue(store, run)
    assert made.again is (step != "put_down")
    assert looked(store, made.files["certificate"]).state == "unchanged"
    assert looked(store, made.files["proof"]).state == "unchanged"
    assert made.number == f"AW-{run.id}"


def test_a_proof_made_after_a_kill_names_the_shop_of_the_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A home without a shop file: the proof that the next start makes is the one that the issue would have made."""
    store = Store(tmp_path / "home")
    run = sample.stored(store.home, sample.good(), sample.a_header())
    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(pending, "take_places", interrupt)
        issue(store, run)
    pending.settle(store.home)
    assert looked(store, str(run.path / "proof.json")).state == "unchanged"
    assert verify_run(store, run) == []


def test_a_shop_that_takes_another_name_keeps_its_proofs(tmp_path: Path, key: Key) -> None:
    """The name on the report's own face stands; a name that is neither that nor today's is an alteration."""
    store = a_home(tmp_path / "home", key)
    made = issue(store, sample.stored(store.home, sample.good(), sample.a_header(simulated=False, current=True)))
    file = store.home / "shop.toml"
    first = file.read_text(encoding="utf-8")
    name = json.loads(Path(made.files["data"]).read_text(encoding="utf-8"))["shop"][0]
    file.write_text(first.replace(name, "Tallow Street Sensors (invented)"), encoding="utf-8")
    assert looked(store, made.files["proof"]).state == "unchanged"
    proof = Path(made.files["proof"])
    proof.write_bytes(proof.read_bytes().replace(name.encode(), b"Somebody else"))
    assert looked(store, str(proof)).state == "altered"


def interrupt(*_given: object) -> None:
    """A kill in place of a step."""
    raise KeyboardInterrupt


@pytest.mark.parametrize("signed", [True, False])
def test_a_job_arrives_unchanged(tmp_path: Path, key: Key, signed: bool) -> None:
    """Faces, proofs and the run are unchanged elsewhere; who vouches for them is named; they are amended at home."""
    store = several(tmp_path / "home", key if signed else None)
    first = store.find(store.ids()[0])
    issue(store, first, reason="customer's name", corrections={"customer": "Mill"})
    withdraw(store, Register(store.home).entries[2].number, "wrong unit")
    carry_out(store, JOB, tmp_path / "job.zip")
    other = Store(tmp_path / "other")
    came = take_in(other, tmp_path / "job.zip")
    assert len(came.runs) == 2
    for run in came.runs:
        stored = other.find(run)
        checked = run_verification(other, stored)
        assert (checked.state, checked.where) == ("unchanged", ())
        for face in [*stored.path.glob("certificate*"), *stored.path.glob("proof*")]:
            found = looked(other, face)
            assert (found.state, found.where) == ("unchanged", ()), face
        assert "by the register of Tallow Street Motors" in checked.register
        assert ("signed with key" in checked.register) is signed
    assert Register(other.home).state(f"AW-{first.id}").startswith(f"replaced by AW-{first.id}-2: customer's name")
    assert Register(other.home).state(f"AW-{came.runs[1]}").startswith("withdrawn on")
    with pytest.raises(UsageError, match="was issued elsewhere"):
        issue(other, other.find(first.id), reason="x")
    with pytest.raises(UsageError, match="not of this register"):
        withdraw(other, f"AW-{first.id}", "x")
    carry_out(other, JOB, tmp_path / "on.zip")
    third = Store(tmp_path / "third")
    take_in(third, tmp_path / "on.zip")
    assert run_verification(third, third.find(first.id)).state == "unchanged"
    issued(store, started_utc="2026-11-25T11:15:00Z", serial="9", job=JOB)
    carry_out(store, JOB, tmp_path / "later.zip")
    assert len(take_in(other, tmp_path / "later.zip").runs) == 1
    assert take_in(store, tmp_path / "later.zip").runs == ()


def test_a_register_that_was_written_anew_is_refused(tmp_path: Path, key: Key) -> None:
    """A log with the same first line and another second one, or a line changed in the file, never comes in."""
    store = several(tmp_path / "home", key, count=1)
    twin = Store(shutil.copytree(store.home, tmp_path / "twin"))
    for one, serial in ((store, "1"), (twin, "2")):
        issued(one, started_utc="2026-11-25T11:15:00Z", serial=serial, job=JOB)
        carry_out(one, JOB, tmp_path / f"{serial}.zip")
    other = Store(tmp_path / "other")
    take_in(other, tmp_path / "1.zip")
    with pytest.raises(RecordError, match="differs from the one that came before"):
        take_in(other, tmp_path / "2.zip")
    assert len(other.ids()) == 2
    assert issuing.face_files(other.find(other.ids()[0]), Register(other.home).entries_elsewhere(other.ids()[0])[0][0])
    extract = next((other.home / "registers").glob("*.json"))
    data = json.loads(extract.read_bytes())
    data["lines"][0]["line"] = data["lines"][0]["line"].replace("within", "without")
    extract.write_text(json.dumps(data))
    assert Register(other.home).foreign == ()
