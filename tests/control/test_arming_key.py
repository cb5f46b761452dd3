"""A key held at the bench, poll by poll; a keypad's records; OHMS over stand-ins."""

from __future__ import annotations

import os
import random
import struct
from pathlib import Path

import pytest

from rig.control.arming.key import HeldKey, for_night, for_run
from rig.control.arming.keypad import EV_KEY, EVENT, Keypad
from rig.errors import LinkDown

POLL_S = 0.08


def hold(key: HeldKey, s: float, begin_s: float, *, down: bool = True, closed: bool = True, stop: bool = False) -> int:
    """Poll for s seconds from begin_s; how often it armed."""
    armed = 0
    for i in range(round(s / POLL_S) + 1):
        armed += key.poll(begin_s + i * POLL_S, key=down, guard_closed=closed, stop_pressed=stop)
    return armed


def test_a_clean_hold_arms_once() -> None:
    """1.5 s for a run, 3 s for a night; held on, it does not arm again."""
    key = for_run()
    assert hold(key, 0.5, 0.0, down=False) == 0
    assert hold(key, 10.0, 1.0) == 1
    key = for_night()
    hold(key, 0.5, 0.0, down=False)
    assert hold(key, 2.9, 1.0) == 0
    hold(key, 0.5, 4.0, down=False)
    assert hold(key, 3.1, 5.0) == 1


def test_a_hold_of_1_4_s_does_not_arm() -> None:
    """However often it is tried."""
    key = for_run()
    for i in range(20):
        assert hold(key, 1.4, 4.0 * i + 1.0) == 0
        assert hold(key, 0.3, 4.0 * i + 3.0, down=False) == 0


def test_a_key_taped_down_never_arms() -> None:
    """It has to be seen released first."""
    key = for_run()
    assert hold(key, 60.0, 0.0) == 0
    assert "release" in key.why


@pytest.mark.parametrize("what", ["guard", "stop", "key"])
def test_a_bounce_begins_anew(what: str) -> None:
    """One poll with the guard open or the stop pressed, and the key must be released first."""
    key = for_run()
    hold(key, 0.3, 0.0, down=False)
    assert hold(key, 1.2, 1.0) == 0
    assert not key.poll(2.3, key=what != "key", guard_closed=what != "guard", stop_pressed=what == "stop")
    assert hold(key, 1.2, 2.38) == 0
    assert hold(key, 5.0, 3.7) == (1 if what == "key" else 0)


def test_a_gap_between_polls_is_no_evidence() -> None:
    """The interlock that did not answer for half a second proves nothing."""
    key = for_run()
    key.poll(0.0, key=False, guard_closed=True, stop_pressed=False)
    assert hold(key, 1.0, 0.1) == 0
    assert hold(key, 5.0, 1.7) == 0


def test_few_polls_do_not_arm() -> None:
    """Time alone is not enough: the polls have to be there."""
    key = for_run()
    key.poll(0.0, key=False, guard_closed=True, stop_pressed=False)
    armed = [key.poll(0.29 * i, key=True, guard_closed=True, stop_pressed=False) for i in range(1, 14)]
    assert not any(armed)  # 3.5 s, but 13 polls


def test_random_hands_never_arm_without_the_rule() -> None:
    """2000 random hands: whenever it arms, the polls of the 1.5 s before say why."""
    rng = random.Random(13)
    for _ in range(200):
        key, seen = for_run(), []
        for i in range(200):
            poll = (rng.random() < 0.97, rng.random() < 0.98, rng.random() < 0.02)
            seen.append(poll)
            if key.poll(POLL_S * i, key=poll[0], guard_closed=poll[1], stop_pressed=poll[2]):
                last = seen[-19:]
                assert len(last) >= 15 and all(p == (True, True, False) for p in last)
                assert any(not p[0] for p in seen)


def records(*events: tuple[int, int, int]) -> bytes:
    return b"".join(EVENT.pack(0, 0, *one) for one in events)


def test_a_keypad_is_held_between_press_and_release(tmp_path: Path) -> None:
    """The kernel's repeats change nothing; a record in two pieces is whole; other kinds are passed over."""
    path = tmp_path / "keypad"
    os.mkfifo(path)
    writer = os.open(path, os.O_RDWR)
    keypad = Keypad(str(path), take=lambda _: None)
    assert not keypad.is_held()
    pressed = records((EV_KEY, 28, 1))
    os.write(writer, pressed[:10])
    assert not keypad.is_held()
    os.write(writer, pressed[10:] + records((0, 0, 0), (EV_KEY, 28, 2), (4, 4, 28)))
    assert keypad.is_held()
    os.write(writer, records((EV_KEY, 28, 2)) * 200)
    assert keypad.is_held()
    os.write(writer, records((EV_KEY, 28, 0)))
    assert not keypad.is_held()
    keypad.close()
    keypad.close()
    os.close(writer)
    assert EVENT.size == struct.calcsize("qqHHi")


def test_a_keypad_that_is_not_there_is_named(tmp_path: Path) -> None:
    """Or that can't be taken from others: a plain file can't."""
    with pytest.raises(LinkDown, match="by-id"):
        Keypad(str(tmp_path / "none"))
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(LinkDown, match="file"):
        Keypad(str(tmp_path / "file"))
