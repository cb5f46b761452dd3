"""`anglewright bench new`: what is connected, a role for each, the rest by asking, and a bench file of it.

Instruments are only asked who they are (drivers/finding.py). Accuracy is never invented: specification lines come from
the makers' data sheets, by hand.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.roles import FoundInstrument
from drivers.shelf import options_of
from rig.control.instruments import OPTIONS
from rig.description.benches import BenchFile
from rig.description.places import default_home
from rig.errors import BenchBusy, UsageError
from rig.jobs.bench.description_files import toml_text, write_new
from rig.jobs.bench.dialogue import Questions
from rig.jobs.bench.speak_as import offer_profiles

ROLES = {  # role -> whether a bench may lack it
    "multimeter": False,
    "generator": False,
    "sampler": False,
    "switch": False,
    "interlock": False,
    "axis": True,
    "encoder": True,
    "climate": True,
}
FACTS: dict[str, tuple[tuple[str, str, float], ...]] = {
    "multimeter": (("line_hz", "mains frequency, Hz", 50.0),),
    "generator": (
        ("amplifier_gain", "volts at the coil per volt at the generator", 1.0),
        ("ceiling_v_rms", "never more at the coil than this, V rms", 10.0),
    ),
    "sampler": (
        ("range_v", "input range, half of full scale, V", 10.0),
        ("exc_divider", "volts at the input per volt of excitation", 0.5),
        ("shunt_ohm", "current shunt, ohm", 1.0),
        ("input_ohm", "input resistance, ohm", 1e6),
        ("input_pf", "input capacitance with its lead, pF", 120.0),
    ),
    "switch": (("ratio_standard_out_ohm", "output resistance of the ratio standard, ohm (71.4 as in hardware/)", 0.0),),
    "axis": (("full_steps", "full steps of the motor a turn", 200), ("microsteps", "microsteps a full step", 16)),
    "interlock": (
        ("channel", "digital input channel", 5101),
        ("guard_bit", "bit that is 1 with the guard closed", 0),
        ("stop_bit", "bit that is 1 with the emergency stop pressed", 1),
    ),
}
WIRING: dict[str, dict[str, Any]] = {  # driver -> its relays as hardware/relay_tree.md wires them
    "daq-switch": {
        "cards": [1, 2],
        "loopback": 301,
        "lead_short": 302,
        "check_resistor": 303,
        "ratio_standard": 304,
        "beyond": {"15": {"meter_hi": 311, "meter_lo": 312}},
    },
}
CALIBRATED = ("multimeter", "sampler", "encoder", "climate")
NONE = "none"
HAND = "hand"  # in place of a link: a person fills the role
BY_HAND = {"switch": "hand", "interlock": "hand-attends", "climate": "hand-thermometer"}
"""Role -> driver where a person fills it (drivers/hand.py)."""
TERMINAL = "terminal"
HAND_HOLDER = "hand_pins"  # the holder file of a bench whose leads are moved by hand: a column is a pin
OF_A_CALIBRATION = {
    "certificate": "number of its calibration certificate",
    "laboratory": "which laboratory calibrated it",
    "accreditation": "that laboratory's accreditation (number), or in words on what else the calibration rests",
}
"""Asked of an instrument that is calibrated: without them no report calls its results traceable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewBench:
    """A new bench file: where, its text as it was read back, and what had answered."""

    path: Path
    text: str
    bench: BenchFile
    found: tuple[FoundInstrument, ...]

    def document(self) -> dict[str, Any]:
        """As one JSON document."""
        return {
            "schema": "anglewright bench new 1",
            "path": str(self.path),
            "simulated": self.bench.is_simulated,
            "bench": self.bench.model_dump(mode="json", by_alias=True),
            "found": [found_data(one) for one in self.found],
        }


def found_data(found: FoundInstrument) -> dict[str, Any]:
    """What answered at a link, as data."""
    who = found.identity
    return {
        "link": found.link,
        "driver": found.driver,
        "role": found.role,
        "maker": who.maker if who else "",
        "model": who.model if who else "",
        "serial": who.serial if who else "",
        "told": found.told,
    }


def search(
    links: Sequence[str], *, everywhere: bool, say: Callable[[str], None], ask: Questions
) -> tuple[FoundInstrument, ...]:
    """Who answers at the given links and, when everywhere is set, at what this computer lists of its own.

    One that answers and that no family knows is offered the words of another one (speak_as.py).
    """
    from drivers import shelf

    listed, untold = shelf.places() if everywhere else ([], [])
    for kind in untold:
        say(f"could not search {kind}")
    wanted = list(dict.fromkeys([*links, *listed]))
    if not wanted:
        return ()
    say(f"asking {len(wanted)} link{'s' if len(wanted) > 1 else ''} who is there; a silent serial port takes 15 s")
    with ThreadPoolExecutor(max_workers=8) as pool:
        found = tuple(pool.map(_ask_link, wanted))
    for one in found:
        who = f"{one.identity.maker} {one.identity.model} {one.identity.serial}".strip() if one.identity else one.told
        say(f"  {one.link}: {who or 'nothing answers'}" + (f" -> {one.role} ({one.driver})" if one.role else ""))
    return offer_profiles(found, ask, say)


def _ask_link(link: str) -> FoundInstrument:
    """Who answers at a link. Nobody is asked at one that another program holds."""
    from drivers import shelf

    try:
        with shelf.hold([link], "search for instruments"):
            return shelf.recognise(link)
    except BenchBusy as busy:
        return FoundInstrument(link=link, told=busy.message)


def propose_sections(found: Sequence[FoundInstrument]) -> dict[str, dict[str, Any]]:
    """Role -> keys of its section. A second way to the switch's box is proposed for its digital inputs (interlock)."""
    roles: dict[str, dict[str, Any]] = {}
    for one in found:
        section = _section(one)
        if one.role and one.role not in roles:
            roles[one.role] = section
        elif one.driver == "scpi-switch" and "interlock" not in roles:
            roles["interlock"] = section | {"driver": "scpi-switch-inputs"}
    if roles.get("switch", {}).get("driver") == "scpi-switch" and "interlock" not in roles:
        roles["interlock"] = roles["switch"] | {"driver": "scpi-switch-inputs"}
    return roles


def _section(found: FoundInstrument) -> dict[str, Any]:
    serial = found.identity.serial if found.identity else ""
    return {"driver": found.driver, "link": found.link, "serial": serial} | dict(found.options)


def make(name: str, write: Path | None, found: Sequence[FoundInstrument], ask: Questions) -> NewBench:
    """Ask what is missing, write the bench file and read it back. Errors as `write_new` and `Questions` tell them."""
    path = write or default_home() / "benches" / f"{name}.toml"
    if path.exists():
        raise UsageError(f"{path} is there already.", next_action="Choose another name, or move that file away first.")
    data: dict[str, Any] = {"schema": "anglewright bench 1", "name": name}
    data["title"] = ask.text("title", "what the bench is called", name)
    data["shop"] = ask.text("shop", "whose bench, as printed (name; street; town; country)", "")
    proposals = propose_sections(found)
    data["holder"] = ask.text("holder", "holder file", "adapter_8" if "switch" in proposals else HAND_HOLDER)
    for role, may_lack in ROLES.items():
        fills = role in BY_HAND and not (role == "interlock" and "axis" in proposals)  # a motor needs one that is read
        section = _role(role, may_lack, proposals.get(role), found, ask, HAND if fills else None)
        if section is not None:
            data[role] = section
    for key, value in ask.rest().items():
        _put(data, key, value)
    text = toml_text(
        data, "Made by `anglewright bench new`. Accuracy (spec) comes from the makers' data sheets, by hand."
    )
    return NewBench(path=path, text=text, bench=write_new(BenchFile, path, text), found=tuple(found))


def _role(
    role: str,
    may_lack: bool,
    proposal: dict[str, Any] | None,
    found: Sequence[FoundInstrument],
    ask: Questions,
    hand: str | None,
) -> dict[str, Any] | None:
    default = proposal["link"] if proposal else NONE if may_lack else hand
    others = [*([NONE] if may_lack else []), *([HAND] if role in BY_HAND else [])]
    link = ask.text(f"{role}.link", f"{role}'s link" + "".join(f", or {one}" for one in others), default)
    if link == NONE and may_lack:
        return None
    if link == HAND and role in BY_HAND:
        return {"driver": BY_HAND[role], "link": TERMINAL}
    section = proposal if proposal and proposal["link"] == link else _other(role, link, found)
    driver = ask.text(f"{role}.driver", f"{role}'s driver", section.get("driver"))
    section = section | {"driver": driver}
    if driver == BY_HAND.get(role):
        return section  # a person has no channels and no calibration
    taken = options_of(driver, role)
    for key, question, usual in FACTS.get(role, ()):
        if key in OPTIONS.get(role, ()) and key not in taken:
            continue  # an option of other drivers of this role
        section[key] = ask.number(f"{role}.{key}", question, usual)
    section |= WIRING.get(driver, {})
    section["asset"] = ask.text(f"{role}.asset", "inventory number", "")
    if role in CALIBRATED:
        section["calibrated"] = ask.day(f"{role}.calibrated", "calibrated on (YYYY-MM-DD), empty for not")
        section["due"] = ask.day(f"{role}.due", "calibration due on (YYYY-MM-DD), empty for none")
        for key, question in OF_A_CALIBRATION.items() if section["calibrated"] else ():
            section[key] = ask.text(f"{role}.{key}", question, "")
    return section


def _other(role: str, link: str, found: Sequence[FoundInstrument]) -> dict[str, Any]:
    """The section of a link that was not proposed for the role."""
    mine = next((one for one in found if one.link == link and one.role == role), None)
    return _section(mine) if mine else {"link": link}


def _put(data: dict[str, Any], key: str, value: Any) -> None:
    table, dot, name = key.partition(".")
    if not dot:
        data[key] = value
    elif isinstance(data.get(table), dict):
        data[table][name] = value
    else:
        raise UsageError(f"answer {key}: the bench has no {table}.", next_action=f"Answer {table}.link too.")
