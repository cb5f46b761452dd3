"""Judging again: a new evaluation beside the old, what changed is told, a campaign loses and repeats nothing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from archive_samples import PART, copies, stored, tightened
from deadly_work import deadly
from observed_from_world import quick_screen

from rig.description.parts import load_part
from rig.errors import UsageError
from rig.records.index.database import VARIABLE
from rig.records.run.record import dump_judgement
from rig.records.store import Store
from rig.result import Judgement
from rig.review.archive import archive
from rig.review.archive.archive import judge_again, judge_archive
from rig.review.archive.changes import changes, is_empty
from rig.review.archive.crews import Task, Work, alone, cluster, processes


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """One quick screen, judged; nobody changes it."""
    patch = pytest.MonkeyPatch()
    patch.delenv(VARIABLE, raising=False)
    yield stored(Store(tmp_path_factory.mktemp("original")), quick_screen(), sequence="quick_screen")
    patch.undo()


@pytest.fixture
def store(tmp_path: Path, original: Any, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A home with five runs."""
    monkeypatch.delenv(VARIABLE, raising=False)
    copies(original, tmp_path / "home", 5)
    return Store(tmp_path / "home")


def evaluations(store: Store) -> dict[str, list[str]]:
    return {run: [e.campaign for e in store.find(run).evaluations] for run in store.ids()}


def files(store: Store) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in store.folder.rglob("*") if p.is_file()}


def test_judging_again_under_the_same_limits_changes_nothing(store: Store) -> None:
    """The new judgement equals the old, is kept beside it, and no file that was there before is touched."""
    before = files(store)
    run = store.ids()[0]
    file, told = judge_again(store, run)
    assert is_empty(told)
    assert file.name == "judgement-2.json"
    first, second = (e.judgement for e in store.find(run).evaluations)
    assert dump_judgement(first) == dump_judgement(second)
    after = files(store)
    assert {path: after[path] for path in before} == before


def test_other_limits_are_told_line_by_line(store: Store) -> None:
    """Under a tighter limit the run fails; the report names the line, its verdicts and its limits, old and new."""
    run = store.ids()[0]
    _, told = judge_again(store, run, tightened(r20_exc=8.5))
    assert told["outcome"][1] == "outside limits"
    line = next(line for line in told["lines"] if line["measurand"] == "r20_exc")
    assert line["verdict"] == ["pass", "fail"]
    assert line["limit"][1]["upper"] == 8.5
    assert "estimate" not in line
    newest = store.find(run).evaluations[-1]
    assert newest.part_digest and newest.made_utc and newest.software.startswith("anglewright ")
    assert store.list()[-1].outcome == "outside limits"


def test_a_campaign_goes_on_where_it_was_stopped(store: Store) -> None:
    """Stopped after two runs and started again, every run has one new evaluation; a third start does nothing."""

    class StoppedError(Exception):
        pass

    def tired(work: Work, tasks: Sequence[Task]) -> Iterator[Any]:
        yield from alone(work, tasks[:2])
        raise StoppedError

    part = tightened(r20_exc=8.5)
    with pytest.raises(StoppedError):
        judge_archive(store, "tighter", part=part, crew=tired)
    assert sum(names.count("tighter") for names in evaluations(store).values()) == 2
    seen: list[tuple[int, int]] = []
    report = judge_archive(store, "tighter", part=part, on_progress=lambda done, of: seen.append((done, of)))
    assert seen == [(3, 5), (4, 5), (5, 5)]
    assert [names.count("tighter") for names in evaluations(store).values()] == [1] * 5
    assert report.left == [] and report.faults == {}
    assert report.to_dict()["summary"]["verdicts"]["r20_exc: pass -> fail"] == 5
    assert judge_archive(store, "tighter", part=part).to_dict() == report.to_dict()
    assert [len(names) for names in evaluations(store).values()] == [2] * 5
    assert {f.outcome for f in store.list()} == {"outside limits"}
    assert report.csv().count(b"\n") == 1 + sum(len(c["lines"]) for c in report.told.values())


def test_a_kill_between_judgement_and_entry_repeats_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The judgement is kept, its entry is not: the next start writes the entry and judges the run no second time."""

    class KilledError(Exception):
        pass

    def killed(*_: Any) -> None:
        raise KilledError

    with monkeypatch.context() as patch:
        patch.setattr(archive.Campaign, "_tick", killed)
        with pytest.raises(KilledError):
            judge_archive(store, "c1")
    report = judge_archive(store, "c1")
    assert len(report.told) == 5
    assert [names.count("c1") for names in evaluations(store).values()] == [1] * 5


def test_a_campaign_keeps_its_part_file_and_its_runs(store: Store) -> None:
    """Going on under other limits or with other runs would mix two things: refused."""
    some = store.ids()[:1]
    judge_archive(store, "c1", runs=some)
    with pytest.raises(UsageError, match="another part"):
        judge_archive(store, "c1", runs=some, part=load_part(PART))
    with pytest.raises(UsageError, match="another list of runs"):
        judge_archive(store, "c1", runs=store.ids()[:2])
    with pytest.raises(UsageError, match="can't name a campaign"):
        judge_archive(store, "../c1")
    with archive.Campaign(store, "c1").lock(), pytest.raises(UsageError, match="another process"):
        judge_archive(store, "c1", runs=some)


def test_a_damaged_run_is_told_and_stops_no_other(store: Store) -> None:
    """One run whose journal was altered is named with its fault; the others are judged; mended, it follows."""
    store.list()
    bad = store.ids()[2]
    journal = store.folder / bad / "journal.jsonl"
    text = journal.read_bytes()
    journal.unlink()
    journal.write_bytes(text.replace(b'"value":', b'"valve":', 1))
    report = judge_archive(store, "c1")
    assert list(report.faults) == [bad] and "checksum" in report.faults[bad]
    assert len(report.told) == 4
    journal.write_bytes(text)
    assert len(judge_archive(store, "c1").told) == 5


def test_local_processes_say_the_same(store: Store) -> None:
    """Two worker processes come to the very judgements that one does."""
    judge_archive(store, "alone")
    report = judge_archive(store, "two", crew=processes(2))
    assert report.faults == {} and len(report.told) == 5
    for run in store.ids():
        made = {e.campaign: dump_judgement(e.judgement) for e in store.find(run).evaluations}
        assert made["alone"] == made["two"]


def test_a_killed_worker_process_loses_nothing(tmp_path: Path) -> None:
    """Tasks of a dead worker are handed out again; one that kills its worker each time is told, the others are done."""
    mark = str(tmp_path / "mark")
    tasks = [(name, mark) for name in ("a", "b", "kill", "c", "d")]
    assert sorted(o["run"] for o in processes(2)(deadly, tasks)) == ["a", "b", "c", "d", "kill"]
    outcomes = list(processes(1)(deadly, [("always", mark), ("a", mark)]))
    assert {o.get("run", o.get("fault", ""))[:15] for o in outcomes} == {"a", "its worker died"}


def test_a_cluster_says_the_same(store: Store) -> None:
    """A local cluster comes to the very judgements that one process does."""
    pytest.importorskip("distributed", reason="NOT RUN: distributed is not installed")
    some = list(store.ids()[:2])
    judge_archive(store, "alone", runs=some)
    report = judge_archive(store, "cluster", runs=some, crew=cluster(workers=1))
    assert report.faults == {} and len(report.told) == 2
    made = {e.campaign: dump_judgement(e.judgement) for e in store.find(some[0]).evaluations}
    assert made["alone"] == made["cluster"]


def test_a_cluster_that_does_not_answer_is_named() -> None:
    """A wrong address is one clear error within the time-out."""
    pytest.importorskip("distributed", reason="NOT RUN: distributed is not installed")
    with pytest.raises(UsageError, match="no scheduler answers at tcp://127"):
        list(cluster("tcp://127.0.0.1:9", timeout_s=1)(deadly, [("a", "")]))


def test_differences_of_the_last_bit_are_no_change(store: Store) -> None:
    """A run that was never judged has only new lines; the same judgement has none, nor one within 1e-9 U of it."""
    judgement = store.find(store.ids()[0]).judgement
    assert judgement is not None
    assert is_empty(changes(judgement, judgement))
    assert is_empty(changes(judgement, moved(judgement, 0.9e-9)))
    assert not is_empty(changes(judgement, moved(judgement, 2e-9)))
    fresh = changes(None, judgement)
    assert fresh["outcome"] == ["", judgement.outcome]
    assert len(fresh["lines"]) == len(judgement.judged)


def moved(judgement: Judgement, share_of_U: float) -> Judgement:
    """The judgement with every estimate moved by a share of its U."""
    lines = []
    for line in judgement.judged:
        result = line.result
        if result is not None and result.estimate is not None and result.U:
            line = replace(line, result=replace(result, estimate=result.estimate + share_of_U * result.U))
        lines.append(line)
    return replace(judgement, judged=tuple(lines))
