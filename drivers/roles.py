"""What a sequence may ask of an instrument, one small Protocol a role.

A role knows no sequence and no resolver. What a driver can't do is said by the role it does not offer, or by
its `Abilities`. Units in every name; voltages rms where the name says so; positions are whole motor steps
(microsteps), positive counter-clockwise seen from the side that the bench file names.

Every driver is built closed, opened by `open()` and never energises anything there; `safe_state()` is idempotent,
takes at most 2 s, may be called from any state and verifies by read-back where the instrument can.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from rig.errors import UsageError
from rig.signal.waveform import Waveform


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who answers: maker, model, serial, firmware as the instrument gave them; `simulated` is read from the serial."""

    maker: str
    model: str
    serial: str
    firmware: str

    @property
    def is_simulated(self) -> bool:
        """A simulated instrument always says so in its serial."""
        return self.serial.upper().startswith("SIM")


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundInstrument:
    """What answered at a link. driver and role are "" when it is nobody known; told: its words, or why there is none.

    options: what the driver has to be told to speak with it (relays of a board).
    """

    link: str
    driver: str = ""
    role: str = ""
    identity: Identity | None = None
    told: str = ""
    options: tuple[tuple[str, int], ...] = ()


class Instrument(Protocol):
    """What every driver can do."""

    @property
    def name(self) -> str: ...  # the name in the bench file, used in messages and readings

    def open(self) -> None: ...  # opens the link and identifies; energises nothing

    def identity(self) -> Identity: ...

    def safe_state(self) -> None: ...

    def close(self) -> None: ...  # never raises


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReading:
    """One reading of a multimeter: `value` is None when the meter says over range."""

    value: float | None
    unit: str
    range_upper: float  # upper end of the range in use, in `unit`
    overload: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MultimeterAbilities:
    """What a multimeter is. offset_upper_ohm: highest range with offset compensation; integration: NPLC is set."""

    four_wire: bool = True
    offset_compensation: bool = False
    offset_upper_ohm: float = float("inf")
    integration: bool = True

    def compensates(self, range_ohm: float | None, *, four_wire: bool) -> bool:
        """Whether ohms on this range can be read with offset compensation."""
        return self.offset_compensation and four_wire and (range_ohm or float("inf")) <= self.offset_upper_ohm


class Multimeter(Instrument, Protocol):
    """Resistance and voltage at its terminals. Ranges are fixed by the caller; none means the meter chooses."""

    @property
    def abilities(self) -> MultimeterAbilities: ...  # of the model that answered: ask after open()

    def resistance_ohm(
        self, *, four_wire: bool, range_ohm: float | None, nplc: float, offset_compensation: bool = False
    ) -> MeterReading: ...

    def dc_volts(self, *, range_v: float | None, nplc: float) -> MeterReading: ...

    def ac_volts_rms(self, *, range_v: float | None, bandwidth_hz: float = 20.0) -> MeterReading: ...


class Generator(Instrument, Protocol):
    """A sine source. Levels are what appears at the generator's own terminal into the stated load."""

    def prepare_sine(self, *, frequency_hz: float, level_v_rms: float) -> None: ...  # output stays off; read back

    def level_v_rms(self, level_v_rms: float) -> None: ...  # while on: for ramps

    def frequency_hz(self, frequency_hz: float) -> None: ...

    def output(self, on: bool) -> None: ...  # verified by read-back

    def output_is_on(self) -> bool: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplerAbilities:
    """What a sampler is: simultaneous or one after the other, its rates, bits, ranges and known skew."""

    simultaneous: bool
    channels: int
    bits: int
    max_rate_hz: float  # per channel
    max_samples: int
    ranges_v: tuple[float, ...]  # half of full scale
    skew_s: tuple[float, ...]  # by data sheet, channel against channel 0

    def check_request(self, name: str, *, ranges_v: Sequence[float], samples: int, channels: Sequence[str]) -> None:
        """UsageError when channels, ranges or samples are beyond what the sampler is."""
        if len(ranges_v) != len(channels) or not 1 <= len(channels) <= self.channels:
            raise UsageError(f"{name}: {len(ranges_v)} ranges for {len(channels)} of {self.channels} channels.")
        if not 1 <= samples <= self.max_samples:
            raise UsageError(f"{name}: {samples} samples; 1 to {self.max_samples} are possible.")


class Sampler(Instrument, Protocol):
    """Simultaneous channels. `configure` once, then arm / trigger / fetch as often as wanted."""

    @property
    def abilities(self) -> SamplerAbilities: ...

    def configure(
        self, *, ranges_v: Sequence[float], sample_rate_hz: float, samples: int, channels: Sequence[str]
    ) -> float: ...  # the sample rate really in use, Hz

    def arm(self) -> None: ...  # ready for a trigger; costs the arming latency

    def trigger(self) -> None: ...  # starts the capture now; returns at once

    def wait_captured(self) -> None: ...  # returns when all samples are in the sampler

    def fetch(self) -> Waveform: ...  # transfers the last capture


class Axis(Instrument, Protocol):
    """A rotary positioner. Positions are whole microsteps from the index; `None` means position unknown."""

    @property
    def steps_per_turn(self) -> int: ...

    def release(self) -> None: ...  # motor current off: the shaft turns by hand

    def hold(self) -> None: ...  # motor current on

    def index(self) -> int: ...  # seeks the index and zeroes there; returns the steps found since the last index

    def move_to(self, steps: int) -> None: ...  # starts a move (command accepted), does not wait for its end

    def wait_stopped(self, dwell_s: float = 0.0) -> None: ...  # motion ended and dwell_s has passed since

    def position_steps(self) -> int | None: ...

    def halt(self) -> None: ...  # stops now; the position is lost when it was moving

    @property
    def position_known(self) -> bool: ...


@runtime_checkable
class Dwells(Protocol):
    """An axis whose controller has no dwell of its own: the driver waits, in the time of whoever owns the bench."""

    sleep: Callable[[float], object]


class Encoder(Instrument, Protocol):
    """A reference angle on the axis, read on request."""

    def angle_mech_deg(self) -> float: ...


class Switch(Instrument, Protocol):
    """A relay matrix. Channels are the switch's own numbers; the holder and bench files give them meaning."""

    def close_channels(self, channels: Sequence[int]) -> None: ...  # verified by read-back

    def open_channels(self, channels: Sequence[int]) -> None: ...

    def open_all(self) -> None: ...

    def closed_channels(self) -> tuple[int, ...]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ClimateReading:
    """Air at the part: temperature in degC and relative humidity in percent, None where nobody knows it."""

    temperature_degc: float
    humidity_pct: float | None


class Climate(Instrument, Protocol):
    """A temperature and humidity probe beside the part."""

    def read(self) -> ClimateReading: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class InterlockState:
    """The two inputs that may forbid motion and excitation, and what else the same exchange read; None: not wired.

    key: the arming key is held. bypass: the jumper across the enable relays is fitted. mirror: the mirror contacts of
    both enable relays say that these are released. read: False where no input is read and a person attends.
    """

    guard_closed: bool
    emergency_stop: bool
    key: bool | None = None
    bypass: bool | None = None
    mirror: bool | None = None
    read: bool = True

    @property
    def safe_to_run(self) -> bool:
        return self.guard_closed and not self.emergency_stop


class Interlock(Instrument, Protocol):
    """Digital inputs of their own (never through the axis controller), polled at 10 Hz or faster."""

    def state(self) -> InterlockState: ...


class EnableOutput(Protocol):
    """What an interlock offers beside its inputs when the enable timer's line hangs on the same box."""

    def pulse(self) -> None: ...  # one rising edge; whoever stops calling it lets the hardware cut power


Prompt = Callable[[str, Callable[[], bool] | None], str]
"""Shows a sentence to the person at the bench and waits until it is done: Enter, or until the second argument says so;
gives what was typed. Raises SafetyStop where nobody answers."""


@runtime_checkable
class Prompted(Protocol):
    """A role that a person fills by doing what a sentence says."""

    prompt: Prompt


LEADS = ("meter_hi", "meter_lo")
CABLES = ("ch1", "ch2")
PLUGS = ("part", "loopback", "nothing")
INPUTS = ("exc_v", "exc_i", "sin", "cos")  # sockets of the harness that a sampler's cable may be on


@runtime_checkable
class Hands(Protocol):
    """A switch that is a person: one act at a time, none of it true before a reading proved it. acts: done so far."""

    @property
    def acts(self) -> int: ...

    def put(self, lead: str, place: str, until: Callable[[], bool] | None = None) -> None: ...  # a meter lead to a pin

    def lift(self) -> None: ...  # both meter leads off the part

    def plug(self, what: str) -> None: ...  # on the excitation harness: the part's plug, the loopback plug, or nothing

    def cable(self, channel: str, socket: str) -> None: ...  # a sampler's cable to a socket of the harness
