"""From a bench file to opened instruments by role, with guard and watchdog, and back to nothing energised.

It must never know a sequence. Order: lock, watchdog, simulated bench where the file names a world, instruments
(output off and relays open first of all, then identities, serials and calibration dates), guard. Leaving the
with-block makes everything safe, closes every link and ends every process that was started here.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import Any, cast

from drivers.exclusive.bench_lock import BenchLock
from drivers.exclusive.own_lock import claim_state
from drivers.roles import (
    Axis,
    Climate,
    Dwells,
    EnableOutput,
    Encoder,
    Generator,
    Hands,
    Instrument,
    Interlock,
    Multimeter,
    Prompt,
    Prompted,
    Sampler,
    Switch,
)
from rig.control.arming.arming import Arming, arm_for_now
from rig.control.clock import BenchClock, Clock, WallClock
from rig.control.guard import Guard
from rig.control.guarded import GuardedAxis, GuardedGenerator, GuardedHands, GuardedMultimeter, GuardedSwitch
from rig.control.heartbeat import Watchdog
from rig.control.instruments import ORDER, OVERLAID, Identified, build, for_watchdog, identify
from rig.control.stop import StopToken, safe_state, stop_on_signals
from rig.description.benches import BenchFile, Device
from rig.description.holders import Holder
from rig.description.places import find
from rig.errors import BenchError, UsageError


class Bench:
    """Opened instruments by role. Made by `open_bench`; use as a context manager.

    generator, axis and switch have the guard's conditions in front of them; axis, encoder and climate may be None.
    """

    def __init__(
        self,
        file: BenchFile,
        holder: Holder,
        *,
        clamping: int = 1,
        speed: str = "real",
        log: Path | None = None,
        allow_overdue: bool = False,
        today: date | None = None,
        purpose: str = "an open bench",
        prompt: Callable[[Bench], Prompt] | None = None,
    ) -> None:
        self._prompt = prompt
        self.file = file
        self._purpose = purpose
        self.holder = holder
        self._options = {"clamping": clamping, "speed": speed, "log": log}
        self._allow_overdue = allow_overdue
        self._today = today
        self._stack = ExitStack()
        self._bare: dict[str, Instrument] = {}
        self._safe = True
        self.instruments: dict[str, Identified] = {}
        self.own_locks: dict[str, str] = {}  # role -> "held" or "none", against a second computer

    # ---- opening

    def __enter__(self) -> Bench:
        self.token = StopToken()
        self._stack.callback(self.token.close)
        try:
            self._open()
        except BaseException as fault:
            self._stack.close()
            if isinstance(fault, BenchError) and self.token.reason is not None:
                raise self.token.reason from fault  # what broke after a stop is told as the stop
            raise
        return self

    def _open(self) -> None:
        self._stack.enter_context(stop_on_signals(self.token))
        links = (one.link for one in self.file.devices().values() if one.link != OVERLAID)
        lock = self._stack.enter_context(BenchLock(links, self._purpose))
        self.watchdog = Watchdog(self.token, lock.descriptors)
        self._stack.callback(self.watchdog.close)
        self._start_world()
        devices = self._present()
        built = {role: build(role, devices[role]) for role in ORDER if role in devices}
        self.watchdog.arm({role: for_watchdog(role, devices[role]) for role in ("generator", "axis") if role in built})
        self._stack.callback(self.make_safe)
        self._safe = False
        for role, instrument in built.items():
            self.token.check()
            if isinstance(instrument, Prompted) and self._prompt is not None:
                instrument.prompt = self._prompt(self)
            instrument.open()
            self.own_locks[role] = claim_state(instrument, devices[role].link, [one.link for one in devices.values()])
            if isinstance(instrument, Dwells):
                instrument.sleep = self.clock.sleep
            self._bare[role] = instrument
            self._stack.callback(self._close_safely, role)
            self._quieten(role)
            self._identify(role, instrument, devices[role])
        self._by_role()
        self.guard.start()

    def _close_safely(self, role: str) -> None:
        self.make_safe()
        self._bare[role].close()

    def _start_world(self) -> None:
        """The simulated bench's process, when the file names a world; its links over those of the file."""
        if self.file.world is None:
            self._clock_url, self._links = self.file.clock, dict[str, str]()
        else:
            from drivers.shelf import start_simulated

            simulated = start_simulated(
                find("world", self.file.world),
                parent_pid=self.watchdog.pid,
                settings=self.file.world_settings,
                **cast(dict[str, Any], self._options),
            )
            self._stack.callback(simulated.close)
            self._clock_url, self._links = simulated.clock, dict(simulated.links)
        self.clock: Clock = BenchClock(self._clock_url) if self._clock_url else WallClock()
        self._stack.callback(self.clock.close)

    def _present(self) -> dict[str, Device]:
        """Role -> device with a real link; roles that the simulated bench does not serve are left out."""
        present = {}
        for role, device in self.file.devices().items():
            if device.link != OVERLAID:
                present[role] = device
            elif role in self._links:
                present[role] = device.model_copy(update={"link": self._links[role]})
            elif role not in ("encoder", "axis", "climate") or self.file.world is None:
                raise UsageError(
                    f"bench {self.file.name}: {role}.link is {OVERLAID!r}, but nothing simulates it.",
                    next_action="Give the instrument's link, or name a world.",
                )
        return present

    def _quieten(self, role: str) -> None:
        """Cold start is off: before anything else is asked, no output and no relay is on."""
        if role == "generator":
            cast(Generator, self._bare[role]).output(False)
        elif role == "switch":
            cast(Switch, self._bare[role]).open_all()

    def _identify(self, role: str, instrument: Instrument, device: Device) -> None:
        today = self._today or date.today()
        self.instruments[role] = identify(role, instrument, device, today, allow_overdue=self._allow_overdue)

    def _by_role(self) -> None:
        get = self._bare.get
        axis = cast(Axis | None, get("axis"))
        generator = cast(Generator, self._bare["generator"])
        self.interlock = cast(Interlock, self._bare["interlock"])
        self.guard = Guard(
            token=self.token,
            interlock=self.interlock,
            clock=self.clock,
            generator=generator,
            axis=axis,
            arming=arm_for_now("the simulated bench itself") if self._all_simulated() else Arming(),
            enable=self._enable(),
            getting_on=lambda: self.watchdog.getting_on(),
        )
        self._stack.callback(self.guard.close)
        self.multimeter = GuardedMultimeter(cast(Multimeter, self._bare["multimeter"]), self.guard)
        self.sampler = cast(Sampler, self._bare["sampler"])
        self.encoder = cast(Encoder | None, get("encoder"))
        self.climate = cast(Climate | None, get("climate"))
        self.axis = GuardedAxis(axis, self.guard) if axis is not None else None
        self.generator = GuardedGenerator(generator, self.guard, self.clock, self.file.generator.amplifier_gain)
        self.switch = GuardedSwitch(cast(Switch, self._bare["switch"]), generator, self.axis)
        switch = self._bare["switch"]
        self.hands = GuardedHands(switch, generator) if isinstance(switch, Hands) else None

    def _all_simulated(self) -> bool:
        """Whether nothing here can move or excite anything real."""
        live = [self.instruments[role] for role in ("generator", "axis") if role in self.instruments]
        return self.file.is_simulated and all(one.identity.is_simulated for one in live)

    def _enable(self) -> Callable[[], None] | None:
        if self.file.interlock.enable_channel is None:
            return None
        return cast(EnableOutput, self._bare["interlock"]).pulse

    # ---- what is there

    @property
    def is_simulated(self) -> bool:
        """True when any instrument says that it is simulated."""
        return self.file.is_simulated or any(one.identity.is_simulated for one in self.instruments.values())

    def name(self, role: str) -> str:
        """The name of a role's instrument, for readings."""
        return self._bare[role].name

    def identities(self) -> dict[str, dict[str, Any]]:
        """Role -> identity with calibration status, for a run's header."""
        return {role: one.to_dict() for role, one in self.instruments.items()}

    def retries(self) -> dict[str, tuple[str, ...]]:
        """Name of an instrument -> why its driver said a verb twice, oldest first."""
        return {one.name: tuple(getattr(one, "retries", ())) for one in self._bare.values()}

    # ---- closing

    def make_safe(self) -> dict[str, str]:
        """Output off and axis at rest, then relays open and the rest; name -> fault ("" = safe). Never raises."""
        if self._safe:
            return {}
        if (guard := getattr(self, "guard", None)) is not None:
            guard.stand_back()
        first = tuple(self._bare[role] for role in ("generator", "axis") if role in self._bare)
        others = tuple(one for role, one in self._bare.items() if role not in ("generator", "axis"))
        outcome = safe_state(first, others)
        self._safe = True
        return outcome

    def __exit__(self, *_: object) -> None:
        self._stack.close()


def open_bench(
    file: BenchFile,
    holder: Holder,
    *,
    clamping: int = 1,
    speed: str = "real",
    log: Path | None = None,
    allow_overdue: bool = False,
    today: date | None = None,
    purpose: str = "an open bench",
    prompt: Callable[[Bench], Prompt] | None = None,
) -> Bench:
    """A bench to be entered with `with`. prompt: how the persons that fill a role are spoken to.

    clamping, speed ("real", "fast") and log concern the simulated bench only. purpose: what others are told who want
    the bench meanwhile. Raises BenchBusy before anything is touched, WrongInstrument (serial, calibration overdue),
    LinkDown or NoReply naming the instrument; whatever was opened until then is safe and closed.
    """
    return Bench(
        file,
        holder,
        clamping=clamping,
        speed=speed,
        log=log,
        allow_overdue=allow_overdue,
        today=today,
        purpose=purpose,
        prompt=prompt,
    )
