"""A recorded dialogue played back as a peer against the driver: the same words in the same order get the same bytes.

The first word that differs is refused, with what the recording has in its place; so is a recording of which something
is left. It needs no instrument and opens no wire.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from drivers.dialogue.file import HEARD, SAID, Dialogue
from drivers.dialogue.verbs import VERBS
from drivers.link.base import BufferedLink, Link
from drivers.roles import Identity, Instrument
from rig.errors import BadReply, UsageError, WrongInstrument


class ReplayLink(BufferedLink):
    """Plays a dialogue; `left()` counts what was never said or heard."""

    def __init__(self, dialogue: Dialogue, name: str = "replay", terminator: bytes = b"\n") -> None:
        super().__init__(dialogue.head.link, name, terminator)  # a session treats sockets and ports differently
        self._dialogue = dialogue
        self._events: deque[Mapping[str, Any]] = deque()
        self._open = False

    @property
    def is_open(self) -> bool:
        return self._open

    def unused_events(self) -> int:
        """Events of the recording that were not used."""
        return len(self._events)

    def _connect(self) -> None:
        self._events.clear()
        self._events.extend(event for event in self._dialogue.events if "do" not in event)
        self._open = True

    def _disconnect(self) -> None:
        self._open = False

    def _send(self, data: bytes, deadline_s: float) -> None:
        del deadline_s  # a file takes everything at once
        said = data.decode("latin-1")
        expected = self._events.popleft() if self._events else {}
        if expected.get(SAID) != said:
            raise BadReply(f"said {said!r} where the recording has {dict(expected)!r}", instrument=self.name)

    def _receive(self, timeout_s: float) -> bytes:
        if not self._events or timeout_s <= 0:
            return b""
        event = self._events[0]
        if SAID in event:
            return b""
        self._events.popleft()
        end = self.terminator if "line" in event else b""
        return next(str(event[key]) for key in HEARD if key in event).encode("latin-1") + end


def check_replay(dialogue: Dialogue, build: Callable[[Link], Instrument]) -> Identity:
    """The driver of today says every verb of the recording to the recording; who answered.

    build: from a link to the driver, closed. BadReply for the first word that differs or for words that are left,
    WrongInstrument where the head names another instrument than the words do, UsageError for a dialogue that broke off.
    """
    head = dialogue.head
    if head.role not in VERBS:
        raise UsageError(f"{dialogue.file}: {head.role!r} is no role.", next_action=f"Roles: {', '.join(VERBS)}.")
    if not dialogue.is_whole:
        raise UsageError(
            f"{dialogue.file}: the dialogue broke off ({dialogue.fault}): it proves nothing but that fault.",
            next_action="Read its last lines; record again once the driver is mended.",
        )
    link = ReplayLink(dialogue, head.role)
    instrument = build(link)
    try:
        instrument.open()
        who = instrument.identity()
        if (who.model, who.serial) != (head.identity.model, head.identity.serial):
            raise WrongInstrument(
                f"the head names {head.identity.model} {head.identity.serial}, the words say {who.model} {who.serial}",
                instrument=head.role,
            )
        for _, verb in VERBS[head.role]:
            verb(instrument)
        instrument.safe_state()
        if link.unused_events():
            raise BadReply(f"{link.unused_events()} events of the recording were not used", instrument=head.role)
    finally:
        instrument.close()
    return who
