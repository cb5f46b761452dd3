"""What a night is to run: `<home>/queue.json`, written whole, one writer at a time.

It runs nothing. A look is waiting, running or done; what a power cut left running is begun
anew at the next start, three times at most. One
night at a time holds `queue.night`; `queue.stop` is a wish that only stops.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from rig.description.places import default_home
from rig.errors import RecordError, UsageError
from rig.jobs.run_job import Request
from rig.records.files import read_json, sync, to_json, unwritable
from rig.system import take_lock

SCHEMA = "anglewright queue 1"
CUT_SHORT = "cut short"
MOST_ATTEMPTS = 3
FILED = tuple(one.name for one in fields(Request) if one.name != "bench_log")


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueEntry:
    """One look of a night. request: fields of jobs.Request; outcome: the judgement's, or how else it ended.

    leg: of a soak, or "" ; wait_s: bench time between the look before and this one; hunt: what a hunt ends at
    (to_degc, None for room; longest_s, rest_s, coil, r20_ohm, ceiling_degc), empty for a look that runs a sequence.
    ceilings: of a soak, as checks/ceilings.py reads them; empty for a look of none.
    """

    n: int
    request: Mapping[str, Any]
    state: str = "waiting"
    outcome: str = ""
    run: str = ""
    reason: str = ""
    exit_status: int = field(default=5)
    leg: str = ""
    wait_s: float = 0.0
    hunt: Mapping[str, Any] = field(default_factory=dict)
    ceilings: Mapping[str, Any] = field(default_factory=dict)
    attempts: int = 0

    def planned(self) -> dict[str, Any]:
        """What a plan freezes of it."""
        told = {"request": dict(self.request), "leg": self.leg, "wait_s": self.wait_s}
        return {"look": self.n, **told, "hunt": dict(self.hunt), "ceilings": dict(self.ceilings)}

    def run_request(self) -> Request:
        """What to run."""
        told = {**self.request, "entries": tuple(self.request.get("entries", ()))}
        return Request(**told)


class Queue:
    """The queue of a home (default: $ANGLEWRIGHT_HOME or the platform's data folder)."""

    def __init__(self, home: Path | None = None) -> None:
        self.home = home or default_home()
        self.path = self.home / "queue.json"
        self._stop = self.home / "queue.stop"

    def entries(self) -> list[QueueEntry]:
        """All of them, in order. Raises RecordError for a damaged file."""
        if not self.path.exists():
            return []
        data = read_json(self.path)
        try:
            if data["schema"] != SCHEMA:
                raise ValueError(f"schema {data['schema']!r} found, {SCHEMA!r} expected")
            return [QueueEntry(**one) for one in data["entries"]]
        except (KeyError, TypeError, ValueError) as fault:
            raise RecordError(f"{self.path} is no queue: {fault}.", next_action="Move it away, add again.") from fault

    def add(self, request: Request, **more: Any) -> QueueEntry:
        """The request as the last entry; more: leg, wait_s, hunt, ceilings."""
        told = {name: value for name, value in asdict(request).items() if name in FILED}
        told["entries"] = list(request.entries)
        with self._changing() as entries:
            entries.append(QueueEntry(n=max((one.n for one in entries), default=0) + 1, request=told, **more))
            return entries[-1]

    def put(self, entry: QueueEntry) -> None:
        """The entry in place of the one with its number."""
        with self._changing() as entries:
            entries[:] = [entry if one.n == entry.n else one for one in entries]

    def remove(self, n: int) -> QueueEntry:
        """Take entry n out; what runs stays. Raises UsageError where there is no such entry, or it runs."""
        with self._changing() as entries:
            found = next((one for one in entries if one.n == n), None)
            if found is None:
                known = ", ".join(str(one.n) for one in entries) or "none"
                raise UsageError(f"the queue has no entry {n}.", next_action=f"Its entries: {known}.")
            if found.state == "running":
                raise UsageError(f"entry {n} is running.", next_action="Stop the night first: anglewright night stop")
            entries.remove(found)
        return found

    def begin_night(self) -> list[QueueEntry]:
        """Drop what an earlier night finished; what a power cut or a kill left running waits again, from its start.

        Returned are those that were given up: begun MOST_ATTEMPTS times without an end.
        """
        self._stop.unlink(missing_ok=True)
        given_up, waiting = [], []
        with self._changing() as entries:
            for one in entries:
                if one.state == "running" and one.attempts >= MOST_ATTEMPTS:
                    why = f"the machine or the program stopped in it {one.attempts} times"
                    given_up.append(replace(one, state="done", outcome=CUT_SHORT, reason=why))
                elif one.state == "running":
                    waiting.append(replace(one, state="waiting"))
                elif one.state == "waiting":
                    waiting.append(one)
            entries[:] = waiting
        return given_up

    def next_waiting(self) -> QueueEntry | None:
        """The next one to run."""
        return next((one for one in self.entries() if one.state == "waiting"), None)

    @contextmanager
    def night(self) -> Iterator[None]:
        """One night at a time. Raises UsageError while another one runs."""
        self.home.mkdir(parents=True, exist_ok=True)
        with (self.home / "queue.night").open("w") as lock:
            try:
                take_lock(lock, wait=False)
            except BlockingIOError as fault:
                raise UsageError("a night is running already.", next_action="See `anglewright night plan`.") from fault
            yield

    def night_runs(self) -> bool:
        """Whether a night is running now."""
        try:
            with self.night():
                return False
        except UsageError:
            return True

    def ask_to_stop(self) -> None:
        """Ask the running night to stop. Raises UsageError when none runs."""
        if not self.night_runs():
            raise UsageError("no night is running.", next_action="Nothing is energised by the queue.")
        try:
            self._stop.touch()
        except OSError as fault:
            raise unwritable(self._stop, fault) from fault

    def stop_asked(self) -> bool:
        """Whether somebody wants the night to stop."""
        return self._stop.exists()

    @contextmanager
    def _changing(self) -> Iterator[list[QueueEntry]]:
        self.home.mkdir(parents=True, exist_ok=True)
        with (self.home / "queue.lock").open("w") as lock:
            take_lock(lock)
            entries = self.entries()
            yield entries
            self._write({"schema": SCHEMA, "entries": [asdict(one) for one in entries]})

    def _write(self, data: Mapping[str, Any]) -> None:
        part = self.path.with_name(self.path.name + ".part")
        try:
            with part.open("wb") as handle:
                handle.write(to_json(data))
                handle.flush()
                os.fsync(handle.fileno())
            part.replace(self.path)
            sync(self.home)
        except OSError as fault:
            raise unwritable(self.path, fault) from fault
