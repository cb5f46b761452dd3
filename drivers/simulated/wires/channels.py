"""The wires of the simulated bench: TCP sockets on the loopback address and pseudo-terminals, none of them blocking.

A wire accepts clients (or has one for ever, on a pseudo-terminal) and moves bytes. The slave side of a pty stays open
here, in raw mode, so that a client that closes its port is no hang-up.
Source: pty(7), termios(3), tcp(7).
"""

from __future__ import annotations

import os
import select
import socket
import struct
from pathlib import Path
from typing import Protocol

from rig.system import open_pseudo_terminal

PTY_BACKLOG = 65_536
CHUNK = 65_536


class Channel(Protocol):
    """One client's end of a wire."""

    def fileno(self) -> int: ...

    def read(self) -> bytes | None: ...  # None: the client is gone

    def write(self, data: bytes) -> None: ...  # queues; `flush` sends

    def flush(self) -> bool: ...  # True when everything is out

    def close(self, *, reset: bool = False) -> None: ...


class TcpChannel:
    """An accepted connection."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket = connection
        self._backlog = bytearray()

    def fileno(self) -> int:
        return self._socket.fileno()

    def read(self) -> bytes | None:
        try:
            return self._socket.recv(CHUNK) or None
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def write(self, data: bytes) -> None:
        self._backlog += data

    def flush(self) -> bool:
        while self._backlog:
            try:
                sent = self._socket.send(self._backlog)
            except BlockingIOError:
                return False
            except OSError:
                self._backlog.clear()  # the next read tells that the client is gone
                return True
            del self._backlog[:sent]
        return True

    def close(self, *, reset: bool = False) -> None:
        """FIN, or RST when `reset` is set."""
        if reset:
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._socket.close()


class TcpListener:
    """A listening socket on 127.0.0.1, on a port that the system chooses (0) or on a given one."""

    def __init__(self, port: int = 0) -> None:
        self._socket = socket.create_server(("127.0.0.1", port))
        self._socket.setblocking(False)
        self.url = f"tcp://127.0.0.1:{self._socket.getsockname()[1]}"

    def fileno(self) -> int:
        return self._socket.fileno()

    @property
    def port(self) -> int:
        return int(self._socket.getsockname()[1])

    def accept(self) -> TcpChannel | None:
        try:
            connection, _ = self._socket.accept()
        except OSError:
            return None
        return TcpChannel(connection)

    def close(self) -> None:
        self._socket.close()


class PtyChannel:
    """The master side of a pseudo-terminal; `path` is what a client opens.

    by_id: a symbolic link that always leads to it, as a stable name of a USB adapter does; `path` is the link then.
    hold: keep the slave side open here. Without it, `client_is_there` tells whether somebody has it open.
    """

    def __init__(self, by_id: Path | None = None, *, hold: bool = True) -> None:
        self._by_id = by_id
        self._hold = hold
        self._placeholders: list[int] = []  # keep the old name taken, so that the next one is another
        self._plug_in()

    def _plug_in(self) -> None:
        self._master, slave = open_pseudo_terminal()
        os.set_blocking(self._master, False)
        self.path = os.ttyname(slave)
        self._slave: int | None = slave
        if not self._hold:
            os.close(slave)
            self._slave = None
        self._backlog = bytearray()
        if self._by_id is not None:
            self._by_id.unlink(missing_ok=True)
            self._by_id.symlink_to(self.path)
            self.path = str(self._by_id)

    def client_is_there(self) -> bool:
        """Whether anybody holds the slave side."""
        watch = select.poll()
        watch.register(self._master, select.POLLIN)
        return not any(event & select.POLLHUP for _, event in watch.poll(0))

    def replug(self) -> None:
        """Comes back as another device, with the same stable name."""
        self._placeholders += os.openpty()
        self._plug_in()

    def fileno(self) -> int:
        return self._master

    def read(self) -> bytes | None:
        try:
            return os.read(self._master, CHUNK)
        except OSError:
            return b""

    def write(self, data: bytes) -> None:
        """Like a serial line, it loses what nobody reads."""
        self._backlog += data
        del self._backlog[PTY_BACKLOG:]

    def flush(self) -> bool:
        while self._backlog:
            try:
                sent = os.write(self._master, self._backlog)
            except BlockingIOError:
                return False
            del self._backlog[:sent]
        return True

    def close(self, *, reset: bool = False) -> None:
        """A serial line can't be reset; both sides close."""
        del reset
        for end in (self._master, self._slave):
            if end is not None and end >= 0:
                os.close(end)
        self._master, self._slave = -1, None
        for end in self._placeholders:
            os.close(end)
        self._placeholders.clear()
        if self._by_id is not None:
            self._by_id.unlink(missing_ok=True)
