"""A recorded dialogue as a file: one JSON object a line, a head first, then what passed, an end last.

    {"schema": "anglewright dialogue 2", "date_utc", "role", "driver", "program", "link", "source", "identity", ...}
    {"t_s": 0.0, "do": "four-wire ohms"}          the verb that follows
    {"t_s": 0.0012, "say": "..."}                 bytes to the instrument, as Latin-1 text
    {"t_s": 0.0031, "line": "..."}                a line from it, without its end; "bytes": counted; "unasked"
    {"t_s": 1.2, "end": "whole", "exchanges": 21} or "broke", with the fault

t_s counts from the opening of the link. Nothing here knows an instrument. Source: JSON Lines (one JSON text a line,
RFC 8259), UTF-8.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from drivers.roles import Identity
from rig.errors import DescriptionError, UsageError

SCHEMA = "anglewright dialogue 2"
WHOLE, BROKE = "whole", "broke"
SAID = "say"
HEARD = ("line", "bytes", "unasked")
WIRES = ("tcp://", "serial://", "visa://", "visa+")  # links that carry bytes
LIMIT_BYTES = 16 << 20
LEAST_SERIAL = 4  # a shorter serial number can't be told from a reading
NOT_A_WORD = "(?<![A-Za-z0-9])", "(?![A-Za-z0-9])"


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """Whose dialogue it is. source: "instrument" or "simulated". options: what its driver was built with."""

    role: str
    driver: str
    program: str
    link: str
    source: str
    identity: Identity
    date_utc: str
    options: Mapping[str, Any] = field(default_factory=dict)
    serial_replaced: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialogue:
    """A file that was read: head, events in order (without the end), and how it ended."""

    file: Path
    head: Head
    events: tuple[Mapping[str, Any], ...]
    fault: str = ""

    @property
    def is_whole(self) -> bool:
        """Every verb came to its end."""
        return not self.fault

    @property
    def exchanges(self) -> int:
        """Messages that were said."""
        return sum(SAID in event for event in self.events)

    @property
    def verbs(self) -> tuple[str, ...]:
        """What was done, in order."""
        return tuple(str(event["do"]) for event in self.events if "do" in event)


def load_dialogue(file: Path) -> Dialogue:
    """The dialogue in a file. DescriptionError by file and line for what is no whole file of this kind."""
    lines = _lines_of(file)
    head = _head(file, lines[0])
    end = lines[-1]
    if end.get("end") not in (WHOLE, BROKE):
        raise _wrong(file, len(lines), "the file stops before its end: it was cut off", "Send the file as it was made.")
    events = lines[1:-1]
    for number, event in enumerate(events, start=2):
        if sum(key in event for key in ("do", SAID, *HEARD)) != 1:
            raise _wrong(file, number, "is neither a verb, a message nor an answer", "Send the file as it was made.")
    said = sum(SAID in event for event in events)
    if end.get("exchanges") != said:
        raise _wrong(
            file,
            len(lines),
            f"{end.get('exchanges')} messages were recorded, {said} are there",
            "Send the file as it was made.",
        )
    fault = str(end.get("fault") or "it broke off") if end["end"] == BROKE else ""
    return Dialogue(file=file, head=head, events=tuple(events), fault=fault)


def _lines_of(file: Path) -> list[dict[str, Any]]:
    try:
        if file.stat().st_size > LIMIT_BYTES:
            raise UsageError(
                f"{file}: is larger than {LIMIT_BYTES >> 20} MiB.", next_action="Give a recorded dialogue."
            )
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise UsageError(
            f"{file}: can't be read ({fault}).", next_action="Give a file that `bench record` made."
        ) from fault
    lines: list[dict[str, Any]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        try:
            event = json.loads(line)
        except (ValueError, RecursionError) as fault:
            raise _wrong(file, number, f"no JSON ({fault})", "Send the file as it was made.") from fault
        if not isinstance(event, dict):
            raise _wrong(file, number, "no JSON object", "Send the file as it was made.")
        lines.append(event)
    if not lines or lines[0].get("schema") != SCHEMA:
        named = lines[0].get("schema") if lines else None
        raise _wrong(file, 1, f"schema is {named!r}, {SCHEMA!r} was expected", "Give a file that `bench record` made.")
    return lines


def _head(file: Path, line: Mapping[str, Any]) -> Head:
    texts = ("role", "driver", "program", "link", "source", "date_utc")
    who = line.get("identity")
    for key in texts:
        if not isinstance(line.get(key), str):
            raise _wrong(file, 1, f"{key} is missing", "Give a file that `bench record` made.")
    if line["source"] not in ("instrument", "simulated"):
        raise _wrong(
            file, 1, f"source is {line['source']!r}, neither instrument nor simulated", "Send it as it was made."
        )
    if not isinstance(who, dict) or set(who) != {"maker", "model", "serial", "firmware"}:
        raise _wrong(file, 1, "identity is not maker, model, serial, firmware", "Send the file as it was made.")
    options = line.get("options") or {}
    if not isinstance(options, dict):
        raise _wrong(file, 1, "options is no table", "Send the file as it was made.")
    return Head(
        **{key: line[key] for key in texts},
        identity=Identity(**{key: str(value) for key, value in who.items()}),
        options=options,
        serial_replaced=bool(line.get("serial_replaced")),
    )


def _wrong(file: Path, number: int, what: str, do: str) -> DescriptionError:
    told = f"{file}:{number}: {what}."
    return DescriptionError(told, faults=(told,), next_action=do)


def dialogue_text(head: Head, events: Sequence[Mapping[str, Any]], fault: str, t_s: float) -> str:
    """The whole file. fault: "" for a dialogue in which every verb came to its end."""
    said = sum(SAID in event for event in events)
    end: dict[str, Any] = {"t_s": t_s, "end": BROKE if fault else WHOLE, "exchanges": said}
    lines = [{"schema": SCHEMA} | asdict(head), *events, end | ({"fault": fault} if fault else {})]
    return "".join(json.dumps(line) + "\n" for line in lines)


def replace_serial(head: Head, events: Sequence[Mapping[str, Any]]) -> tuple[Head, list[dict[str, Any]], int]:
    """Head and events with as many X in place of the serial number and no address; how often it stood in the words.

    Lengths stay, so that counted blocks do. UsageError where it can't be done without guessing or breaking a frame.
    """
    serial = head.identity.serial
    bare = replace(head, link=_kind_of(head.link), serial_replaced=True)
    if not serial:
        return bare, [dict(event) for event in events], 0
    if len(serial) < LEAST_SERIAL:
        raise UsageError(
            f"serial number {serial!r} is too short to be told from a reading.",
            next_action="Record without --replace-serial, and read the file before you send it.",
        )
    cover = "X" * len(serial)
    word = re.compile(NOT_A_WORD[0] + re.escape(serial) + NOT_A_WORD[1])
    covered, count = [], 0
    for event in events:
        key = next(iter(set(event) - {"t_s"}))
        text, found = (event[key], 0) if key == "bytes" else word.subn(cover, str(event[key]))
        count += found
        covered.append({**event, key: text})
    heard = "".join(str(event[key]) for event in covered for key in HEARD if key in event)
    if serial in heard:
        raise UsageError(
            f"serial number {serial!r} stands in bytes with a check sum or inside another word: it can't be replaced.",
            next_action="Record without --replace-serial, and decide whether the file may leave the shop.",
        )
    return replace(bare, identity=replace(head.identity, serial=cover)), covered, count


def _kind_of(link: str) -> str:
    """A link without host, port, path or address: its kind, VISA interface, and what follows the question mark."""
    kind, _, rest = link.partition("://")
    if kind.startswith("visa"):
        interface = re.match(r"[A-Za-z]*", rest)
        return f"{kind}://{interface.group() if interface else ''}::replaced::{rest.rpartition('::')[2]}"
    return f"{kind}://replaced" + (f"?{rest.partition('?')[2]}" if "?" in rest else "")
