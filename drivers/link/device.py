"""What all drivers with a wire share: built closed, opened by identifying, reopened after a loss, closed quietly.

`Device` is the base; `ScpiDevice` speaks through a session, `LineDevice` asks its link directly. A family is a subclass
with its own words and verbs.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import ClassVar, TypeVar

from drivers.link.base import Link
from drivers.link.session import ScpiSession
from drivers.link.states import LinkEvent, win_back
from drivers.link.urls import make_link
from drivers.roles import Identity
from rig.errors import BadReply, BenchError, LinkDown, NoReply, WrongInstrument

SAFE_LOCK_S = 1.2
SAFE_DEADLINE_S = 0.4
T = TypeVar("T")


class Device(ABC):
    """name: the instrument's name in the bench file. link: an address, or a link that is already built (tests).

    repeated: why verbs were sent twice, oldest first; a step during which it grew is marked repeated.
    """

    def __init__(self, name: str, link: str | Link) -> None:
        self._name = name
        self._link = make_link(link, name) if isinstance(link, str) else link
        self._lock = threading.RLock()
        self._identity: Identity | None = None
        self._opened = False
        self._repeated: list[str] = []

    @property
    def name(self) -> str:
        return self._name

    @property
    def retries(self) -> list[str]:
        return self._repeated

    def open(self) -> None:
        """Opens the link and identifies; energises nothing. WrongInstrument, LinkDown, NoReply, BadReply."""
        with self._lock:
            try:
                self._connect()
                self._opened = True
            except BenchError:
                self.close()
                raise

    def identity(self) -> Identity:
        """Who answered when it was opened."""
        if self._identity is None:
            raise LinkDown("not opened yet", instrument=self._name, next_action="Open it first.")
        return self._identity

    def claim(self) -> str:
        """The instrument's own lock against a second computer: "held", or "none" where its wire has none."""
        take = getattr(self._link, "claim", None)
        return str(take()) if take is not None else "none"

    @abstractmethod
    def safe_state(self) -> None: ...

    def close(self) -> None:
        """Never raises."""
        self._opened = False
        self._link.close()

    @abstractmethod
    def _connect(self) -> None:
        """Opens the link and sets `_identity`."""

    def _require_same(self, now: Identity) -> None:
        """After a lost link: WrongInstrument unless the instrument that the run began with answers."""
        before = self._identity
        if before is not None and (now.model, now.serial) != (before.model, before.serial):
            raise WrongInstrument(
                f"{now.model} {now.serial} answers after the link was lost; it was {before.model} {before.serial}",
                instrument=self._name,
                next_action="Connect the instrument that the run began with.",
            )

    def _win_back(self) -> None:
        """Before an exchange: a link that was lost is opened again, and the same instrument has to answer."""
        if self._opened and not self._link.is_open:
            win_back(self._name, self._connect_again, self._link.close)

    def _connect_again(self) -> None:
        before = self._identity
        self._connect()
        now, self._identity = self.identity(), before
        self._require_same(now)

    def _again(self, verb: Callable[[], T]) -> T:
        """A verb whose repetition changes nothing: sent once more after a fault of the wire."""
        try:
            self._win_back()
            return verb()
        except (LinkDown, NoReply, BadReply) as fault:
            self.retries.append(str(fault))
            self._win_back()
            try:
                return verb()
            except NoReply as second:
                if isinstance(fault, BadReply):
                    raise fault from second  # what came says more than what did not
                raise


class ScpiDevice(Device):
    """models: a pattern for the whole model field of its identification. not_mine: what to do when another answers."""

    models: ClassVar[str] = r".*"
    not_mine: ClassVar[str] = ""

    def __init__(self, name: str, link: str | Link) -> None:
        super().__init__(name, link)
        self._session = ScpiSession(self._link, name)
        self._session.identify_again = self._identify_again
        self._session.set_up_again = self._set_up_again
        self._lock = self._session.lock

    def close(self) -> None:
        """Never raises."""
        self._opened = False
        self._session.close()

    def _connect(self) -> None:
        self._session.open()
        self._identity = self._session.identify(self.models, self.not_mine)
        self._session.errors()
        self._session.states.move(LinkEvent.SET_UP)

    def _win_back(self) -> None:
        """Nothing here: the session wins a lost link back by itself, before its next message."""

    def _identify_again(self) -> None:
        self._require_same(self._session.identify(self.models, again=True))

    def _set_up_again(self) -> None:
        """After a lost link: families that keep settings put them back here and read them back."""

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
                session.reopen()
            yield self._opened
        finally:
            session.deadline_s = usual_s
            session.lock.release()


class LineDevice(Device):
    """A small instrument without SCPI: a subclass identifies (`_identify`) and asks over its link."""

    @abstractmethod
    def _identify(self) -> Identity: ...

    def _connect(self) -> None:
        self._link.open()
        self._identity = self._identify()

    def _again(self, verb: Callable[[], T]) -> T:
        with self._lock:
            return super()._again(verb)
