"""The world file of the simulated bench: every key, unit and default, checked before anything is built.

The keys are those of fixtures/README.md; unknown ones are refused with the nearest known name (rig/description/).
Refused with a reason: odd tooth counts, teeth = 2 x pole pairs, a gap that closes, keys that contradict each other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from drivers.simulated.worldfile.holder import HolderWorld
from drivers.simulated.worldfile.part import PartWorld
from drivers.simulated.worldfile.wire_fault import WireFault
from rig.description.loading import Strict, from_data, load_checked
from rig.description.places import find
from rig.resolver.part import TERMINALS

Four = tuple[float, float, float, float]

SILENT_NAMES = {
    "exc": 0, "exc_v": 0, "voltage": 0,
    "exc_i": 1, "current": 1,
    "sin": 2, "sine": 2,
    "cos": 3, "cosine": 3,
}  # fmt: skip


class AxisWorld(Strict):
    """Commanded steps to true angle; amplitudes are peaks in mechanical arcminutes. command_s: latency of a command.

    runout_mm, runout_deg: of the spindle's nose, from the index; what sits on it runs out with it. coupling_slip_deg:
    by how much the coupling between motor and spindle slipped, once, ahead of clamping `coupling_slips_at` (0: never).
    """

    controller: Literal["grbl", "tmcl"] = "grbl"
    full_steps: int = Field(default=200, ge=4)
    microsteps: int = Field(default=16, ge=1)
    cyclic_50_arcmin: float = 3.0
    cyclic_100_arcmin: float = 1.5
    cyclic_200_arcmin: float = 0.7
    once_arcmin: float = 2.0
    twice_arcmin: float = 0.5
    backlash_arcmin: float = Field(default=1.0, ge=0)
    ring_hz: float = Field(default=80.0, gt=0)
    ring_damping: float = Field(default=0.05, gt=0, lt=1)
    ring_fraction: float = Field(default=0.2, ge=0)
    lost_at_deg: float | None = None
    lost_deg: float = Field(default=0.0, ge=0)
    scale: float = Field(default=1.0, gt=0)
    stuck: bool = False
    encoder: bool = False
    encoder_arcmin: float = Field(default=0.02, ge=0)
    encoder_once_arcmin: float = Field(default=0.3, ge=0)
    index: bool = True
    index_repeat_arcmin: float = Field(default=0.5, ge=0)
    hand_turned: bool = False
    start_deg: float = 0.0
    runout_mm: float = Field(default=0.0, ge=0)
    runout_deg: float = 0.0
    coupling_slip_deg: float = 0.0
    coupling_slips_at: int = Field(default=0, ge=0)
    command_s: float = Field(default=0.0, ge=0)

    @property
    def steps_per_turn(self) -> int:
        """Microsteps of one turn."""
        return self.full_steps * self.microsteps


class SamplerWorld(Strict):
    """Four simultaneous channels (exc_v, exc_i, sin, cos). tone_v and mains_v are peaks, on sine and cosine.

    scope_gain: relative gain errors of the two channels of a two-channel oscilloscope, range_gain: standard deviation
    of what each of its ranges adds; a hand puts its cables on the four sockets.
    """

    model: Literal["DSOS404D", "DS1104Z", "DS1102Z-E"] = "DSOS404D"
    scope_gain: tuple[float, float] = (0.012, -0.009)
    range_gain: float = Field(default=0.004, ge=0)
    bits: int = Field(default=16, ge=8, le=16)
    range_v: float = Field(default=10.0, gt=0)
    exc_divider: float = Field(default=0.5, gt=0)
    shunt_ohm: float = Field(default=1.0, gt=0)
    noise_v: float = Field(default=0.0005, ge=0)
    gain_error: Four = (0.0, 0.0, 0.0, 0.0)
    offset_v: Four = (0.0, 0.0, 0.0, 0.0)
    skew_ns: Four = (0.0, 0.0, 0.0, 0.0)
    clock_ppm: float = 20.0
    input_ohm: float = Field(default=1e6, gt=0)
    input_pf: float = Field(default=120.0, ge=0)
    crosstalk: float = 0.0
    clip_v: float | None = Field(default=None, gt=0)
    silent_channel: str = ""
    tone_v: float = Field(default=0.0, ge=0)
    tone_hz: float = Field(default=8000.0, gt=0)
    mains_v: float = Field(default=0.0, ge=0)
    mains_hz: float = Field(default=50.0, gt=0)
    arm_s: float = Field(default=0.0, ge=0)
    read_s: float = Field(default=0.0, ge=0)

    @model_validator(mode="after")
    def _silent(self) -> SamplerWorld:
        if self.silent_channel and self.silent_channel not in SILENT_NAMES:
            raise ValueError(f"silent_channel {self.silent_channel!r} is none of {', '.join(SILENT_NAMES)}")
        return self


class MultimeterWorld(Strict):
    """lead_ohm: of both leads together, in two-wire only; four-wire senses at the part's terminals.

    wire: a serial VISA resource, or a raw socket.
    """

    model: Literal["34465A", "34401A", "34410A", "34461A", "SDM3065X", "DM3068", "DMM6500"] = "34465A"
    wire: Literal["serial", "tcp"] = "serial"
    lead_ohm: float = Field(default=0.1, ge=0)
    emf_uv: float = 2.0
    gain_ppm: float = 20.0
    noise_ppm: float = Field(default=5.0, ge=0)
    command_s: float = Field(default=0.0, ge=0)


class GeneratorWorld(Strict):
    """Source and amplifier. load: the panel's setting at start, "hiz" or ohms. amplifier_limit_v: peak of its EMF."""

    model: Literal["33511B", "33220A", "DG822", "SDG2042X"] = "33511B"
    source_ohm: float = Field(default=50.0, ge=0)
    load: str = "hiz"
    frequency_ppm: float = 5.0
    thd: float = Field(default=0.002, ge=0, lt=1)
    amplifier_gain: float = Field(default=2.0, gt=0)
    amplifier_input_ohm: float = Field(default=1e6, gt=0)
    amplifier_ohm: float = Field(default=0.5, gt=0)
    amplifier_limit_v: float = Field(default=14.0, gt=0)
    foldback: bool = False
    foldback_a: float = Field(default=0.06, gt=0)
    command_s: float = Field(default=0.0, ge=0)

    @field_validator("load", mode="before")
    @classmethod
    def _load(cls, value: object) -> str:
        if isinstance(value, int | float) and not isinstance(value, bool) and 1 <= value <= 10_000:
            return f"{value:g}"
        if isinstance(value, str) and (value == "hiz" or (value.isdigit() and 1 <= int(value) <= 10_000)):
            return value
        raise ValueError('load is "hiz" or a number of ohms from 1 to 10000')


class WiringWorld(Strict):
    """A voltage that is on one terminal before the rig switches anything on (peak of the 50 Hz part; against core)."""

    live_terminal: Literal[
        "exc_hi", "exc_lo", "sin_hi", "sin_lo", "cos_hi", "cos_lo", "thermistor_hi", "thermistor_lo"
    ] = "exc_hi"
    live_v_dc: float = 0.0
    live_v_ac: float = Field(default=0.0, ge=0)


class SwitchWorld(Strict):
    """The relay box, a serial board whose relays (1 first) close these channels of the matrix, or a person.

    slip: share of a person's changes that go wrong (another pin, no contact, another socket, a plug half home).
    """

    model: Literal["34980A", "34970A", "relay-board", "modbus-relays", "hand"] = "34980A"
    slip: float = Field(default=0.0, ge=0, le=0.5)
    relays: tuple[int, ...] = (1301, 1402, 1503, 1604, 1705, 1806, 1101, 1202)


class ClimateWorld(Strict):
    """Air, and the part at t = 0; part_settle_min: time constant with which it approaches the air (0: it stays)."""

    probe: Literal["hmt", "modbus", "hand"] = "hmt"
    ambient_degc: float = 22.0
    part_degc: float = 22.0
    part_settle_min: float = Field(default=0.0, ge=0)
    humidity_pct: float = Field(default=45.0, ge=0, le=100)
    probe_error_degc: float = 0.0


class InterlockWorld(Strict):
    """What the two inputs read; a time in bench seconds at which one changes, None for never.

    enable_timer_s: without a pulse for so long the chain opens; None: no timer (bypass jumper fitted). key_held_s: when
    the arming key is held, as [from, to] in bench seconds. guard_open_s: when the guard stands open, the same.
    model: the box that the inputs are on. read: False where no input is wired and a person attends.
    """

    model: Literal["34980A", "modbus-inputs"] = "34980A"
    read: bool = True
    guard_closed: bool = True
    emergency_stop: bool = False
    guard_opens_at_s: float | None = Field(default=None, ge=0)
    emergency_stop_at_s: float | None = Field(default=None, ge=0)
    enable_timer_s: float | None = Field(default=None, gt=0)
    key_held_s: tuple[tuple[float, float], ...] = ()
    guard_open_s: tuple[tuple[float, float], ...] = ()


class WorldFile(Strict):
    """The whole world. grounds: terminals whose rig side shares the rig's ground (source return and input lows).

    repeat: number of a run on one and the same bench and part: noise and jitter of its own, nothing else."""

    seed: int = Field(default=1, ge=0)
    repeat: int = Field(default=1, ge=1)
    clampings: int = Field(default=1, ge=1)
    grounds: tuple[str, ...] = ("exc_lo", "sin_lo", "cos_lo")
    core_grounded: bool = False
    title: str = ""
    part: PartWorld = PartWorld()
    holder: HolderWorld = HolderWorld()
    axis: AxisWorld = AxisWorld()
    sampler: SamplerWorld = SamplerWorld()
    multimeter: MultimeterWorld = MultimeterWorld()
    generator: GeneratorWorld = GeneratorWorld()
    wiring: WiringWorld = WiringWorld()
    switch: SwitchWorld = SwitchWorld()
    climate: ClimateWorld = ClimateWorld()
    interlock: InterlockWorld = InterlockWorld()
    faults_of_wire: tuple[WireFault, ...] = ()

    @model_validator(mode="after")
    def _whole(self) -> WorldFile:
        unknown = [name for name in self.grounds if name not in TERMINALS[:6]]
        if unknown:
            raise ValueError(f"grounds: {unknown} are no coil terminals; they are {', '.join(TERMINALS[:6])}")
        least = smallest_gap_mm(self)
        if least <= 0:
            raise ValueError(
                f"the gap closes: {-least:.3f} mm of overlap between rotor and teeth; "
                "less lobe_mm, offset, runout or tilt, or more gap_mean_mm"
            )
        return self


def smallest_gap_mm(world: WorldFile) -> float:
    """The smallest radial gap of the stated geometry in mm, draws of the holder (3 sigma) and scatter included."""
    part, faults, holder = world.part, world.part.faults, world.holder
    ratio = part.lobe_mm / part.gap_mean_mm
    if part.lobe_shape == "permeance":
        at_lobe = part.gap_mean_mm * math.sqrt(1 - ratio**2) / (1 + ratio)
    else:
        at_lobe = part.gap_mean_mm - part.lobe_mm
    at_lobe *= 1 - 3 * part.gap_scatter
    tilt_mm = (faults.tilt_mrad + holder.tilt_mrad) * 1e-3 * part.stack_mm / 2
    off_mm = faults.static_offset_mm + holder.offset_mm + 3 * holder.centring_sigma_mm + faults.runout_mm
    off_mm += holder.knock_mm + 3 * holder.rotor_seat_mm + world.axis.runout_mm
    return at_lobe - off_mm - tilt_mm


def load_world(name: str | Path, settings: Mapping[str, object] | None = None) -> tuple[WorldFile, Path]:
    """The world of a name or path, and where it was found. Raises DescriptionError or UsageError with what to mend.

    settings: "section.key" -> value, over the file's own: what an operator does between two runs (holder.fitted).
    """
    path = find("world", str(name))
    file = load_checked(WorldFile, path)
    if not settings:
        return file, path
    data: dict[str, Any] = file.model_dump()
    for dotted, value in settings.items():
        *sections, key = dotted.split(".")
        place = data
        for section in sections:
            place = place.setdefault(section, {})
        place[key] = value
    return from_data(WorldFile, data, f"{path}, set {', '.join(settings)}"), path
