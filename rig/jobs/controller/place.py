"""Where live sockets stand: `<home>/live/<bench>.sock`, and the lock beside it that says a controller lives.

A bench of real instruments has one controller; benches that are simulated for one run each may run side by side and are
then numbered (simulated-2 ...). Socket addresses are at most 107 bytes long, homes may be longer: it is bound and
reached through the folder's descriptor. Source: unix(7), flock(2), proc(5).
"""

from __future__ import annotations

import os
import re
import socket
from contextlib import suppress
from pathlib import Path

from rig.description.places import default_home as default_home
from rig.errors import LinkDown, UsageError
from rig.system import take_lock

FOLDER = "live"
MOST = 99  # simulated benches side by side


def live_folder(home: Path | None = None) -> Path:
    """The folder of the sockets."""
    return (home or default_home()) / FOLDER


class Seat:
    """The name under which a controller serves; held until `leave`."""

    def __init__(self, folder: Path, name: str, lock: int) -> None:
        self.folder, self.name, self._lock = folder, name, lock

    @property
    def socket_path(self) -> Path:
        """Where it listens."""
        return self.folder / f"{self.name}.sock"

    def leave(self) -> None:
        """Give the name back; the socket's file goes. Idempotent."""
        if self._lock >= 0:
            self.socket_path.unlink(missing_ok=True)
            os.close(self._lock)
            self._lock = -1


def take_seat(bench: str, *, several: bool, home: Path | None = None) -> Seat:
    """A name for this controller. several: the bench exists once for each run. Raises UsageError when it is in use."""
    folder = live_folder(home)
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    plain = re.sub(r"[^\w.-]", "_", bench) or "bench"
    names = [plain, *(f"{plain}-{n}" for n in range(2, MOST + 1))] if several else [plain]
    for name in names:
        lock = os.open(folder / f"{name}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            take_lock(lock, wait=False)
        except BlockingIOError:
            os.close(lock)
            continue
        return Seat(folder, name, lock)
    raise UsageError(
        f"bench {bench} is in use by another controller.",
        next_action="See it with `anglewright night plan`, wait for its end, or stop it.",
    )


def lives(name: str, home: Path | None = None) -> bool:
    """Whether a controller holds this name now."""
    try:
        lock = os.open(live_folder(home) / f"{name}.lock", os.O_RDWR | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    try:
        take_lock(lock, wait=False)
    except BlockingIOError:
        return True
    finally:
        os.close(lock)
    return False


def living(home: Path | None = None) -> list[str]:
    """Names of all controllers that live in a home."""
    found = sorted(path.stem for path in live_folder(home).glob("*.sock"))
    return [name for name in found if lives(name, home)]


def bind(path: Path) -> socket.socket:
    """A listening socket at a path, for its owner alone. What an earlier controller left there is taken away."""
    path.unlink(missing_ok=True)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        before = os.umask(0o177)
        try:
            listener.bind(f"/proc/self/fd/{folder}/{path.name}")
        finally:
            os.umask(before)
        listener.listen(16)
    except OSError:
        listener.close()
        raise
    finally:
        os.close(folder)
    return listener


def reach(path: Path, wait_s: float) -> socket.socket:
    """A connection to the controller at a path. Raises LinkDown where none answers."""
    link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    link.settimeout(wait_s)
    try:
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            link.connect(f"/proc/self/fd/{folder}/{path.name}")
        finally:
            os.close(folder)
    except OSError as fault:
        with suppress(OSError):
            link.close()
        raise LinkDown(
            f"no controller answers at {path} ({fault.strerror or fault}).",
            instrument="live socket",
            next_action="Its run has ended, or it was killed: see `anglewright unit`.",
        ) from fault
    return link
