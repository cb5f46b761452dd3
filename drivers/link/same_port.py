"""Whether a serial device is still the one that a link was made for.

The kernel gives the name of a pseudo-terminal that hung up to the next one that is made: /dev/pts/0 may be the
multimeter of another simulated bench a moment later, and a link that opens it again would hold somebody else's port.
A real adapter that is unplugged comes back as the same instrument, which its driver identifies; a pseudo-terminal
never does. Source: pts(4), stat(2); Documentation/admin-guide/devices.txt of Linux (majors 136 to 143).
"""

from __future__ import annotations

import os

PSEUDO_TERMINALS = range(136, 144)  # major numbers of /dev/pts/N


class SamePort:
    """The device behind a path, as it was when it was first seen. A symbolic link may lead to another one later."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._first = _birth_of(path)

    def check(self) -> None:
        """Raise ConnectionError when the path is a pseudo-terminal, and not the one that was first seen."""
        now = _birth_of(self._path)
        if self._first is None:
            self._first = now
        elif now is not None and now != self._first:
            raise ConnectionError("the pseudo-terminal has hung up, and another one has its name now")


def _birth_of(path: str) -> tuple[int, int] | None:
    """Inode and time of creation of a pseudo-terminal (ns); None for anything else, or when there is nothing."""
    try:
        if os.path.islink(path):
            return None
        found = os.stat(path)
    except OSError:
        return None
    return (found.st_ino, found.st_ctime_ns) if os.major(found.st_rdev) in PSEUDO_TERMINALS else None
