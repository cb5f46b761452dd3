"""Rig or part unknown: the outcome awaits a witness, everywhere, until the witness confirms or withdraws it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from rig.certificate.seal.register import Register
from rig.cli.main import cli
from rig.jobs.kept.kept_run import Finished
from rig.jobs.question import witness
from rig.jobs.run_job import Request, run_job
from rig.records.files import sha256_of
from rig.records.index.history import History
from rig.records.run.stored import StoredRun
from rig.records.store import Store


@dataclass(frozen=True)
class Waiting:
    home: Path
    finished: Finished


def full_test(home: Path, world: str, serial: str) -> Finished:
    request = Request(sequence="full_test", part="KX4-2207", serial=serial, world=world, job="J-1", condition="as is")
    return run_job(request)


def plug(run: str) -> StoredRun:
    witness.take(witness.plan(run), "plug", on_progress=lambda _: None)
    return Store().find(run)


def shown(*words: str) -> Any:
    from click.testing import CliRunner

    return CliRunner().invoke(cli, list(words))


def own_files(run: StoredRun) -> dict[str, str]:
    return {name: sha256_of(run.path / name) for name in ("journal.jsonl", "raw.h5", "run.json")}


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def test_a_broken_lead_looks_like_an_open_coil_until_the_plug_is_on(home: Path) -> None:
    """Outcome and status stay, marked in every list; no seal; the plug withdraws it and the report by itself."""
    finished = full_test(home, "broken_lead", "B-1")
    run, document = finished.stored, finished.document()
    assert finished.judgement.outcome == "outside limits" and finished.judgement.exit_status == 1
    assert [one["witness"] for one in document["awaits_witness"]] == ["plug"]
    assert any("anglewright run witness" in row["next"] and row["line"] == "r20_sin" for row in document["open"])
    words = "awaits a witness (shorting plug)"
    (row,) = Store().list(serial="B-1")
    assert row.awaits == words
    assert [one.awaits for one in History(Store()).unit("KX4-2207", "B-1")] == [words]
    for listed in (shown("unit"), shown("unit", run.id), shown("job", "show", "J-1")):
        assert "awaits" in listed.stdout and "shorting" in listed.stdout, listed.output
    face = json.loads((run.path / "certificate.json").read_text())
    assert face["subtitle"] == "provisional" and face["awaits"][0]["kind"] == "plug"
    (entry,) = Register(home).of_run(run.id)
    assert not entry.sealed and not entry.signed
    before = own_files(run)
    after = plug(run.id)
    assert own_files(after) == before
    assert after.judgement is not None and after.judgement.outcome == "unsound measurement"
    assert "adapter-fault" in [reason.code for reason in after.judgement.reasons]
    assert after.judgement.awaits == () and Store().list(serial="B-1", sequence="full_test")[0].awaits == ""
    assert [one.event for one in Register(home).entries] == ["issued", "withdrawn"]


def test_the_plug_confirms_what_is_the_parts_own(home: Path) -> None:
    """A corroded pin: with the plug on the adapter reads milliohms; the outcome is final, the report issued anew."""
    finished = full_test(home, "corroded_pin", "C-1")
    assert finished.judgement.awaits_text == "awaits a witness (shorting plug)"
    after = plug(finished.stored.id)
    assert after.judgement is not None and after.judgement.outcome == "outside limits"
    assert after.judgement.awaits == ()
    assert any("Confirmed by the shorting plug" in note for note in after.judgement.notes)
    issued = Register(home).of_run(after.id)
    assert [one.event for one in issued] == ["issued", "amended"] and "confirmed" in issued[-1].reason
    face = json.loads((after.path / "certificate-2.json").read_text())
    assert "awaits" not in face and face["subtitle"] == "calibration-style"


def test_an_attended_run_asks_before_it_ends_and_is_final(home: Path) -> None:
    """The witness is taken before the report is written: one report, final, no mark."""
    asked: list[str] = []

    def hands(awaited: Any, simulated: bool) -> bool:
        asked.append(awaited.kind)
        return simulated

    settle = witness.before_the_report(hands, speed="fast", on_progress=lambda _: None)
    request = Request(sequence="full_test", part="KX4-2207", serial="C-2", world="corroded_pin")
    finished = run_job(request, settle=settle)
    assert asked == ["plug"]
    assert finished.judgement.outcome == "outside limits" and finished.judgement.awaits == ()
    assert [one.event for one in Register(home).of_run(finished.stored.id)] == ["issued"]


def test_what_the_run_itself_tells_awaits_nobody(home: Path) -> None:
    """Shorted turns show in the driven figures as well: no lead does that, the outcome is final."""
    finished = full_test(home, "shorted_sine", "T-1")
    assert finished.judgement.outcome == "outside limits" and finished.judgement.awaits == ()
