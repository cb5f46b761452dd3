"""A night as it is kept: `nights/<id>/plan.json`, frozen with its hash before the arming, and one journal a sitting.

    nights/<id>/plan.json  night-1.jsonl  night-2.jsonl ...  morning.json

A line of the journal is on the disk when it returns. What is kept says nothing of an arming, so that nothing that
starts after a power cut is armed. Finished looks are those whose end was written down, and those whose run was closed
as theirs before the end could be written. It runs nothing.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.description.places import default_home
from rig.errors import RecordError, UsageError
from rig.records.files import read_json, to_json, write_new
from rig.records.run.journal import Journal, JournalLines, read_journal
from rig.records.store import Store

SCHEMA = "anglewright night 1"


class NightFolder:
    """One night. `begin_sitting` opens its journal; a second sitting has a journal of its own."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._journal: Journal | None = None

    @property
    def id(self) -> str:
        """The folder's name."""
        return self.path.name

    @property
    def plan(self) -> dict[str, Any]:
        """The frozen plan. Raises RecordError where it is no longer what was frozen."""
        data = read_json(self.path / "plan.json")
        stated = data.pop("sha256", "")
        if stated != digest_of(data):
            raise RecordError(
                f"{self.path / 'plan.json'}: was changed after it was frozen.", next_action="Plan a new night."
            )
        return data

    def sittings(self) -> list[JournalLines]:
        """The journals, oldest first."""
        paths = sorted(self.path.glob("night-*.jsonl"), key=lambda p: int(p.stem.rpartition("-")[2]))
        return [read_journal(path) for path in paths]

    def events(self) -> list[Mapping[str, Any]]:
        """All that happened, in order: data of each line, with its kind as `what` and its sitting."""
        return [
            {"what": line.kind, "sitting": number, **line.data}
            for number, sitting in enumerate(self.sittings(), start=1)
            for line in sitting.lines
        ]

    def begin_sitting(self) -> int:
        """A journal for this sitting; its number."""
        number = len(list(self.path.glob("night-*.jsonl"))) + 1
        self._journal = Journal(self.path / f"night-{number}.jsonl")
        self.note("begun", plan=digest_of(self.plan), local=datetime.now().astimezone().isoformat(timespec="seconds"))
        return number

    def note(self, what: str, **data: Any) -> None:
        """Write one line down. Raises RecordError when the disk refuses."""
        if self._journal is not None:
            utc = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
            self._journal.append(what, {"utc": utc, **data})

    def close(self) -> None:
        """The sitting is over. Idempotent."""
        if self._journal is not None:
            self._journal.close()
            self._journal = None

    def runs_of_finished_looks(self, store: Store) -> dict[int, str]:
        """Number of a finished look -> its run."""
        done = {int(one["look"]): str(one.get("run", "")) for one in self.events() if one["what"] == "look ended"}
        begun = {int(one["look"]) for one in self.events() if one["what"] == "look begun"}
        for look in begun - set(done):
            if run := self._closed_run(store, look):
                done[look] = run
        return done

    def _closed_run(self, store: Store, look: int) -> str:
        for run in reversed(store.ids()):
            if run[:8] < self.id[:8]:
                break
            try:
                stored = store.find(run)
                if stored.record is None or stored.judgement is None:
                    continue
                if stored.header.kind.question == "standards":
                    continue  # whether it had to be taken again was not settled: it is taken anew
            except (RecordError, UsageError):
                continue
            of = stored.header.details.get("night", {})
            if isinstance(of, Mapping) and of.get("id") == self.id and of.get("look") == look:
                return run
        return ""


def digest_of(plan: Mapping[str, Any]) -> str:
    """sha256 of a plan's canonical JSON."""
    return hashlib.sha256(to_json({k: plan[k] for k in sorted(plan)}, indent=None)).hexdigest()


def freeze(looks: Sequence[Mapping[str, Any]], more: Mapping[str, Any], home: Path | None = None) -> NightFolder:
    """A new night with its plan. looks: request, leg and wait of each, in order."""
    now = datetime.now(UTC)
    path = (home or default_home()) / "nights" / f"{now:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"
    path.mkdir(parents=True)
    plan = {"schema": SCHEMA, "made_utc": now.isoformat(timespec="seconds").replace("+00:00", "Z"), **more}
    plan["looks"] = [dict(one) for one in looks]
    write_new(path / "plan.json", to_json({**plan, "sha256": digest_of(plan)}))
    return NightFolder(path)


def nights(home: Path | None = None) -> list[NightFolder]:
    """All nights of a home, oldest first."""
    return [NightFolder(one) for one in sorted(((home or default_home()) / "nights").glob("*-*-*")) if one.is_dir()]


def find_night(name: str, home: Path | None = None) -> NightFolder:
    """A night by its id, the beginning of it, or "latest". Raises UsageError."""
    known = nights(home)
    fitting = known[-1:] if name == "latest" else [one for one in known if one.id.startswith(name)]
    if len(fitting) == 1:
        return fitting[0]
    shown = ", ".join(one.id for one in known[-3:]) or "none yet"
    raise UsageError(f"{len(fitting)} nights fit {name!r}.", next_action=f"Give one whole id ({shown}).")
