"""What grbl remembers between lines (modal state, offsets) and how it words its reports.

Pure. Positions in mechanical degrees (grbl's "mm"), rates in degrees a minute.
Source: gnea/grbl 1.1h, interface.md ("Real-time status reports", "$G", "$#") and commands.md.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from drivers.simulated.instruments.grbl.gcode import GcodeLine, GrblError

INCH_MM = 25.4


@dataclass(frozen=True)
class PlanState:
    """What one line asks for, after its checks. probe: 382 to 385, 0 for none; rate in degrees a minute."""

    modal: Modal
    target_deg: float | None = None
    rate: float = 0.0
    dwell_s: float | None = None
    probe: int = 0
    stops: bool = False


@dataclass(frozen=True)
class Modal:
    """Parser state. position_deg: programmed machine position; offsets: G54 to G59; g92_deg as set by G92."""

    motion: int = 0
    inches: bool = False
    relative: bool = False
    feed: float = 0.0
    coordinates: int = 0
    offsets: tuple[float, ...] = (0.0,) * 6
    g92_deg: float = 0.0
    position_deg: float = 0.0
    spindle: int = 5
    coolant: int = 9

    @property
    def offset_deg(self) -> float:
        """Machine less work position."""
        return self.offsets[self.coordinates] + self.g92_deg

    def at(self, position_deg: float) -> Modal:
        return replace(self, position_deg=position_deg)

    def after_reset(self, position_deg: float) -> Modal:
        """Defaults again; G54 to G59 are kept in EEPROM, G92 is not."""
        return Modal(offsets=self.offsets, position_deg=position_deg)

    def plan(self, line: GcodeLine, *, jog: bool, max_rate: float) -> PlanState:
        """The line against this state. Raises GrblError 20, 22, 24, 26, 28, 33, 36."""
        modal = self._settings_of(line)
        nonmodal, motion = line.g("nonmodal"), line.g("motion")
        _refuse_unused(line, nonmodal)
        if nonmodal == 40:
            if "P" not in line.values:
                raise GrblError(28)
            return PlanState(modal, dwell_s=line.values["P"])
        if nonmodal in (100, 280, 300, 920, 921):
            if motion is not None and line.axes and nonmodal != 921:
                raise GrblError(24)
            return modal._nonmodal(line, nonmodal)
        modal = replace(modal, motion=motion) if motion is not None and not jog else modal
        stops = line.g("stopping") is not None
        if not line.axes:
            if motion is not None and motion >= 382 and motion != 800:
                raise GrblError(26)
            return PlanState(modal, stops=stops)
        if not jog and modal.motion == 800:
            raise GrblError(31)
        return modal._move(line, jog=jog, machine=nonmodal == 530, max_rate=max_rate)

    def _settings_of(self, line: GcodeLine) -> Modal:
        g = line.groups
        if g.get("plane", 170) not in (170, 180, 190):
            raise GrblError(20)
        inches = g.get("units", 200 if self.inches else 210) == 200
        feed = line.values["F"] * (INCH_MM if inches else 1.0) if "F" in line.values else self.feed
        return replace(
            self,
            inches=inches,
            relative=g.get("distance", 910 if self.relative else 900) == 910,
            coordinates=(g.get("coordinates", 540 + 10 * self.coordinates) - 540) // 10,
            feed=feed,
            spindle=g.get("spindle", self.spindle),
            coolant=g.get("coolant", self.coolant),
        )

    def _scale(self) -> float:
        return INCH_MM if self.inches else 1.0

    def _move(self, line: GcodeLine, *, jog: bool, machine: bool, max_rate: float) -> PlanState:
        kind = 10 if jog else self.motion
        if kind != 0 and self.feed <= 0.0:
            raise GrblError(22)
        target = self.position_deg
        if "X" in line.axes:
            x = line.axes["X"] * self._scale()
            target = x + target if self.relative and not machine else x + (0.0 if machine else self.offset_deg)
        probe = kind if kind >= 382 else 0
        if probe and target == self.position_deg:
            raise GrblError(33)
        rate = max_rate if kind == 0 else min(self.feed, max_rate)
        return PlanState(self.at(target), target, rate, probe=probe, stops=line.g("stopping") is not None)

    def _nonmodal(self, line: GcodeLine, number: int) -> PlanState:
        if number == 921:
            return PlanState(replace(self, g92_deg=0.0))
        if number == 920:
            if not line.axes:
                raise GrblError(26)
            x = line.axes.get("X", self.position_deg - self.offset_deg) * self._scale()
            return PlanState(replace(self, g92_deg=self.position_deg - self.offsets[self.coordinates] - x))
        if number == 100:
            return PlanState(self._g10(line))
        raise GrblError(20)

    def _g10(self, line: GcodeLine) -> Modal:
        if not line.axes:
            raise GrblError(26)
        if "P" not in line.values or "L" not in line.values:
            raise GrblError(28)
        index = round(line.values["P"]) - 1 if line.values["P"] else self.coordinates
        if not 0 <= index < 6:
            raise GrblError(29)
        if line.values["L"] not in (2, 20):
            raise GrblError(20)
        x = line.axes.get("X", 0.0) * self._scale()
        offset = x if line.values["L"] == 2 else self.position_deg - self.g92_deg - x
        offsets = tuple(offset if i == index and "X" in line.axes else old for i, old in enumerate(self.offsets))
        return replace(self, offsets=offsets)

    def parameters(self) -> bytes:
        """The answer to $# without its probe line and its ok."""
        rows = [f"[G{54 + i}:{offset:.3f},0.000,0.000]" for i, offset in enumerate(self.offsets)]
        rows += ["[G28:0.000,0.000,0.000]", "[G30:0.000,0.000,0.000]", f"[G92:{self.g92_deg:.3f},0.000,0.000]"]
        rows.append("[TLO:0.000]")
        return "".join(f"{row}\r\n" for row in rows).encode()


def _refuse_unused(line: GcodeLine, nonmodal: int | None) -> None:
    """error:36 for value words that no command of the line takes."""
    if set(line.values) & set("IJKR") or ("L" in line.values and nonmodal != 100):
        raise GrblError(36)
    if "P" in line.values and nonmodal not in (40, 100):
        raise GrblError(36)


def modal_report(modal: Modal) -> bytes:
    """The answer to $G without its ok."""
    motion = f"{modal.motion / 10:g}"
    words = f"G{motion} G{54 + modal.coordinates} G17 G{20 if modal.inches else 21} G{91 if modal.relative else 90}"
    return f"[GC:{words} G94 M{modal.spindle} M{modal.coolant} T0 F{modal.feed:.0f} S0]\r\n".encode()


@dataclass
class StatusReport:
    """Counts reports: WCO comes with the first and then every tenth or thirtieth, Ov with the one after."""

    until_offsets: int = 0
    until_overrides: int = 1
    fields: list[str] = field(default_factory=list)

    def line(
        self, state: str, *, mask: int, machine: float, modal: Modal, rate: float, room: int, rx_free: int
    ) -> bytes:
        """One `<...>` report; machine in degrees, rate in degrees a minute."""
        busy = state in ("Run", "Jog", "Home") or state.startswith("Hold")
        report = machine if mask & 1 else machine - modal.offset_deg
        fields = [state, f"{'MPos' if mask & 1 else 'WPos'}:{report:.3f},0.000,0.000"]
        if mask & 2:
            fields.append(f"Bf:{room},{rx_free}")
        fields.append(f"FS:{rate:.0f},0")
        if self.until_offsets <= 0:
            fields.append(f"WCO:{modal.offset_deg:.3f},0.000,0.000")
            self.until_offsets = 30 if busy else 10
            self.until_overrides = max(self.until_overrides, 1)
        elif self.until_overrides <= 0:
            fields.append("Ov:100,100,100")
            self.until_overrides = 20 if busy else 10
        self.until_offsets -= 1
        self.until_overrides -= 1
        return f"<{'|'.join(fields)}>\r\n".encode()
