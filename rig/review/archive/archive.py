"""Stored runs judged again, one or a whole archive: a new evaluation beside the old, and a report of what changed.

    <home>/campaigns/<name>/  plan.json (runs, part file, software: fixed at the start)  done/<run>.json  lock

Workers read run folders and compute; this process alone commits, each run once: the judgement first, then its entry
in done/. Started again under its name, a campaign goes on where it was killed. Other limits come as another part file;
nothing that was kept before is touched.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from rig.data import csv_bytes
from rig.description.loading import from_data
from rig.description.parts import PartFile
from rig.errors import RigError, UsageError
from rig.records.files import read_json, to_json, write_new
from rig.records.index.rows import digest_of
from rig.records.run.record import dump_judgement
from rig.records.run.stored import StoredRun
from rig.records.schema import plain
from rig.records.store import Store
from rig.review.archive.changes import changes, in_words, summary
from rig.review.archive.crews import Crew, alone
from rig.review.judge import judge_run
from rig.review.library.approval import limits_again, versions_in_book
from rig.system import take_lock

PLAN_SCHEMA = "anglewright campaign 1"
COMPARED, WHEN = ("verdict", "estimate", "U"), ("before", "after")
NAMED = {"part": "part file", "runs": "list of runs", "learned": "choice of learned limits"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveReport:
    """What a campaign has come to. told: run -> changes; faults: run -> why it could not be judged; left: not yet."""

    name: str
    told: Mapping[str, Mapping[str, Any]]
    faults: Mapping[str, str]
    left: Sequence[str]

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data, the summary first."""
        return {
            "schema": "anglewright campaign report 1",
            "campaign": self.name,
            "summary": summary(self.told),
            "left": list(self.left),
            "faults": dict(self.faults),
            "runs": {run: dict(change) for run, change in self.told.items()},
        }

    def csv(self) -> bytes:
        """One row a changed line: run, measurand; outcome, verdict, estimate, U and limit, each before and after."""
        rows = []
        for run, change in self.told.items():
            for line in change["lines"] or [{"measurand": ""}]:
                limit = [in_words(side) for side in line["limit"]] if "limit" in line else ["", ""]
                pairs = {
                    "outcome": change["outcome"],
                    **{key: line.get(key, ["", ""]) for key in COMPARED},
                    "limit": limit,
                }
                named = {f"{name} {when}": pair[n] for name, pair in pairs.items() for n, when in enumerate(WHEN)}
                rows.append({"run": run, "measurand": line["measurand"], **named})
        return csv_bytes(pd.DataFrame(rows, dtype=object))


def judge_again(
    store: Store, run: str, part: PartFile | None = None, *, learned: int | None = None
) -> tuple[Path, dict[str, Any]]:
    """One run judged again (part: by another part file's limits); the new judgement's file, and what changed.

    learned: None for the limits that the run was given; a version of the learned ones, 0 for the newest approved.
    Raises UsageError for an unknown run or version, or a run that was cut short; RecordError for damage.
    """
    stored = store.find(run)
    if stored.record is None:
        raise UsageError(f"run {stored.id} was cut short: there is nothing to judge.", next_action="Test again.")
    dump = _dump(part)
    versions = _versions(store, [stored.id], learned)
    outcome = judged_again(str(stored.path), dump, _software(), versions)
    file = store.add_judgement(stored.id, outcome["judgement"], part_digest=digest_of(dump) if dump else "")
    return file, outcome["changes"]


def judge_archive(
    store: Store,
    name: str,
    *,
    runs: Sequence[str] | None = None,
    part: PartFile | None = None,
    learned: int | None = None,
    crew: Crew = alone,
    on_progress: Callable[[int, int], None] = lambda _done, _of: None,
) -> ArchiveReport:
    """Judge many runs again as the campaign `name`, or go on with it; the report of all it has done.

    runs: ids, by default every run of this home that was judged (with a part file: of its number). A campaign that was
    begun keeps its runs, part file and learned limits: giving others is a UsageError, and so is another version of the
    program. learned: as in `judge_again`; which versions that are is fixed when the campaign begins.
    """
    campaign = Campaign(store, name)
    with campaign.lock():
        plan = campaign.planned(runs, part, learned)
        todo = campaign.undone(plan)
        faults: dict[str, str] = {}
        done = len(plan["runs"]) - len(todo)
        tasks = [(str(store.folder / run), plan["software"]) for run in todo]
        for outcome in crew(Work(plan["part"], plan.get("versions")), tasks):
            run = outcome.get("run") or Path(outcome["task"][0]).name
            if "fault" in outcome:
                faults[run] = outcome["fault"]
            else:
                campaign.commit(run, outcome)
            done += 1
            on_progress(done, len(plan["runs"]))
        store.index.refresh()
        return campaign.report(faults)


class Campaign:
    """The folder of one campaign."""

    def __init__(self, store: Store, name: str) -> None:
        if not re.fullmatch(r"\w[\w.-]*", name):
            raise UsageError(f"{name!r} can't name a campaign.", next_action="Use letters, digits, - . and _.")
        self.store, self.name = store, name
        self.folder = store.home / "campaigns" / name
        self.done_folder = self.folder / "done"

    @contextmanager
    def lock(self) -> Iterator[None]:
        """Only one process works on a campaign. Raises UsageError when another does."""
        self.done_folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / "lock").open("w") as lock:
            try:
                take_lock(lock, wait=False)
            except BlockingIOError as fault:
                raise UsageError(
                    f"campaign {self.name} is being worked on by another process.", next_action="Wait for it."
                ) from fault
            yield

    def planned(self, runs: Sequence[str] | None, part: PartFile | None, learned: int | None = None) -> dict[str, Any]:
        """The plan, written at the first start. Raises UsageError when it differs from what is asked for now."""
        dump = _dump(part)
        file = self.folder / "plan.json"
        if not file.exists():
            chosen = self._choose_runs(part) if runs is None else [self.store.find(run).id for run in runs]
            begun = datetime.now(UTC).isoformat(timespec="seconds")
            plan: dict[str, Any] = {
                "schema": PLAN_SCHEMA,
                "begun_utc": begun,
                "software": _software(),
                "part": dump,
                "runs": chosen,
            }
            plan |= {"learned": learned, "versions": _versions(self.store, chosen, learned)}
            write_new(file, to_json(plan))
        found = read_json(file)
        asked: dict[str, Any] = {"part": dump, "software": _software(), "learned": learned}
        asked |= {} if runs is None else {"runs": list(runs)}
        for key, value in asked.items():
            if found.get(key) != value:
                raise UsageError(
                    f"campaign {self.name} was begun with another {NAMED.get(key, key)}.",
                    next_action="Give the new campaign a name of its own.",
                )
        return found

    def undone(self, plan: Mapping[str, Any]) -> list[str]:
        """Runs still to be judged; one whose judgement was kept just before a kill gets its missing entry."""
        done = {path.stem for path in self.done_folder.glob("*.json")}
        left = []
        for run in plan["runs"]:
            if run in done:
                continue
            if (told := self._kept_already(run)) is not None:
                self._tick(run, told)
            else:
                left.append(run)
        return left

    def commit(self, run: str, outcome: Mapping[str, Any]) -> None:
        """Keep one run's new judgement, then say that it is done."""
        digest = digest_of(outcome["part"]) if outcome.get("part") else ""
        self.store.add_judgement(run, outcome["judgement"], campaign=self.name, part_digest=digest, index=False)
        self._tick(run, outcome["changes"])

    def report(self, faults: Mapping[str, str] | None = None) -> ArchiveReport:
        """What has been done so far."""
        told = {path.stem: read_json(path) for path in sorted(self.done_folder.glob("*.json"))}
        plan = read_json(self.folder / "plan.json")
        faults = faults or {}
        left = [run for run in plan["runs"] if run not in told and run not in faults]
        return ArchiveReport(name=self.name, told=told, faults=faults, left=left)

    def _tick(self, run: str, told: Mapping[str, Any]) -> None:
        write_new(self.done_folder / f"{run}.json", to_json(told, indent=None))

    def _kept_already(self, run: str) -> dict[str, Any] | None:
        stored = StoredRun(self.store.folder / run)
        if not any(stored.path.glob("judgement-*.json")):
            return None
        made = stored.evaluations
        for n, evaluation in enumerate(made):
            if evaluation.campaign == self.name:
                return changes(made[n - 1].judgement if n else None, evaluation.judgement)
        return None

    def _choose_runs(self, part: PartFile | None) -> list[str]:
        found = self.store.list(**({"part": part.number} if part else {}))
        return sorted(run.run for run in found if run.outcome != "incomplete")


@dataclass(frozen=True, slots=True)
class Work:
    """What a crew is given to do, bound to the campaign's part file and learned limits (part number -> the version as
    it stands in the book); a run that can't be judged is a told fault."""

    part: dict[str, Any] | None
    versions: dict[str, Any] | None = None

    def __call__(self, path: str, software: str) -> dict[str, Any]:
        try:
            return judged_again(path, self.part, software, self.versions) | {"part": self.part}
        except RigError as fault:
            return {"run": Path(path).name, "fault": str(fault)}


def judged_again(
    path: str, part: Mapping[str, Any] | None, software: str, versions: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """What a worker does: a run folder judged; {"run", "judgement", "changes"}, JSON-ready. Writes nothing.

    software: the version that is asked for; a worker of another version raises UsageError. versions: part number ->
    learned limits as they stand in the book; None leaves the run those it was given.
    """
    if software != _software():
        raise UsageError(f"a worker runs {_software()}, not {software}.", next_action="Install the same version there.")
    stored = StoredRun(Path(path))
    before = stored.judgement
    described = from_data(PartFile, dict(part), "part file").part() if part else None
    learned = None if versions is None else limits_again(stored.header, described, versions)
    after = judge_run(stored, part=described, learned=learned)
    return {
        "run": stored.id,
        "judgement": dump_judgement(after),
        "changes": plain(changes(before, after)),
    }


def _versions(store: Store, runs: Sequence[str], learned: int | None) -> dict[str, Any] | None:
    """Part number -> the version that is asked for, of every part number of the runs that has one."""
    if learned is None:
        return None
    numbers = {str(StoredRun(store.folder / run).header.part.get("number", "")) for run in runs}
    return versions_in_book(store, sorted(numbers), learned)


def _software() -> str:
    return f"anglewright {version('anglewright')}"


def _dump(part: PartFile | None) -> dict[str, Any] | None:
    return None if part is None else part.model_dump(mode="json", by_alias=True)
