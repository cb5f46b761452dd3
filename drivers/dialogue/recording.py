"""The dialogue of one instrument, recorded: its driver speaks through a link that notes all that passes.

Only harmless verbs are used (verbs.py). Whatever happens, the instrument is left in its safe state and closed. It must
never know which instrument is talking.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from drivers.dialogue.file import WIRES, Head
from drivers.dialogue.verbs import VERBS
from drivers.link.base import Link
from drivers.link.spy import ForwardingLink
from drivers.link.urls import make_link
from drivers.roles import Identity, Instrument
from rig.errors import BenchError, UsageError

Build = Callable[[Link], Instrument]


class RecordingLink(ForwardingLink):
    """Wraps any link and notes what passes, with the seconds since it was opened."""

    def __init__(self, inner: Link) -> None:
        super().__init__(inner)
        self.events: list[dict[str, Any]] = []
        self._start_s = time.monotonic()
        self._opened = False

    def open(self) -> None:
        if not self._opened:
            self._opened, self._start_s = True, time.monotonic()
        super().open()

    def elapsed_s(self) -> float:
        """Seconds since the link was opened."""
        return round(time.monotonic() - self._start_s, 4)

    def mark(self, verb: str) -> None:
        """What follows is the dialogue of this verb."""
        self.events.append({"t_s": self.elapsed_s(), "do": verb})

    def _note(self, key: str, data: bytes) -> None:
        self.events.append({"t_s": self.elapsed_s(), key: data.decode("latin-1")})

    def _note_sent(self, data: bytes) -> None:
        self._note("say", data)

    def _line(self, data: bytes) -> None:
        self._note("line", data)

    def _bytes(self, data: bytes) -> None:
        self._note("bytes", data)

    def _note_unasked(self, data: bytes) -> None:
        self._note("unasked", data)

    def _note_drained(self, data: bytes) -> None:
        self._note("unasked", data)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What passed. fault: why a verb did not come to its end, "" when all did."""

    head: Head
    events: tuple[Mapping[str, Any], ...]
    t_s: float
    fault: str = ""


def record_dialogue(
    build: Build, *, role: str, driver: str, link: str, options: Mapping[str, Any], program: str, simulated: bool
) -> Recorded:
    """Opens the instrument, says the harmless verbs of its role, makes it safe and closes it; nothing is energised.

    build: from a link to the driver, closed. simulated: whether the bench says that it is; an instrument whose serial
    number says so is simulated in any case. UsageError for a role or a link without a dialogue of bytes; BenchError
    when nobody answers at all; a fault after that is told in `fault`, with all that was said until then.
    """
    if role not in VERBS:
        raise UsageError(f"{role} is no role of an instrument.", next_action=f"Roles: {', '.join(VERBS)}.")
    if not link.startswith(WIRES):
        raise UsageError(
            f"{role}: {link!r} (driver {driver}) is no wire with bytes: there is nothing to record.",
            next_action="Record instruments that speak over tcp, serial or visa links.",
        )
    recording = RecordingLink(make_link(link, role))
    instrument = build(recording)
    who, fault = Identity(maker="", model="", serial="", firmware=""), ""
    try:
        recording.mark("open and identify")
        instrument.open()
        who = instrument.identity()
        for name, verb in VERBS[role]:
            recording.mark(name)
            verb(instrument)
        recording.mark("safe state")
        instrument.safe_state()
    except BenchError as broke:
        if not any(key in event for event in recording.events for key in ("line", "bytes", "unasked")):
            raise  # nobody has said anything: there is no dialogue
        fault = str(broke)
        make_safe(instrument)
    except BaseException:
        make_safe(instrument)
        raise
    finally:
        instrument.close()
    head = Head(
        role=role,
        driver=driver,
        program=program,
        link=link,
        source="simulated" if simulated or who.is_simulated else "instrument",
        identity=who,
        date_utc=datetime.now(UTC).isoformat(timespec="seconds"),
        options=dict(options),
    )
    return Recorded(head=head, events=tuple(recording.events), t_s=recording.elapsed_s(), fault=fault)


def make_safe(instrument: Instrument) -> None:
    """As safe as it lets itself be made, after a fault that is being told anyway."""
    try:
        instrument.safe_state()
    except BenchError:
        return
