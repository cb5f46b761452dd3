"""What may forbid motion and excitation while a run goes on, and the way to the safe state.

It must never know a sequence or a resolver. Two threads: one polls the interlock at 10 Hz or faster on its own
link, watches the excitation's time and that it is being measured; the other waits for the stop token and then takes
generator and axis down at once, each on its own link, while the main thread is still finishing its exchange.
After each poll that found all well, the hardware's enable timer gets its pulse, where one is wired: no pulse after a
stop, for a main thread that hangs, or when the bench is not asked. A stop is latched for the run. This is no substitute
for the emergency stop that cuts power in hardware (hardware/safety.md).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from drivers.roles import Axis, Generator, Interlock, InterlockState
from rig.control.arming.arming import Arming, ArmingEvent, ArmingState
from rig.control.arming.key import HeldKey
from rig.control.arming.refusals import lost_interlock, refusal_of, why_energised
from rig.control.clock import Clock
from rig.control.stop import EACH_S, StopToken, in_parallel
from rig.errors import BenchError, RigError, SafetyStop

POLL_S = 0.08
PULSED_S = 0.05  # between polls that end in a pulse: ten a second with room for slow links
UNMEASURED_S = 0.2  # after switching on, the coil has to have been measured by then
LONGEST_UNMEASURED_S = 5.0  # the same behind a slow sampler, at a level that harms no coil
FIRST_S = 1.0  # generator off and axis halted
MIRROR_S = 1.5  # by which the enable relays have released without pulses (hardware/interlock.md: 0.6 s)
AGAIN_S = 0.25  # halted again until the main thread has come back


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceilings:
    """What the coil may never see: volts and amperes rms at the coil, and the longest time switched on (s)."""

    v_rms: float
    a_rms: float
    on_s: float = 3600.0


class Guard:
    """Watches one bench for one run. `token` is the run's own; generator and axis are the bare instruments."""

    def __init__(
        self,
        *,
        token: StopToken,
        interlock: Interlock,
        clock: Clock,
        generator: Generator,
        axis: Axis | None,
        arming: Arming | None = None,
        enable: Callable[[], None] | None = None,
        getting_on: Callable[[], bool] = lambda: True,
    ) -> None:
        """arming: without which nothing starts (None: who calls answers for it). enable: one pulse for the timer.

        clock: of the thread that starts the guard; the polling thread gets one of its own.
        getting_on: whether the main thread still gets on.
        """
        self.token = token
        self.arming = arming
        self._enable = enable
        self._getting_on = getting_on
        self._interlock = interlock
        self._clock = clock
        self._own_clock: Clock | None = None  # of the polling thread
        self._generator = generator
        self._axis = axis
        self._permit = threading.Lock()
        self._closing = threading.Event()
        self._standing_back = threading.Event()
        self._threads: list[threading.Thread] = []
        self._on_since_s: float | None = None
        self._measured = False
        self.ceilings: Ceilings | None = None
        self.unmeasured_s = UNMEASURED_S
        self.seen: InterlockState | None = None  # as last read; None while it does not answer
        self.ohms = False  # the state OHMS: enter_ohms
        self.hot: str | None = None  # what stands in place of "safe to open"
        self.begun = False  # whether steps have begun: before that an open guard forbids the arming, and ends nothing
        self.was_open = False  # whether any poll of this guard saw the guard open
        self.on_open: Callable[[], None] | None = None  # called once, at the first poll that sees it open
        self._hand: tuple[HeldKey, Callable[[InterlockState], bool], float] | None = None

    @property
    def is_excited(self) -> bool:
        """Whether the output is on."""
        return self._on_since_s is not None

    # ---- threads

    def start(self) -> None:
        """Ask the interlock once, then go on asking until `close`."""
        self._poll_once(self._clock.now_s())
        self._pulse()
        self._own_clock = self._clock.another()  # not before: a party that waits for nothing would hold bench time
        for name, work in (("guard: poll", self._poll), ("guard: stop", self._stop)):
            thread = threading.Thread(target=work, name=name, daemon=True)
            thread.start()
            self._threads.append(thread)

    def close(self) -> None:
        """End both threads. Never raises."""
        self._closing.set()
        self._standing_back.set()
        if self._own_clock is not None:
            self._own_clock.close()
        for thread in self._threads:
            thread.join(EACH_S)

    def _poll(self) -> None:
        clock = self._own_clock or self._clock
        while not self._closing.is_set() and self.token.reason is None:
            try:
                now_s = clock.sleep(POLL_S if self._enable is None else PULSED_S)
                self._poll_once(now_s)
                self._watch_time(now_s)
                self._watch_arming()
                self._pulse()
            except RigError as fault:
                if not self._closing.is_set():
                    self.token.set(lost_interlock(fault))
        clock.close()  # a party that no longer waits would hold bench time still

    def _poll_once(self, now_s: float) -> None:
        try:
            state = self._interlock.state()
        except BenchError as fault:
            self.seen = None
            self.token.set(lost_interlock(fault))
            return
        self.seen = state
        if not state.guard_closed and not self.was_open:
            self.was_open = True
            if self.on_open is not None:
                self.on_open()
        if self.ohms:
            self._watch_ohms(state)
            return
        if self._waits() and not self.begun:
            self._look_at_hand(now_s, state)
            return  # nothing can be energised before an arming: an open guard is no reason to give up
        if self.arming is not None and not state.safe_to_run:
            self.arming.event(ArmingEvent.OPEN)
        if (refusal := refusal_of(state)) is not None:
            self.token.set(refusal)

    def _waits(self) -> bool:
        return self.arming is not None and self.arming.state is ArmingState.DISARMED

    # ---- a hand at the bench

    def wait_for_hand(self, key: HeldKey, held: Callable[[InterlockState], bool], for_s: float) -> None:
        """From now on a held key arms for for_s seconds, as key.py counts it. held: whether it is down at a poll."""
        self._hand = (key, held, for_s)

    def _look_at_hand(self, now_s: float, state: InterlockState) -> None:
        if self._hand is None or self.arming is None:
            return
        key, held, for_s = self._hand
        down = held(state)
        if key.poll(now_s, key=down, guard_closed=state.guard_closed, stop_pressed=state.emergency_stop):
            self.arming.arm(by="the key at the bench", for_s=for_s, guard_closed=state.guard_closed)
            self._hand = None

    # ---- OHMS: the guard may be open, because nothing is energised

    def enter_ohms(self) -> None:
        """Output off and axis released, both asked for and read back; any arming ends.

        The run stays so: only another one, newly armed, drives again.

        Raises SafetyStop where something stays on, or the enable relays do not release (where a contact says so).
        """
        with self._hold_permit():
            self._generator.output(False)
            self.switched_off()
            if self._axis is not None:
                self._axis.release()
            self.arming = Arming()
            self.ohms = True  # from here on the pulses for the enable timer stay out, and its relays drop
        until_s = time.monotonic() + MIRROR_S
        while (state := self._interlock.state()).mirror is False and time.monotonic() < until_s:
            time.sleep(POLL_S)
        if (refusal := why_energised(self._generator, self._axis, state)) is not None:
            self.token.set(refusal)
        self.token.check()

    def _watch_ohms(self, state: InterlockState) -> None:
        if (refusal := why_energised(self._generator, self._axis, state)) is not None:
            self.token.set(refusal)

    def _watch_time(self, now_s: float) -> None:
        since_s = self._on_since_s
        if since_s is None or self.ceilings is None:
            return
        on_s = now_s - since_s
        if on_s > self.ceilings.on_s:
            self.token.set(
                SafetyStop(
                    f"the excitation has been on for {on_s:.0f} s, allowed are {self.ceilings.on_s:.0f} s.",
                    code="on-time",
                    next_action="Let the part cool down.",
                )
            )
        elif on_s > self.unmeasured_s and not self._measured:
            self.token.set(
                SafetyStop(
                    f"the excitation was on for {1000 * on_s:.0f} ms and had not been measured at the coil.",
                    code="unmeasured",
                    next_action="Look why the sampler is slow; `anglewright bench check` times it.",
                )
            )

    def _watch_arming(self) -> None:
        if not self.ohms and self.arming is not None and self.arming.state is ArmingState.ENDED:
            try:
                self.arming.check()
            except SafetyStop as ended:
                self.token.set(ended)

    def _pulse(self) -> None:
        if self._enable is None or self.ohms or self.token.reason is not None or not self._getting_on():
            return
        self._enable()

    def _stop(self) -> None:
        while not self._closing.is_set() and not self._standing_back.is_set():
            if self.token.wait(AGAIN_S):
                self.take_down()
                self._standing_back.wait(AGAIN_S)

    def stand_back(self) -> None:
        """The main thread has come back and makes everything safe itself: no further take-downs."""
        self._standing_back.set()

    # ---- taking down

    def take_down(self) -> Mapping[str, str]:
        """Generator off and axis halted, at the same time, each on its own link; name -> fault ("" = done)."""
        with self._hold_permit():
            work: dict[str, Callable[[], None]] = {self._generator.name: lambda: self._generator.output(False)}
            if (axis := self._axis) is not None:
                work[axis.name] = axis.halt
            return in_parallel(work, FIRST_S)

    @contextmanager
    def _hold_permit(self) -> Iterator[None]:
        got = self._permit.acquire(timeout=FIRST_S / 2)
        try:
            yield
        finally:
            if got:
                self._permit.release()

    @contextmanager
    def permit(self) -> Iterator[None]:
        """Around every command that energises or moves: raises a latched stop, holds off a take-down meanwhile."""
        with self._permit:
            self.check()
            yield

    def check(self) -> None:
        """Raise a latched stop, or that the bench is not armed."""
        self.token.check()
        if self.ohms:
            raise SafetyStop(
                "in OHMS nothing is excited or moved.", code="ohms", next_action="Close the guard and arm the bench."
            )
        if self.arming is not None:
            self.arming.check()

    # ---- excitation

    def allow_level(self, at_coil_v_rms: float) -> None:
        """Raise SafetyStop unless the wanted level at the coil (V rms) is under the ceiling."""
        if self.ceilings is None:
            raise SafetyStop(
                "no excitation ceilings are set.", code="ceiling-voltage", next_action="Name the part file of the part."
            )
        if at_coil_v_rms > self.ceilings.v_rms * (1 + 1e-9):
            raise SafetyStop(
                f"{at_coil_v_rms:.3g} V rms at the coil was asked for; the ceiling is {self.ceilings.v_rms:.3g} V.",
                code="ceiling-voltage",
                next_action="Check excitation.level_v_rms of the part and amplifier_gain of the bench.",
            )

    def sampler_takes(self, latency_s: float) -> bool:
        """Whether a sampler that takes so long for a capture is slow: the first level has to harm no coil meanwhile.

        Twice its latency is then allowed for the first measurement, at most LONGEST_UNMEASURED_S.
        """
        self.unmeasured_s = min(max(UNMEASURED_S, 2.0 * latency_s), LONGEST_UNMEASURED_S)
        return self.unmeasured_s > UNMEASURED_S

    def switched_on(self, at_s: float) -> None:
        """The output came on at this time of the clock."""
        self._measured = False
        self._on_since_s = at_s

    def switched_off(self) -> None:
        """The output is off."""
        self._on_since_s = None

    def check_measured(self, v_rms: float, a_rms: float) -> None:
        """What the coil was found to get; above a ceiling the run stops with everything off."""
        self._measured = True
        if self.ceilings is None:
            return
        found = (
            ("voltage", v_rms, self.ceilings.v_rms, "V"),
            ("current", a_rms, self.ceilings.a_rms, "A"),
        )
        for what, value, ceiling, unit in found:
            if value > ceiling:
                self.token.set(
                    SafetyStop(
                        f"excitation {what} {value:.3g} {unit} rms is above the ceiling of {ceiling:.3g} {unit}.",
                        code=f"ceiling-{what}",
                        next_action="Look for a shorted coil, a wrong pin map or a wrong amplifier gain.",
                    )
                )
                self.token.check()
