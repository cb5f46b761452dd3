"""Bench time and the words of its socket, without a wire."""

import json
import math

import pytest

from drivers.simulated.wires.clock import BenchTime, ClockSession, may_jump


def said(session: ClockSession, t_now_s: float, **request: object) -> list[dict[str, object]]:
    session.receive(json.dumps(request).encode() + b"\n", t_now_s)
    return [json.loads(reply) for reply in session.run(t_now_s)]


def test_real_time_is_wall_time_since_the_start() -> None:
    """And can't be moved."""
    wall = iter([100.0, 100.5, 101.0])
    clock = BenchTime(fast=False, wall=lambda: next(wall))
    assert clock.now_s() == 0.5
    clock.jump(1000.0)
    assert clock.now_s() == 1.0


def test_fast_time_stands_still_until_it_jumps_and_never_goes_back() -> None:
    """A jump to nowhere is none."""
    clock = BenchTime(fast=True)
    assert clock.now_s() == 0.0
    clock.jump(5.0)
    clock.jump(3.0)
    clock.jump(math.inf)
    assert clock.now_s() == 5.0


def test_utc_runs_with_bench_time() -> None:
    """ISO 8601 with a Z."""
    clock = BenchTime(fast=True)
    before = clock.utc()
    clock.jump(86_400.0)
    assert before.endswith("Z") and clock.utc().endswith("Z")
    assert before[11:] == clock.utc()[11:] and before[:10] != clock.utc()[:10]


@pytest.mark.parametrize(
    ("parties", "waiting", "jumps"), [(0, 0, False), (0, 1, True), (2, 1, False), (2, 2, True), (1, 2, True)]
)
def test_time_jumps_when_every_party_waits(parties: int, waiting: int, jumps: bool) -> None:
    """With no party any waiter will do; with nobody waiting nothing moves."""
    assert may_jump(parties=parties, waiting=waiting) is jumps


def test_a_sleeper_is_answered_when_its_time_has_come() -> None:
    """Not before; its reply carries the time."""
    clock = BenchTime(fast=True)
    session = ClockSession(clock)
    assert said(session, 0.0, op="sleep", s=0.25) == []
    assert session.is_waiting() and session.due_s() == 0.25
    clock.jump(0.2)
    assert session.run(0.2) == []
    clock.jump(0.25)
    assert json.loads(session.run(0.25)[0])["now_s"] == 0.25
    assert not session.is_waiting() and session.due_s() == math.inf


def test_sleep_until_the_past_returns_at_once() -> None:
    """And so does a sleep of nothing."""
    clock = BenchTime(fast=True)
    clock.jump(10.0)
    session = ClockSession(clock)
    assert said(session, 10.0, op="sleep_until", t_s=3.0)[0]["now_s"] == 10.0
    assert said(session, 10.0, op="sleep", s=-1)[0]["now_s"] == 10.0


def test_requests_behind_a_sleep_wait_for_it() -> None:
    """One request a line, one reply a line, in order."""
    clock = BenchTime(fast=True)
    session = ClockSession(clock)
    session.receive(b'{"op":"sleep","s":1}\n{"op":"now"}\n', 0.0)
    assert session.run(0.0) == []
    clock.jump(1.0)
    assert len(session.run(1.0)) == 2


@pytest.mark.parametrize(
    "line", [b"hello\n", b"[]\n", b'{"op":"sleep"}\n', b'{"op":"sleep","s":"x"}\n', b'{"op":"fly"}\n']
)
def test_nonsense_is_answered_with_an_error(line: bytes) -> None:
    """And leaves the session usable."""
    session = ClockSession(BenchTime(fast=True))
    session.receive(line, 0.0)
    assert "error" in json.loads(session.run(0.0)[0])
    assert "now_s" in said(session, 0.0, op="now")[0]


def test_a_party_is_one_until_it_closes() -> None:
    """Registering is answered."""
    session = ClockSession(BenchTime(fast=True))
    assert said(session, 0.0, op="register")[0]["registered"] is True
    assert session.registered
    session.disconnect(0.0)
    assert not session.registered
