"""A keypad of its own as the arming key: a Linux input device, taken from everybody else while a controller waits.

Any of its keys counts, held; the kernel's repeats are neither press nor release. It must never be the keyboard of a
desk: name one that stands at the guard, by /dev/input/by-id. Not run on a real device here; tested with its records.
Source: Linux input subsystem, input.h (struct input_event, EV_KEY).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable

from rig.errors import LinkDown
from rig.system import grab_input

EVENT = struct.Struct("llHHi")
EV_KEY = 1
RELEASED, PRESSED = 0, 1


class Keypad:
    """An open keypad. Raises LinkDown where it is not there or is held by somebody else."""

    def __init__(self, path: str, take: Callable[[int], None] = grab_input) -> None:
        self._path = path
        self._pending = b""
        self._down: set[int] = set()
        try:
            self._file = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
            take(self._file)
        except OSError as fault:
            raise self._lost(fault) from fault

    def is_held(self) -> bool:
        """Whether a key is down now. Raises LinkDown once the device is gone."""
        while True:
            try:
                got = os.read(self._file, 64 * EVENT.size)
            except BlockingIOError:
                break
            except OSError as fault:
                raise self._lost(fault) from fault
            if not got:
                break
            self._take(got)
        return bool(self._down)

    def close(self) -> None:
        """Give it back. Idempotent."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def _take(self, got: bytes) -> None:
        data = self._pending + got
        whole = len(data) // EVENT.size * EVENT.size
        self._pending = data[whole:]
        for _, _, kind, code, value in EVENT.iter_unpack(data[:whole]):
            if kind != EV_KEY:
                continue
            if value == PRESSED:
                self._down.add(code)
            elif value == RELEASED:
                self._down.discard(code)

    def _lost(self, fault: OSError) -> LinkDown:
        return LinkDown(
            f"{self._path}: {fault.strerror or fault}",
            instrument="arming keypad",
            next_action="Plug it in, give this user the right to read it, and name it by /dev/input/by-id.",
        )
