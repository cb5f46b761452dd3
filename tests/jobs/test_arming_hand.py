"""Who may type the arming word, and when: a local console, with the guard seen to open and close since last time."""

from __future__ import annotations

import json
import os
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.roles import InterlockState
from rig.control.arming.arming import Arming, ArmingState
from rig.errors import SafetyStop
from rig.jobs.operator import arming_hand, last_arming
from rig.jobs.operator.last_arming import LastArming
from rig.jobs.operator.local_console import USER_PROCESS, UTMP, remote_sign


def process(proc: Path, pid: int, parent: int, name: str, environ: dict[str, str] | None = None) -> None:
    folder = proc / str(pid)
    folder.mkdir(parents=True)
    (folder / "comm").write_text(name + "\n")
    (folder / "stat").write_text(f"{pid} ({name}) S {parent} 1 1 0")
    text = "\0".join(f"{key}={value}" for key, value in (environ or {}).items())
    (folder / "environ").write_text(text)


@pytest.mark.parametrize(
    ("names", "environ", "sign"),
    [
        (("python", "bash", "agetty"), {}, None),
        (("python", "bash", "sshd-session"), {}, "remote login"),
        (("python", "bash", "sshd"), {}, "remote login"),
        (("python", "bash", "tmux: server"), {}, "joined"),
        (("python", "bash", "in.telnetd"), {}, "remote login"),
        (("python", "bash", "init"), {"SSH_CONNECTION": "10.0.0.2 1 10.0.0.1 22"}, "SSH_CONNECTION"),
        (("python", "bash", "init"), {"SSH_TTY": ""}, None),
    ],
)
def test_a_login_from_elsewhere_is_seen(
    tmp_path: Path, names: tuple[str, ...], environ: dict[str, str], sign: str | None
) -> None:
    """By what stands among the ancestors, or in their surroundings."""
    for i, name in enumerate(names):
        process(tmp_path, 100 + i, 101 + i if i + 1 < len(names) else 1, name, environ if i == 1 else None)
    found = remote_sign(100, tmp_path, tmp_path / "none")
    assert (found is None) if sign is None else (found is not None and sign in found)


def test_a_login_that_names_a_host_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A display of this machine is none."""
    hand, seat = os.openpty()
    with os.fdopen(seat, "r") as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        line = os.ttyname(stdin.fileno()).removeprefix("/dev/").encode()
        for host, sign in ((b"10.0.0.9", True), (b":0", False), (b"", False)):
            (tmp_path / "utmp").write_bytes(
                UTMP.pack(USER_PROCESS, 9, line, b"p0", b"u", host, 0, 0, 0, 0, 0, 0, 0, 0, 0)
            )
            found = remote_sign(os.getpid(), tmp_path, tmp_path / "utmp")
            assert (found is not None and "10.0.0.9" in found) is sign
    os.close(hand)


class Stand:
    """A bench whose guard's polls are set by the test."""

    def __init__(self) -> None:
        self.guard = SimpleNamespace(was_open=False, seen=None, on_open=None, arming=Arming())
        self.file = SimpleNamespace(name="real", interlock=SimpleNamespace(arm_bit=None, arm_device=None))
        self.token = SimpleNamespace(check=lambda: None)
        self.watchdog = SimpleNamespace(progress=lambda: None)

    def guard_is(self, closed: bool) -> None:
        self.guard.seen = InterlockState(guard_closed=closed, emergency_stop=False)
        if not closed and not self.guard.was_open:
            self.guard.was_open = True
            if self.guard.on_open is not None:
                self.guard.on_open()


def test_the_guard_is_opened_and_closed_between_two_typed_armings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first needs nothing; the next waits for the guard, unless it was seen open since; a lost note asks again."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    monkeypatch.setattr(last_arming, "WAIT_S", 0.4)
    bench: Any = Stand()
    bench.guard_is(True)
    last = LastArming("real")
    last.wait_for_guard(bench, lambda _: None)
    last.begin(bench)
    again: Any = Stand()
    again.guard_is(True)
    with pytest.raises(SafetyStop, match="not opened and closed"):
        LastArming("real").wait_for_guard(again, lambda _: None)
    threading.Timer(0.1, lambda: again.guard_is(False)).start()
    threading.Timer(0.2, lambda: again.guard_is(True)).start()
    LastArming("real").wait_for_guard(again, lambda _: None)
    bench.guard_is(False)  # opened while that arming was in force: it counts for the next
    assert not LastArming("real").needs_guard
    note = next(tmp_path.glob("live/*.armed.json"))
    assert "arm" not in json.loads(note.read_text())
    note.write_text("{")
    assert LastArming("real").needs_guard


def test_a_remote_console_is_refused_before_any_question(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """And nothing is armed."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    monkeypatch.setattr(
        "rig.jobs.operator.local_console.remote_sign", lambda: "this terminal belongs to a remote login (sshd)"
    )
    bench: Any = Stand()
    with pytest.raises(SafetyStop, match="remote login"):
        arming_hand.by_hand(bench)
    assert bench.guard.arming.state is ArmingState.DISARMED
