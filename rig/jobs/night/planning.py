"""From a soak file to the looks of a night, and what has to be right before a night may begin, each with its figure.

It opens no bench. Several serials on one spindle are refused: an opened guard ends the arming, so nobody changes them.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from rig.description.parts import load_part
from rig.description.soaks import SoakFile, check_part
from rig.errors import RecordError, UsageError
from rig.jobs.controller.ask import NIGHT, Ask
from rig.jobs.night.checks.standards import standards_due
from rig.jobs.night.queue import Queue, QueueEntry
from rig.jobs.run_job import Request, bench_of
from rig.records.store import Store
from sequences.registry import find_sequence
from sequences.watch import SEQUENCE as WATCH

ROOM_DEGC = 30.0  # a hunt "to room" ends here: what is left of a cooling that never ends
LOOK_BYTES = 11_000_000  # of a full test, measured
MARGIN = 1.2


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


# ---- readiness ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """One figure of readiness. holds: None where a person has to look."""

    what: str
    figure: str
    holds: bool | None
    do: str = ""


def readiness(entries: Sequence[QueueEntry], until: datetime, now: datetime) -> list[Ready]:
    """What has to be right before the night; nothing is opened for it."""
    store = Store()
    looks = [one for one in entries if one.state == "waiting"]
    hours = (until - now).total_seconds() / 3600.0
    found = [_looks(looks, hours), _disk(store, looks)]
    if looks:
        request = looks[0].run_request()
        file = bench_of(request.bench, request.world)
        found += [_calibrations(file, until), _interlock(file), _bypass(file)]
        found += [_standards(store, file, until), _part(request)]
    offset_now, offset_then = now.astimezone().utcoffset(), until.astimezone().utcoffset()
    same = offset_now == offset_then
    moved = "no change of the hour" if same else f"the hour changes: {offset_now} to {offset_then}"
    return [*found, Ready(what="clock", figure=f"{moved}; legs run on time since boot", holds=True)]


def _looks(looks: Sequence[QueueEntry], hours: float) -> Ready:
    minutes = 0.0
    for one in looks:
        minutes += one.wait_s / 60.0
        if one.hunt:
            minutes += float(one.hunt["longest_s"]) / 60.0
        else:
            minutes += find_sequence(str(one.request["sequence"])).traits.minutes
    figure = f"{len(looks)} looks, about {minutes / 60.0:.1f} h of {hours:.1f} h"
    fits = bool(looks) and minutes / 60.0 <= hours
    return Ready(what="plan", figure=figure, holds=fits, do="Plan looks, or a later end." if not fits else "")


def _disk(store: Store, looks: Sequence[QueueEntry]) -> Ready:
    store.home.mkdir(parents=True, exist_ok=True)
    need, free = MARGIN * LOOK_BYTES * len(looks), shutil.disk_usage(store.home).free
    figure = f"{free / 1e9:.1f} GB free, {need / 1e9:.2f} GB needed"
    return Ready(what="disk", figure=figure, holds=free > need, do="Free some space." if free <= need else "")


def _calibrations(file: Any, until: datetime) -> Ready:
    due = [(device.due, role) for role, device in file.devices().items() if device.due is not None]
    if not due:
        return Ready(what="calibrations", figure="none is recorded", holds=True if file.is_simulated else None)
    first, role = min(due)
    holds = first >= until.date()
    return Ready(
        what="calibrations",
        figure=f"the first ends {first.isoformat()} ({role})",
        holds=holds,
        do="" if holds else f"Have the {role} calibrated.",
    )


def _standards(store: Store, file: Any, until: datetime) -> Ready:
    """Declared standards in force to the end; a simulated bench's are the world's, with no certificate to run out."""
    due = standards_due(store, file.name, until.date())
    holds = not due or (True if file.is_simulated else None)
    do = "" if not due or file.is_simulated else f"anglewright bench standard ... --bench {file.name}"
    figure = "; ".join(due) if due else "all declared and in force to the end"
    return Ready(what="standards", figure=figure, holds=holds, do=do)


def _interlock(file: Any) -> Ready:
    timer = file.interlock.enable_channel is not None
    figure = "enable timer pulsed" if timer else "no enable timer is pulsed"
    holds = timer or file.is_simulated
    return Ready(what="enable timer", figure=figure, holds=holds, do="" if holds else "hardware/interlock.md")


def _bypass(file: Any) -> Ready:
    if file.interlock.bypass_bit is None:
        return Ready(what="bypass jumper", figure="no contact reads it", holds=True if file.is_simulated else None)
    return Ready(what="bypass jumper", figure="read by its contact at the arming", holds=True)


def _part(request: Request) -> Ready:
    part = load_part(request.part)
    stated = part.ceiling_coil_degc
    excited = f"{part.excitation.ceiling_v_rms:g} V, {part.excitation.ceiling_a_rms:g} A"
    degc = f", {stated:g} degC" if stated is not None else ", no temperature"
    return Ready(what="part ceilings", figure=f"{part.number}: {excited}{degc}", holds=True)


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
