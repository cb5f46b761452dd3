"""The state of a run as a late viewer needs it: step, progress, figures, all phasors so far. One thread writes it.

It must never judge: phasors are a live picture with the bench file's nominal divider and shunt, never a result.
Volts and amperes are peak, phases against the record's centre, lead +.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

import numpy as np

from rig.control.step import Progress
from rig.description.benches import SamplerDevice
from rig.errors import RigError
from rig.jobs.controller.frames import SCHEMA
from rig.signal import sine_fit
from rig.signal.waveform import Waveform

KEPT_EVENTS = 20_000
CHANNELS = ("exc_v", "exc_i", "sin", "cos")


class Picture:
    """Fed by the controller, in its order; `snapshot` is what a viewer gets first."""

    def __init__(self, ask: Mapping[str, Any]) -> None:
        self.ask = dict(ask)
        self.state = "opening"
        self.events: deque[dict[str, Any]] = deque(maxlen=KEPT_EVENTS)
        self.phasors: list[dict[str, Any]] = []
        self.marks: list[dict[str, Any]] = []
        self.progress: dict[str, Any] | None = None
        self.question: dict[str, Any] | None = None
        self.ended: dict[str, Any] | None = None
        self.run: dict[str, Any] = {}
        self.night: dict[str, Any] | None = None
        self.line: dict[str, Any] = {}
        self.arming: dict[str, Any] = {}
        self.last_stamp: tuple[float, str] | None = None
        self._waiting: dict[str, dict[str, Any]] = {}
        self._frequency_hz = 0.0
        self._scale = np.ones(4)

    def begin(self, run: Mapping[str, Any], frequency_hz: float, sampler: SamplerDevice) -> None:
        """A run begins: what stood here of an earlier one goes."""
        self.run, self.progress, self.question = dict(run), None, None
        self.events.clear()
        self.phasors, self.marks, self._waiting = [], [], {}
        self._frequency_hz = frequency_hz
        self._scale = np.array([1.0 / sampler.exc_divider, 1.0 / sampler.shunt_ohm, 1.0, 1.0])

    def capture_phasors(self, where: str, waveform: Waveform) -> None:
        """A capture was kept; its phasors go out with its line of the journal."""
        try:
            found = sine_fit.fit(
                waveform.volts()[None, :, :], waveform.sample_rate_hz, self._frequency_hz, harmonics=1
            ).fundamental[0]
        except (RigError, np.linalg.LinAlgError):
            return  # a record that holds no cycle has no phasor; the raw file keeps it
        scaled = found * self._scale[: found.size]
        self._waiting[where] = {
            name: [float(one.real), float(one.imag)] for name, one in zip(CHANNELS, scaled, strict=False)
        }

    def line_written(self, n: int, event: str, data: Mapping[str, Any]) -> list[dict[str, Any]]:
        """A line of the journal: the messages that it makes, kept for late viewers."""
        message = {"kind": "event", "n": n, "event": event, "data": data}
        self.events.append(message)
        made = [message]
        if event == "reading":
            self.last_stamp = (float(data.get("bench_time_s", 0.0)), str(data.get("time_utc", "")))
            if (found := self._waiting.pop(str(data.get("capture") or ""), None)) is not None:
                series, _, index = str(data["capture"]).partition("/")
                phasors = {
                    "kind": "phasors",
                    "n": n,
                    "series": series,
                    "index": int(index or 0),
                    "conditions": dict(data.get("conditions", {})),
                    **found,
                }
                self.phasors.append(phasors)
                made.append(phasors)
        return made

    def progress_at(self, told: Progress, time_left_s: float | None) -> dict[str, Any]:
        """Where the run is now."""
        self.progress = {
            "kind": "progress",
            "step": told.step,
            "text": told.text,
            "done": told.done,
            "total": told.total,
            "figures": dict(told.figures),
            "time_left_s": time_left_s,
        }
        return self.progress

    def snapshot(self, attending: int, since: int | None) -> list[dict[str, Any]]:
        """What a viewer gets first; with `since` the events behind that line follow it."""
        first = {
            "kind": "snapshot",
            "schema": SCHEMA,
            "ask": self.ask,
            "state": self.state,
            "line": self.line,
            "arming": self.arming,
            "run": self.run,
            "night": self.night,
            "progress": self.progress,
            "question": self.question,
            "marks": self.marks,
            "phasors": self.phasors,
            "attending": attending,
            "last": self.events[-1]["n"] if self.events else 0,
            "ended": self.ended,
        }
        if since is None:
            return [first]
        return [first, *(one for one in self.events if one["n"] > since)]


def capture_frame(where: str, waveform: Waveform) -> tuple[dict[str, Any], bytes]:
    """A capture as a message: its head, and its codes (channels, samples) as little-endian integers."""
    codes = np.ascontiguousarray(waveform.codes, dtype="<i4" if waveform.codes.dtype.itemsize > 2 else "<i2")
    head = {
        "kind": "frame",
        "capture": where,
        "channels": list(waveform.channels),
        "samples": int(codes.shape[1]),
        "type": str(codes.dtype.str),
        "sample_rate_hz": waveform.sample_rate_hz,
        "scale_v": [float(one) for one in waveform.scale_v],
        "offset_v": [float(one) for one in waveform.offset_v],
    }
    return head, codes.tobytes()
