"""A raw TCP socket to an instrument: tcp://host:port.

Our own, because the raw-socket session of the pure-Python VISA library spins or hangs on a dead peer and loses
indefinite blocks (measured, version 0.8.1).
Source: RFC 9293 (end of stream), RFC 5482 (user time-out); TCP_NODELAY because every exchange is one small write.
"""

from __future__ import annotations

import select
import socket
from urllib.parse import urlsplit

from drivers.link.base import BufferedLink
from rig.errors import NoReply, UsageError

CONNECT_S = 1.0
USER_TIMEOUT_MS = 10_000


class TcpLink(BufferedLink):
    """A connected stream. A peer that closes or resets raises LinkDown at once."""

    def __init__(self, url: str, name: str = "", terminator: bytes = b"\n") -> None:
        super().__init__(url, name, terminator)
        self._host, self._port = host_and_port(url)
        self._socket: socket.socket | None = None

    @property
    def is_open(self) -> bool:
        return self._socket is not None

    def _connect(self) -> None:
        try:
            wire = socket.create_connection((self._host, self._port), CONNECT_S)
        except OSError as fault:
            raise self._down("can't connect", str(fault)) from fault
        wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        wire.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, USER_TIMEOUT_MS)
        if hasattr(socket, "TCP_KEEPIDLE"):
            wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 30)
            wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 5)
        self._socket = wire

    def _disconnect(self) -> None:
        wire, self._socket = self._socket, None
        if wire is not None:
            wire.close()

    def _send(self, data: bytes, deadline_s: float) -> None:
        wire = self._wire()
        try:
            wire.settimeout(deadline_s)
            wire.sendall(data)
        except TimeoutError as fault:
            raise NoReply(
                f"takes no more than part of {len(data)} bytes within {deadline_s:g} s",
                instrument=self.name,
                next_action="It has stopped reading: switch it off and on.",
            ) from fault
        except OSError as fault:
            raise self._down("the connection broke while writing", str(fault)) from fault

    def _receive(self, timeout_s: float) -> bytes:
        wire = self._wire()
        try:
            if timeout_s <= 0 and not select.select([wire], [], [], 0)[0]:
                return b""
            wire.settimeout(max(timeout_s, 0.001))
            got = wire.recv(self.chunk)
        except TimeoutError:
            return b""
        except OSError as fault:
            raise self._down("the connection broke while reading", str(fault)) from fault
        if not got:
            raise self._down("the instrument closed the connection")
        return got

    def _wire(self) -> socket.socket:
        if self._socket is None:
            raise self._down("the link is closed")
        return self._socket


def host_and_port(url: str) -> tuple[str, int]:
    """The host and port of tcp://host:port; UsageError when either is missing."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError as fault:
        raise UsageError(f"link {url!r}: {fault}.", next_action="Write tcp://host:port.") from fault
    if parts.scheme != "tcp" or not host or not port or parts.path not in ("", "/"):
        raise UsageError(f"link {url!r} is not tcp://host:port.", next_action="Write tcp://host:port.")
    return host, port
