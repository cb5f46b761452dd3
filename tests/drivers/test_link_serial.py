"""Serial and VISA serial links on pseudo-terminals."""

import os
import time
import tty

import pytest

from drivers.link.serial_port import SerialLink, path_and_options
from drivers.link.visa import VisaLink, resource_and_options
from rig.errors import BadReply, LinkDown, NoReply, UsageError


class Pty:
    """The far end of a port."""

    def __init__(self):
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.path = os.ttyname(self.slave)

    def say(self, data):
        os.write(self.master, data)

    def hear(self):
        return os.read(self.master, 4096)

    def hear_now(self):
        os.set_blocking(self.master, False)
        try:
            return os.read(self.master, 4096)
        except BlockingIOError:
            return b""

    def hang_up(self):
        for end in (self.slave, self.master):
            if end is not None:
                os.close(end)
        self.master = self.slave = None

    def close(self):
        if self.master is not None:
            self.hang_up()


@pytest.fixture
def pty():
    end = Pty()
    yield end
    end.close()


@pytest.fixture(params=["serial", "visa"])
def link(request, pty):
    """An open link of either kind to the pty."""
    if request.param == "serial":
        one = SerialLink(f"serial://{pty.path}", "axis")
    else:
        one = VisaLink(f"visa://ASRL{pty.path}::INSTR", "multimeter")
    one.open()
    yield one
    one.close()


def test_a_line_there_and_back(pty, link):
    """What is written arrives; what comes is a line without its terminator."""
    link.write(b"READ?\n")
    assert pty.hear() == b"READ?\n"
    pty.say(b"+1.934E+01\r\n")
    assert link.read_line(1.0) == b"+1.934E+01"


def test_bytes_are_left_alone(pty, link):
    """All 256 byte values pass, line feeds and XON/XOFF included."""
    pty.say(bytes(range(256)))
    assert link.read_exact(256, 1.0) == bytes(range(256))
    link.write(bytes(range(256)))
    assert pty.hear() == bytes(range(256))


def test_bulk_is_read_at_once(pty, link):
    """A long answer does not cost a call a byte."""
    for _ in range(20):
        pty.say(b"x" * 1000)
        assert link.read_exact(1000, 1.0) == b"x" * 1000
    pty.say(b"tail\n")
    assert link.read_line(1.0) == b"tail"


def test_silence(pty, link):
    """No answer is NoReply after the deadline."""
    start = time.monotonic()
    with pytest.raises(NoReply):
        link.read_line(0.2)
    assert 0.19 < time.monotonic() - start < 0.5
    assert link.dirty


def test_a_wrong_speed_is_suspected(pty, link):
    """Bytes that are no text lead to the hint at speed and parity."""
    pty.say(b"\xf8\x00\x98\xe0")
    with pytest.raises(NoReply, match="wrong speed or parity"):
        link.read_line(0.2)


def test_a_port_that_hangs_up(pty, link):
    """An unplugged port is LinkDown on reading, at once."""
    pty.hang_up()
    start = time.monotonic()
    with pytest.raises(LinkDown):
        link.read_line(3.0)
    assert time.monotonic() - start < 1.0
    link.close()


def test_writing_to_a_port_that_hung_up(pty, link):
    """An unplugged port is LinkDown on writing."""
    pty.hang_up()
    with pytest.raises(LinkDown):
        link.write(b"?\n")
    link.close()


def test_a_stream_without_end(pty, link):
    """A stream that never falls silent is told, not waited for."""
    import threading

    stop = threading.Event()

    def stream():
        while not stop.is_set():
            pty.say(b"x" * 16)
            time.sleep(0.005)

    thread = threading.Thread(target=stream)
    thread.start()
    try:
        with pytest.raises(BadReply, match="does not end"):
            link.drain(0.05, 0.3)
    finally:
        stop.set()
        thread.join()


def test_a_second_opener_is_refused(pty):
    """The port is exclusive."""
    with SerialLink(f"serial://{pty.path}", "axis"), pytest.raises(LinkDown, match="can't open"):
        SerialLink(f"serial://{pty.path}", "other").open()


def test_a_link_never_takes_the_port_that_has_the_name_of_a_lost_one(pty, link):
    """A bench that vanished leaves /dev/pts/N to the next one: whoever is still after the lost one must not hold it."""
    never_opened = type(link)(link.url, "watchdog's own")
    pty.hang_up()
    with pytest.raises(LinkDown):
        link.write(b"x")
        link.read_available()
    others = _ptys_up_to(pty.path)
    try:
        other = others[-1]
        for stale in (link, never_opened):
            with pytest.raises(LinkDown, match="another one has its name"):
                stale.open()
        with type(link)(link.url, "the next bench's"):
            assert other.hear_now() == b""
    finally:
        for end in others:
            end.close()


def _ptys_up_to(path):
    """New pseudo-terminals, the last of which has this name."""
    made = [Pty()]
    while made[-1].path != path:
        if len(made) == 32:
            for end in made:
                end.close()
            pytest.skip(f"another process has taken {path}")
        made.append(Pty())
    return made


def test_what_came_before_it_was_opened_is_thrown_away(pty):
    """A port that opens in mid-line does not keep the rest of it."""
    pty.say(b"0E+00\n")
    with SerialLink(f"serial://{pty.path}", "axis") as link:
        pty.say(b"+1.934E+01\n")
        assert link.read_line(1.0) == b"+1.934E+01"


@pytest.mark.parametrize("kind", ["serial:///dev/no-such-port", "visa://ASRL/dev/no-such-port::INSTR"])
def test_a_port_that_is_not_there(kind):
    """LinkDown that names the port."""
    link = SerialLink(kind, "axis") if kind.startswith("serial") else VisaLink(kind, "axis")
    with pytest.raises(LinkDown, match="no-such-port"):
        link.open()
    assert not link.is_open


@pytest.mark.parametrize(
    "url",
    ["serial://", "tcp:///dev/x", "serial:///dev/x?speed=9", "serial:///dev/x?baud=fast", "serial:///dev/x?parity=X"],
)
def test_wrong_addresses(url):
    """An address that can't be is a usage error."""
    with pytest.raises(UsageError):
        path_and_options(url)


def test_options():
    """Options stand after a question mark; the rest has defaults."""
    path, options = path_and_options("serial:///dev/ttyUSB0?baud=4800&bits=7&parity=e")
    assert path == "/dev/ttyUSB0"
    assert options == {"baud": "4800", "bits": "7", "parity": "E", "stop": "1", "dtr": "1"}


@pytest.mark.parametrize("url", ["visa://", "visa://meter", "visa://TCPIP::h::1::SOCKET", "visa://ASRL1::INSTR?x=1"])
def test_wrong_resources(url):
    """A raw socket and an unknown option are usage errors."""
    with pytest.raises(UsageError):
        resource_and_options(url)


def test_closing_twice(link):
    """Closing is allowed in any state, and a closed link says so."""
    link.close()
    link.close()
    with pytest.raises(LinkDown, match="closed"):
        link.write(b"x")
