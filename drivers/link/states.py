"""The states of a link as a table: closed, open, identified, ready, dirty, lost; and the patience to get it back.

A time-out or a broken reply makes it dirty: it is drained and synchronised by a marker before it is used again. A
broken wire makes it lost: it is reconnected with back-off, identified again, set up again and read back; each time is
counted, so that whoever took a step over it can mark the step repeated.
The table below is the whole of it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from enum import StrEnum
from types import TracebackType

from drivers.link.base import Link, add_names
from rig.errors import BadReply, LinkDown, NoReply, UsageError

BACK_OFF_S = (0.0, 0.1, 0.3, 1.0, 2.0)


class LinkState(StrEnum):
    """Where a link stands."""

    CLOSED = "closed"
    OPEN = "open"
    IDENTIFIED = "identified"
    READY = "ready"
    DIRTY = "dirty"
    LOST = "lost"


class LinkEvent(StrEnum):
    """What may happen to it."""

    OPENED = "opened"
    IDENTIFIED = "identified"
    SET_UP = "set up"
    DOUBT = "doubt"  # time-out, short, surplus or broken reply
    SYNCHRONISED = "synchronised"
    BROKE = "broke"
    CLOSED = "closed"


_S, _E = LinkState, LinkEvent
TABLE: Mapping[tuple[LinkState, LinkEvent], LinkState] = {
    (_S.CLOSED, _E.OPENED): _S.OPEN,
    (_S.LOST, _E.OPENED): _S.OPEN,
    (_S.OPEN, _E.IDENTIFIED): _S.IDENTIFIED,
    (_S.IDENTIFIED, _E.IDENTIFIED): _S.IDENTIFIED,
    (_S.READY, _E.IDENTIFIED): _S.READY,
    (_S.IDENTIFIED, _E.SET_UP): _S.READY,
    (_S.READY, _E.SET_UP): _S.READY,
    **{(state, _E.DOUBT): _S.DIRTY for state in (_S.OPEN, _S.IDENTIFIED, _S.READY, _S.DIRTY)},
    **{(state, _E.SYNCHRONISED): state for state in (_S.OPEN, _S.IDENTIFIED, _S.READY)},
    (_S.DIRTY, _E.SYNCHRONISED): _S.DIRTY,  # back to where the doubt arose: see LinkTracker.move
    **{(state, _E.BROKE): _S.LOST for state in (_S.OPEN, _S.IDENTIFIED, _S.READY, _S.DIRTY, _S.LOST)},
    (_S.CLOSED, _E.BROKE): _S.CLOSED,
    **{(state, _E.CLOSED): _S.CLOSED for state in LinkState},
}


class LinkTracker:
    """One link's state. `known`: it has been identified since it was last closed on purpose. `times_lost` counts."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._before_doubt = LinkState.OPEN
        self.state = LinkState.CLOSED
        self.known = False
        self.times_lost = 0
        self.times_dirty = 0

    def move(self, event: LinkEvent) -> LinkState:
        """The next state. UsageError for an event that can't happen here; nothing is changed then."""
        following = TABLE.get((self.state, event))
        if following is None:
            raise UsageError(
                f"{self._name}: a link that is {self.state} can't become {event}.", next_action="Open it first."
            )
        if following is LinkState.DIRTY and self.state is not LinkState.DIRTY:
            self._before_doubt = self.state
            self.times_dirty += 1
        if self.state is LinkState.DIRTY and event is LinkEvent.SYNCHRONISED:
            following = self._before_doubt
        if following is LinkState.LOST and self.state is not LinkState.LOST:
            self.times_lost += 1
        if event is LinkEvent.IDENTIFIED:
            self.known = True
        elif event is LinkEvent.CLOSED:
            self.known = False
        self.state = following
        return following


class ExchangeWatch:
    """Around one exchange: LinkDown moves the link's state to lost and names the message."""

    __slots__ = ("_message", "_name", "_states")

    def __init__(self, states: LinkTracker, name: str, message: str) -> None:
        self._states = states
        self._name = name
        self._message = message

    def __enter__(self) -> None: ...

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if not isinstance(fault, LinkDown):
            return
        self._states.move(LinkEvent.BROKE)
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
            raise add_names(fault, self._name, fault.exchange or self._exchange) from fault


def win_back(name: str, attempt: Callable[[], None], give_up: Callable[[], None]) -> None:
    """Calls `attempt` until it succeeds, with growing pauses; `give_up` after each failure closes what is half open.

    LinkDown with the last cause when the patience (BACK_OFF_S) is over. Other errors, such as WrongInstrument, pass.
    """
    last: Exception | None = None
    for pause_s in BACK_OFF_S:
        time.sleep(pause_s)
        try:
            attempt()
        except (LinkDown, NoReply, BadReply) as fault:
            last = fault
            give_up()
            continue
        return
    raise LinkDown(
        f"lost, and not back after {len(BACK_OFF_S)} tries in {sum(BACK_OFF_S):.1f} s ({last})",
        instrument=name,
        next_action="Check power and cable, then start the step again.",
    ) from last
