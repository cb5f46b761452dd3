"""The live socket's thread: who looks on, what they are sent, which verbs they may say. No verb arms, none resumes.

It must never wait for a viewer: what the run posts is put into a queue; a viewer that does not read loses frames first,
and its connection when more than BACKLOG_BYTES wait for it. Only processes of the same user are let in (SO_PEERCRED).
"""

from __future__ import annotations

import os
import selectors
import socket
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any

from rig.errors import BadReply
from rig.jobs.controller.frames import LONGEST_REQUEST, Decoder, Message, encode

ATTENDED_S = 10.0
LOOK_S = 0.25
FRAME_S = 0.1
FRAMES_WAITING = 2
BACKLOG_BYTES = 32 << 20
LINGER_S = 3.0
FIRST_CLIENT_S = 5.0
VERBS = ("hello", "attend", "stop", "hold", "mark", "advance")

Answer = Mapping[str, Any]


class Viewer:
    """One connection."""

    def __init__(self, link: socket.socket) -> None:
        self.link = link
        self.decoder = Decoder(LONGEST_REQUEST)
        self.out: deque[tuple[bytes, bool]] = deque()
        self.begun = False  # whether the first of `out` was sent in part
        self.waiting = 0
        self.hello = False
        self.frames = False
        self.hands = False
        self.attended_s: float | None = None

    def put(self, data: bytes, *, frame: bool = False) -> bool:
        """Send when there is room; False when this viewer is too far behind."""
        if frame and sum(is_frame for _, is_frame in self.out) >= FRAMES_WAITING:
            return True
        self.out.append((data, frame))
        self.waiting += len(data)
        return self.waiting <= BACKLOG_BYTES

    def flush(self) -> None:
        """Send what the socket takes now. Raises OSError when the viewer is gone."""
        while self.out:
            data, frame = self.out[0]
            try:
                sent = self.link.send(data)
            except BlockingIOError:
                return
            self.waiting -= sent
            if sent < len(data):
                self.out[0] = (data[sent:], frame)
                return
            self.out.popleft()


class Server:
    """Runs in a thread of its own from `start` to `close`. take: what a verb does; each_look: every quarter second.

    snapshot: messages for a viewer that said hello with `since`. drain: turns what was posted into messages to all.
    """

    def __init__(
        self,
        listener: socket.socket,
        *,
        take: Callable[[str, Mapping[str, Any]], Answer],
        snapshot: Callable[[int, int | None], list[dict[str, Any]]],
        drain: Callable[[], list[tuple[Mapping[str, Any], bytes]]],
        each_look: Callable[[], None],
    ) -> None:
        self._listener = listener
        self._take, self._snapshot, self._drain, self._each_look = take, snapshot, drain, each_look
        self._viewers: list[Viewer] = []
        self._selector = selectors.DefaultSelector()
        self._woken, self._wake = os.pipe()
        os.set_blocking(self._wake, False)
        os.set_blocking(self._woken, False)
        self._closing = threading.Event()
        self._frame_s = 0.0
        self._came = False
        self.started_s = time.monotonic()
        self.last_attended_s = self.started_s
        listener.setblocking(False)
        self._selector.register(listener, selectors.EVENT_READ, self._join)
        self._selector.register(self._woken, selectors.EVENT_READ, self._awake)
        self._thread = threading.Thread(target=self._serve, name="live socket", daemon=True)

    # ---- from other threads

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def wake(self) -> None:
        """Something was posted."""
        with suppress(BlockingIOError, OSError):
            os.write(self._wake, b"!")

    @property
    def attending(self) -> int:
        """How many attend now."""
        edge = time.monotonic() - ATTENDED_S
        return sum(one.attended_s is not None and one.attended_s > edge for one in list(self._viewers))

    @property
    def hands(self) -> bool:
        """Whether somebody looks on who can answer a question."""
        return any(one.hands for one in list(self._viewers))

    @property
    def wants_frames(self) -> bool:
        """Whether any viewer asked for frames."""
        return any(one.frames for one in list(self._viewers))

    def close(self) -> None:
        """Serve until all has been sent (at most LINGER_S; a first viewer is waited for), then end. Never raises."""
        until_s = time.monotonic() + LINGER_S
        first_s = self.started_s + FIRST_CLIENT_S
        while time.monotonic() < until_s or (not self._came and time.monotonic() < first_s):
            self.wake()
            time.sleep(0.02)
            if self._came and all(not one.out for one in list(self._viewers)):
                break
        self._closing.set()
        self.wake()
        self._thread.join(LINGER_S)

    # ---- the thread

    def _serve(self) -> None:
        looked_s = 0.0
        while not self._closing.is_set():
            for key, mask in self._selector.select(LOOK_S):
                key.data(mask)
            self._broadcast()
            if time.monotonic() - looked_s >= LOOK_S:
                looked_s = time.monotonic()
                self._each_look()
                self._broadcast()
        self._broadcast()
        for viewer in list(self._viewers):
            self._leave(viewer)
        self._listener.close()
        self._selector.close()

    def _awake(self, _mask: int) -> None:
        with suppress(BlockingIOError):
            os.read(self._woken, 65536)

    def _broadcast(self) -> None:
        for head, body in self._drain():
            frame = head.get("kind") == "frame"
            if frame:
                if time.monotonic() - self._frame_s < FRAME_S:
                    continue
                self._frame_s = time.monotonic()
            data = encode(head, body)
            for viewer in list(self._viewers):
                if viewer.hello and (viewer.frames or not frame):
                    self._send(viewer, data, frame=frame)

    def _send(self, viewer: Viewer, data: bytes, *, frame: bool = False) -> None:
        if not viewer.put(data, frame=frame):
            self._leave(viewer)
            return
        self._flush(viewer)

    def _flush(self, viewer: Viewer) -> None:
        try:
            viewer.flush()
        except OSError:
            self._leave(viewer)
            return
        mask = selectors.EVENT_READ | (selectors.EVENT_WRITE if viewer.out else 0)
        self._selector.modify(viewer.link, mask, lambda m, v=viewer: self._look(v, m))

    def _join(self, _mask: int) -> None:
        try:
            link, _ = self._listener.accept()
        except OSError:
            return
        if _peer_uid(link) != os.getuid():
            link.close()
            return
        link.setblocking(False)
        viewer = Viewer(link)
        self._viewers.append(viewer)
        self._came = True
        self._selector.register(link, selectors.EVENT_READ, lambda m, v=viewer: self._look(v, m))

    def _leave(self, viewer: Viewer) -> None:
        if viewer in self._viewers:
            self._viewers.remove(viewer)
            with suppress(KeyError, ValueError):
                self._selector.unregister(viewer.link)
            viewer.link.close()

    def _look(self, viewer: Viewer, mask: int) -> None:
        if mask & selectors.EVENT_WRITE:
            self._flush(viewer)
        if not mask & selectors.EVENT_READ or viewer not in self._viewers:
            return
        try:
            data = viewer.link.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._leave(viewer)
            return
        try:
            for message in viewer.decoder.feed(data):
                self._send(viewer, encode(self._answer(viewer, message)))
        except BadReply as fault:
            self._send(viewer, encode({"kind": "refused", "why": str(fault)}))
            self._leave(viewer)

    def _answer(self, viewer: Viewer, message: Message) -> dict[str, Any]:
        verb, head = message.head.get("do"), message.head
        about = {"id": head["id"]} if "id" in head else {}
        if verb not in VERBS or message.body:
            why = f"{verb!r} is no verb of this socket; they are {', '.join(VERBS)}. Nothing here arms or resumes."
            return {"kind": "refused", **about, "do": str(verb)[:40], "why": why}
        if verb == "hello":
            return self._greet(viewer, head, about)
        if verb == "attend":
            viewer.attended_s = self.last_attended_s = time.monotonic()
            return {"kind": "done", **about, "do": verb}
        return {**self._take(str(verb), head), **about, "do": verb}

    def _greet(self, viewer: Viewer, head: Mapping[str, Any], about: Mapping[str, Any]) -> dict[str, Any]:
        self._broadcast()  # what was posted until now belongs into the snapshot
        viewer.hello, viewer.frames = True, head.get("frames") is True
        viewer.hands = head.get("hands") is True
        since = head.get("since")
        first, *rest = self._snapshot(self.attending, since if isinstance(since, int) else None)
        viewer.put(encode({**first, **about}))
        for one in rest:
            viewer.put(encode(one))
        return {"kind": "done", **about, "do": "hello"}


def _peer_uid(link: socket.socket) -> int:
    packed = link.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    return int(struct.unpack("3i", packed)[1])
