"""grbl's way of talking: lines answered by ok or error:N, real-time bytes, push messages, status reports.

A garbled status report is dropped, not guessed at. A halt may come from another thread: it writes its real-time bytes
at once, and whoever waits for an answer is woken with PositionLost.
Source: gnea/grbl v1.1, doc/markdown/interface.md; doc/csv/alarm_codes and error_codes (texts in our own words).
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from drivers.link.base import Link
from rig.errors import BadReply, InstrumentRefused, NoReply, PositionLost

SLICE_S = 0.05
STATUS_GAP_S = 0.2
RESET = b"\x18"
HOLD = b"!"
LINE_LIMIT = 79
_BANNER = re.compile(r"Grbl(?:HAL)? \d.*", re.IGNORECASE)
_ALARM = re.compile(r"ALARM:(\d+)")
_ERROR = re.compile(r"error:(\d+)")
_SETTING = re.compile(r"\$(\d+)=(-?\d+(?:\.\d+)?)")
_STATUS = re.compile(
    r"<(?P<state>Idle|Run|Hold|Jog|Alarm|Door|Check|Home|Sleep)(?::\d)?"
    r"\|MPos:(?P<x>-?\d+\.\d+)(?:,-?\d+\.\d+){2,5}(?:\|[A-Za-z]+:[^|<>]*)*>"
)
ALARMS = {
    1: "a hard limit was met",
    2: "the target is beyond the soft limits",
    3: "it was reset while moving",
    4: "the index sensor was already on when the search began",
    5: "the index mark was not found",
    6: "it was reset while seeking the index",
    8: "the index sensor did not clear",
    9: "the index mark was not found",
}
ERRORS = {
    3: "$ word not known",
    5: "homing is off ($22=0)",
    8: "not idle",
    9: "locked: index first",
    11: "line too long",
    15: "beyond travel",
    20: "command not supported",
    33: "motion target not valid",
}


@dataclass(frozen=True, slots=True)
class Status:
    """One report: state and machine position, mechanical degrees."""

    state: str
    x_deg: float


class GrblDialogue:
    """One line in flight over one link; the caller holds the instrument's lock."""

    def __init__(self, link: Link, name: str) -> None:
        self._link = link
        self._name = name
        self._interrupted = threading.Event()
        self._alarm: int | None = None
        self._banner = ""
        self._last_query_s = 0.0

    def command(self, line: str, deadline_s: float = 2.0) -> list[str]:
        """Sends a line and returns what came before its ok, push messages left out.

        InstrumentRefused for error:N, PositionLost for ALARM:N, a reset or a halt, NoReply when nothing ends it.
        """
        if len(line) > LINE_LIMIT:
            raise BadReply(f"a line of {len(line)} characters", instrument=self._name, exchange=line)
        self._before()
        self._link.write(line.encode("ascii") + b"\n")
        end_s = time.monotonic() + deadline_s
        lines: list[str] = []
        while (got := self._next(line, end_s)) != "ok":
            if match := _ERROR.fullmatch(got):
                raise self._refusal(int(match[1]), line)
            if match := _ALARM.fullmatch(got):
                raise self._alarm_error(int(match[1]), line)
            if _BANNER.fullmatch(got):
                raise PositionLost("it has been reset", instrument=self._name, exchange=line, next_action="Index it.")
            if got and not got.startswith(("<", "[MSG:")):
                lines.append(got)
        return lines

    def settings(self) -> dict[int, float]:
        """All settings ($$): number to value."""
        lines = self.command("$$")
        found = {int(match[1]): float(match[2]) for line in lines if (match := _SETTING.match(line))}
        if len(found) < len(lines):
            raise BadReply(f"{len(lines) - len(found)} garbled lines", instrument=self._name, exchange="$$")
        return found

    def in_step(self) -> bool:
        """Whether the ok that was last taken was the last one on its way: $G has an answer that is unlike any other."""
        return any(line.startswith("[GC:") for line in self.command("$G"))

    def status(self) -> Status:
        """A status report, at most five a second; a garbled one is dropped and requested again, three times."""
        for _ in range(3):
            time.sleep(max(0.0, self._last_query_s + STATUS_GAP_S - time.monotonic()))
            self._last_query_s = time.monotonic()
            self._link.write(b"?")
            if (status := self._report(time.monotonic() + 0.5)) is not None:
                return status
        raise NoReply("no whole status report in three tries", instrument=self._name, exchange="?")

    def reset(self, patience_s: float = 2.0) -> str:
        """0x18 and the banner that follows; sent again every 1.5 s, since a board that boots hears nothing."""
        end_s = time.monotonic() + patience_s
        self._link.drain(0.01)
        self._banner = ""
        while True:
            self._link.write(RESET)
            try:
                return self.await_banner(min(1.5, max(0.1, end_s - time.monotonic())))
            except NoReply:
                if time.monotonic() >= end_s:
                    raise

    def await_banner(self, deadline_s: float) -> str:
        """The line with which it greets after a reset; alarms on the way are kept for `take_alarm`."""
        end_s = time.monotonic() + deadline_s
        while not self._banner and time.monotonic() < end_s:
            self._note(self._link.poll_line(SLICE_S))
        if self._banner:
            self._link.drain(0.01)
            self._link.dirty = False
            return self._banner
        raise NoReply(
            "no banner after a reset",
            instrument=self._name,
            exchange="0x18",
            next_action="Check its power, the port and the baud rate.",
        )

    def take_alarm(self) -> int | None:
        """The alarm since the last call, which clears it."""
        alarm, self._alarm = self._alarm, None
        return alarm

    @contextmanager
    def interrupting(self) -> Iterator[None]:
        """Feed hold and reset at once; whoever waits for an answer is woken while the block lasts."""
        self._banner = ""
        self._interrupted.set()
        try:
            self._link.write(HOLD + RESET)
            yield
        finally:
            self._interrupted.clear()

    def _before(self) -> None:
        """Nothing of an earlier line may be taken for the answer to the next."""
        for line in self._link.read_available().decode("ascii", "replace").splitlines():
            if match := _ALARM.fullmatch(line.strip()):
                raise self._alarm_error(int(match[1]), "unasked")
            if _BANNER.fullmatch(line.strip()):
                raise PositionLost("it has been reset", instrument=self._name, next_action="Index it.")
        if self._link.dirty:
            self.reset()
            raise PositionLost(
                "an answer was missing, so it was reset", instrument=self._name, next_action="Index it and repeat."
            )

    def _next(self, line: str, end_s: float) -> str:
        while time.monotonic() < end_s:
            got = self._poll(line)
            if got is not None:
                return got
        self._link.dirty = True
        raise NoReply("no ok in time", instrument=self._name, exchange=line, next_action="Index it again.")

    def _poll(self, exchange: str) -> str | None:
        """A line for whoever waits for an answer; while it is being halted, a line for who halts it."""
        got = self._link.poll_line(SLICE_S)
        if self._interrupted.is_set():
            self._note(got)
            raise PositionLost("it was halted", instrument=self._name, exchange=exchange, next_action="Index it.")
        return None if got is None else got.decode("ascii", "replace").strip()

    def _note(self, line: bytes | None) -> None:
        """Keeps what a reset brings: an alarm, the banner."""
        text = (line or b"").decode("ascii", "replace").strip()
        if match := _ALARM.fullmatch(text):
            self._alarm = int(match[1])
        elif _BANNER.fullmatch(text):
            self._banner = text

    def _report(self, end_s: float) -> Status | None:
        while time.monotonic() < end_s:
            line = self._poll("?")
            if line is None:
                continue
            if match := _STATUS.fullmatch(line):
                return Status(match["state"], float(match["x"]))
            if match := _ALARM.fullmatch(line):
                raise self._alarm_error(int(match[1]), "?")
            if line.startswith("<"):
                return None
        return None

    def _alarm_error(self, code: int, line: str) -> PositionLost:
        """After an alarm it may answer nothing until it is reset."""
        self._alarm = code
        try:
            self.reset()
        except NoReply:
            self._link.dirty = True
        return PositionLost(
            f"ALARM:{code}, {ALARMS.get(code, 'see the controller manual')}",
            instrument=self._name,
            exchange=line,
            next_action="Look at the axis, then index it again.",
        )

    def _refusal(self, code: int, line: str) -> InstrumentRefused:
        return InstrumentRefused(
            f"error:{code}, {ERRORS.get(code, 'see the controller manual')}",
            code=code,
            instrument=self._name,
            exchange=line,
        )
