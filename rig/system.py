"""What differs between operating systems, in one place: locks on files, lines typed at a terminal, a serial port's end.

Written for Linux and other POSIX systems, with what Windows offers in its place (not run there by the tests). A lock is
advisory and ends with the process that holds it, however that ends. It knows nothing of what is locked or asked.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO

if sys.platform == "win32":
    import msvcrt

    PORT_FAULTS: tuple[type[Exception], ...] = (OSError,)
else:
    import fcntl
    import select
    import termios
    import tty

    PORT_FAULTS = (OSError, termios.error)
"""What the system raises when a port is gone."""
WINDOWS_LOOK_S = 0.02


def take_lock(file: int | IO[bytes] | IO[str], *, wait: bool = True, shared: bool = False) -> None:
    """Lock an open file until it is closed. Raises BlockingIOError when another holds it and `wait` is not set.

    shared: others may hold a shared lock too. Windows has no shared lock: there it is an exclusive one.
    """
    if sys.platform == "win32":
        descriptor = file if isinstance(file, int) else file.fileno()
        try:
            msvcrt.locking(descriptor, msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
        except OSError as fault:
            raise BlockingIOError(str(fault)) from fault
    else:
        fcntl.flock(file, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | (0 if wait else fcntl.LOCK_NB))


def discard_typed() -> None:
    """What was typed before now does not count."""
    if sys.platform == "win32":
        while msvcrt.kbhit():
            msvcrt.getwch()
    else:
        termios.tcflush(sys.stdin, termios.TCIFLUSH)


def typed_within(wait_s: float) -> bool:
    """Whether something can be read from the terminal within wait_s seconds."""
    if sys.platform == "win32":
        end_s = time.monotonic() + wait_s
        while not msvcrt.kbhit() and time.monotonic() < end_s:
            time.sleep(WINDOWS_LOOK_S)
        return msvcrt.kbhit()
    return bool(select.select([sys.stdin], [], [], wait_s)[0])


@contextmanager
def single_characters() -> Iterator[None]:
    """Within it `typed_character` gives each character as it is typed, without echo; Ctrl-C stays what it is."""
    if sys.platform == "win32":
        yield
        return
    held = termios.tcgetattr(sys.stdin)
    try:
        tty.setcbreak(sys.stdin, termios.TCSADRAIN)
        yield
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, held)


def typed_character() -> str:
    """The next character of the terminal, "" at its end; waits for it. Call it within `single_characters`."""
    if sys.platform == "win32":
        return msvcrt.getwch()
    return os.read(sys.stdin.fileno(), 1).decode("latin-1")


def keep_line_on_close(descriptor: int) -> None:
    """A serial port keeps its control lines when it is closed (HUPCL off); Windows keeps them anyway."""
    if sys.platform != "win32":
        state = termios.tcgetattr(descriptor)
        state[2] &= ~termios.HUPCL
        termios.tcsetattr(descriptor, termios.TCSANOW, state)


def open_pseudo_terminal() -> tuple[int, int]:
    """(master, slave) of a new pseudo-terminal that passes bytes unchanged. Raises OSError where a system has none."""
    if sys.platform == "win32":
        raise OSError("Windows has no pseudo-terminals: serve the simulated bench by TCP.")
    master, slave = os.openpty()
    tty.setraw(slave)
    return master, slave


EVIOCGRAB = 0x40044590  # Linux input subsystem, input.h


def grab_input(descriptor: int) -> None:
    """Take an input device for this process alone. Raises OSError where that can't be."""
    fcntl.ioctl(descriptor, EVIOCGRAB, 1)
