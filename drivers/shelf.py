"""The only door to the drivers: a name from a bench file to a driver, closed; and the simulated bench's process.

Driver modules and vendor libraries are loaded when a driver is asked for.
"""

from __future__ import annotations

import importlib
import inspect
import json
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from functools import partial
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from drivers.exclusive.bench_lock import BenchLock
from drivers.roles import FoundInstrument, Instrument
from rig.errors import DescriptionError, LinkDown, UsageError

if TYPE_CHECKING:
    from drivers.dialogue.file import Dialogue
    from drivers.dialogue.recording import Recorded

DRIVERS: Mapping[str, str] = {
    "scpi-344xx": "drivers.multimeter_scpi_344xx:Multimeter344xx",
    "dmm6500": "drivers.multimeter_dmm6500:MultimeterDmm6500",
    "scpi-335xx": "drivers.generator_scpi_335xx:Generator335xx",
    "sdg": "drivers.generator_sdg:GeneratorSdg",
    "scpi-digitiser": "drivers.sampler_scpi_digitiser:SamplerDigitiser",
    "scope-rigol": "drivers.sampler_scope_rigol:SamplerScopeRigol",
    "nidaqmx": "drivers.sampler_nidaqmx:SamplerNidaqmx",
    "uldaq": "drivers.sampler_uldaq:SamplerUldaq",
    "labjack": "drivers.sampler_labjack:SamplerLabjack",
    "audio": "drivers.sampler_audio:SamplerAudio",
    "grbl": "drivers.axis_grbl:AxisGrbl",
    "tmcl": "drivers.axis_tmcl:AxisTmcl",
    "nd28x": "drivers.encoder_nd28x:EncoderNd28x",
    "scpi-switch": "drivers.switch_scpi:SwitchScpi",
    "scpi-switch-inputs": "drivers.switch_scpi:SwitchInputs",
    "daq-switch": "drivers.switch_daq:SwitchDaq",
    "lcus": "drivers.switch_lcus:SwitchLcus",
    "modbus-relays": "drivers.modbus_io:SwitchModbus",
    "modbus-inputs": "drivers.modbus_io:InputsModbus",
    "modem-lines": "drivers.interlock_modem:InterlockModemLines",
    "hmt-probe": "drivers.climate_hmt:ClimateHmt",
    "modbus-probe": "drivers.climate_modbus:ClimateModbus",
    "hand": "drivers.hand:HandSwitch",
    "hand-thermometer": "drivers.hand:HandThermometer",
    "hand-attends": "drivers.hand:HandInterlock",
}
PROFILE = "profile:"  # before the name of an instrument's profile (drivers/profile)
PROFILED: Mapping[str, str] = {
    "multimeter": "drivers.profile.multimeter:ProfiledMultimeter",
    "generator": "drivers.profile.generator:ProfiledGenerator",
    "switch": "drivers.profile.switch:ProfiledSwitch",
    "interlock": "drivers.profile.inputs:ProfiledInputs",
}
PLUG_INS = "anglewright.drivers"  # entry points of other packages
EVERY_VERB = ("open", "identity", "safe_state", "close")
START_S = 20.0
END_S = 3.0


def open_driver(driver_name: str, link_url: str, name: str, **options: Any) -> Instrument:
    """A driver, still closed: call its `open()`. UsageError for a name, link or option that is not known."""
    check_options(driver_name, name, options)
    return _maker(driver_name, name)(name, link_url, **options)


def options_of(driver_name: str, name: str = "instrument") -> tuple[str, ...]:
    """The options that a driver takes, by name. UsageError for a driver that is not known."""
    maker = _maker(driver_name, name)
    given = maker.keywords if isinstance(maker, partial) else {}
    parameters = inspect.signature(maker).parameters.values()
    return tuple(one.name for one in parameters if one.kind is inspect.Parameter.KEYWORD_ONLY and one.name not in given)


def check_options(driver_name: str, name: str, options: Iterable[str]) -> None:
    """UsageError for the first option that the driver does not take, with the nearest that it does."""
    known = options_of(driver_name, name)
    for key in options:
        if key not in known:
            near = get_close_matches(key, known, n=1, cutoff=0.0)
            hint = f"The nearest known key is {near[0]!r}; it takes {', '.join(known)}." if near else "It takes none."
            raise UsageError(f"{name}: driver {driver_name!r} does not take {key!r}.", next_action=hint)


def _maker(driver_name: str, name: str) -> Callable[..., Instrument]:
    if driver_name.startswith(PROFILE):
        return _profile_maker(driver_name.removeprefix(PROFILE), name)
    if driver_name not in DRIVERS and (plug_in := _plug_in(driver_name, name)) is not None:
        return plug_in
    if driver_name not in DRIVERS:
        near = get_close_matches(driver_name, DRIVERS, n=3, cutoff=0.4) or list(DRIVERS)
        raise UsageError(f"{name}: there is no driver {driver_name!r}.", next_action=f"Nearest: {', '.join(near)}.")
    module, _, class_name = DRIVERS[driver_name].partition(":")
    return cast(Callable[..., Instrument], getattr(importlib.import_module(module), class_name))


def _profile_maker(profile_name: str, name: str) -> Callable[..., Instrument]:
    """The driver of a profile's role. UsageError where the bench file gives it another role."""
    from drivers.profile.model import load_profile

    profile = load_profile(profile_name)
    if name in PROFILED and name != profile.role:
        raise UsageError(
            f"{name}: profile {profile.name} is that of a {profile.role}.",
            next_action=f"Name it under [{profile.role}].",
        )
    module, _, class_name = PROFILED[profile.role].partition(":")
    return partial(getattr(importlib.import_module(module), class_name), profile=profile)


def _plug_in(driver_name: str, name: str) -> Callable[..., Instrument] | None:
    """A driver of another package, by its entry point's name; no other plug-in is loaded. None: nobody offers it.

    UsageError where it can't be loaded or lacks what every driver must have.
    """
    for point in entry_points(group=PLUG_INS, name=driver_name):
        told = f"{name}: driver {driver_name!r} of the package {point.dist.name if point.dist else point.value!r}"
        try:
            found = point.load()
        except Exception as fault:  # whatever somebody else's package does wrong is told as its own
            raise UsageError(
                f"{told} can't be loaded: {type(fault).__name__}: {fault}.", next_action="Mend or remove that package."
            ) from fault
        if lacking := [verb for verb in EVERY_VERB if not callable(getattr(found, verb, None))]:
            raise UsageError(f"{told} has no {lacking[0]}().", next_action="See `Instrument` in drivers/roles.py.")
        return cast(Callable[..., Instrument], found)
    return None


def families() -> list[dict[str, str]]:
    """Every driver, profile and plug-in with its role, its level and what that rests on."""
    from drivers.families import family_rows

    others = {point.name: point.dist.name if point.dist else point.value for point in entry_points(group=PLUG_INS)}
    return family_rows(DRIVERS, PROFILE, others, replay)


def record(driver_name: str, link_url: str, name: str, *, simulated: bool, program: str, **options: Any) -> Recorded:
    """What an instrument and its driver say to each other over the harmless verbs of its role; nothing is energised.

    Errors as `open_driver` and drivers/dialogue/recording.py tell them.
    """
    from drivers.dialogue.recording import record_dialogue

    check_options(driver_name, name, options)
    build = partial(_maker(driver_name, name), name, **options)
    return record_dialogue(
        build, role=name, driver=driver_name, link=link_url, options=options, simulated=simulated, program=program
    )


def replay(file: Path) -> Dialogue:
    """A recorded dialogue that today's driver has said again word for word. Errors as drivers/dialogue tells them."""
    from drivers.dialogue.file import load_dialogue
    from drivers.dialogue.replay import check_replay

    dialogue = load_dialogue(file)
    head = dialogue.head
    check_options(head.driver, head.role, head.options)
    check_replay(dialogue, partial(_maker(head.driver, head.role), head.role, **head.options))
    return dialogue


def hold(links: Iterable[str], purpose: str) -> BenchLock:
    """A lock on what these links lead to, for `with`: BenchBusy where another controller holds it."""
    return BenchLock(links, purpose)


def recognise(link_url: str) -> FoundInstrument:
    """Who answers at a link, by *IDN? and the small serial dialogues; nothing is set, switched or moved."""
    from drivers import finding

    found = finding.recognise(link_url, lambda driver: _maker(driver, "search"))
    return found if found.driver or not found.told else _speak_as(found)


def _speak_as(found: FoundInstrument) -> FoundInstrument:
    """For one that answers and that no driver knows: the profile whose identification it answers with, if any."""
    from drivers.profile.model import load_profile
    from rig.description.places import known_names

    for name in known_names("instrument"):
        try:
            profile = load_profile(name)
        except DescriptionError:
            continue  # a wrong file is told where it is named
        if profile.identity.ask == "*IDN?" and re.fullmatch(profile.identity.pattern, found.told.strip()):
            return replace(found, driver=f"{PROFILE}{name}", role=profile.role)
    return found


def places() -> tuple[list[str], list[str]]:
    """Links of this computer that may carry an instrument, and what could not be searched."""
    from drivers import finding

    return finding.places()


@dataclass
class SimulatedBench:
    """The simulated bench's process; who started it closes it. clock: its clock's address; links: role -> address."""

    process: subprocess.Popen[str]
    clock: str
    links: Mapping[str, str]
    world: str = ""
    _closed: bool = field(default=False, repr=False)

    def close(self) -> None:
        """Ends the process and waits for it. Never raises."""
        if self._closed:
            return
        self._closed = True
        _end(self.process)

    def __enter__(self) -> SimulatedBench:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def start_simulated(
    world: Path | str,
    clamping: int = 1,
    speed: str = "real",
    log: Path | str | None = None,
    parent_pid: int | None = None,
    faults: Sequence[str] = (),
    settings: Mapping[str, str | float | bool] | None = None,
) -> SimulatedBench:
    """Starts `python -m drivers.simulated` and waits for its line of links (at most 20 s).

    parent_pid: the process with which it ends by itself. faults: as for --fault ("axis:drop:every=50"). settings: keys
    of the world set otherwise ({"holder.fitted": "dummy"}). LinkDown with its own words when it does not start.
    """
    command = [sys.executable, "-m", "drivers.simulated", str(world), "--clamping", str(clamping), "--speed", speed]
    if log is not None:
        command += ["--log", str(log)]
    if parent_pid is not None:
        command += ["--parent", str(parent_pid)]
    for fault in faults:
        command += ["--fault", fault]
    for key, value in (settings or {}).items():
        command += ["--set", f"{key}={json.dumps(value)}"]
    process = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    line = _first_line(process)
    try:
        announced = json.loads(line)
        return SimulatedBench(process, str(announced["clock"]), dict(announced["links"]), str(announced["world"]))
    except (ValueError, KeyError, TypeError) as fault:
        _end(process)
        raise LinkDown(
            f"the simulated bench did not start (it said {line.strip()[:200]!r})",
            instrument="simulated bench",
            exchange=" ".join(command[1:]),
            next_action="Read its message on standard error; check the world file.",
        ) from fault


def _first_line(process: subprocess.Popen[str]) -> str:
    out = process.stdout
    end_s = time.monotonic() + START_S
    while out is not None and time.monotonic() < end_s:
        if select.select([out], [], [], 0.2)[0]:
            return out.readline()
        if process.poll() is not None:
            break
    return ""


def _end(process: subprocess.Popen[str]) -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    if process.stdout is not None:
        process.stdout.close()
