"""What drivers of small serial instruments share: built closed, one lock, won back when the wire was lost.

It must never know what an instrument says: a subclass identifies (`_identify`) and asks. A verb that only reads is said
once more after a fault of the wire, and why is kept in `repeated`.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import TypeVar

from drivers.link.base import Link
from drivers.link.states import win_back
from drivers.link.urls import make_link
from drivers.roles import Identity
from rig.errors import BadReply, BenchError, LinkDown, NoReply, WrongInstrument

T = TypeVar("T")


class LineDevice(ABC):
    """name: in the bench file. link: an address, or a link that is already built (tests)."""

    def __init__(self, name: str, link: str | Link) -> None:
        self._name = name
        self._link = make_link(link, name) if isinstance(link, str) else link
        self._lock = threading.RLock()
        self._identity: Identity | None = None
        self._opened = False
        self.repeated: list[str] = []

    @property
    def name(self) -> str:
        return self._name

    def open(self) -> None:
        """Opens and identifies; switches nothing."""
        with self._lock:
            self._link.open()
            try:
                self._identity = self._identify()
                self._opened = True
            except BenchError:
                self.close()
                raise

    def identity(self) -> Identity:
        """Who answered when it was opened."""
        if self._identity is None:
            raise LinkDown("not opened yet", instrument=self._name, next_action="Open it first.")
        return self._identity

    @abstractmethod
    def safe_state(self) -> None: ...

    def close(self) -> None:
        """Never raises."""
        self._opened = False
        self._link.close()

    @abstractmethod
    def _identify(self) -> Identity: ...

    def _back(self) -> None:
        """Before an exchange: a link that was lost is won back, and the same instrument has to answer."""
        if self._opened and not self._link.is_open:
            win_back(self._name, self._come_back, self._link.close)

    def _come_back(self) -> None:
        before = self._identity
        self._link.open()
        now = self._identify()
        if before is not None and (now.model, now.serial) != (before.model, before.serial):
            raise WrongInstrument(
                f"{now.model} {now.serial} answers after the link was lost; it was {before.model} {before.serial}",
                instrument=self._name,
                next_action="Connect the instrument that the run began with.",
            )

    def _again(self, verb: Callable[[], T]) -> T:
        """A verb whose repetition changes nothing: said once more after a fault of the wire."""
        with self._lock:
            try:
                self._back()
                return verb()
            except (LinkDown, NoReply, BadReply) as fault:
                self.repeated.append(str(fault))
                self._back()
                try:
                    return verb()
                except NoReply as second:
                    if isinstance(fault, BadReply):
                        raise fault from second  # what came says more than what did not
                    raise
