"""Generator, axis and switch as steps get them: the same roles, with the guard's conditions in front.

They must never know which driver is behind. No output comes on and nothing moves once a stop is latched; no relay
switches while the output is on or the axis moves (an inductive coil kicks; a moving part must not lose its drive).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.roles import (
    Axis,
    Generator,
    Hands,
    Identity,
    Instrument,
    MeterReading,
    Multimeter,
    MultimeterAbilities,
    Switch,
)
from rig.control.clock import Clock
from rig.control.guard import Guard
from rig.errors import SafetyStop

HANDS_A = 1e-3  # what a meter may drive while hands are in the bench


class _Passed:
    """What every instrument can do, handed on."""

    def __init__(self, inner: Instrument) -> None:
        self._any = inner

    @property
    def name(self) -> str:
        return self._any.name

    def open(self) -> None:
        self._any.open()

    def identity(self) -> Identity:
        return self._any.identity()

    def safe_state(self) -> None:
        self._any.safe_state()

    def close(self) -> None:
        self._any.close()


class GuardedGenerator(_Passed):
    """A Generator whose level never passes the ceiling at the coil. amplifier_gain: coil volts a generator volt."""

    def __init__(self, inner: Generator, guard: Guard, clock: Clock, amplifier_gain: float) -> None:
        super().__init__(inner)
        self._inner = inner
        self._guard = guard
        self._clock = clock
        self._gain = amplifier_gain

    def prepare_sine(self, *, frequency_hz: float, level_v_rms: float) -> None:
        self._guard.allow_level(level_v_rms * self._gain)
        self._inner.prepare_sine(frequency_hz=frequency_hz, level_v_rms=level_v_rms)

    def level_v_rms(self, level_v_rms: float) -> None:
        with self._guard.permit():
            self._guard.allow_level(level_v_rms * self._gain)
            self._inner.level_v_rms(level_v_rms)

    def frequency_hz(self, frequency_hz: float) -> None:
        with self._guard.permit():
            self._inner.frequency_hz(frequency_hz)

    def output(self, on: bool) -> None:
        if not on:
            self._inner.output(False)
            self._guard.switched_off()
            return
        with self._guard.permit():
            self._inner.output(True)
            self._guard.switched_on(self._clock.now_s())

    def output_is_on(self) -> bool:
        return self._inner.output_is_on()


class GuardedAxis(_Passed):
    """An Axis that starts no move once a stop is latched; `moving` from the start of a move until it was waited for."""

    def __init__(self, inner: Axis, guard: Guard) -> None:
        super().__init__(inner)
        self._inner = inner
        self._guard = guard
        self.moving = False

    @property
    def steps_per_turn(self) -> int:
        return self._inner.steps_per_turn

    @property
    def position_known(self) -> bool:
        return self._inner.position_known

    def position_steps(self) -> int | None:
        return self._inner.position_steps()

    def release(self) -> None:
        self._inner.release()

    def hold(self) -> None:
        with self._guard.permit():
            self._inner.hold()

    def index(self) -> int:
        self._guard.check()
        self.moving = True
        found = self._inner.index()
        self.moving = False
        return found

    def move_to(self, steps: int) -> None:
        with self._guard.permit():
            self.moving = True
            self._inner.move_to(steps)

    def wait_stopped(self, dwell_s: float = 0.0) -> None:
        self._inner.wait_stopped(dwell_s)
        self.moving = False

    def halt(self) -> None:
        self._inner.halt()
        self.moving = False


class GuardedSwitch(_Passed):
    """A Switch that refuses while the output is on or the axis moves."""

    def __init__(self, inner: Switch, generator: Generator, axis: GuardedAxis | None) -> None:
        super().__init__(inner)
        self._inner = inner
        self._generator = generator
        self._axis = axis

    def close_channels(self, channels: Sequence[int]) -> None:
        self._only_at_rest()
        self._inner.close_channels(channels)

    def open_channels(self, channels: Sequence[int]) -> None:
        self._only_at_rest()
        self._inner.open_channels(channels)

    def open_all(self) -> None:
        self._only_at_rest()
        self._inner.open_all()

    def closed_channels(self) -> tuple[int, ...]:
        return self._inner.closed_channels()

    def _only_at_rest(self) -> None:
        if self._axis is not None and self._axis.moving:
            raise SafetyStop(
                "relays were to switch while the axis moves.",
                code="relays-in-motion",
                next_action="This is a fault of the sequence: report it.",
            )
        require_off(self._generator)


class GuardedHands:
    """A person's acts, each asked for only after the output was read back as off."""

    def __init__(self, inner: Hands, generator: Generator) -> None:
        self._inner = inner
        self._generator = generator

    @property
    def acts(self) -> int:
        return self._inner.acts

    def put(self, lead: str, place: str, until: Callable[[], bool] | None = None) -> None:
        require_off(self._generator)
        self._inner.put(lead, place, until)

    def lift(self) -> None:
        require_off(self._generator)
        self._inner.lift()

    def plug(self, what: str) -> None:
        require_off(self._generator)
        self._inner.plug(what)

    def cable(self, channel: str, socket: str) -> None:
        require_off(self._generator)
        self._inner.cable(channel, socket)


def require_off(generator: Generator) -> None:
    """Raise SafetyStop unless the output reads back as off."""
    if generator.output_is_on():
        raise SafetyStop(
            "relays or a hand were to change a connection with the generator's output on.",
            code="relays-under-power",
            next_action="This is a fault of the sequence or an output that does not go off: report it.",
        )


class GuardedMultimeter(_Passed):
    """A Multimeter that, in OHMS, reads nothing but ohms on a range whose stated test current is 1 mA or less."""

    def __init__(self, inner: Multimeter, guard: Guard) -> None:
        super().__init__(inner)
        self._inner = inner
        self._guard = guard

    @property
    def abilities(self) -> MultimeterAbilities:
        return self._inner.abilities

    def resistance_ohm(
        self, *, four_wire: bool, range_ohm: float | None, nplc: float, offset_compensation: bool = False
    ) -> MeterReading:
        if self._guard.ohms:
            self.check_hands(range_ohm)
        return self._inner.resistance_ohm(
            four_wire=four_wire, range_ohm=range_ohm, nplc=nplc, offset_compensation=offset_compensation
        )

    def dc_volts(self, *, range_v: float | None, nplc: float) -> MeterReading:
        return self._inner.dc_volts(range_v=range_v, nplc=nplc)

    def ac_volts_rms(self, *, range_v: float | None, bandwidth_hz: float = 20.0) -> MeterReading:
        return self._inner.ac_volts_rms(range_v=range_v, bandwidth_hz=bandwidth_hz)

    def check_hands(self, range_ohm: float | None) -> None:
        """Raises SafetyStop for a range whose test current is not stated, or is above 1 mA."""
        states = getattr(self._inner, "test_current_a", None)
        current_a = states(range_ohm) if states is not None and range_ohm is not None else None
        if current_a is None or current_a > HANDS_A * (1 + 1e-9):
            told = "is not stated" if current_a is None else f"is {1e3 * current_a:g} mA"
            raise SafetyStop(
                f"{self.name}: with hands in the bench at most 1 mA may flow; the test current of this range {told}.",
                code="ohms",
                next_action="Take a higher range, or a meter whose driver states its test currents.",
            )
