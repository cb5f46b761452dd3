"""Whether the terminal that a word is typed at stands at this machine: a word typed from elsewhere arms nothing.

Refused: a terminal with a login from elsewhere among its ancestors or in their surroundings, one whose login names a
host, and a multiplexer, which may be joined from elsewhere. It must never know a bench. Source: proc(5), utmp(5).
"""

from __future__ import annotations

import os
import struct
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from rig.errors import SafetyStop

REMOTE = ("sshd", "dropbear", "telnetd", "in.telnetd", "rlogind", "in.rlogind", "mosh-server", "rshd", "ttyd", "gotty")
JOINED = ("tmux", "screen", "SCREEN", "abduco", "dtach", "zellij")
SIGNS = ("SSH_CONNECTION", "SSH_CLIENT", "SSH_TTY", "REMOTEHOST")
UTMP = struct.Struct("hi32s4s32s256shhiii4i20x")
USER_PROCESS = 7


def check_local(bench: str) -> None:
    """Raises SafetyStop where the word would come from elsewhere; without a terminal that is said elsewhere."""
    if (why := remote_sign()) is not None:
        raise SafetyStop(
            f"bench {bench} is not armed from here: {why}.",
            code="not-armed",
            next_action="Arm it by its key, or type the word at a console of the machine that stands at the bench.",
        )


def remote_sign(pid: int | None = None, proc: Path = Path("/proc"), utmp: Path = Path("/run/utmp")) -> str | None:
    """What tells that this process was reached from elsewhere, in words; None where nothing does."""
    for process in _ancestors(pid or os.getpid(), proc):
        name = _name(process)
        if name.startswith(REMOTE):
            return f"this terminal belongs to a remote login ({name})"
        if name.startswith(JOINED):
            return f"this terminal is shared by {name}, which may be joined from elsewhere"
        if sign := _sign(process):
            return f"this terminal belongs to a remote login ({sign} is set)"
    if host := _login_host(utmp):
        return f"this terminal was logged in at from {host}"
    return None


def _ancestors(pid: int, proc: Path) -> Iterator[Path]:
    while pid > 1:
        process = proc / str(pid)
        yield process
        try:
            stat = (process / "stat").read_text(encoding="utf-8", errors="replace")
            pid = int(stat.rpartition(")")[2].split()[1])
        except (OSError, ValueError, IndexError):
            return


def _name(process: Path) -> str:
    try:
        return (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _sign(process: Path) -> str:
    try:
        surroundings = (process / "environ").read_bytes().split(b"\0")
    except OSError:
        return ""
    names = {one.partition(b"=")[0].decode(errors="replace") for one in surroundings if one.partition(b"=")[2]}
    return next((sign for sign in SIGNS if sign in names), "")


def _login_host(utmp: Path) -> str:
    with suppress(OSError, ValueError, AttributeError):
        line = os.ttyname(sys.stdin.fileno()).removeprefix("/dev/")
        data = utmp.read_bytes()
        for start in range(0, len(data) - UTMP.size + 1, UTMP.size):
            kind, _, name, _, _, host, *_ = UTMP.unpack_from(data, start)
            text = host.split(b"\0")[0].decode(errors="replace")
            local = text == "" or text.startswith(":")  # a display of this machine
            if kind == USER_PROCESS and name.split(b"\0")[0].decode() == line and not local:
                return str(text)
    return ""
