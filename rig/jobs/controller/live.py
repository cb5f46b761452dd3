"""A run as it is seen from outside: what the run posts goes to the live socket, what viewers say comes back as a stop.

The acquiring thread only appends to a queue and wakes the live thread; it never waits. Journal and raw file are written
first: what viewers see is on the disk. It must never arm anything.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from rig.control.arming.arming import ArmingEvent, ArmingState
from rig.control.bench import Bench
from rig.control.sequencer import StepSequence
from rig.control.step import JournalWriter, Progress, RawWriter
from rig.errors import Cancelled, SafetyStop
from rig.jobs.controller.ask import NIGHT, Ask
from rig.jobs.controller.bench_line import arming_state, bench_line
from rig.jobs.controller.durations import Durations
from rig.jobs.controller.onlooker import ViewedJournal, ViewedRaw
from rig.jobs.controller.picture import Picture, capture_frame
from rig.jobs.controller.place import Seat, bind
from rig.jobs.controller.server import ATTENDED_S, Answer, Server
from rig.jobs.operator.terminal import answer_of
from rig.records.store import RunFolder
from rig.signal.waveform import Waveform

QUESTION_S = 300.0


class Live:
    """The onlooker of a controller. seat: its name; ask: what it was asked for."""

    def __init__(self, ask: Ask, seat: Seat) -> None:
        self._ask = ask
        self._picture = Picture(
            {"kind": ask.kind, "request": dict(ask.request), "by": ask.by, "attended": ask.attended}
        )
        self._posted: deque[tuple[Callable[..., Any], tuple[Any, ...]]] = deque()
        self._messages: list[tuple[Mapping[str, Any], bytes]] = []
        self._bench: Bench | None = None
        self._journal: ViewedJournal | None = None  # where marks go
        self._stop: SafetyStop | None = None
        self._durations = Durations(seat.folder)
        self._question: tuple[int, tuple[str, ...]] | None = None
        self._answer = ""
        self._answered = threading.Event()
        self._numbers = itertools.count(1)
        self.on_hold: Callable[[str], Answer] | None = None  # a night's; a single run is stopped, not held
        self.on_stop: Callable[[SafetyStop], None] | None = None
        self._server = Server(
            bind(seat.socket_path),
            take=self._take,
            snapshot=lambda attending, since: self._picture.snapshot(attending, since),
            drain=self._drain,
            each_look=self._each_look,
        )
        self._server.start()

    def close(self) -> None:
        """All was said: the socket goes."""
        self._server.close()

    # ---- what a run tells (Onlooker)

    def opened(self, bench: Bench) -> None:
        """Instruments answer; from here on a stop reaches them."""
        self._bench = bench
        bench.guard.hot = self._picture.line.get("hot")  # until this run has read it
        if self._stop is not None:
            bench.token.set(self._stop)
        self.state("armed" if arming_state(bench) is ArmingState.ARMED else "waiting for the arming")

    def begun(
        self, folder: RunFolder, bench: Bench, sequence: StepSequence, frequency_hz: float
    ) -> tuple[JournalWriter, RawWriter]:
        """The run has a folder: its files, with a look through."""
        header = folder.header
        run = {
            "id": folder.id,
            "folder": str(folder.path),
            "sequence": sequence.name,
            "title": sequence.title,
            "steps": [[step.name, step.title] for step in sequence.steps],
            "minutes": sequence.traits.minutes,
            "part": str(header.part.get("number", "")),
            "pole_pairs": header.part.get("pole_pairs"),
            "serial": header.serial,
            "job": header.job,
            "operator": header.operator,
            "bench": bench.file.name,
            "simulated": header.simulated,
            "steps_per_turn": bench.axis.steps_per_turn if bench.axis is not None else None,
            "frequency_hz": frequency_hz,
            "details": dict(header.details),
        }
        self._durations.begin(sequence, str(header.part.get("number", "")), bench.file.name)
        self._post(self._picture.begin, run, frequency_hz, bench.file.sampler)
        self.state("running")
        self._post(self._say, {"kind": "run", **run})
        self._journal = ViewedJournal(folder.journal, self.written)
        return self._journal, ViewedRaw(folder.raw, self.note_capture)

    def note_closed(self) -> None:
        """The bench is safe and closed."""
        self._bench = None
        self.state("judging")

    def progress(self, told: Progress) -> None:
        """A step's progress."""
        self._post(self._send_progress, told)

    # ---- what the controller tells

    def state(self, state: str) -> None:
        """Which part of its work the controller is in."""
        self._post(self._send_state, state)

    def night(self, told: Mapping[str, Any]) -> None:
        """Where a night is."""
        self._post(self._nightly, dict(told))

    def arming(self, told: Mapping[str, Any]) -> None:
        """What a hand at the bench has done towards an arming: key seen, share of its time, why it does not count."""
        self._post(self._send_armed, dict(told))

    def note_end(self, told: Mapping[str, Any]) -> None:
        """How all ended; the last message."""
        self._post(self._over, dict(told))

    def ask(self, question: str, answers: tuple[str, ...], until: Callable[[], bool] | None = None) -> str:
        """Put a question to whoever looks on with hands; "" where nobody does or nobody answers. until: says that the
        first answer holds without anybody's word."""
        if not self._server.hands:
            return ""
        number = next(self._numbers)
        self._answered.clear()
        self._answer = ""
        self._question = (number, answers)
        self._post(
            self._questioned, {"kind": "question", "question": number, "text": question, "answers": list(answers)}
        )
        begun_s = time.monotonic()
        try:
            while not self._answered.wait(0.1):
                if (bench := self._bench) is not None:
                    bench.token.check()
                    bench.watchdog.progress()
                if until is not None and until():
                    self._answer = answers[0]
                    break
                if self._stop is not None or time.monotonic() - begun_s > QUESTION_S or not self._server.hands:
                    break
        finally:
            self._question = None
            self._post(self._questioned, None)
        return self._answer

    # ---- posting, from any thread

    def written(self, n: int, event: str, data: Mapping[str, Any]) -> None:
        """A line of the journal is on the disk."""
        self._post(self._line, n, event, data)

    def note_capture(self, where: str, waveform: Waveform) -> None:
        """A capture is in the raw file."""
        self._post(self._send_capture, where, waveform)

    def _post(self, do: Callable[..., Any], *words: Any) -> None:
        self._posted.append((do, words))
        self._server.wake()

    # ---- in the live thread

    def _drain(self) -> list[tuple[Mapping[str, Any], bytes]]:
        while self._posted:
            do, words = self._posted.popleft()
            do(*words)
        messages, self._messages = self._messages, []
        return messages

    def _say(self, head: Mapping[str, Any], body: bytes = b"") -> None:
        self._messages.append((head, body))

    def _line(self, n: int, event: str, data: Mapping[str, Any]) -> None:
        if event == "event" and data.get("name") == "step begun":
            self._durations.step(str(data.get("step", "")), str(data.get("utc", "")))
        for message in self._picture.line_written(n, event, data):
            self._say(message)

    def _send_capture(self, where: str, waveform: Waveform) -> None:
        self._picture.capture_phasors(where, waveform)
        if self._server.wants_frames:
            self._say(*capture_frame(where, waveform))

    def _send_progress(self, told: Progress) -> None:
        left_s = self._durations.left_s(told)
        self._say(self._picture.progress_at(told, left_s))

    def _send_state(self, state: str) -> None:
        self._picture.state = state
        self._bench_line()
        self._say({"kind": "state", "state": state, "line": self._picture.line})

    def _nightly(self, told: dict[str, Any]) -> None:
        self._picture.night = told
        self._say({"kind": "night", **told})

    def _send_armed(self, told: dict[str, Any]) -> None:
        self._picture.arming = told
        self._say({"kind": "arming", **told})

    def _questioned(self, told: dict[str, Any] | None) -> None:
        self._picture.question = told
        self._say(told or {"kind": "question", "question": None})

    def _over(self, told: dict[str, Any]) -> None:
        if told.get("complete"):
            self._durations.keep()
        self._picture.state, self._picture.ended = "ended", told
        self._say({"kind": "ended", **told})

    def _each_look(self) -> None:
        """Every quarter second: the bench line, and whether anybody still attends."""
        before = self._picture.line
        self._bench_line()
        if self._picture.line != before:
            self._say({"kind": "state", "state": self._picture.state, "line": self._picture.line})
        if self._ask.attended and time.monotonic() - self._server.last_attended_s > ATTENDED_S:
            self._set_stop(
                SafetyStop(
                    f"nobody has attended the run for {ATTENDED_S:.0f} s.",
                    code="unattended",
                    next_action="An attended run ends when the terminal or the page that asked for it is gone.",
                )
            )

    def _bench_line(self) -> None:
        self._picture.line = bench_line(self._bench, self._picture.line.get("hot"))

    # ---- verbs

    def _take(self, verb: str, said: Mapping[str, Any]) -> Answer:
        by = str(said.get("by", ""))[:64] or "somebody who looks on"
        if verb == "stop":
            self._set_stop(
                Cancelled(
                    f"the {'night' if self._ask.kind == NIGHT else 'run'} was stopped by {by}.",
                    code="cancelled",
                    next_action="It is kept, marked incomplete; start a new one.",
                )
            )
            return {"kind": "done"}
        if verb == "hold":
            if self.on_hold is None:
                return {"kind": "refused", "why": "A single run is stopped, not held: only a night can be held."}
            return self.on_hold(by)
        if verb == "mark":
            return self._mark(str(said.get("text", ""))[:200], by)
        return self._advance(str(said.get("answer", ""))[:64], said.get("question"))

    def _set_stop(self, reason: SafetyStop) -> None:
        if self._stop is None:
            self._stop = reason
        if (bench := self._bench) is not None:
            if isinstance(reason, Cancelled) and bench.guard.arming is not None:
                bench.guard.arming.event(ArmingEvent.STOP)
            bench.token.set(reason)
        if self.on_stop is not None:
            self.on_stop(reason)

    def _mark(self, text: str, by: str) -> Answer:
        stamp = self._picture.last_stamp
        mark = {"text": text, "by": by, "bench_time_s": stamp[0] if stamp else None, "utc": stamp[1] if stamp else ""}
        journal = self._journal
        if journal is None:
            return {"kind": "refused", "why": "No run is going on that could be marked."}
        journal.append("event", {"name": "mark", **mark})
        self._picture.marks.append(mark)
        return {"kind": "done"}

    def _advance(self, answer: str, number: object) -> Answer:
        if self._question is None:
            return {"kind": "refused", "why": "Nothing is asked just now."}
        asked, answers = self._question
        if number is not None and number != asked:
            return {"kind": "refused", "why": f"Question {asked} is asked now."}
        self._answer = answer_of(answer, answers)
        self._answered.set()
        return {"kind": "done"}
