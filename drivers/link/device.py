"""What all SCPI drivers share: built closed, opened by identifying, closed without a word, one session.

It must never know what an instrument measures. A family is a subclass with its `models` pattern and its verbs.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import ClassVar

from drivers.link.base import Link
from drivers.link.session import ScpiSession
from drivers.link.urls import make_link
from drivers.roles import Identity
from rig.errors import BenchError, LinkDown, NoReply

SAFE_LOCK_S = 1.2
SAFE_DEADLINE_S = 0.4


class ScpiDevice:
    """name: the instrument's name in the bench file. link: an address, or a link that is already built (tests)."""

    models: ClassVar[str] = r".*"

    def __init__(self, name: str, link: str | Link) -> None:
        self._name = name
        self._link = make_link(link, name) if isinstance(link, str) else link
        self._session = ScpiSession(self._link, name)
        self._identity: Identity | None = None
        self._opened = False

    @property
    def name(self) -> str:
        return self._name

    def open(self) -> None:
        """Opens the link and identifies; energises nothing. WrongInstrument, LinkDown, NoReply, BadReply."""
        self._session.open()
        try:
            self._identity = self._session.identify(self.models)
            self._session.errors()
            self._opened = True
        except BenchError:
            self.close()
            raise

    def identity(self) -> Identity:
        """Who answered when it was opened."""
        if self._identity is None:
            raise LinkDown("not opened yet", instrument=self._name, next_action="Open it first.")
        return self._identity

    def close(self) -> None:
        """Never raises."""
        self._opened = False
        self._session.close()

    @contextmanager
    def _for_safety(self) -> Iterator[bool]:
        """The session for a safe state: bounded wait for the lock, short deadlines.

        False when it was never opened or has been closed; a link that was lost on the way is opened again.
        """
        session = self._session
        if not session.lock.acquire(timeout=SAFE_LOCK_S):
            raise NoReply(
                f"still busy with another exchange after {SAFE_LOCK_S:g} s",
                instrument=self._name,
                next_action="Switch it off by hand.",
            )
        usual_s, session.deadline_s = session.deadline_s, SAFE_DEADLINE_S
        try:
            if self._opened:
                self._link.open()
            yield self._opened
        finally:
            session.deadline_s = usual_s
            session.lock.release()
