"""How long the steps of a sequence took last time on this bench: what "time left" stands on.

`<home>/live/durations.json`: written whole when a run went to its end. Without it, the sequence's own minutes count.
Bench time, from the journal's dates.
"""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from rig.control.sequencer import StepSequence
from rig.control.step import Progress


class Durations:
    """Of the run that goes on. folder: of the live sockets."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "durations.json"
        self._key = ""
        self._minutes = 0.0
        self._before: dict[str, float] = {}
        self._begun: list[tuple[str, datetime]] = []

    def begin(self, sequence: StepSequence, part: str, bench: str) -> None:
        """A run begins."""
        self._key, self._minutes, self._begun = f"{sequence.name} {part} {bench}", sequence.traits.minutes, []
        with suppress(OSError, ValueError, AttributeError):
            self._before = dict(json.loads(self._path.read_text(encoding="utf-8")).get(self._key, {}))

    def step(self, name: str, utc: str) -> None:
        """A step begins."""
        with suppress(ValueError):
            self._begun.append((name, datetime.fromisoformat(utc)))

    def left_s(self, told: Progress) -> float | None:
        """Seconds of bench time that are left, about; None where nothing is known."""
        if not self._begun:
            return None
        names = [name for name, _ in self._begun]
        if not self._before:
            if not self._minutes:
                return None
            gone_s = (self._begun[-1][1] - self._begun[0][1]).total_seconds()
            return max(0.0, 60.0 * self._minutes - gone_s)
        share = told.done / told.total if told.total else 0.0
        left_s = self._before.get(names[-1], 0.0) * (1.0 - min(1.0, share))
        return left_s + sum(s for name, s in self._before.items() if name not in names)

    def keep(self) -> None:
        """The run went to its end: its durations are the newest."""
        if len(self._begun) < 2:
            return
        took = {
            name: (after - at).total_seconds()
            for (name, at), (_, after) in zip(self._begun, self._begun[1:], strict=False)
        }
        kept: dict[str, dict[str, float]] = {}
        with suppress(OSError, ValueError):
            kept = json.loads(self._path.read_text(encoding="utf-8"))
        kept[self._key] = {name: round(s, 3) for name, s in took.items()}
        with suppress(OSError):
            aside = self._path.with_suffix(".part")
            aside.write_text(json.dumps(kept), encoding="utf-8")
            aside.replace(self._path)
