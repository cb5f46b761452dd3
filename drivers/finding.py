"""Who answers at a link: *IDN? or the small serial dialogues, one after another; nothing is set, switched or moved.

On a serial port grbl is asked first, by its status byte: other instruments' words could be moves to it, so whatever
answers lines with ok or error is asked nothing more. To the others they are only noise; TMCL and relay boards take
nothing without their frame, and a line end before a text dialogue ends what was half a line.
Source: as the drivers of each family; IEEE 488.2, 10.14 (*IDN?).
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from drivers.grbl_dialogue import GrblDialogue
from drivers.link.base import Link
from drivers.link.urls import open_link
from drivers.roles import FoundInstrument, Identity, Instrument
from drivers.tmcl_dialogue import LENGTH, Op, TmclDialogue
from rig.errors import BadReply, BenchError, InstrumentRefused, LinkDown, NoReply

Make = Callable[[str], Callable[..., Instrument]]
SCPI = (
    ("dmm6500", "multimeter"),
    ("scpi-344xx", "multimeter"),
    ("sdg", "generator"),
    ("scpi-335xx", "generator"),
    ("scpi-switch", "switch"),
    ("daq-switch", "switch"),
    ("scope-rigol", "sampler"),
)
DIGITISER = re.compile(r"(DSO|MSO|MXR|UXR|EXR)\S*", re.IGNORECASE)
SERIAL = (  # query -> settings of its port as it leaves the factory, where the link says nothing else
    ("grbl", "axis", "dtr=0"),
    ("hmt-probe", "climate", "baud=4800&bits=7&parity=E"),
    ("scpi", "", "baud=9600"),
    ("tmcl", "axis", "baud=9600"),
    ("lcus", "switch", "baud=9600"),
    ("modbus-probe", "climate", "baud=9600"),
    ("modbus-inputs", "interlock", "baud=9600"),
    ("modbus-relays", "switch", "baud=9600"),
    ("nd28x", "encoder", "baud=9600&bits=7&parity=E&stop=2"),
)
TEXT = ("scpi", "hmt-probe", "nd28x")
BOARD_RELAYS = (8, 4, 2, 1)
COUNTED = {"lcus": BOARD_RELAYS, "modbus-relays": (32, 16, *BOARD_RELAYS)}
ANSWER_S = 1.0
SHIFT_S = 0.1


def places() -> tuple[list[str], list[str]]:
    """Links that may carry an instrument (serial ports by id, USB and GPIB by VISA), and what could not be searched."""
    links = [f"serial://{path}" for path in sorted(Path("/dev/serial/by-id").glob("*"))]
    untold = []
    import pyvisa

    for kind in ("USB", "GPIB"):
        try:
            manager = pyvisa.ResourceManager("@py")
            links += [f"visa://{name}" for name in manager.list_resources(f"{kind}?*::INSTR")]
            manager.close()
        except (pyvisa.errors.Error, OSError, ValueError) as fault:
            untold.append(f"{kind}: {fault}")
    return links, untold


def recognise(link: str, make: Make) -> FoundInstrument:
    """Who answers at a link; `make` gives the driver of a name. UsageError for an impossible link, never a BenchError.

    A silent serial port takes some ten seconds.
    """
    if not link.startswith("serial://"):
        return _scpi(link, make)
    told = ""
    for driver, role, settings in SERIAL:
        for url in _settings(link, settings):
            if driver in TEXT and (heard := _line_ended(url)):
                return FoundInstrument(link=link, told=heard)
            found = _scpi(url, make) if driver == "scpi" else _small(driver, role, url, make)
            if found.driver or found.identity:
                return found
            if "Invalid argument" not in found.told:
                told = told or found.told
                break
    return FoundInstrument(link=link, told=told or "nothing answers")


def _settings(link: str, usual: str) -> list[str]:
    """The link as given where it says how; else the family's settings, and the port's own where it can't do those."""
    return [link] if "?" in link else [f"{link}?{usual}", link]


def _line_ended(url: str) -> str:
    """Ends whatever was half a line on a serial port; what is wrong when a motion controller answers to that."""
    try:
        wire = open_link(url, "search")
        try:
            wire.write(b"\r\n")
            heard = wire.drain(0.15)
        finally:
            wire.close()
    except BenchError:
        return ""
    lines = heard.decode("ascii", "replace").split()
    if any(line == "ok" or line.startswith("error:") for line in lines):
        return "a motion controller that does not tell its status: reset it, then search again"
    return ""


def _scpi(link: str, make: Make) -> FoundInstrument:
    try:
        answer = _query(link, b"*IDN?\n")
    except NoReply as fault:
        quiet = "began with" not in fault.message
        return FoundInstrument(link=link, told="" if quiet and link.startswith("serial") else _bare(fault))
    except BenchError as fault:
        return FoundInstrument(link=link, told=_bare(fault))
    fields = [field.strip().strip('"') for field in answer.split(",")]
    if len(fields) < 4:
        return FoundInstrument(link=link, told=answer)
    identity = Identity(maker=fields[0], model=fields[1], serial=fields[2], firmware=",".join(fields[3:]))
    for driver, role in SCPI:
        models: Any = getattr(make(driver), "models", "")
        if re.fullmatch(models, identity.model, re.IGNORECASE):
            return FoundInstrument(link=link, driver=driver, role=role, identity=identity, told=answer)
    if DIGITISER.fullmatch(identity.model):
        return FoundInstrument(link=link, driver="scpi-digitiser", role="sampler", identity=identity, told=answer)
    return FoundInstrument(link=link, identity=identity, told=answer)


def _query(link: str, words: bytes) -> str:
    wire = open_link(link, "search")
    try:
        wire.write(words)
        return wire.read_line(ANSWER_S).decode("ascii", "replace").strip()
    finally:
        wire.close()


def _small(driver: str, role: str, url: str, make: Make) -> FoundInstrument:
    """One small dialogue: recognised, another answer (in `told`), or no answer (`told` is empty)."""
    try:
        if driver == "grbl":
            return _grbl(url)
        if driver == "tmcl":
            return _tmcl(url)
        if driver in COUNTED:
            return _board(driver, url, make)
        return FoundInstrument(link=url, driver=driver, role=role, identity=_opened(make(driver)("search", url)))
    except NoReply as fault:
        return FoundInstrument(link=url, told=_bare(fault) if "began with" in fault.message else "")
    except LinkDown as fault:
        return FoundInstrument(link=url, told=_bare(fault))
    except BenchError:
        return FoundInstrument(link=url)


def _bare(fault: BenchError) -> str:
    return fault.message.removeprefix("search: ")


def _opened(instrument: Instrument) -> Identity:
    """Drivers of these families only ask when they open."""
    try:
        instrument.open()
        return instrument.identity()
    finally:
        instrument.close()


def _grbl(url: str) -> FoundInstrument:
    wire: Link = open_link(url, "search")
    try:
        status = GrblDialogue(wire, "search").status()
        time.sleep(0.2)
        wire.drain()
    finally:
        wire.close()
    remaining = url.replace("?dtr=0", "")
    return FoundInstrument(link=remaining, driver="grbl", role="axis", told=f"a motion controller, {status.state}")


def _tmcl(url: str) -> FoundInstrument:
    """A module counts nine bytes a request: what others said may have left it anywhere, so it is shifted, at most once
    round; a request that it takes wrongly has a wrong checksum and does nothing.
    """
    wire = open_link(url, "search")
    try:
        for _ in range(LENGTH):
            dialogue = TmclDialogue(wire, "search")
            dialogue.deadline_s = SHIFT_S
            try:
                version = dialogue.ask(Op.GFV, 1)
            except (NoReply, BadReply, InstrumentRefused):
                wire.write(b"\0")
                wire.drain(SHIFT_S)
                wire.dirty = False
                continue
            return FoundInstrument(link=url, driver="tmcl", role="axis", told=f"a TMCL module {version >> 16 & 0xFFFF}")
    finally:
        wire.close()
    return FoundInstrument(link=url)


def _board(driver: str, url: str, make: Make) -> FoundInstrument:
    """How many relays a board has is told by how many it lets be read; the driver wants to know beforehand."""
    for relays in COUNTED[driver]:
        try:
            identity = _opened(make(driver)("search", url, relays=relays))
        except NoReply:
            if driver == "modbus-relays":
                break  # a board that is there refuses a number of relays in words
            continue
        except BenchError:
            continue
        return FoundInstrument(
            link=url, driver=driver, role="switch", identity=identity, told="a board", options=(("relays", relays),)
        )
    return FoundInstrument(link=url)
