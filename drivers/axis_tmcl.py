"""A rotary axis on a TMCL stepper module (TMCM-1240 kind: speeds in pulses a second), positions in whole microsteps.

Positions are those of the module's own counter, which the reference search zeroes at the index; where the mark was
found in the count before is the module's parameter 197. A move has ended when "position reached", speed zero and the
position itself agree, each read twice. Motor current off: standby current zero. After a dirty or lost link, a halt in
motion or a release the position is unknown until `index`.
Source: TRINAMIC TMCM-1240 TMCL Firmware Manual: axis parameters 0-8, 140, 193-197, 255; commands MVP, MST, RFS, GFV.
† reference search mode 8 (home switch in positive direction, end switches ignored).
"""

from __future__ import annotations

import time
from collections.abc import Callable

from drivers.axis_base import IndexedAxis
from drivers.link.base import Link
from drivers.link.device import SAFE_LOCK_S
from drivers.roles import Identity
from drivers.tmcl_dialogue import Op, TmclDialogue
from rig.errors import BadReply, BenchError, NoReply, PositionLost, WrongInstrument

POSITION, SPEED, MAX_SPEED, MAX_ACCELERATION = 1, 3, 4, 5
CURRENT, STANDBY, REACHED, MICROSTEPS = 6, 7, 8, 140
SEARCH_MODE, SEARCH_SPEED, SWITCH_SPEED, MARK_POSITION, UNITS = 193, 194, 195, 197, 255
HOME_POSITIVE = 8
ABSOLUTE = 0
START, STOP, STATUS = 0, 1, 2
SERIAL_VARIABLE = 55  # of bank 2: four characters that the shop has stored there
SEEK_DEG_S = 30.0
SEEK_S = 60.0
POLL_S = 0.002
SLICE_S = 0.1  # of a dwell
MODULES = frozenset((1240, 1241, 1260, 1270, 1276, 1278, 1290))


class AxisTmcl(IndexedAxis):
    """Microsteps are checked against the module. Its serial is what the shop stored in user variable 55.

    address: of the module on its bus.
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
        address: int = 1,
    ) -> None:
        super().__init__(
            name, link, full_steps=full_steps, microsteps=microsteps, max_deg_s=max_deg_s, accel_deg_s2=accel_deg_s2
        )
        self._tmcl = TmclDialogue(self._link, name, address)
        self._hold_current = 0
        self.sleep: Callable[[float], object] = time.sleep  # the bench puts its clock here

    @property
    def retries(self) -> list[str]:
        """Why requests were repeated, oldest first."""
        return self._tmcl.repeated

    def release(self) -> None:
        """Motor current off: the shaft turns by hand and the position is unknown."""
        with self._lock:
            self._known = self._moving = False
            self._win_back()
            self._tmcl.set(STANDBY, 0)

    def hold(self) -> None:
        """Motor current on. After a release the position stays unknown until `index`."""
        with self._lock:
            self._win_back()
            self._tmcl.set(STANDBY, self._hold_current)

    def index(self) -> int:
        """Seeks the index mark and zeroes there; returns found minus expected, steps (0 when it was not known)."""
        with self._lock:
            self.hold()
            was_known, self._known = self._known, False
            self._moving = True
            self._tmcl.ask(Op.RFS, START)
            end_s = time.monotonic() + SEEK_S
            while self._tmcl.read(Op.RFS, STATUS) or self._tmcl.read(Op.RFS, STATUS):
                if time.monotonic() > end_s:
                    self._tmcl.ask(Op.RFS, STOP)
                    raise PositionLost(
                        f"the index mark was not found in {SEEK_S:g} s",
                        instrument=self._name,
                        exchange="RFS",
                        next_action="Check the index sensor, then index again.",
                    )
                time.sleep(POLL_S)
            found, turn = self._tmcl.get(MARK_POSITION), self._steps_per_turn
            self._target = self._tmcl.get(POSITION)
            if abs(self._target) > turn // 8:
                raise PositionLost(
                    f"the counter stands at {self._target} after a reference search",
                    instrument=self._name,
                    exchange="RFS",
                    next_action="Check the index sensor, then index again.",
                )
            self._moving, self._known, self._budget_s = False, True, 0.0
            return found - round(found / turn) * turn if was_known else 0

    def move_to(self, steps: int) -> None:
        """Starts a move to a position in microsteps from the index and returns when it is accepted."""
        with self._lock:
            if not self._known:
                raise self._lost("the position is not known")
            self._moving = True
            try:
                if self._tmcl.ask(Op.MVP, ABSOLUTE, steps) != steps:
                    raise BadReply("another target was taken", instrument=self._name, exchange=f"MVP {steps}")
            except BenchError:
                self._known = False
                raise
            speed = self._max_deg_s * self._steps_per_turn / 360.0
            self._budget_s += abs(steps - self._target) / speed + self._max_deg_s / self._accel_deg_s2
            self._target = steps

    def wait_stopped(self, dwell_s: float = 0.0) -> None:
        """Returns when the motion has ended and dwell_s have passed since. PositionLost when it was halted."""
        with self._lock:
            if not (self._known or self._moving):
                return
            end_s = time.monotonic() + 1.5 * self._budget_s + 3.0
            try:
                while not self._is_at_target():
                    if time.monotonic() > end_s:
                        raise self._lost(f"it did not reach {self._target} in time")
                    time.sleep(POLL_S)
            except BenchError:
                self._known = self._moving = False
                self._budget_s = 0.0
                raise
            self._moving, self._budget_s = False, 0.0
            self._stay(dwell_s)

    def _stay(self, dwell_s: float) -> None:
        """Makes sure, over dwell_s, that the counter stays where it is; in slices, so that a halt gets through."""
        left_s = dwell_s
        while left_s > 0.0:
            self.sleep(min(left_s, SLICE_S))
            left_s -= SLICE_S
            if self._tmcl.get(POSITION) != self._target:
                self._known = False
                raise self._lost(f"it did not stay at {self._target}")

    def position_steps(self) -> int | None:
        """Where the axis is (commanded), None when the position is not known."""
        with self._lock:
            if not self._known:
                return None
            return self._target if not self._moving else self._tmcl.read(Op.GAP, POSITION)

    def halt(self) -> None:
        """Stops now, from any thread, also while another one waits; in motion the position is lost."""
        if not self._link.is_open:
            return
        with self._tmcl.interrupting():
            if not self._lock.acquire(timeout=SAFE_LOCK_S):
                raise NoReply("does not let go after a halt", instrument=self._name, next_action="Cut its power.")
            try:
                self._tmcl.resume()
                self._tmcl.ask(Op.MST)
                end_s = time.monotonic() + 1.0
                while self._tmcl.get(SPEED) and time.monotonic() < end_s:
                    time.sleep(POLL_S)
                if self._moving:
                    self._known = False
                self._moving, self._budget_s = False, 0.0
            finally:
                self._lock.release()

    def safe_state(self) -> None:
        """Stopped, motor current off, read back. Nothing to do when it was not opened."""
        if not self._opened:
            return
        self._link.open()
        self.halt()
        self.release()

    def _is_at_target(self) -> bool:
        get = self._tmcl.get
        return get(REACHED) == 1 and get(SPEED) == 0 and get(POSITION) == self._target

    def _connect(self) -> None:
        self._link.open()
        self._known = self._moving = False
        self._tmcl.synchronise()
        self._tmcl.ask(Op.MST)
        self._identity = self._read_identity()
        self._check_microsteps()
        self._tmcl.set(UNITS, 1)
        turn = self._steps_per_turn
        for parameter, value in (
            (MAX_SPEED, self._max_deg_s * turn / 360.0),
            (MAX_ACCELERATION, self._accel_deg_s2 * turn / 360.0),
            (SEARCH_MODE, HOME_POSITIVE),
            (SEARCH_SPEED, SEEK_DEG_S * turn / 360.0),
            (SWITCH_SPEED, SEEK_DEG_S * turn / 3600.0),
        ):
            self._tmcl.set(parameter, round(value))
        self._hold_current = self._tmcl.get(STANDBY) or self._hold_current or self._tmcl.get(CURRENT)

    def _read_identity(self) -> Identity:
        version = self._tmcl.read(Op.GFV, 1)
        module, major, minor = version >> 16 & 0xFFFF, version >> 8 & 0xFF, version & 0xFF
        if module not in MODULES:
            raise WrongInstrument(
                f"module {module} answers; one of {', '.join(map(str, sorted(MODULES)))} was expected",
                instrument=self._name,
                exchange="GFV",
                next_action="Modules with internal speed units are not supported: choose another.",
            )
        stored = self._tmcl.read(Op.GGP, SERIAL_VARIABLE, motor=2) & 0xFFFFFFFF
        raw = stored.to_bytes(4, "big")
        serial = raw.decode("ascii") if raw.isalnum() else (str(stored) if stored else "")
        return Identity(maker="Trinamic", model=f"TMCM-{module}", serial=serial, firmware=f"{major}.{minor}")

    def _check_microsteps(self) -> None:
        got = 2 ** self._tmcl.get(MICROSTEPS)
        if got != self._microsteps:
            raise WrongInstrument(
                f"{got} microsteps a full step; the bench file says {self._microsteps}",
                instrument=self._name,
                exchange="GAP 140",
                next_action="Set microsteps in the bench file, or parameter 140 in the module.",
            )
