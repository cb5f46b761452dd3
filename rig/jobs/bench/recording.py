"""The dialogue of a bench's real instruments as files that a shop can send; and such a file said again by its driver.

The bench is held as for a run. Instruments are opened one after another, each with its harmless verbs only: no output
is switched on, nothing turns, no relay closes. It judges no instrument.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from drivers import shelf
from drivers.dialogue.file import WIRES, Dialogue, dialogue_text, replace_serial
from drivers.families import what_it_proves
from rig.control.instruments import ORDER, OVERLAID, device_options
from rig.description.benches import BenchFile, Device, load_bench
from rig.description.places import default_home, find
from rig.errors import BenchError, RecordError, UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptDialogue:
    """A file that was written. fault: why the dialogue broke off; replaced: places of a replaced serial number."""

    role: str
    driver: str
    file: Path
    exchanges: int
    proves: str
    fault: str
    replaced: int | None

    def to_dict(self) -> dict[str, Any]:
        """As JSON."""
        return asdict(self) | {"file": str(self.file)}


def record_dialogues(
    bench_name: str,
    roles: Sequence[str],
    folder: Path | None,
    *,
    without_serial: bool,
    say: Callable[[str], None],
) -> list[KeptDialogue]:
    """Record the instruments of a bench: of these roles, or of all that speak over a wire with bytes.

    folder: the home's `dialogues/` by default. without_serial: X in place of serial numbers and addresses. UsageError
    for a role that the bench lacks or whose instrument has no dialogue; BenchBusy, LinkDown, NoReply as for a run.
    """
    file = load_bench(bench_name)
    devices = file.devices()
    for role in roles:
        if role not in devices:
            raise UsageError(
                f"bench {file.name} has no {role}.", next_action=f"It has: {', '.join(devices)}. Name one of them."
            )
    chosen = [role for role in ORDER if role in (roles or devices)]
    kept: list[KeptDialogue] = []
    with ExitStack() as stack:
        stack.enter_context(
            shelf.hold([one.link for one in devices.values() if one.link != OVERLAID], "a dialogue is recorded")
        )
        links = _links(file, devices, stack)
        if "multimeter" in chosen:
            say("Both leads of the meter have to be off the part: its test current flows in them.")
        for role in chosen:
            device = devices[role]
            link = links.get(role)
            if link is None or (not roles and not link.startswith(WIRES)):
                say(f"{role}: nothing to record ({device.driver} at {link or 'no link'})")
                continue
            kept.append(_record(file, role, device, link, folder, without_serial=without_serial))
    if not kept:
        raise UsageError(f"bench {file.name}: no instrument speaks over a wire with bytes: nothing was recorded.")
    return kept


def _links(file: BenchFile, devices: Mapping[str, Device], stack: ExitStack) -> dict[str, str]:
    links = {role: one.link for role, one in devices.items() if one.link != OVERLAID}
    if file.world is not None:
        world = find("world", file.world)
        links = dict(stack.enter_context(shelf.start_simulated(world, settings=file.world_settings)).links) | links
    return links


def _record(
    file: BenchFile, role: str, device: Device, link: str, folder: Path | None, *, without_serial: bool
) -> KeptDialogue:
    recorded = shelf.record(
        device.driver,
        link,
        role,
        simulated=file.is_simulated,
        program=version("anglewright"),
        **device_options(role, device),
    )
    head, events, count = recorded.head, [dict(event) for event in recorded.events], None
    if without_serial:
        head, events, count = replace_serial(head, events)
    name = "-".join(filter(None, (role, device.driver.replace(":", "-"), head.date_utc[:19].replace(":", ""))))
    place = (folder or default_home() / "dialogues") / f"{name}.jsonl"
    _write(place, dialogue_text(head, events, recorded.fault, recorded.t_s))
    if recorded.fault:
        proves = "nothing: it broke off, and is evidence of that fault"
    else:
        proves = _proof(place)
    exchanges = sum("say" in event for event in events)
    return KeptDialogue(
        role=role,
        driver=device.driver,
        file=place,
        exchanges=exchanges,
        proves=proves,
        fault=recorded.fault,
        replaced=count,
    )


def _proof(place: Path) -> str:
    """What the file proves, once its driver has said it again; a file that can't be said again says so."""
    try:
        return what_it_proves(shelf.replay(place))
    except BenchError as fault:
        return f"nothing yet: played back, its driver said otherwise ({fault})"


def _write(place: Path, text: str) -> None:
    """Whole or not at all, never over another."""
    beside = place.with_name(f".{place.name}.{os.getpid()}")
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(text, encoding="utf-8")
        os.link(beside, place)
    except FileExistsError as fault:
        raise UsageError(f"{place} is there already.", next_action="Choose another folder.") from fault
    except OSError as fault:
        raise RecordError(f"{place}: can't be written ({fault}).", next_action="Check disk and folder.") from fault
    finally:
        beside.unlink(missing_ok=True)


def replay_dialogue(file: Path) -> tuple[Dialogue, str]:
    """The dialogue of a file that today's driver has said again word for word, and what it proves."""
    dialogue = shelf.replay(file)
    return dialogue, what_it_proves(dialogue)
