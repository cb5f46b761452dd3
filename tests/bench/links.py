"""Speed of the links, as ratios in one run: python tests/bench/links.py

Query round trip over loopback, a 10 MB block against a bare socket, serial lines, and what the links cost of a stepped
sweep. Run on demand, never as a timed test; the figures go into the note.
"""

from __future__ import annotations

import os
import socket
import statistics
import sys
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "drivers"))

from drivers.link.serial_port import SerialLink
from drivers.link.session import ScpiSession
from drivers.link.tcp import TcpLink

BLOCK = 10_000_000
ROUNDS = 5000


def server(answer: Callable[[bytes], bytes]) -> str:
    """A line server in a thread; its address."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        connection, _ = listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        pending = b""
        while data := connection.recv(65536):
            pending += data
            while b"\n" in pending:
                line, _, pending = pending.partition(b"\n")
                if reply := answer(line):
                    connection.sendall(reply)

    threading.Thread(target=serve, daemon=True).start()
    return f"tcp://127.0.0.1:{listener.getsockname()[1]}"


def per_call_us(work: Callable[[], object], rounds: int = ROUNDS) -> tuple[float, float]:
    """(median, 99th percentile) of a call, microseconds."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1e6)
    return statistics.median(times), statistics.quantiles(times, n=100)[98]


def round_trips() -> tuple[bool, str]:
    """Query over loopback: bare socket, link, session."""
    reply = b"+1.50000000E+00\n"
    session = ScpiSession(TcpLink(server(lambda _: reply), "meter"), "meter")
    session.open()
    ours, p99 = per_call_us(lambda: session.number("READ?"))
    host, _, port = server(lambda _: reply).removeprefix("tcp://").partition(":")
    bare = socket.create_connection((host, int(port)))
    bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def ask() -> None:
        bare.sendall(b"READ?\n")
        bare.recv(4096)

    plain, _ = per_call_us(ask)
    return ours < 100.0, f"query round trip {ours:.0f} us (p99 {p99:.0f}), bare socket {plain:.0f} us; limit 100 us"


def blocks() -> tuple[bool, str]:
    """A block of 10 MB against the same bytes from a bare socket."""
    body = bytes(range(256)) * (BLOCK // 256)
    whole = b"#8%08d" % len(body) + body + b"\n"
    session = ScpiSession(TcpLink(server(lambda _: whole), "sampler"), "sampler")
    session.open()
    host, _, port = server(lambda _: whole).removeprefix("tcp://").partition(":")
    bare = socket.create_connection((host, int(port)))

    def ours() -> float:
        start = time.perf_counter()
        assert len(session.block("DATA?", 5.0)) == len(body)
        return time.perf_counter() - start

    def plain() -> float:
        start = time.perf_counter()
        bare.sendall(b"DATA?\n")
        got = bytearray()
        while len(got) < len(whole):
            got += bare.recv(262_144)
        return time.perf_counter() - start

    pairs = [(ours(), plain()) for _ in range(15)]
    ours_s, plain_s = min(pair[0] for pair in pairs), min(pair[1] for pair in pairs)
    ratio = plain_s / ours_s
    told = f"10 MB block {BLOCK / ours_s / 1e6:.0f} MB/s, bare socket {BLOCK / plain_s / 1e6:.0f} MB/s"
    return ratio > 0.5, f"{told}: {ratio:.2f} of it; limit 0.50"


def serial_lines() -> tuple[bool, str]:
    """A line over a pseudo-terminal, and 1 MB of lines against reading byte by byte."""
    master, slave = os.openpty()
    tty.setraw(slave)
    link = SerialLink(f"serial://{os.ttyname(slave)}", "axis")
    link.open()
    reply = b"<Idle|MPos:123.456,0.000,0.000|FS:0,0>\r\n"

    def echo() -> None:
        while os.read(master, 4096):
            os.write(master, reply)

    threading.Thread(target=echo, daemon=True).start()

    def ask() -> None:
        link.write(b"?")
        link.read_line(1.0)

    line_us, p99 = per_call_us(ask, 2000)
    reads = 0
    receive = link._receive

    def counted(timeout_s: float) -> bytes:
        nonlocal reads
        reads += 1
        return receive(timeout_s)

    link._receive = counted  # type: ignore[method-assign]
    for _ in range(200):
        ask()
    each = reads / 200
    return each < len(
        reply
    ) / 4, f"line of {len(reply)} bytes in {line_us:.0f} us (p99 {p99:.0f}), {each:.1f} reads a line"


def sweep_share() -> tuple[bool, str]:
    """What drivers and links cost of a stepped sweep: their own processor time for one position against its 0.25 s."""
    from plain_bench import plain_bench

    with plain_bench(roles=("sampler", "axis")) as (_, drivers):
        drivers.axis.index()
        drivers.sampler.configure(
            ranges_v=(10.0,) * 4, sample_rate_hz=250e3, samples=2500, channels=("a", "b", "c", "d")
        )
        start = time.thread_time()
        for i in range(100):
            drivers.axis.move_to(i)
            drivers.axis.wait_stopped()
            drivers.sampler.arm()
            drivers.sampler.trigger()
            drivers.sampler.wait_captured()
            drivers.sampler.fetch()
        each_s = (time.thread_time() - start) / 100
    share = each_s / 0.25
    return share < 0.01, f"drivers and links take {each_s * 1e3:.2f} ms a position, {100 * share:.2f} % of 0.25 s"


def main() -> int:
    short = 0
    for check in (round_trips, blocks, serial_lines, sweep_share):
        fine, told = check()
        short += not fine
        print(f"{'ok   ' if fine else 'SHORT'} {told}", flush=True)
    return 1 if short else 0


if __name__ == "__main__":
    raise SystemExit(main())
