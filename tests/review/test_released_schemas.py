"""Runs that every released schema wrote stay readable, and can be judged again (fixtures/reference/runs)."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from rig.records.index.database import VARIABLE
from rig.records.run.remarks import read_remarks
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.review.archive.archive import judge_again

RUNS = sorted((Path(__file__).parents[2] / "fixtures" / "reference" / "runs").glob("schema-*/*"))
by_schema = pytest.mark.parametrize("path", RUNS, ids=lambda path: path.parent.name)


def test_every_schema_has_its_run() -> None:
    """Schema 1 is there; a schema that is added brings a run of its own."""
    assert [path.parent.name for path in RUNS] == ["schema-1"]


@by_schema
def test_a_kept_run_is_read_whole(path: Path) -> None:
    """Header, readings, captures, judgement, remarks and hashes of an old run, with the figures it was written with."""
    run = StoredRun(path)
    assert run.record is not None and run.altered_files() == []
    assert (run.header.part["number"], run.header.serial) == ("KX4-2207", "SCHEMA-1")
    assert len(run.readings) == run.record.counts["readings"] == 102
    shapes = {name: run.captures.stack(name).codes.shape for name in run.captures.series()}
    assert shapes["spots"] == (9, 4, 512)
    assert sum(shape[0] for shape in shapes.values()) == run.record.counts["captures"]
    assert run.outcome == "within limits"
    judgement = run.judgement
    assert judgement is not None
    line = judgement.line("r20_exc")
    assert line is not None and line.result is not None and line.result.estimate == pytest.approx(9.0, abs=0.05)
    assert [remark.author for remark in read_remarks(path)] == ["rehearsal"]


@by_schema
def test_a_kept_run_is_judged_again(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Today's program comes to the same outcome, and to every estimate within the uncertainty stated then."""
    monkeypatch.delenv(VARIABLE, raising=False)
    store = Store(tmp_path)
    shutil.copytree(path, store.folder / path.name)
    judge_again(store, path.name)
    old, new = (e.judgement for e in store.find(path.name).evaluations)
    assert new.outcome == old.outcome
    compared = 0
    for line in old.judged:
        again = new.line(line.measurand)
        if line.result is None or line.result.estimate is None or line.result.U is None or line.result.manual:
            continue
        assert again is not None and again.result is not None and again.result.estimate is not None
        assert abs(again.result.estimate - line.result.estimate) <= line.result.U, line.measurand
        compared += 1
    assert compared > 15
