"""What all SCPI drivers share: built closed, opened by identifying, closed without a word, one session.

It must never know what an instrument measures. A family is a subclass with its `models` pattern and its verbs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import ClassVar, TypeVar

from drivers.link.base import Link
from drivers.link.session import ScpiSession
from drivers.link.states import Event, State
from drivers.link.urls import make_link
from drivers.roles import Identity
from rig.errors import BadReply, BenchError, LinkDown, NoReply, WrongInstrument

SAFE_LOCK_S = 1.2
SAFE_DEADLINE_S = 0.4
T = TypeVar("T")


class ScpiDevice:
    """name: the instrument's name in the bench file. link: an address, or a link that is already built (tests).

    repeated: why verbs were said twice, oldest first; a step during which it grew is marked repeated.
    """

    models: ClassVar[str] = r".*"

    def __init__(self, name: str, link: str | Link) -> None:
        self._name = name
        self._link = make_link(link, name) if isinstance(link, str) else link
        self._session = ScpiSession(self._link, name)
        self._session.identify_again = self._identify_again
        self._session.set_up_again = self._set_up_again
        self.repeated: list[str] = []
        self._identity: Identity | None = None
        self._opened = False

    @property
    def name(self) -> str:
        return self._name

    @property
    def link_state(self) -> State:
        """Where its link stands (drivers/link/states.py)."""
        return self._session.states.state

    def open(self) -> None:
        """Opens the link and identifies; energises nothing. WrongInstrument, LinkDown, NoReply, BadReply."""
        self._session.open()
        try:
            self._identity = self._session.identify(self.models)
            self._session.errors()
            self._session.states.move(Event.SET_UP)
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

    def _identify_again(self) -> None:
        """After a lost link: the same instrument has to answer."""
        before, now = self._identity, self._session.identify(self.models, again=True)
        if before is not None and (now.model, now.serial) != (before.model, before.serial):
            raise WrongInstrument(
                f"{now.model} {now.serial} answers after the link was lost; it was {before.model} {before.serial}",
                instrument=self._name,
                exchange="*IDN?",
                next_action="Connect the instrument that the run began with.",
            )

    def _set_up_again(self) -> None:
        """After a lost link: families that keep settings put them back here and read them back."""

    def _again(self, verb: Callable[[], T]) -> T:
        """A verb whose repetition changes nothing: said once more after a fault of the wire."""
        try:
            return verb()
        except (LinkDown, NoReply, BadReply) as fault:
            self.repeated.append(str(fault))
            try:
                return verb()
            except NoReply as second:
                if isinstance(fault, BadReply):
                    raise fault from second  # what came says more than what did not
                raise

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
