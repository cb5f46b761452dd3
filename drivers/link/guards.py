"""What stands around one exchange of a session: a broken wire is noted, a reply that is none leaves the link dirty.

Classes, since every exchange passes here. They must never know a message's meaning. Source: drivers/link/states.py.
"""

from __future__ import annotations

from types import TracebackType

from drivers.link.base import Link, named
from drivers.link.states import Event, LinkState
from rig.errors import BadReply, LinkDown


class Watched:
    """Around what is said on the wire: LinkDown moves the link's state to lost and says on which words."""

    __slots__ = ("_message", "_name", "_states")

    def __init__(self, states: LinkState, name: str, message: str) -> None:
        self._states = states
        self._name = name
        self._message = message

    def __enter__(self) -> None: ...

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if not isinstance(fault, LinkDown):
            return
        self._states.move(Event.BROKE)
        if not fault.exchange:
            text = fault.message.removeprefix(f"{fault.instrument}: ")
            raise LinkDown(
                text, instrument=self._name, exchange=self._message, next_action=fault.next_action
            ) from fault


class Parsing:
    """Around what is made of a reply: BadReply leaves the link dirty and says whose reply it was."""

    __slots__ = ("_exchange", "_link", "_name")

    def __init__(self, link: Link, name: str, exchange: str) -> None:
        self._link = link
        self._name = name
        self._exchange = exchange

    def __enter__(self) -> None: ...

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(fault, BadReply):
            self._link.dirty = True
            raise named(fault, self._name, fault.exchange or self._exchange) from fault
