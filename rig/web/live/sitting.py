"""A lot's sitting at the page: the page is the desk (rig/jobs/lot/desk), its scans and keys come over the interface.

One sitting a panel, in a thread of its own; each of its runs has a controller of its own, which waits for the hand at
the bench. It goes on where it was by the book: whoever starts the panel anew starts a new sitting, and no unit is
tested twice. A scan is no key and no answer; nothing here arms or resumes.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from typing import Any, Literal

from rig.errors import LinkDown, RigError
from rig.jobs.controller.ask import of_request
from rig.jobs.controller.client import LiveClient, fault_of, start
from rig.jobs.kept.kept_run import Finished, kept_run
from rig.jobs.lot.desk import NextUnit
from rig.jobs.lot.sitting import KEYS, Sitting
from rig.jobs.lot.unit_runs import Asked
from rig.jobs.operator.scanner import Entry
from rig.jobs.run_job import Request
from rig.records.store import Store

Kind = Literal["scan", "key", "line"]
MOST_WAITING = 16


class PageDesk:
    """The person's side. state: what the page shows; entries come from any request, one at a time."""

    def __init__(self) -> None:
        self._entries: queue.Queue[tuple[Kind, str] | None] = queue.Queue(MOST_WAITING)
        self._lock = threading.Lock()
        self._state: dict[str, Any] = {"unit": None, "told": [], "question": "", "keys": {}, "line": "", "running": ""}
        self.ended = False

    def state(self) -> dict[str, Any]:
        """What the page shows."""
        with self._lock:
            return {**self._state, "told": list(self._state["told"]), "ended": self.ended}

    def enter(self, kind: Kind, text: str) -> bool:
        """Take a scan, a key or a typed line; False where it is of no use just now, and is let go."""
        with self._lock:
            if self._state["running"] or self.ended:
                return False
        with suppress(queue.Full):
            self._entries.put_nowait((kind, text))
            return True
        return False

    def close(self) -> None:
        """No more entries: the sitting ends once the unit in work has ended."""
        self.ended = True
        with suppress(queue.Full):
            self._entries.put_nowait(None)

    def _set(self, **words: Any) -> None:
        with self._lock:
            self._state.update(words)

    def _next(self) -> tuple[Kind, str] | None:
        while True:
            with suppress(queue.Empty):
                return self._entries.get(timeout=0.5)
            if self.ended:
                return None

    # ---- Desk

    def show(self, unit: NextUnit) -> None:
        """The next unit."""
        keys = {key: words for key, words in KEYS.items() if key != "r" or unit.retest}
        self._set(unit=asdict(unit), keys=keys, question="", line="", running="")

    def read(self) -> Entry:
        """The next scan or key; a typed line is a serial number, as after the key k."""
        while (found := self._next()) is not None:
            kind, text = found
            if kind == "key" or text:
                return Entry("key" if kind == "key" else "scan", text)
        return Entry("end")

    def ask(self, question: str, keys: Mapping[str, str]) -> str:
        """One of the keys; a scan in place of one is passed over."""
        before = self.state()["keys"]
        self._set(question=question, keys=dict(keys))
        try:
            while (found := self._next()) is not None:
                kind, text = found
                if kind == "key" and text in keys:
                    return text
            return ""
        finally:
            self._set(question="", keys=before)

    def line(self, question: str) -> str:
        """A line typed by hand."""
        self._set(line=question)
        try:
            while (found := self._next()) is not None:
                kind, text = found
                if kind == "line":
                    return text
            return ""
        finally:
            self._set(line="")

    def tell(self, text: str, *, trouble: bool = False) -> None:
        """Seen on the page, the newest eight."""
        with self._lock:
            self._state["told"] = [*self._state["told"], {"text": text, "trouble": trouble}][-8:]

    def run(self, request: Request, details: Mapping[str, object]) -> Finished:
        """A run by a controller of its own; the page's feed attends for it and may stop it."""
        self._set(running=str(details.get("label") or "check standards"), keys={}, question="")
        try:
            started = start(of_request(request, details={"lot": dict(details)}), quiet=True)
            told: Mapping[str, Any] | None = None
            with LiveClient(started.path) as live:
                for message in live.messages(0.5):
                    if message is not None and message.kind in ("ended", "snapshot"):
                        told = message.head if message.kind == "ended" else message.head.get("ended")
                    if told:
                        break
            started.process.wait()
        finally:
            self._set(running="")
        if not told:
            raise LinkDown("the run's controller has gone.", instrument="controller", next_action="Look at the bench.")
        if "program_fault" in told:
            raise RigError(str(told["program_fault"]), next_action="Look at the run that it left.")
        if (fault := fault_of(told.get("fault"))) is not None:
            raise fault
        return kept_run(str(told["run"]))


class SittingAtPage:
    """One sitting. lot: its name; who: started it."""

    def __init__(self, store: Store, lot: str, asked: Asked) -> None:
        self.lot, self.who, self.desk = lot, asked.operator, PageDesk()
        self._sitting = Sitting(store, lot, self.desk, asked)
        self._said = ""
        self._thread = threading.Thread(target=self._sit, name="sitting", daemon=True)
        self._thread.start()

    @property
    def goes_on(self) -> bool:
        """Whether it has not ended yet."""
        return self._thread.is_alive()

    def state(self) -> dict[str, Any]:
        """What the page shows: the desk, whether it goes on, how it ended."""
        state = self.desk.state()
        return {"lot": self.lot, "by": self.who, **state, "goes_on": self.goes_on, "how": self._said}

    def _sit(self) -> None:
        try:
            self._said = self._sitting.sit().ended
        except RigError as fault:
            self._said = f"{fault.message} {fault.next_action}".strip()
        finally:
            self.desk.ended = True
