"""From a soak file to the looks of a night, and from those to what a controller is asked for.

It opens no bench. Several serials on one spindle are refused: an opened guard ends the arming, so nobody changes them.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from rig.description.parts import load_part
from rig.description.soaks import SoakFile, check_part
from rig.errors import RecordError, UsageError
from rig.jobs.bench.description_files import bench_of
from rig.jobs.controller.ask import NIGHT, Ask
from rig.jobs.night.queue import Queue, QueueEntry
from rig.jobs.run_job import Request
from rig.records.store import Store
from sequences.registry import find_sequence
from sequences.watch import SEQUENCE as WATCH

ROOM_DEGC = 30.0  # a hunt "to room" ends here: what is left of a cooling that never ends


def add_looks(queue: Queue, request: Request, *, times: int = 1, every_min: float = 0.0) -> list[QueueEntry]:
    """A sequence so many times on one clamped part. Raises UsageError for several serials on one spindle."""
    check_one_part(queue, request)
    return [
        queue.add(
            replace(request, serial=request.serial),
            leg="repeat" if times > 1 else "",
            wait_s=60.0 * every_min if n else 0.0,
        )
        for n in range(times)
    ]


def add_soak(queue: Queue, request: Request, soak: SoakFile) -> list[QueueEntry]:
    """The legs of a soak as looks. Raises UsageError: part without a ceiling, unknown sequence, several serials."""
    part = load_part(request.part)
    check_part(soak, part.ceiling_coil_degc, part.number)
    check_one_part(queue, request)
    for leg in soak.leg:
        if leg.look:
            find_sequence(leg.look)
    r20_ohm = coil_r20_ohm(request, part.number, soak.temperature_from, _nominal(part, soak.temperature_from))
    made = []
    for leg in soak.leg:
        if leg.hunt:
            hunt: Mapping[str, Any] = {
                "to_degc": ROOM_DEGC if leg.to_degc == "room" else float(leg.to_degc) + leg.within_k,
                "longest_s": 60.0 * float(leg.longest_min or 0.0),
                "rest_s": leg.rest_s,
                "coil": soak.temperature_from,
                "r20_ohm": r20_ohm,
                "ceiling_degc": soak.ceilings.coil_degc,
            }
            made.append(queue.add(replace(request, sequence=WATCH.name), leg=leg.name, hunt=hunt))
            continue
        for n in range(leg.looks):
            wait_s = 60.0 * leg.every_min if n and leg.every_min else 0.0
            made.append(queue.add(replace(request, sequence=leg.look), leg=leg.name, wait_s=wait_s))
    return made


def check_one_part(queue: Queue, request: Request) -> None:
    """Raises UsageError for a second serial on a bench that no person may enter at night."""
    if bench_of(request.bench, request.world).is_simulated:
        return
    others = {str(one.request.get("serial")) for one in queue.entries() if one.state == "waiting"} - {request.serial}
    if others:
        raise UsageError(
            f"a night is for one clamped part, and {', '.join(sorted(others))} is planned already.",
            next_action="An opened guard ends the arming: test several units by day, as a lot.",
        )


def _nominal(part: Any, coil: str) -> float:
    stated = getattr(part.coils, coil)
    if stated is None:
        raise UsageError(
            f"part {part.number} states no resistance of its {coil} coil, by which the temperature is told.",
            next_action="Write it into the part file, or name another coil in temperature_from.",
        )
    return float(stated.r20_ohm)


def coil_r20_ohm(request: Request, part: str, coil: str, nominal_ohm: float) -> float:
    """The unit's own resistance at 20 degC, from its newest run that states it; the nominal one where there is none."""
    with suppress(RecordError):
        for row in Store().results(part=part, serial=request.serial, measurand=f"r20_{coil}"):
            if row["estimate"] is not None:
                return float(row["estimate"])
    return nominal_ohm


def end_of(until: str, now: datetime) -> datetime:
    """The moment of "HH:MM". Raises UsageError."""
    from rig.jobs.night.night import seconds_until

    return now + timedelta(seconds=seconds_until(until, now))


def ask_for_night(until: str, now: datetime) -> Ask:
    """What a controller is asked for: the planned looks until "HH:MM". Raises UsageError."""
    from rig.jobs.night.night import seconds_until

    waiting = [one for one in Queue().entries() if one.state in ("waiting", "running")]
    bench, simulated = "night", True
    if waiting:
        request = waiting[0].run_request()
        file = bench_of(request.bench, request.world)
        bench, simulated = file.name, file.world is not None
    details = {"for_s": seconds_until(until, now), "bench": bench, "simulated": simulated}
    return Ask(kind=NIGHT, details=details, attended=False)
