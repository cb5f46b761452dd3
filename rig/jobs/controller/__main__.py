"""`python -m rig.jobs.controller ASK.json [FD]`: one run, watch or night, as a process of its own.

Instruments, guard, watchdog, journal, raw file and arming live here and end with it. One JSON line goes to descriptor
FD once the socket listens ({"socket": path}), or when the ask is refused ({"fault": ...}). What it comes to is the live
socket's last message; the exit status is the command's.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, TextIO

from rig.errors import PROGRAM_FAULT, RigError
from rig.jobs.controller.ask import Ask, take_ask
from rig.jobs.controller.live import Live
from rig.jobs.controller.place import Seat, take_seat
from rig.jobs.controller.work import bench_name, dump_fault, work


class Tolerant:
    """Standard error that outlives its terminal: a write that is refused is left out, never a fault of the run."""

    def __init__(self, inner: TextIO) -> None:
        self._inner = inner

    def write(self, text: str) -> int:
        """As a stream's."""
        with suppress(OSError, ValueError):
            return self._inner.write(text)
        return len(text)

    def flush(self) -> None:
        """As a stream's."""
        with suppress(OSError, ValueError):
            self._inner.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


def main(words: list[str]) -> int:
    """The exit status."""
    sys.stderr = Tolerant(sys.stderr)
    tell = int(words[1]) if len(words) > 1 else None
    try:
        ask = take_ask(Path(words[0]))
        name, several = bench_name(ask)
        seat = take_seat(name, several=several)
    except RigError as fault:
        _tell(tell, {"fault": dump_fault(fault)})
        return fault.exit_status
    try:
        return _serve(ask, seat, tell)
    finally:
        seat.leave()


def _serve(ask: Ask, seat: Seat, tell: int | None) -> int:
    live = Live(ask, seat)
    _tell(tell, {"socket": str(seat.socket_path)})
    try:
        ended = work(ask, live)
    except BaseException as fault:
        from rig.jobs.program_fault import message_of

        text = message_of(fault)
        sys.stderr.write(f"anglewright controller: {text}\n")
        ended = {"complete": False, "exit_status": PROGRAM_FAULT, "program_fault": text}
        if not isinstance(fault, Exception):
            raise
    finally:
        live.note_end(ended)
        live.close()
    return int(ended["exit_status"])


def _tell(descriptor: int | None, told: Mapping[str, Any]) -> None:
    if descriptor is not None:
        with suppress(OSError):
            os.write(descriptor, json.dumps(told).encode() + b"\n")
        with suppress(OSError):
            os.close(descriptor)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
