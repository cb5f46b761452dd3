"""Who looks on a run from the opening of its bench to its end: by default nobody, in a controller the live socket.

It must never slow a run or change one: what it is told it only passes on.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from rig.control.bench import Bench
    from rig.control.sequencer import StepSequence
    from rig.control.step import JournalWriter, RawWriter
    from rig.records.store import RunFolder
    from rig.signal.waveform import Waveform


class Onlooker(Protocol):
    """What a run tells whoever looks on."""

    def opened(self, bench: Bench) -> None: ...  # instruments answer, nothing is armed

    def begun(
        self, folder: RunFolder, bench: Bench, sequence: StepSequence, frequency_hz: float
    ) -> tuple[JournalWriter, RawWriter]: ...  # where the steps write: the folder's own, or those with a look through

    def note_closed(self) -> None: ...  # the bench is safe and closed; what follows needs no instrument


class Nobody:
    """Looks at nothing."""

    def opened(self, bench: Bench) -> None:
        """Nothing."""

    def begun(
        self, folder: RunFolder, bench: Bench, sequence: StepSequence, frequency_hz: float
    ) -> tuple[JournalWriter, RawWriter]:
        """The folder's own files."""
        del bench, sequence, frequency_hz
        return folder.journal, folder.raw

    def note_closed(self) -> None:
        """Nothing."""


NOBODY = Nobody()


class ViewedJournal:
    """A run's journal that passes each line on once it is on the disk; several threads may append.

    on_line: takes the line's number, its kind and its data.
    """

    def __init__(self, inner: JournalWriter, on_line: Callable[[int, str, Mapping[str, Any]], None]) -> None:
        self._inner, self._on_line = inner, on_line
        self.path: Path = inner.path
        self._lock = threading.Lock()

    @property
    def count(self) -> int:
        return self._inner.count

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        with self._lock:
            self._inner.append(kind, data)
            self._on_line(self._inner.count, kind, data)


class ViewedRaw:
    """A run's raw file that passes each capture on once it is in it. on_capture: takes its name and the capture."""

    def __init__(self, inner: RawWriter, on_capture: Callable[[str, Waveform], None]) -> None:
        self._inner, self._on_capture = inner, on_capture

    def append(self, series: str, waveform: Waveform) -> str:
        where = self._inner.append(series, waveform)
        self._on_capture(where, waveform)
        return where
