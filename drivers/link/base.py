"""A wire as bytes: what every link offers, and the framing that all of them share.

Every exchange has a deadline on wall time, in seconds from the call. A link turns dirty when a reply may still be on
its way (time-out, stream without an end, surplus lines); whoever owns it resynchronises before the next question
(drivers/link/session.py). Faults leave here as LinkDown, NoReply or BadReply, whatever library is underneath.
"""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from types import TracebackType
from typing import Protocol, Self

from rig.errors import BadReply, LinkDown, NoReply

LONGEST_LINE = 65536
LARGE = 65536
CHUNK = 16_384  # of one read: small replies are many
BIG_CHUNK = 1 << 20
WRITE_DEADLINE_S = 2.0


class Link(Protocol):
    """Bytes out, bytes in. `url` says where; `name` is the instrument's name for messages."""

    dirty: bool

    @property
    def url(self) -> str: ...

    @property
    def name(self) -> str: ...

    @property
    def is_open(self) -> bool: ...

    def open(self) -> None: ...

    def close(self) -> None: ...  # never raises

    def write(self, data: bytes) -> None: ...

    def read_line(self, deadline_s: float) -> bytes: ...  # without its terminator

    def read_exact(self, n: int, deadline_s: float) -> bytes: ...  # no terminator is looked for

    def read_available(self) -> bytes: ...  # what is here now, without waiting

    def drain(self, quiet_s: float = 0.05, limit_s: float = 1.0) -> bytes: ...

    def poll_line(self, timeout_s: float) -> bytes | None: ...  # a whole line, or None and nothing is lost

    def poll_exact(self, n: int, timeout_s: float) -> bytes | None: ...  # n bytes, or None and nothing is lost

    def surplus(self) -> bool: ...  # bytes beyond the last reply are already here


class BufferedLink(ABC):
    """Framing over two primitives that a wire supplies: `_send` and `_receive`.

    terminator: what ends a line that comes in. read_exact's deadline is one of progress: it runs anew with every
    byte, under an absolute cap of ten deadlines.
    """

    def __init__(self, url: str, name: str = "", terminator: bytes = b"\n") -> None:
        self.url = url
        self.name = name or url
        self.terminator = terminator
        self.dirty = False
        self.chunk = CHUNK
        self._buffer = bytearray()

    @property
    @abstractmethod
    def is_open(self) -> bool: ...

    @abstractmethod
    def _connect(self) -> None: ...

    @abstractmethod
    def _disconnect(self) -> None: ...

    @abstractmethod
    def _send(self, data: bytes, deadline_s: float) -> None: ...

    @abstractmethod
    def _receive(self, timeout_s: float) -> bytes:
        """Some bytes, or b"" when none came in time; LinkDown when the other end is gone. Zero: don't wait."""

    def open(self) -> None:
        """Opens the wire with an empty buffer; a link that is open is left as it is."""
        if self.is_open:
            return
        self._buffer.clear()
        self._connect()
        self.dirty = False

    def close(self) -> None:
        """Closes the wire. Never raises."""
        if self.is_open:
            self._disconnect()
        self._buffer.clear()

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def write(self, data: bytes) -> None:
        """Sends all of it. NoReply when the other end does not take it in time, LinkDown when it is gone."""
        self._require_open()
        try:
            self._send(data, WRITE_DEADLINE_S)
        except NoReply:
            self.dirty = True
            raise

    def read_line(self, deadline_s: float) -> bytes:
        """One whole line without its terminator (and without a carriage return before it)."""
        self._require_open()
        end = time.monotonic() + deadline_s
        searched = 0
        buffer = self._buffer
        while (at := buffer.find(self.terminator, searched)) < 0:
            if len(buffer) > LONGEST_LINE:
                self.dirty = True
                raise BadReply(f"{len(buffer)} bytes without an end of line, {_excerpt(buffer)}", instrument=self.name)
            searched = max(0, len(buffer) - len(self.terminator) + 1)
            left_s = end - time.monotonic()
            got = self._receive(left_s) if left_s > 0 else b""
            if not got and time.monotonic() >= end:
                raise self._late(f"no whole line within {deadline_s:g} s")
            buffer += got
        line = bytes(buffer[:at])
        del buffer[: at + len(self.terminator)]
        return line.removesuffix(b"\r")

    def read_exact(self, n: int, deadline_s: float) -> bytes:
        """n bytes, whatever they are. NoReply when nothing more comes for deadline_s; what came is thrown away."""
        self._require_open()
        cap = time.monotonic() + 10.0 * deadline_s
        buffer = self._buffer
        if n - len(buffer) > LARGE:
            return self._read_large(n, deadline_s, cap)
        while len(buffer) < n:
            wait_s = min(deadline_s, cap - time.monotonic())
            got = self._receive(wait_s) if wait_s > 0 else b""
            if not got:
                raise self._late(f"{len(buffer)} of {n} bytes, then nothing for {deadline_s:g} s", text=False)
            buffer += got
        data = bytes(buffer[:n])
        del buffer[:n]
        return data

    def _read_large(self, n: int, deadline_s: float, cap: float) -> bytes:
        """A big block: pieces, put together once."""
        pieces, had = [bytes(self._buffer)], len(self._buffer)
        self._buffer.clear()
        self.chunk = BIG_CHUNK
        try:
            while had < n:
                wait_s = min(deadline_s, cap - time.monotonic())
                got = self._receive(wait_s) if wait_s > 0 else b""
                if not got:
                    self._buffer += pieces[0][:16]
                    raise self._late(f"{had} of {n} bytes, then nothing for {deadline_s:g} s", text=False)
                pieces.append(got)
                had += len(got)
        finally:
            self.chunk = CHUNK
        if had > n:
            last = pieces.pop()
            keep = len(last) - (had - n)
            pieces.append(last[:keep])
            self._buffer += last[keep:]
        return b"".join(pieces)

    def read_available(self) -> bytes:
        """What has arrived and was not read, without waiting."""
        self._require_open()
        while got := self._receive(0.0):
            self._buffer += got
            if len(self._buffer) > LONGEST_LINE:
                break
        data = bytes(self._buffer)
        self._buffer.clear()
        return data

    def drain(self, quiet_s: float = 0.05, limit_s: float = 1.0) -> bytes:
        """Reads and throws away until nothing has come for quiet_s; returns what was thrown away.

        A stream that does not fall silent within limit_s leaves the link dirty and raises BadReply.
        """
        self._require_open()
        end = time.monotonic() + limit_s
        thrown = bytearray(self.read_available())
        while got := self._receive(quiet_s):
            thrown += got
            if time.monotonic() > end:
                self.dirty = True
                raise BadReply(f"a stream that does not end, {_excerpt(thrown)}", instrument=self.name)
        return bytes(thrown)

    def poll_line(self, timeout_s: float) -> bytes | None:
        """One whole line if it is here within timeout_s, else None; a part of a line stays for the next call."""
        self._require_open()
        buffer = self._buffer
        if self.terminator not in buffer:
            if len(buffer) > LONGEST_LINE:
                self.dirty = True
                raise BadReply(f"{len(buffer)} bytes without an end of line, {_excerpt(buffer)}", instrument=self.name)
            buffer += self._receive(timeout_s)
        at = buffer.find(self.terminator)
        if at < 0:
            return None
        line = bytes(buffer[:at])
        del buffer[: at + len(self.terminator)]
        return line.removesuffix(b"\r")

    def poll_exact(self, n: int, timeout_s: float) -> bytes | None:
        """n bytes if they are here within timeout_s, else None; what came of them stays for the next call."""
        self._require_open()
        buffer = self._buffer
        end = time.monotonic() + timeout_s
        while len(buffer) < n:
            buffer += self._receive(max(0.0, end - time.monotonic()))
            if len(buffer) < n and time.monotonic() >= end:
                return None
        data = bytes(buffer[:n])
        del buffer[:n]
        return data

    def surplus(self) -> bool:
        """True when bytes beyond the last reply are already here."""
        return bool(self._buffer)

    def _late(self, what: str, *, text: bool = True) -> NoReply:
        self.dirty = True
        pending = bytes(self._buffer)
        self._buffer.clear()
        hint = "Check that it is switched on and not waiting for something."
        if text and any(byte > 126 or (byte < 32 and byte not in b"\r\n\t") for byte in pending):
            hint = "Bytes that are no text came: a wrong speed or parity of the port is likely; check both ends."
        seen = f"; {_excerpt(pending)}" if pending else ""
        return NoReply(what + seen, instrument=self.name, next_action=hint)

    def _require_open(self) -> None:
        if not self.is_open:
            raise LinkDown(f"the link {self.url} is closed", instrument=self.name, next_action="Open it first.")

    def _down(self, what: str, cause: str = "") -> LinkDown:
        """Closes what is left of the wire and returns the error to raise."""
        self._disconnect()
        seen = f"; {_excerpt(self._buffer)}" if self._buffer else ""
        self._buffer.clear()
        because = f" ({cause})" if cause else ""
        return LinkDown(
            f"{what}: {self.url}{because}{seen}",
            instrument=self.name,
            next_action="Check power and cable, then open it again.",
        )


def add_names(fault: NoReply | BadReply, instrument: str, exchange: str) -> NoReply | BadReply:
    """The same fault with the instrument's name and the words that it happened on; complete ones stay as they are."""
    if fault.instrument and fault.exchange:
        return fault
    text = fault.message.removeprefix(f"{fault.instrument}: ").removesuffix(f" [{fault.exchange}]")
    return type(fault)(text, instrument=instrument, exchange=exchange, next_action=fault.next_action)


def _excerpt(data: bytes | bytearray) -> str:
    cut = bytes(data[:16])
    return f"began with {cut!r}" + (f" ({len(data)} bytes)" if len(data) > 16 else "")
