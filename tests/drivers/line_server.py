"""A socket that answers lines, for searches on a real wire."""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def line_server(answer: Callable[[bytes], bytes]) -> Iterator[str]:
    """Serves one client after the other until the end; the link's address."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            with client, client.makefile("rb") as lines:
                for line in lines:
                    client.sendall(answer(line.strip()))

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield f"tcp://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
