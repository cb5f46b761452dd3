"""One controller a bench: a lock on every interface that a bench names, across homes and users of this computer.

The locks are those of flock(2) on files in one folder that all users share. The kernel gives them back when the last
process that holds them has ended, however it ended; the watchdog inherits them, so that a bench whose controller was
killed stays held until it is safe. Each file says who holds it. They keep mistakes apart, not attackers; a second
computer on the same instrument is not covered (see drivers/link/visa.py for instruments with a lock of their own).
Source: flock(2) (inherited by fork, released with the last descriptor); Filesystem Hierarchy Standard 3.0, 5.9 and
3.18 (/run/lock, /tmp).
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import json
import os
import re
import stat
import time
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from drivers.exclusive.interfaces import interfaces
from rig.errors import BenchBusy, RecordError
from rig.system import take_lock

PLACES = ("/run/lock", "/tmp")  # the first that every user of this computer may write to
FOLDER = "anglewright"
VARIABLE = "ANGLEWRIGHT_LOCKS"  # another folder, the same for all users
SAFE_WITHIN_S = 12.0  # a killed controller's watchdog has made the bench safe by then
NAMED_WITHIN_S = 1.0  # who has just taken a lock has written its name by then
AGAIN_S = 0.1


class BenchLock:
    """The interfaces behind some links, held until `close`. purpose: what for, as others are told."""

    def __init__(self, links: Iterable[str], purpose: str) -> None:
        self._links = tuple(links)
        self._purpose = purpose
        self._descriptors: list[int] = []

    @property
    def descriptors(self) -> tuple[int, ...]:
        """Open files that hold the locks, for a process that is to inherit them."""
        return tuple(self._descriptors)

    def __enter__(self) -> Self:
        self.take()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def take(self) -> None:
        """All interfaces, or none. BenchBusy names who holds one; RecordError when there is no place for the locks.

        Where the holder's controller has ended, its watchdog is given time to make the bench safe.
        """
        wanted = interfaces(self._links)
        begun_s = time.monotonic()
        while (held := self._take_all(wanted)) is not None:
            key, holder = held
            patience_s = NAMED_WITHIN_S if not holder else 0.0 if _lives(holder) else SAFE_WITHIN_S
            if time.monotonic() - begun_s >= patience_s:
                raise _busy(key, holder, self._links)
            time.sleep(AGAIN_S)

    def close(self) -> None:
        """Give all back. A process that inherited them keeps them until it ends. Never raises."""
        for descriptor in self._descriptors:
            with contextlib.suppress(OSError):
                os.ftruncate(descriptor, 0)
        self._give_back()

    def _give_back(self) -> None:
        while self._descriptors:
            os.close(self._descriptors.pop())

    def _take_all(self, wanted: Mapping[str, bool]) -> tuple[str, dict[str, Any]] | None:
        """None when all are held; else the key that is not to be had, and what its file says of the holder."""
        for key, alone in wanted.items():
            descriptor = _opened(lock_folder(), key)
            try:
                take_lock(descriptor, wait=False, shared=not alone)
            except BlockingIOError:
                holder = _read(descriptor)
                os.close(descriptor)
                self._give_back()
                return key, holder
            self._descriptors.append(descriptor)
        for descriptor in self._descriptors:
            _write(descriptor, self._purpose)
        return None


def lock_folder() -> Path:
    """The folder of the locks, made where it is not there. RecordError when it can't be used by every user."""
    chosen = os.environ.get(VARIABLE)
    folder = Path(chosen) if chosen else _shared_place() / FOLDER
    try:
        folder.mkdir(mode=0o1777)
        folder.chmod(0o1777)  # mkdir's mode passes the umask
    except FileExistsError:
        pass
    except OSError as fault:
        raise _no_place(folder, str(fault)) from fault
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        raise _no_place(folder, "it is no folder")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise _no_place(folder, "it can't be written to by this user")
    return folder


def _shared_place() -> Path:
    for name in PLACES:
        try:
            mode = os.stat(name).st_mode
        except OSError:
            continue
        if stat.S_ISDIR(mode) and mode & stat.S_IWOTH and mode & stat.S_ISVTX:
            return Path(name)
    return Path(PLACES[-1])


def _no_place(folder: Path, why: str) -> RecordError:
    return RecordError(
        f"there is no place for the lock of the bench: {folder} ({why}).",
        next_action=f"Make it a folder that every user of this computer may write to (mode 1777), or set {VARIABLE}.",
    )


def _opened(folder: Path, key: str) -> int:
    """The lock's file, for every user. It is never removed: a removed one could be held twice."""
    readable = re.sub(r"[^A-Za-z0-9.]+", "-", key)[:60].strip("-")
    path = folder / f"{readable}-{hashlib.sha256(key.encode()).hexdigest()[:8]}"
    flags = os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        try:
            descriptor = os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666)
            os.fchmod(descriptor, 0o666)
        except FileExistsError:
            descriptor = os.open(path, flags)  # without O_CREAT: another user's file in a sticky folder
    except OSError as fault:
        raise _no_place(folder, str(fault)) from fault
    return descriptor


def _write(descriptor: int, purpose: str) -> None:
    told = {
        "purpose": purpose,
        "pid": os.getpid(),
        "user": _user(),
        "since_utc": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        "started": _start_ticks(os.getpid()),
    }
    os.ftruncate(descriptor, 0)
    os.pwrite(descriptor, json.dumps(told).encode() + b"\n", 0)


def _read(descriptor: int) -> dict[str, Any]:
    """Who wrote the file last; nothing where it is being written."""
    try:
        told = json.loads(os.pread(descriptor, 4096, 0))
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return str(os.getuid())


def _start_ticks(pid: int) -> str:
    """When a process started, in the kernel's ticks: its number alone may be another's by now. "" where unknown."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""


def _lives(holder: Mapping[str, Any]) -> bool:
    """Whether the process that took the lock still runs. One that is not known is taken for running."""
    pid = holder.get("pid")
    if not isinstance(pid, int) or pid <= 0:
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass
    return holder.get("started", "") in ("", _start_ticks(pid))


def _busy(key: str, holder: Mapping[str, Any], links: tuple[str, ...]) -> BenchBusy:
    links_there = [link for link in links if key in interfaces([link])]
    who = f"{holder.get('purpose') or 'another program'} (process {holder.get('pid', 'unknown')}"
    who += f" of {holder['user']}" if holder.get("user") else ""
    who += f", since {holder['since_utc']})" if holder.get("since_utc") else ")"
    if _lives(holder):
        action = "Wait for its end, or stop it; nothing was touched."
    else:
        action = "Its controller has ended and its watchdog has not: look at the bench, then end that process."
    return BenchBusy(f"{links_there[0] if links_there else key} is held by {who}.", next_action=action)
