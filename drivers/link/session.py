"""A SCPI conversation over any link: one query in flight, one whole answer, faults with their reason.

States: drivers/link/states.py. After a time-out, a broken reply or surplus bytes the session is dirty; before the
next message it drains the wire and asks a marker (*ESE with a number of its own, IEEE 488.2, 10.11; or *IDN? where a
family has no more) until exactly that comes back; on TCP a marker that fails leads to a new connection. A lost link
is won back, identified and set up again before the next message. An invalid query gives no answer on the wire: after
a time-out the error queue is read so that the report says why.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from itertools import cycle

from drivers import scpi
from drivers.link.base import Link, add_names
from drivers.link.blocks import read_block
from drivers.link.states import ExchangeWatch, LinkEvent, LinkState, LinkTracker, Parsing, win_back
from drivers.roles import Identity
from rig.errors import BadReply, BenchError, InstrumentRefused, LinkDown, NoReply, WrongInstrument

DEADLINE_S = 3.0
MARKER_S = 1.0


class ScpiSession:
    """Text out, text in; every public call holds the instrument's lock over its write and its read.

    gap_s: the least pause between two messages. has_status: the family has *ESE and an error queue (488.2, SCPI).
    who_query, who_answer, ends: how it is asked who it is, a pattern of the answer, and what ends a message, where that
    is another than 488.2's.
    identify_again, set_up_again: what is done after a lost link was opened again, before the next message.
    """

    def __init__(self, link: Link, name: str, deadline_s: float = DEADLINE_S) -> None:
        self.link = link
        self.name = name
        self.deadline_s = deadline_s
        self.gap_s = 0.0
        self.has_status = True
        self.who_query = "*IDN?"
        self.who_answer = rb"(.*,){3}.*"
        self.ends = b"\n"
        self.lock = threading.RLock()
        self.states = LinkTracker(name)
        self.identify_again: Callable[[], None] | None = None
        self.set_up_again: Callable[[], None] | None = None
        self._markers = cycle(range(1, 256))
        self._last_write_s = 0.0
        self._identification = ""

    def open(self) -> None:
        """Opens the wire. A serial port may be in mid-line: it starts dirty and is synchronised first."""
        with self.lock:
            if not self.link.is_open:
                self.link.open()
                self.link.dirty = not self.link.url.startswith("tcp")
                self.states.move(LinkEvent.CLOSED)
                self.states.move(LinkEvent.OPENED)

    def close(self) -> None:
        """Never raises."""
        self.link.close()
        self.states.move(LinkEvent.CLOSED)

    def reopen(self) -> None:
        """For a safe state: the wire alone, without identification or set-up; nothing to do when it is open."""
        if not self.link.is_open:
            self.link.open()
            if self.states.state is LinkState.LOST:
                self.states.move(LinkEvent.OPENED)

    def write(self, message: str) -> None:
        """A message without an answer."""
        with self.lock, self._watch(message):
            self._ready()
            self._say(message)

    def query(self, message: str, deadline_s: float | None = None, *, explain: bool = True) -> str:
        """A message with one answer line. explain: after a time-out, read the error queue for the reason."""
        with self.lock, self._watch(message):
            self._ready()
            try:
                self._say(message)
                return self._line(message, deadline_s or self.deadline_s)
            except NoReply as fault:
                if explain and self.has_status:
                    self._explain(message, fault)
                raise add_names(fault, self.name, message) from fault
            except BadReply as fault:
                self.link.dirty = True
                raise add_names(fault, self.name, message) from fault

    def number(self, message: str, deadline_s: float | None = None) -> float:
        """The answer as one finite number. An answer that is none leaves the session dirty."""
        with self.lock:
            reply = self.query(message, deadline_s)
            with self.parsing(message):
                return scpi.parse_number(reply, of=message)

    def reading(self, message: str, deadline_s: float, profile: scpi.OverloadProfile = scpi.TRUEVOLT) -> float | None:
        """The answer as a number, or None for over range."""
        with self.lock:
            reply = self.query(message, deadline_s)
            with self.parsing(message):
                return scpi.parse_reading(reply, profile, of=message)

    def ask(self, *queries: str, deadline_s: float | None = None) -> list[str]:
        """The answers to several queries sent as one message."""
        with self.lock:
            message = ";:".join(queries)
            reply = self.query(message, deadline_s)
            with self.parsing(message):
                return scpi.split_replies(reply, len(queries), of=message)

    def block(self, message: str, deadline_s: float, expected: int | None = None, label: str = "") -> bytes:
        """The answer as a block of bytes, definite or indefinite. deadline_s: without any progress.

        label: a pattern for the text unit that the message makes the instrument say in front of it.
        """
        with self.lock, self._watch(message):
            self._ready()
            try:
                self._say(message)
                data = read_block(self.link, message, deadline_s, expected, label)
            except (NoReply, BadReply) as fault:
                self.link.dirty = True
                if isinstance(fault, NoReply) and self.has_status:
                    self._explain(message, fault)
                raise add_names(fault, self.name, message) from fault
            if expected is not None and len(data) != expected:
                self.link.dirty = True
                raise BadReply(
                    f"a block of {len(data)} bytes where {expected} were expected",
                    instrument=self.name,
                    exchange=message,
                    next_action="Configure the capture again.",
                )
            return data

    def errors(self) -> list[tuple[int, str]]:
        """Empties the error queue: (code, text), oldest first. A family without one has none."""
        if not self.has_status:
            return []
        with self.lock, self.parsing("SYST:ERR?"):
            return scpi.drain_errors(lambda: self.query("SYST:ERR?", explain=False))

    def check(self, after: str) -> None:
        """Raises InstrumentRefused when the error queue holds anything."""
        if found := self.errors():
            raise self._refusal(found, after)

    def set(self, *messages: str) -> None:
        """Sends settings and makes sure that none was refused."""
        with self.lock:
            for message in messages:
                self.write(message)
            self.check("; ".join(messages))

    def identify(self, models: str, next_action: str = "", *, again: bool = False) -> Identity:
        """Asks *IDN? and refuses another family: `models` is a pattern for the whole model field.

        again: it has answered before, so an answer that is no identification at all is BadReply, a fault of the wire.
        """
        reply = self.query("*IDN?")
        fields = [field.strip().strip('"') for field in reply.split(",")]
        if again and len(fields) < 4:
            self.link.dirty = True
            raise BadReply(f"{reply!r} is no identification", instrument=self.name, exchange="*IDN?")
        if len(fields) < 4 or not re.fullmatch(models, fields[1], re.IGNORECASE):
            raise WrongInstrument(
                f"{reply!r} answers where a model {models} was expected",
                instrument=self.name,
                exchange="*IDN?",
                next_action=next_action or "Correct the link or the driver in the bench file.",
            )
        self.known_as(reply)
        return Identity(maker=fields[0], model=fields[1], serial=fields[2], firmware=",".join(fields[3:]))

    def known_as(self, reply: str) -> None:
        """It has said who it is, in these words: they serve as the marker of a family without a status register."""
        self._identification = reply
        self.states.move(LinkEvent.IDENTIFIED)

    def resynchronise(self) -> None:
        """Drains the wire and makes sure that the next answer belongs to the next question. NoReply when it can't."""
        with self.lock:
            if self.states.state is not LinkState.LOST:
                self.states.move(LinkEvent.DOUBT)
            try:
                self._mark()
            except (NoReply, BadReply):
                if not self.link.url.startswith("tcp"):
                    raise
                self.link.close()
                self.link.open()
                self._mark()
            self.link.dirty = False
            self.states.move(LinkEvent.SYNCHRONISED)

    def _mark(self) -> None:
        self.link.drain()
        marker = str(next(self._markers)) if self.has_status else self._identification
        self._say(f"*ESE {marker};*ESE?" if self.has_status else self.who_query)
        for _ in range(20):
            line = self.link.read_line(min(MARKER_S, self.deadline_s)).strip()
            if self._is_marker(line, marker):
                if self.has_status:
                    self._say("*ESE 0")
                else:
                    self.link.drain()
                return
        self.link.dirty = True
        raise BadReply("the marker of a resynchronisation never came back", instrument=self.name, exchange="*ESE?")

    def _is_marker(self, line: bytes, marker: str) -> bool:
        if not self.has_status:
            return line == marker.encode() if marker else re.fullmatch(self.who_answer, line) is not None
        return line.isascii() and line.lstrip(b"+").isdigit() and int(line) == int(marker)

    def _ready(self) -> None:
        """Synchronised, and won back when it was lost: the next answer will belong to the next question."""
        if self.link.is_open:
            try:
                if self.link.dirty or self.link.read_available():
                    self.resynchronise()
                return
            except LinkDown:
                self.states.move(LinkEvent.BROKE)
        if self.states.state is LinkState.LOST and self.states.known:
            try:
                win_back(self.name, self._come_back, self._drop)
            except InstrumentRefused:
                self._drop()  # it is not set up: the next message has to begin with that again
                raise

    def _come_back(self) -> None:
        self.link.open()
        self.link.dirty = not self.link.url.startswith("tcp")
        self.states.move(LinkEvent.OPENED)
        if self.identify_again is not None:
            self.identify_again()
        if self.set_up_again is not None:
            self.set_up_again()
        self.states.move(LinkEvent.SET_UP)

    def _drop(self) -> None:
        self.link.close()
        self.states.move(LinkEvent.BROKE)

    def _watch(self, message: str) -> ExchangeWatch:
        """A wire that breaks makes the link lost, and the error says on which words."""
        return ExchangeWatch(self.states, self.name, message)

    def parsing(self, exchange: str) -> Parsing:
        """What is made of a reply: one that is none leaves the session dirty, and the error says whose it was."""
        return Parsing(self.link, self.name, exchange)

    def _say(self, message: str) -> None:
        if self.gap_s:
            time.sleep(max(0.0, self._last_write_s + self.gap_s - time.monotonic()))
        self.link.write(message.encode("ascii") + self.ends)
        self._last_write_s = time.monotonic()

    def _line(self, message: str, deadline_s: float) -> str:
        """One whole line. The link is dirty from the question to its answer, whatever breaks in between."""
        self.link.dirty = True
        line = self.link.read_line(deadline_s)
        self.link.dirty = self.link.surplus()
        try:
            return line.decode("ascii")
        except UnicodeDecodeError as fault:
            raise BadReply(f"{line[:16]!r} is no text", exchange=message) from fault

    def _explain(self, message: str, fault: NoReply) -> None:
        """After a time-out: what the instrument's error queue says, if it still talks."""
        try:
            self.resynchronise()
            found = self.errors()
        except BenchError:
            self.link.dirty = True
            return
        if found:
            raise self._refusal(found, message) from fault

    def _refusal(self, found: list[tuple[int, str]], after: str) -> InstrumentRefused:
        text = "; ".join(f'{code},"{words}"' for code, words in found)
        return InstrumentRefused(
            f"refused: {text}",
            code=found[0][0],
            instrument=self.name,
            exchange=after,
            next_action="Check the setting against the instrument's manual and the bench file.",
        )
