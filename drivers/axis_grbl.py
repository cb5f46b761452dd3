"""A rotary axis on a grbl 1.1 controller: X in mechanical degrees ("mm"), positions in whole microsteps from the index.

One line in flight, answered by ok or error:N before the next; G90 G21 G53 explicit on every move; status asked at 5
Hz at most; after ALARM, a reset in motion or $SLP the position is unknown until `index`. The index sensor is wired to
the X limit input (for $H, which unlocks) and to the probe input (G38.2, which tells where the mark was found in the
frame before). Positive steps: counter-clockwise as the bench file says.
Source: gnea/grbl v1.1, doc/markdown/interface.md and commands.md; doc/csv alarm, error and setting codes.
"""

from __future__ import annotations

import re
import time

from drivers.axis_base import IndexedAxis
from drivers.grbl_dialogue import GrblDialogue
from drivers.link.base import Link
from drivers.link.device import SAFE_LOCK_S
from drivers.roles import Identity
from rig.errors import BadReply, BenchError, InstrumentRefused, NoReply, WrongInstrument

BACK_OFF_DEG = 10.0
SEEK_DEG = 375.0
SEEK_DEG_MIN = 1800.0
HOMING_S = 60.0
BOOT_S = 6.0
SETTING_REST_S = 0.05  # the controller loses characters while it writes its EEPROM
HOLD_ALWAYS = 255.0
_PROBE = re.compile(r"\[PRB:(?P<x>-?\d+\.\d+)(?:,-?\d+\.\d+)*:(?P<hit>[01])\]")


class AxisGrbl(IndexedAxis):
    """Steps a turn are checked against $100; hard and soft limits must be off: they would stop a turning axis.

    Its serial is the string kept in the controller ($I).
    """

    def __init__(
        self,
        name: str,
        link: str | Link,
        *,
        full_steps: int = 200,
        microsteps: int = 16,
        max_deg_s: float = 360.0,
        accel_deg_s2: float = 2000.0,
    ) -> None:
        super().__init__(
            name, link, full_steps=full_steps, microsteps=microsteps, max_deg_s=max_deg_s, accel_deg_s2=accel_deg_s2
        )
        self._grbl = GrblDialogue(self._link, name)
        self._zero_deg = 0.0
        self._unsure = False  # after a failed line its motion may differ from the last command
        self._asleep = False

    def _connect(self) -> None:
        self._link.open()
        self._known = self._moving = self._asleep = False
        banner = self._grbl.reset(patience_s=BOOT_S)
        self._identity = _identity(banner, self._grbl.command("$I"))
        self._set_up()

    def release(self) -> None:
        """Motor current off ($SLP): the shaft turns by hand and the position is unknown."""
        with self._lock:
            self._known = self._moving = False
            self._win_back()
            if not self._asleep:
                self._grbl.command("$SLP")
                self._asleep = True

    def hold(self) -> None:
        """Motor current on. After a release the position stays unknown until `index`."""
        with self._lock:
            self._win_back()
            if self._asleep:
                self._grbl.reset()
                self._asleep = False

    def index(self) -> int:
        """Seeks the index mark and zeroes there; returns found minus expected, steps (0 when it was not known).

        PositionLost when the mark is not found.
        """
        with self._lock:
            self.hold()
            if self._link.dirty or self._unsure:
                self._known = self._unsure = False
                self._grbl.reset()
            expected = self._zero_deg if self._known else None
            self._moving, self._known = True, False
            if expected is None:
                self._send_or_lose_position("$H", HOMING_S)
                self._target = 0
                self._zero_deg = self._grbl.status().x_deg
            else:
                self._to_back_off()
            found_deg = self._probe()
            turns = 0.0 if expected is None else round((found_deg - expected) / 360.0) * 360.0
            off = 0 if expected is None else round((found_deg - turns - expected) * self._steps_per_turn / 360.0)
            self._zero_deg, self._target = found_deg, 0
            self._known = True
            self._start(0)  # a probe ends a little past the place that it tells
            self._send_or_lose_position("G4 P0.001", 3.0)
            self._moving, self._budget_s = False, 0.0
            return off

    def move_to(self, steps: int) -> None:
        """Starts a move to a position in microsteps from the index and returns when it is accepted."""
        with self._lock:
            if not self._known:
                raise self._lost("the position is not known")
            self._moving = True
            self._start(steps)

    def wait_stopped(self, dwell_s: float = 0.0) -> None:
        """Returns when the motion has ended and dwell_s have passed since. PositionLost when it was halted."""
        with self._lock:
            if self._asleep or not (self._known or self._moving):
                return
            self._send_or_lose_position(f"G4 P{max(dwell_s, 0.001):.3f}", 1.5 * (self._budget_s + dwell_s) + 3.0)
            self._in_step()
            self._moving, self._budget_s = False, 0.0

    def position_steps(self) -> int | None:
        """Where the axis is (commanded), None when the position is not known."""
        with self._lock:
            if not self._known:
                return None
            if not self._moving:
                return self._target
            status = self._grbl.status()
            return round((status.x_deg - self._zero_deg) * self._steps_per_turn / 360.0)

    def halt(self) -> None:
        """Stops now, from any thread, also while another one waits; in motion the position is lost."""
        if not self._link.is_open or self._asleep:
            return
        with self._grbl.interrupting():
            if not self._lock.acquire(timeout=SAFE_LOCK_S):
                raise NoReply("does not let go after a halt", instrument=self._name, next_action="Cut its power.")
            try:
                self._grbl.await_banner(1.5)
                if self._moving or self._grbl.take_alarm() is not None:
                    self._known = False
                self._moving, self._budget_s = False, 0.0
            finally:
                self._lock.release()

    def safe_state(self) -> None:
        """Halted, motor current off, verified by the controller's state. Nothing to do when it was not opened."""
        if not self._opened:
            return
        self._link.open()
        self.halt()
        with self._lock:
            self.release()
            state = self._grbl.status().state
            if state not in ("Sleep", "Alarm"):
                raise InstrumentRefused(
                    f"is {state} after it was put to sleep",
                    instrument=self._name,
                    exchange="$SLP",
                    next_action="Cut the motor's power.",
                )

    def _start(self, steps: int) -> None:
        deg = steps * 360.0 / self._steps_per_turn
        distance_deg = abs(steps - self._target) * 360.0 / self._steps_per_turn
        self._send_or_lose_position(f"G90 G21 G53 G0 X{self._zero_deg + deg:.6f}", 3.0 + 1.5 * self._budget_s)
        self._budget_s += distance_deg / self._max_deg_s + self._max_deg_s / self._accel_deg_s2
        self._target = steps

    def _to_back_off(self) -> None:
        """Just short of the nearest mark, so that it is always found from the same side."""
        turn = self._steps_per_turn
        marks = round(self._target / turn) * turn
        self._start(marks - round(BACK_OFF_DEG / 360.0 * turn))
        self._send_or_lose_position("G4 P0.001", 1.5 * self._budget_s + 3.0)
        self._budget_s = 0.0

    def _probe(self) -> float:
        seek_s = SEEK_DEG / SEEK_DEG_MIN * 60.0
        lines = self._send_or_lose_position(f"G91 G21 G38.2 X{SEEK_DEG:.3f} F{SEEK_DEG_MIN:.0f}", 2.0 * seek_s + 5.0)
        hits = [match for line in lines if (match := _PROBE.fullmatch(line))]
        if len(hits) != 1 or hits[0]["hit"] != "1":
            raise BadReply(f"{lines} where [PRB:...:1] was expected", instrument=self._name, exchange="G38.2")
        return float(hits[0]["x"])

    def _in_step(self) -> None:
        """An ok too many would be taken for the end of a motion: refused, and the position is unknown."""
        try:
            fine = self._grbl.in_step()
        except BenchError:
            self._known, self._moving, self._unsure = False, False, True
            raise
        if not fine:
            self._link.dirty = True
            self._known = self._moving = False
            raise self._lost("its answers are out of step with the lines")

    def _send_or_lose_position(self, line: str, deadline_s: float) -> list[str]:
        """A line whose failure leaves the position unknown."""
        try:
            return self._grbl.command(line, deadline_s)
        except BenchError:
            self._known, self._moving, self._unsure = False, False, True
            self._budget_s = 0.0
            raise

    def _set_up(self) -> None:
        settings = self._grbl.settings()
        wanted = self._steps_per_turn / 360.0
        got = settings.get(100, 0.0)
        if abs(got - wanted) > 0.00051 + 1e-4 * wanted:
            raise WrongInstrument(
                f"$100 = {got:g} steps a degree; {self._steps_per_turn} steps a turn need {wanted:.3f}",
                instrument=self._name,
                exchange="$$",
                next_action="Set full_steps and microsteps in the bench file as the driver's switches are, or $100.",
            )
        if settings.get(21, 0.0) or settings.get(20, 0.0):
            raise WrongInstrument(
                "$20 or $21 is on: limits would stop an axis that turns past its index",
                instrument=self._name,
                exchange="$$",
                next_action="Set $20=0 and $21=0; see hardware/.",
            )
        for key, value in ((1, HOLD_ALWAYS), (10, 1.0), (110, self._max_deg_s * 60.0), (120, self._accel_deg_s2)):
            if key == 10 and int(settings.get(10, 0.0)) & 1:
                continue  # machine position is reported already
            if abs(settings.get(key, -1.0) - value) > 0.0011:
                self._keep(key, value)

    def _keep(self, key: int, value: float) -> None:
        """One setting, then a rest, then the read-back."""
        text = f"{value:.0f}" if value == int(value) else f"{value:.3f}"
        self._grbl.command(f"${key}={text}")
        time.sleep(SETTING_REST_S)
        got = self._grbl.settings().get(key, -1.0)
        if abs(got - value) > 0.0011:
            raise InstrumentRefused(
                f"was set to {text} and reads back {got:g}", instrument=self._name, exchange=f"${key}"
            )


def _identity(banner: str, lines: list[str]) -> Identity:
    version = next((line for line in lines if line.startswith("[VER:")), "[VER:::]").strip("[]").split(":", 2)
    return Identity(
        maker="grbl",
        model=banner.partition(" [")[0],
        serial=version[2] if len(version) > 2 else "",
        firmware=version[1],
    )
