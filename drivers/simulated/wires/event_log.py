"""The log of the simulated bench: JSON lines, flushed, with wall time and bench time of every event.

Events and their facts: drivers/simulated/README.md.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from types import TracebackType
from typing import TextIO


class EventLog:
    """Appends one line an event; without a path it keeps silent."""

    def __init__(self, path: Path | None) -> None:
        self._file: TextIO | None = path.open("a", encoding="utf-8") if path is not None else None

    def emit(self, bench_s: float, event: str, **facts: object) -> None:
        """One line: wall_s (time.time), bench_s, event and its facts."""
        if self._file is None:
            return
        line = {"wall_s": time.time(), "bench_s": bench_s, "event": event, **facts}
        self._file.write(json.dumps(line) + "\n")
        self._file.flush()

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def __enter__(self) -> EventLog:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
