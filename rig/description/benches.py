"""The bench file: the instruments by role, their links, what each is stated to do and what hands have set on it.

It opens nothing and knows no sequence. Keys: fixtures/README.md; every option that a driver takes has its key here.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field, model_validator

from rig.description.loading import Strict, load_checked
from rig.description.places import find
from rig.errors import UsageError

CARD_ROWS, CARD_COLUMNS = 4, 8  # of a matrix card of a small frame
HAND = "hand"  # how the drivers of roles that a person fills begin


class Spec(Strict):
    """One line of an instrument's accuracy: ± (percent of reading + percent of range), ranges up to `range`.

    Limits of error, taken as rectangular unless `k` says that they are expanded uncertainties.
    """

    quantity: str
    range: float | None = None
    percent_reading: float = 0.0
    percent_range: float = 0.0
    absolute: float = 0.0
    k: float | None = None
    note: str = ""


class Device(Strict):
    """What every instrument section has. link "simulated" is filled in from the simulated bench's process.

    laboratory: who calibrated it. accreditation: that laboratory's, by number, or in words on what else the calibration
    rests; without both no report calls its results traceable.
    """

    driver: str
    link: str = "simulated"
    asset: str = ""
    serial: str = ""
    calibrated: date | None = None
    due: date | None = None
    certificate: str = ""
    laboratory: str = ""
    accreditation: str = ""
    spec: tuple[Spec, ...] = ()

    @property
    def by_hand(self) -> bool:
        """Whether a person fills this role."""
        return self.driver.partition("-")[0] == HAND

    def spec_of(self, quantity: str, range_: float | None = None) -> Spec | None:
        """The narrowest line that covers a range."""
        fitting = [
            s
            for s in self.spec
            if s.quantity == quantity and (s.range is None or range_ is None or s.range >= range_ * 0.999)
        ]
        return min(fitting, key=lambda s: s.range if s.range is not None else float("inf"), default=None)


class MultimeterDevice(Device):
    line_hz: float = 50.0


class GeneratorDevice(Device):
    """amplifier_gain: volts at the coil per volt at the generator, nominal. channel: output of the generator."""

    channel: int | None = Field(default=None, ge=1, le=4)
    amplifier_gain: float = Field(default=1.0, gt=0)
    ceiling_v_rms: float = Field(default=10.0, gt=0, le=25)
    ramp_s: float = Field(default=0.5, gt=0)


class SamplerDevice(Device):
    """exc_divider: volts at the input per volt at the coil; shunt_ohm: volts per ampere; u_: relative, standard.

    bits: of the converter, where its library does not tell (16). full_scale_v: of an audio interface (1 V peak).
    current_range_v: of the current's input, where a small signal needs a range of its own; range_gain_u: relative
    standard uncertainty of the gain of one range against another, which no loopback shows.
    """

    bits: int | None = Field(default=None, ge=8, le=32)
    full_scale_v: float | None = Field(default=None, gt=0)

    sample_rate_hz: float = Field(default=241_545.9, gt=0)
    range_v: float = Field(default=10.0, gt=0)
    current_range_v: float | None = Field(default=None, gt=0)
    range_gain_u: float = Field(default=5e-3, ge=0)
    exc_divider: float = Field(default=0.5, gt=0)
    exc_divider_u: float = Field(default=5e-4, ge=0)
    shunt_ohm: float = Field(default=1.0, gt=0)
    shunt_u: float = Field(default=1e-3, ge=0)
    input_ohm: float = Field(default=1e6, gt=0)
    input_pf: float = Field(default=120.0, ge=0)
    input_pf_u: float = Field(default=10.0, ge=0)
    loopback_days: float = Field(default=0.5, gt=0)


class AxisDevice(Device):
    """Stated errors are half-widths in arcmin mechanical; ring_hz sets the capture length and the settling.

    motor_current_a (rms a phase, as the driver is set) and load (what hangs on the spindle): a correction of the
    positioner (`run remount`) only holds for these; correction_days: for how long. address: of a module on a bus.
    """

    address: int | None = Field(default=None, ge=1, le=255)
    full_steps: int = 200
    microsteps: int = 16
    max_deg_s: float = 360.0
    accel_deg_s2: float = 2000.0
    settle_s: float = 0.08
    ring_hz: float = 80.0
    cyclic_arcmin: float = 6.0
    once_arcmin: float = 3.0
    twice_arcmin: float = 1.0
    backlash_arcmin: float = 1.5
    index_repeat_arcmin: float = 0.7
    sweep_points: int | None = None
    motor_current_a: float | None = Field(default=None, gt=0)
    load: str = ""
    correction_days: float = Field(default=90.0, gt=0)

    @property
    def steps_per_turn(self) -> int:
        return self.full_steps * self.microsteps

    @property
    def cyclic_orders(self) -> tuple[int, ...]:
        """Orders a turn at which the motor's own steps show: a quarter, a half and all of the full steps."""
        return self.full_steps // 4, self.full_steps // 2, self.full_steps


class EncoderDevice(Device):
    """decimals: digits behind the point of a display that sends none."""

    decimals: int | None = Field(default=None, ge=0, le=9)
    residual_arcmin: float = 0.03
    once_arcmin: float = 0.5


class SwitchDevice(Device):
    """rows: what each row of the relay matrix carries -> row number. Channel = slot*1000 + row*100 + column.

    cards: slots of 4x8 matrix cards (34904A, DAQM904A) in place of one matrix: four rows a card in order, and channel =
    slot*100 + row of the card*10 + column. beyond: relays behind the eighth column, column -> row -> relay.

    relays: how many a serial relay board has. dummy_lines: relays that drive lines A, B, S, C of the dummy part
    (hardware/dummy_part.md), where there are some. step_pulses: the relay that joins the axis' step pulses to the
    sampler's current input, where there is one. ratio_standard_out_ohm: output resistance of the ratio standard, which
    the inputs' capacitance turns the phase against (71.4 for the one of hardware/relay_tree.md).
    address: of a Modbus board.
    """

    relays: int | None = Field(default=None, ge=1, le=64)
    address: int | None = Field(default=None, ge=1, le=247)
    slot: int = 1
    rows: dict[str, int] = Field(
        default_factory=lambda: {
            "meter_hi": 1,
            "meter_lo": 2,
            "exc_hi": 3,
            "exc_lo": 4,
            "sin_hi": 5,
            "sin_lo": 6,
            "cos_hi": 7,
            "cos_lo": 8,
        }
    )
    cards: tuple[Annotated[int, Field(ge=1, le=3)], ...] = ()
    beyond: dict[int, dict[str, int]] = Field(default_factory=dict)
    loopback: int | None = 2001
    lead_short: int | None = 2002
    check_resistor: int | None = 2003
    check_resistor_ohm: float = 100.0
    ratio_standard: int | None = 2004
    ratio_standard_value: float = 0.286
    ratio_standard_out_ohm: float = Field(default=0.0, ge=0)
    dummy_lines: tuple[int, int, int, int] | None = None
    step_pulses: int | None = None

    def channel(self, row: str, column: int) -> int:
        """The relay between a row and a column. UsageError for a crosspoint that these cards have not."""
        if not self.cards:
            return self.slot * 1000 + self.rows[row] * 100 + column
        if (own := self.beyond.get(column, {}).get(row)) is not None:
            return own
        card, above = divmod(self.rows[row] - 1, CARD_ROWS)
        if card >= len(self.cards) or column > CARD_COLUMNS:
            raise UsageError(
                f"switch.cards: no relay joins row {row} and column {column}.",
                next_action="Name one under switch.beyond, add a card, or move the pin in the holder file.",
            )
        return self.cards[card] * 100 + (above + 1) * 10 + column


class InterlockDevice(Device):
    """bits of the inputs: 1 = guard closed, 1 = emergency stop pressed.

    arm_bit: 1 = the arming key is held; bypass_bit: 1 = the bypass jumper is fitted; mirror_bit: 1 = both enable relays
    are released (mirror contacts in series); each None where it is not wired. arm_device: a keypad of its own as the
    key instead, /dev/input/by-id/... . enable_channel, enable_bit: the output of the same box that is pulsed for the
    hardware's enable timer (hardware/interlock.md); without enable_channel nothing is pulsed and the timer needs its
    bypass jumper.
    """

    channel: int = 5101
    guard_bit: int = Field(default=0, ge=0, le=63)
    stop_bit: int = Field(default=1, ge=0, le=63)
    arm_bit: int | None = Field(default=None, ge=0, le=63)
    bypass_bit: int | None = Field(default=None, ge=0, le=63)
    mirror_bit: int | None = Field(default=None, ge=0, le=63)
    arm_device: str | None = None
    enable_channel: int | None = None
    enable_bit: int | None = Field(default=None, ge=0, le=7)
    address: int | None = Field(default=None, ge=1, le=247)
    guard_line: Literal["cts", "dsr", "ri", "cd"] | None = None
    stop_line: Literal["cts", "dsr", "ri", "cd"] | None = None
    settle_s: float | None = Field(default=None, gt=0, le=0.05)

    @model_validator(mode="after")
    def _bits_apart(self) -> InterlockDevice:
        bits = [self.guard_bit, self.stop_bit, self.arm_bit, self.bypass_bit, self.mirror_bit]
        used = [bit for bit in bits if bit is not None]
        if len(set(used)) < len(used):
            raise ValueError("two of guard, stop, arm, bypass and mirror are on one bit")
        if self.arm_bit is not None and self.arm_device is not None:
            raise ValueError("arm_bit and arm_device are both given: one key arms a bench")
        return self


class ClimateDevice(Device):
    """A Modbus probe's address, function (3 holding, 4 input), first register, and degC or % a count."""

    address: int | None = Field(default=None, ge=1, le=247)
    function: Literal[3, 4] | None = None
    register_: int | None = Field(default=None, alias="register", ge=0, le=65_535)
    scale: float | None = Field(default=None, gt=0)


class BenchFile(Strict):
    """The instruments by role. world: a simulated bench's world; real benches have none.

    world_settings: "section.key" of the world -> value over the file's own; what hands did before this run.
    """

    schema_: Literal["anglewright bench 1"] = Field(alias="schema")
    name: str
    title: str = ""
    shop: str = ""
    world: str | None = None
    world_settings: dict[str, str | float | bool] = Field(default_factory=dict)
    clock: str | None = None
    holder: str = "adapter_8"
    positioner_correction: str | None = None
    multimeter: MultimeterDevice
    generator: GeneratorDevice
    sampler: SamplerDevice
    axis: AxisDevice | None = None
    encoder: EncoderDevice | None = None
    switch: SwitchDevice
    interlock: InterlockDevice
    climate: ClimateDevice | None = None

    @model_validator(mode="after")
    def _motor_behind_a_guard(self) -> BenchFile:
        """A motor turns only where guard and emergency stop are read."""
        if self.axis is not None and self.interlock.by_hand:
            raise ValueError(
                "there is an axis and no interlock that is read: wire guard and emergency stop to an input, or leave "
                "the axis out and turn by hand"
            )
        return self

    @property
    def attended_only(self) -> bool:
        """Whether a person has to stay: hands do a part of the work, or no guard and no emergency stop is read."""
        return any(device.by_hand for device in self.devices().values())

    @property
    def is_simulated(self) -> bool:
        return self.world is not None or self.clock is not None

    def devices(self) -> dict[str, Device]:
        """Role -> section, those that are there."""
        roles = ("multimeter", "generator", "sampler", "axis", "encoder", "switch", "interlock", "climate")
        return {role: device for role in roles if (device := getattr(self, role)) is not None}


def load_bench(name: str) -> BenchFile:
    """The bench file of a name or path."""
    return load_checked(BenchFile, find("bench", name))
