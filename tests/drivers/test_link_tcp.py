"""The TCP link against real loopback servers that misbehave."""

import contextlib
import socket
import statistics
import struct
import subprocess
import sys
import threading
import time

import pytest

from drivers.generator_scpi_335xx import Generator335xx
from drivers.link.session import ScpiSession
from drivers.link.tcp import TcpLink, host_and_port
from drivers.link.urls import make_link
from rig.errors import BadReply, InstrumentRefused, LinkDown, NoReply, UsageError


class Server:
    """Accepts connections one after the other and hands each to `serve(connection)`."""

    def __init__(self, serve):
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.serve = serve
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    @property
    def url(self):
        return f"tcp://127.0.0.1:{self.listener.getsockname()[1]}"

    def _run(self):
        while not self.stop.is_set():
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            with connection, contextlib.suppress(OSError):
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self.serve(connection)

    def close(self):
        self.stop.set()
        self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()
        self.thread.join(3)


@pytest.fixture
def served():
    """Starts servers and links, and ends them."""
    with contextlib.ExitStack() as stack:

        def start(serve):
            server = Server(serve)
            stack.callback(server.close)
            link = TcpLink(server.url, "generator")
            stack.callback(link.close)
            return link

        yield start


def lines(connection):
    """Lines that a client sends, until it goes."""
    pending = b""
    while got := connection.recv(65536):
        *whole, pending = (pending + got).split(b"\n")
        yield from (line.decode() for line in whole)


def instrument(answers, late=None):
    """A well-behaved instrument: known queries, *ESE, an empty error queue; `late` maps a query to a delay."""

    def serve(connection):
        ese = 0
        for line in lines(connection):
            for message in line.split(";"):
                header = message.lstrip(":")
                if header.startswith("*ESE "):
                    ese = int(header[5:])
                elif header == "*ESE?":
                    connection.sendall(b"%d\n" % ese)
                elif header == "SYST:ERR?":
                    connection.sendall(b'+0,"No error"\n')
                elif header in answers:
                    time.sleep((late or {}).get(header, 0.0))
                    connection.sendall(answers[header])

    return serve


def test_a_refused_port_is_told_at_once():
    """Nobody listens: LinkDown from open, not from the first question."""
    with socket.create_server(("127.0.0.1", 0)) as spare:
        port = spare.getsockname()[1]
    with pytest.raises(LinkDown, match="can't connect"):
        TcpLink(f"tcp://127.0.0.1:{port}", "generator").open()


def test_a_peer_that_closes_is_told_at_once(served):
    """End of stream is LinkDown, long before the deadline."""
    link = served(lambda connection: connection.recv(10))
    link.open()
    link.write(b"*IDN?\n")
    start = time.monotonic()
    with pytest.raises(LinkDown, match="closed the connection"):
        link.read_line(5.0)
    assert time.monotonic() - start < 1.0
    assert not link.is_open


def test_a_reset_is_told_at_once(served):
    """RST is LinkDown."""

    def serve(connection):
        connection.recv(10)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    link = served(serve)
    link.open()
    link.write(b"*IDN?\n")
    with pytest.raises(LinkDown):
        link.read_line(5.0)


def test_silence_ends_with_the_deadline(served):
    """No answer: NoReply after the deadline, neither before nor much later, without spinning."""
    link = served(lambda connection: connection.recv(10) and connection.recv(10))
    link.open()
    link.write(b"*IDN?\n")
    start, cpu = time.monotonic(), time.thread_time()
    with pytest.raises(NoReply):
        link.read_line(0.3)
    assert 0.29 < time.monotonic() - start < 0.6
    assert time.thread_time() - cpu < 0.1
    assert link.dirty


def test_a_part_of_a_line_is_no_answer(served):
    """`+1.9` cut from `+1.934E+01` never becomes an answer."""
    link = served(lambda connection: connection.sendall(b"+1.9") or connection.recv(10))
    link.open()
    with pytest.raises(NoReply, match="began with"):
        link.read_line(0.2)


def test_a_line_in_single_bytes(served):
    """A reply may come byte by byte."""

    def serve(connection):
        for byte in b"+1.934E+01\r\n":
            connection.sendall(bytes([byte]))
            time.sleep(0.002)
        connection.recv(1)

    link = served(serve)
    link.open()
    assert link.read_line(2.0) == b"+1.934E+01"


@pytest.mark.parametrize("n", [0, 1, 4095, 4096, 4097, 20479, 20480, 20481, 262143, 262144, 262145, 1_000_000])
@pytest.mark.parametrize("end", [b"\n", b""])
def test_blocks_of_every_size(served, n, end):
    """A block of k chunks, one less and one more, full of line feeds, with and without an end of line."""
    body = (b"\n\x0a #0" * (n // 5 + 1))[:n]
    block = b"#%d%d" % (len(str(n)), n) + body + end

    link = served(instrument({"WAV:DATA?": block, "*IDN?": b"a,b,c,d\n"}))
    session = ScpiSession(link, "sampler")
    session.open()
    assert session.block("WAV:DATA?", 1.0) == body
    assert session.query("*IDN?") == "a,b,c,d"


def test_an_indefinite_block(served):
    """`#0` is never silently empty."""
    link = served(instrument({"DATA?": b"#0ab\ncd\n"}))
    session = ScpiSession(link, "sampler")
    session.open()
    assert session.block("DATA?", 0.5) == b"ab\ncd"


@pytest.mark.parametrize("wrong", [b"+1.0\n", b"#x\n", b"#9\n"])
def test_text_where_a_block_was_expected(served, wrong):
    """Text instead of a block is refused, and the next answer is right again."""
    link = served(instrument({"DATA?": wrong, "*IDN?": b"a,b,c,d\n"}))
    session = ScpiSession(link, "sampler")
    session.open()
    with pytest.raises((BadReply, NoReply)):
        session.block("DATA?", 0.3)
    assert session.query("*IDN?") == "a,b,c,d"


def test_a_block_cut_short(served):
    """A block that stops in the middle: NoReply with the count, after the deadline of progress."""
    link = served(instrument({"DATA?": b"#210abc", "*IDN?": b"a,b,c,d\n"}))
    session = ScpiSession(link, "sampler")
    session.open()
    with pytest.raises(NoReply, match="3 of 10 bytes"):
        session.block("DATA?", 0.2)
    assert session.query("*IDN?") == "a,b,c,d"


def test_a_slow_block_is_patient(served):
    """A block that drips lasts longer than one deadline, as long as it goes on."""

    def serve(connection):
        next(lines(connection))
        connection.sendall(b"#220")
        for _ in range(20):
            time.sleep(0.02)
            connection.sendall(b"x")
        connection.sendall(b"\n")
        connection.recv(1)

    session = ScpiSession(served(serve), "sampler")
    session.open()
    assert session.block("DATA?", 0.15) == b"x" * 20


def test_a_late_reply_poisons_nothing(served):
    """After a time-out the late answer to the first question is not taken for that of the second."""
    link = served(instrument({"SLOW?": b"+1.0\n", "FAST?": b"+2.0\n"}, late={"SLOW?": 0.35}))
    session = ScpiSession(link, "multimeter")
    session.open()
    with pytest.raises(NoReply):
        session.query("SLOW?", 0.1, explain=False)
    assert link.dirty
    assert session.number("FAST?") == 2.0
    assert not link.dirty


def test_a_late_number_that_equals_nothing_is_never_a_marker(served):
    """A stale numeric answer is not mistaken for the marker unless it is the very number asked for."""
    link = served(instrument({"SLOW?": b"+254\n", "FAST?": b"+2.0\n"}, late={"SLOW?": 0.2}))
    session = ScpiSession(link, "multimeter")
    session.open()
    for _ in range(3):
        with pytest.raises(NoReply):
            session.query("SLOW?", 0.05, explain=False)
        assert session.number("FAST?") == 2.0


def test_a_duplicate_reply_poisons_nothing(served):
    """The surplus of a doubled reply is thrown away before the next question."""
    link = served(instrument({"ONE?": b"+1.0\n+1.0\n", "TWO?": b"+2.0\n"}))
    session = ScpiSession(link, "multimeter")
    session.open()
    for _ in range(3):
        assert session.number("ONE?") == 1.0
        assert session.number("TWO?") == 2.0


def test_an_invalid_query_is_told_with_the_instruments_reason(served):
    """No answer on the wire, an entry in the error queue: InstrumentRefused with its code."""

    def serve(connection):
        queue = [b'-113,"Undefined header"\n', b'0,"No error"\n']
        for line in lines(connection):
            if line.startswith("*ESE ") and line.endswith("?"):
                connection.sendall(line.split(";")[0][5:].encode() + b"\n")
            elif line == "SYST:ERR?":
                connection.sendall(queue.pop(0))

    session = ScpiSession(served(serve), "multimeter")
    session.open()
    with pytest.raises(InstrumentRefused, match="Undefined header") as caught:
        session.query("FRESIST?", 0.1)
    assert caught.value.code == -113


def test_an_instrument_that_stops_reading(served):
    """A write to a blocked peer ends with its deadline."""
    release = threading.Event()
    link = served(lambda _: release.wait(10))
    link.open()
    start = time.monotonic()
    with pytest.raises(NoReply, match="takes no more"):
        link.write(b"x" * 50_000_000)
    assert time.monotonic() - start < 4.0
    release.set()


def test_two_threads_share_an_instrument(served):
    """Every caller gets the answer to its own question."""
    answers = {f"Q{n}?": b"%d\n" % n for n in range(4)}
    session = ScpiSession(served(instrument(answers)), "multimeter")
    session.open()
    wrong = []

    def ask(n):
        wrong.extend(1 for _ in range(200) if session.number(f"Q{n}?") != n)

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


ECHO = """
import socket
listener = socket.create_server(("127.0.0.1", 0))
print(listener.getsockname()[1], flush=True)
wire, _ = listener.accept()
wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
while wire.recv(4096):
    wire.sendall(b"1\\n")
"""


def test_a_round_trip_is_quick():
    """A question and its answer from another process cost less than 100 us, in the best of ten batches' medians."""
    with subprocess.Popen([sys.executable, "-c", ECHO], stdout=subprocess.PIPE, text=True) as process:
        session = ScpiSession(TcpLink(f"tcp://127.0.0.1:{process.stdout.readline().strip()}"), "multimeter")
        session.open()
        medians = []
        for _ in range(10):
            times = []
            for _ in range(100):
                start = time.perf_counter()
                session.query("*OPC?")
                times.append(time.perf_counter() - start)
            medians.append(statistics.median(times))
        session.close()
    assert min(medians) < 100e-6, medians


@pytest.mark.parametrize("url", ["tcp://", "tcp://host", "tcp://host:0", "tcp://host:x", "udp://h:1", "tcp://h:1/path"])
def test_addresses_that_are_none(url):
    """A wrong address is a usage error that says how to write it."""
    with pytest.raises(UsageError, match="tcp://host:port"):
        host_and_port(url)


def test_a_visa_raw_socket_becomes_a_tcp_link():
    """TCPIP::host::port::SOCKET never passes through the VISA library."""
    link = make_link("visa://TCPIP0::127.0.0.1::5025::SOCKET", "meter")
    assert isinstance(link, TcpLink)
    assert link.url == "tcp://127.0.0.1:5025"


def test_an_unknown_kind_of_link():
    """A kind that nobody knows is a usage error."""
    with pytest.raises(UsageError, match="no known kind"):
        make_link("carrier-pigeon://loft", "meter")


def test_a_silent_generator_is_told_within_two_seconds(served):
    """The safe state says off at once and gives up in time when nothing confirms it."""
    heard = []

    def serve(connection):
        for line in lines(connection):
            heard.append(line)
            if line == "*IDN?" and heard.count("*IDN?") == 1:
                connection.sendall(b"Maker,33511B,1,2\n")
            elif line == "SYST:ERR?" and heard.count("SYST:ERR?") == 1:
                connection.sendall(b'0,"No error"\n')

    generator = Generator335xx("generator", served(serve))
    generator.open()
    start = time.monotonic()
    with pytest.raises((NoReply, LinkDown)):
        generator.safe_state()
    assert time.monotonic() - start < 2.0
    assert heard.count("OUTP1 OFF") == 2
