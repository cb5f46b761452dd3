"""The client of the bench clock against a server that answers by the book, and by none."""

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from rig.control.clock import BenchClock, WallClock
from rig.errors import BadReply, LinkDown, UsageError


@contextmanager
def _serving(answer: Callable[[dict[str, object]], bytes]) -> Iterator[str]:
    """A clock socket; answer gives the whole reply line ("" closes the connection)."""
    server = socket.create_server(("127.0.0.1", 0))

    def one(peer: socket.socket) -> None:
        with peer, peer.makefile("rb") as lines:
            for line in lines:
                reply = answer(json.loads(line))
                if not reply:
                    return
                peer.sendall(reply)

    def serve() -> None:
        while True:
            try:
                peer, _ = server.accept()
            except OSError:
                return
            threading.Thread(target=one, args=(peer,), daemon=True).start()

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield f"tcp://127.0.0.1:{server.getsockname()[1]}"
    finally:
        server.close()


def test_it_registers_asks_and_sleeps() -> None:
    """One line a request; each thread's clock is a party of its own."""
    asked: list[dict[str, object]] = []

    def answer(request: dict[str, object]) -> bytes:
        asked.append(request)
        return b'{"now_s": 2.5, "utc": "2030-01-01T00:00:02.500Z"}\n'

    with _serving(answer) as url:
        clock = BenchClock(url)
        assert clock.now_s() == 2.5 and clock.stamp() == (2.5, "2030-01-01T00:00:02.500Z")
        assert clock.sleep(0.25) == 2.5
        assert clock.sleep(0.0) == 2.5
        clock.another().close()
        clock.close()
    assert [request["op"] for request in asked] == ["register", "now", "now", "sleep", "now", "register"]
    assert asked[3]["s"] == 0.25


def test_a_bench_that_goes_away_is_told_as_such() -> None:
    """LinkDown, not silence; and an answer that is none is never taken for a time."""
    with _serving(lambda request: b"" if request["op"] == "now" else b"{}\n") as url:
        clock = BenchClock(url)
        with pytest.raises(LinkDown):
            clock.now_s()
        clock.close()
    with _serving(lambda request: b"{}\n" if request["op"] == "register" else b"soon\n") as url:
        clock = BenchClock(url)
        with pytest.raises(BadReply):
            clock.now_s()
        clock.close()


def test_closing_ends_a_sleep_in_another_thread() -> None:
    """The guard's thread comes back when the bench is closed."""
    hold = threading.Event()

    def answer(request: dict[str, object]) -> bytes:
        if request["op"] == "sleep":
            hold.wait(5.0)
        return b"{}\n"

    with _serving(answer) as url:
        clock = BenchClock(url)
        told: list[Exception] = []

        def sleeper() -> None:
            try:
                clock.sleep(3.0)
            except LinkDown as fault:
                told.append(fault)

        thread = threading.Thread(target=sleeper)
        thread.start()
        thread.join(0.2)
        clock.close()
        thread.join(2.0)
        hold.set()
        assert not thread.is_alive() and told


def test_an_address_that_is_none_is_a_fault_of_the_file() -> None:
    """Exit status 2."""
    with pytest.raises(UsageError):
        BenchClock("somewhere")


def test_wall_time_goes_by_itself() -> None:
    """And a sleep takes as long as it says."""
    clock = WallClock()
    before = clock.now_s()
    clock.sleep(0.02)
    clock.sleep(-1.0)
    assert 0.02 <= clock.now_s() - before < 0.5
    assert clock.utc().endswith("Z")
