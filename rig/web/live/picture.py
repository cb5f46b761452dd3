"""The picture of a run as pages draw it: the turn, the error so far, the last records, resistances, what is asked.

It is fed by the live feed's one thread; pages read `points(since)` and `state()`. A picture, never a result: no verdict
is made here. Angles say mechanical or electrical in their names; records are thinned to what a screen can show.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Mapping
from typing import Any

import numpy as np

from rig.jobs.controller.frames import Message
from rig.web.live.curve import Passes

MOST_SAMPLES, MOST_EVENTS = 160, 20_000
COILS = ("exc", "sin", "cos")


class Picture:
    """changes: counts up with each message, so that a page knows whether it has seen all."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.changes = 0
        self._reset()

    def _reset(self) -> None:
        self.run: dict[str, Any] = {}
        self.ask: dict[str, Any] = {}
        self.phase = "opening"
        self.line: dict[str, Any] = {}
        self.progress: dict[str, Any] | None = None
        self.question: dict[str, Any] | None = None
        self.arming: dict[str, Any] = {}
        self.ended: dict[str, Any] | None = None
        self.frame: dict[str, Any] | None = None
        self.ohms: dict[str, dict[str, Any]] = {}
        self.passes = Passes(1, 1)
        self.last: dict[str, Any] | None = None
        self.done_steps: list[str] = []
        self.events: deque[dict[str, Any]] = deque(maxlen=MOST_EVENTS)

    def take(self, message: Message) -> None:
        """One message of the controller."""
        head = message.head
        take = getattr(self, f"_take_{message.kind}", None)
        if take is None:
            return
        with self._lock:
            take(head, message.body) if message.kind == "frame" else take(head)
            self.changes += 1

    # ---- messages by kind

    def _take_snapshot(self, head: Mapping[str, Any]) -> None:
        self._reset()
        self.ask, self.phase, self.line = dict(head["ask"]), str(head["state"]), dict(head["line"])
        self.progress, self.question, self.ended = head["progress"], head["question"], head["ended"]
        self.arming = dict(head.get("arming") or {})
        if head["run"]:
            self._take_run(head["run"])
        for one in head["phasors"]:
            self._take_phasors(one)

    def _take_run(self, head: Mapping[str, Any]) -> None:
        self.run = {key: value for key, value in head.items() if key != "kind"}
        self.passes = Passes(int(head.get("pole_pairs") or 1), int(head.get("steps_per_turn") or 1))
        self.ohms, self.frame, self.last, self.ended, self.done_steps = {}, None, None, None, []
        self.events.clear()

    def _take_state(self, head: Mapping[str, Any]) -> None:
        self.phase, self.line = str(head["state"]), dict(head["line"])

    def _take_progress(self, head: Mapping[str, Any]) -> None:
        if self.progress is not None and self.progress["step"] != head["step"]:
            self.done_steps.append(str(self.progress["step"]))
        self.progress = {key: value for key, value in head.items() if key != "kind"}

    def _take_question(self, head: Mapping[str, Any]) -> None:
        self.question = dict(head) if head.get("question") is not None else None

    def _take_arming(self, head: Mapping[str, Any]) -> None:
        self.arming = {key: value for key, value in head.items() if key != "kind"}

    def _take_ended(self, head: Mapping[str, Any]) -> None:
        self.ended = {key: value for key, value in head.items() if key != "kind"}

    def _take_phasors(self, head: Mapping[str, Any]) -> None:
        self.passes.add(head)
        self.last = {
            name: float(np.hypot(*head[name]) / np.sqrt(2.0))
            for name in ("exc_v", "exc_i", "sin", "cos")
            if name in head
        }

    def _take_event(self, head: Mapping[str, Any]) -> None:
        data = head["data"]
        self.events.append({"run": self.run.get("id", ""), "n": head["n"], "event": head["event"], "data": data})
        if head["event"] != "reading" or data.get("quantity") not in (
            "coil_resistance",
            "watch_resistance",
            "thermistor_resistance",
            "leak_resistance",
        ):
            return
        conditions = data.get("conditions") or {}
        name = str(conditions.get("coil") or "")
        if data["quantity"] == "thermistor_resistance":
            name = "thermistor"
        if data["quantity"] == "leak_resistance":
            name, before = "leak", self.ohms.get("leak", {}).get("ohm")
            if before is not None and data.get("value") is not None and before <= data["value"]:
                return
        if data.get("value") is not None or data.get("overload"):
            self.ohms[name] = {"ohm": data.get("value"), "overload": bool(data.get("overload"))}

    def _take_frame(self, head: Mapping[str, Any], body: bytes) -> None:
        names, samples = list(head["channels"]), int(head["samples"])
        codes = np.frombuffer(body, dtype=str(head["type"])).reshape(len(names), samples)
        scale = np.asarray(head["scale_v"], dtype=float)[:, None]
        offset = np.asarray(head["offset_v"], dtype=float)[:, None]
        volts = (codes[:, :MOST_SAMPLES] * scale + offset).round(5)
        self.frame = {
            "channels": names,
            "sample_rate_hz": head["sample_rate_hz"],
            "volts": [row.tolist() for row in volts],
        }

    # ---- what pages ask

    def state(self) -> dict[str, Any]:
        """Everything but the points of the curve."""
        with self._lock:
            return {
                "run": self.run,
                "ask": {"by": self.ask.get("by", ""), "kind": self.ask.get("kind", "")},
                "phase": self.phase,
                "progress": self.progress,
                "question": self.question,
                "arming": self.arming,
                "ended": self.ended,
                "ohms": self.ohms,
                "last": self.last,
                "done_steps": self.done_steps,
            }

    def record(self) -> dict[str, Any] | None:
        """The last record, thinned."""
        with self._lock:
            return self.frame

    def events_after(self, n: int) -> list[dict[str, Any]]:
        """Lines of the run's journal behind number `n`, as many as are held."""
        with self._lock:
            return [one for one in self.events if one["n"] > n]

    def points(self, since: int, epoch: int) -> dict[str, Any]:
        """The points of the passes behind the first `since` of an epoch (curve.py)."""
        with self._lock:
            return self.passes.points(since, epoch)
