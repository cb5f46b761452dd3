"""From a soak file to the looks of a night, and from those to what a controller is asked for.

It opens no bench. Several serials on one spindle are refused: an opened guard ends the arming, so nobody changes them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from rig.description.parts import load_part
from rig.description.soaks import SoakFile, Standards, check_part
from rig.errors import RecordError, UsageError
from rig.jobs.bench.description_files import bench_of
from rig.jobs.controller.ask import NIGHT, Ask
from rig.jobs.night.queue import Queue, QueueEntry
from rig.jobs.run_job import Request
from rig.records.store import Store
from sequences import check_standard
from sequences.registry import find_sequence
from sequences.watch import SEQUENCE as WATCH

STANDARDS = "standards"  # the serial under which a bench takes its own standards
ROOM_DEGC = 30.0  # a hunt "to room" ends here: what is left of a cooling that never ends


class _Plan:
    """Looks of one part as they are added, the bench's standards between them where that is asked for."""

    def __init__(self, queue: Queue, request: Request, standards: Standards | None) -> None:
        self._queue, self._request, self._standards = queue, request, standards
        self._since = 0
        self.entries: list[QueueEntry] = []

    def look(self, request: Request, **more: Any) -> None:
        """Add a look; a take of the standards before it where one is due."""
        of = self._standards
        first = of is not None and of.first_and_last and not self.entries
        due = of is not None and of.every_looks is not None and self._since >= of.every_looks
        if first or due:
            self._take(str(more.get("leg", "")))
        self.entries.append(self._queue.add(request, **more))
        self._since += 1

    def end(self) -> list[QueueEntry]:
        """All entries, with the last take."""
        if self._standards is not None and self._standards.first_and_last and self.entries:
            self._take(self.entries[-1].leg)
        return self.entries

    def _take(self, leg: str) -> None:
        request = replace(self._request, sequence=check_standard.SEQUENCE.name, serial=STANDARDS, entries=())
        self.entries.append(self._queue.add(request, leg=leg))
        self._since = 0


def add_looks(
    queue: Queue, request: Request, *, times: int = 1, every_min: float = 0.0, standards: Standards | None = None
) -> list[QueueEntry]:
    """A sequence so many times on one clamped part. Raises UsageError for several serials on one spindle."""
    check_one_part(queue, request)
    plan = _Plan(queue, request, standards)
    for n in range(times):
        plan.look(request, leg="repeat" if times > 1 else "", wait_s=60.0 * every_min if n else 0.0)
    return plan.end()


def add_soak(queue: Queue, request: Request, soak: SoakFile) -> list[QueueEntry]:
    """The legs of a soak as looks. Raises UsageError: part without a ceiling, unknown sequence, several serials."""
    part = load_part(request.part)
    check_part(soak, part.ceiling_coil_degc, part.number)
    check_one_part(queue, request)
    for leg in soak.leg:
        if leg.look:
            find_sequence(leg.look)
    r20_ohm = coil_r20_ohm(request, part.number, soak.temperature_from, _nominal(part, soak.temperature_from))
    plan = _Plan(queue, request, soak.standards)
    ceilings = {**soak.ceilings.model_dump(), "coil": soak.temperature_from, "r20_ohm": r20_ohm}
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
            plan.look(replace(request, sequence=WATCH.name), leg=leg.name, hunt=hunt, ceilings=ceilings)
            continue
        for n in range(leg.looks):
            wait_s = 60.0 * leg.every_min if n and leg.every_min else 0.0
            plan.look(replace(request, sequence=leg.look), leg=leg.name, wait_s=wait_s, ceilings=ceilings)
    return plan.end()


def check_one_part(queue: Queue, request: Request) -> None:
    """Raises UsageError for a second serial on a bench that no person may enter at night."""
    if bench_of(request.bench, request.world).is_simulated:
        return
    others = {str(one.request.get("serial")) for one in queue.entries() if one.state == "waiting"}
    others -= {request.serial, STANDARDS}
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
    return datetime.fromtimestamp(now.timestamp() + seconds_until(until, now)).astimezone()


def ask_for_night(until: str, now: datetime) -> Ask:
    """What a controller is asked for: the planned looks until "HH:MM". Raises UsageError."""
    waiting = [one for one in Queue().entries() if one.state in ("waiting", "running")]
    bench, simulated = "night", True
    if waiting:
        request = waiting[0].run_request()
        file = bench_of(request.bench, request.world)
        bench, simulated = file.name, file.world is not None
    details = {"for_s": seconds_until(until, now), "bench": bench, "simulated": simulated}
    return Ask(kind=NIGHT, details=details, attended=False)


def seconds_until(clock_time: str, now: datetime) -> float:
    """From now to the next time (local) that a clock shows "HH:MM", by what passes: an hour that is set forward or back
    between is left out or counted twice. Raises UsageError."""
    read = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", clock_time)
    if read is None:
        raise UsageError(f"{clock_time!r} is no time of day.", next_action="Write e.g. --until 06:30.")
    local = datetime.fromtimestamp(now.timestamp())
    end = local.replace(hour=int(read[1]), minute=int(read[2]), second=0, microsecond=0)
    if end <= local:
        end += timedelta(days=1)
    return end.timestamp() - now.timestamp()
