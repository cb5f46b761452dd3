"""Every family of instruments and how far its driver has been tried, said honestly.

Levels: "met hardware" (serial number and day), "met a peer nobody here wrote" (which), "own simulator only" (a dialogue
or a stand-in written here from the manual). A level rises by a peer of others, which is a row here, or by itself by the
dialogue of a real instrument: a file that `anglewright bench record` wrote, in the home's `dialogues/` or in those that
travel with the program, and that today's driver still says word for word.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from drivers.dialogue.file import Dialogue, load_dialogue
from drivers.dialogue.verbs import NOT_DONE
from rig.description.places import default_home, known_names, packaged_fixtures
from rig.errors import RigError

HARDWARE = "met hardware"
PEER = "met a peer nobody here wrote"
OWN = "own simulator only"


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One driver: its role, its level, and what that rests on."""

    role: str
    instruments: str
    level: str = OWN
    rests_on: str = "a dialogue written here from the manual"


FROM_MEMORY = "a dialogue written here; words from the manual, numbers of the matrix card's relays from memory"
STAND_IN = "a stand-in of the maker's library, written here"
FAMILIES: Mapping[str, Family] = {
    "scpi-344xx": Family(
        role="multimeter",
        instruments="34401A, 34405A, 34410A/11A, 34460A to 34470A, SDM3055/3065, DM3058/3068",
        level=PEER,
        rests_on="a SCPI parser's server, framing and errors only (30 Nov 2026)",
    ),
    "dmm6500": Family(role="multimeter", instruments="DMM6500, DMM7510, DAQ6510"),
    "scpi-335xx": Family(
        role="generator",
        instruments="335xxA/B, 336xx, 33210A, 33220A, 33250A, DG800/900, DG1000Z, DG2000, DG4000",
        level=PEER,
        rests_on="a SCPI parser's server, framing and errors only (30 Nov 2026)",
    ),
    "sdg": Family(
        role="generator",
        instruments="SDG1000X, SDG2000X",
        level=PEER,
        rests_on="an emulator of the SDG1032X by others (30 Nov 2026)",
    ),
    "scpi-digitiser": Family(role="sampler", instruments="Infiniium class"),
    "scope-rigol": Family(role="sampler", instruments="DS1000Z and its words"),
    "nidaqmx": Family(role="sampler", instruments="simultaneous boards with NI-DAQmx", rests_on=STAND_IN),
    "uldaq": Family(role="sampler", instruments="simultaneous boards with libuldaq", rests_on=STAND_IN),
    "labjack": Family(role="sampler", instruments="T7, T8", rests_on=STAND_IN),
    "audio": Family(role="sampler", instruments="audio interfaces", rests_on=STAND_IN),
    "grbl": Family(
        role="axis",
        instruments="grbl 1.1, grblHAL",
        level=PEER,
        rests_on="a grbl 1.1h core on a computer (30 Nov 2026)",
    ),
    "tmcl": Family(role="axis", instruments="TMCM modules with TMCL"),
    "nd28x": Family(role="encoder", instruments="ND 280, ND 287"),
    "scpi-switch": Family(role="switch", instruments="34980A"),
    "scpi-switch-inputs": Family(role="interlock", instruments="digital inputs of a 34980A"),
    "daq-switch": Family(
        role="switch", instruments="34970A, 34972A, DAQ970A, DAQ973A with cards 901A to 904A", rests_on=FROM_MEMORY
    ),
    "lcus": Family(role="switch", instruments="LCUS serial relay boards"),
    "modbus-relays": Family(
        role="switch",
        instruments="Modbus RTU relay boards",
        rests_on="a dialogue written here; frames built and checked by pymodbus",
    ),
    "modbus-inputs": Family(
        role="interlock",
        instruments="Modbus RTU input boxes",
        rests_on="a dialogue written here; frames built and checked by pymodbus",
    ),
    "modem-lines": Family(
        role="interlock",
        instruments="modem lines of USB serial adapters",
        rests_on="a stand-in of a port, written here",
    ),
    "hmt-probe": Family(role="climate", instruments="HMT class probes on RS-232"),
    "modbus-probe": Family(
        role="climate",
        instruments="Modbus RTU probes",
        rests_on="a dialogue written here; frames built and checked by pymodbus",
    ),
    "hand": Family(role="switch", instruments="a person with leads and plugs", rests_on="a simulated person"),
    "hand-thermometer": Family(role="climate", instruments="a typed thermometer", rests_on="a simulated person"),
    "hand-attends": Family(role="interlock", instruments="a person who attends", rests_on="a simulated person"),
}
NOT_TOLD = Family(role="", instruments="", level=OWN, rests_on="nothing is recorded of it")


def family_of(driver: str) -> Family:
    """What is known of a driver; an honest nothing for one that is not in the table."""
    return FAMILIES.get(driver, NOT_TOLD)


def family_rows(
    drivers: Iterable[str], profile: str, others: Mapping[str, str], replay: Callable[[Path], Dialogue]
) -> list[dict[str, str]]:
    """Every driver, profile (`profile` before its name) and plug-in (name -> package), with level and what it rests on.

    replay: says a recorded dialogue again with today's driver.
    """
    from drivers.profile.model import load_profile

    rows = [{"driver": name, **asdict(family_of(name))} for name in drivers]
    for name in known_names("instrument"):
        known = load_profile(name)
        proven = ", ".join(known.proven_on)
        row = {"role": known.role, "instruments": known.title or known.name}
        row |= {"level": HARDWARE if proven else OWN, "rests_on": proven or "written from its manual, tried on nothing"}
        rows.append({"driver": f"{profile}{name}", **row})
    for driver, proves, words in _dialogues(replay):
        for row in rows:
            if row["driver"] == driver:
                row["level"], row["rests_on"] = (HARDWARE if proves else row["level"]), f"{row['rests_on']}; {words}"
    for name, whose in others.items():
        row = {"driver": name, "role": "", "instruments": "", "level": "not ours", "rests_on": f"package {whose}"}
        rows.append(row)
    return rows


def dialogue_files() -> list[Path]:
    """Recorded dialogues of the home, then those that travel with the program."""
    places = (default_home() / "dialogues", packaged_fixtures() / "dialogues")
    return [file for place in places if place.is_dir() for file in sorted(place.glob("*.jsonl"))]


def _dialogues(replay: Callable[[Path], Dialogue]) -> Iterator[tuple[str, bool, str]]:
    """Driver, whether it raises the level, and in words what it proves, of every dialogue that is not simulated."""
    for file in dialogue_files():
        try:
            dialogue = load_dialogue(file)
        except RigError as fault:
            yield "", False, str(fault)
            continue
        head = dialogue.head
        if head.source != "instrument":
            continue
        whose = f"the dialogue of a {head.identity.model} of {head.date_utc[:10]} ({file.name})"
        try:
            replay(file)
        except RigError as fault:
            yield head.driver, False, f"{whose} proves nothing: {fault}"
            continue
        yield head.driver, True, f"{whose} proves {what_it_proves(dialogue)}"


def what_it_proves(dialogue: Dialogue) -> str:
    """What was said and understood, and what a recorded dialogue of that role leaves open."""
    return f"the words of {', '.join(dialogue.verbs)}; not {NOT_DONE[dialogue.head.role]}"
