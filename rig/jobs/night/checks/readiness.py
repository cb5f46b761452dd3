"""What has to be right before a night may begin, each with its figure. Nothing is opened for it."""

from __future__ import annotations

import math
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rig.description.benches import BenchFile
from rig.description.parts import load_part
from rig.jobs.bench.description_files import bench_of
from rig.jobs.night.checks.deciding import TAKERS
from rig.jobs.night.checks.machine import Planned, planned_on_machine
from rig.jobs.night.checks.standards import standards_due
from rig.jobs.night.notices import asked_file, last_test
from rig.jobs.night.queue import QueueEntry
from rig.jobs.run_job import Request
from rig.records.calibrations import LOOPBACK, Calibrations, calibration_name
from rig.records.store import Store
from rig.review.charts import bench_names
from sequences.registry import find_sequence

LOOK_BYTES = 11_000_000  # of a full test, measured
MARGIN = 1.2
DAY_H, HOUR_MIN = 24.0, 60.0
NEWEST = 50  # takes that are looked through for one of this bench


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
        found += [_standards(store, file, until), _taken_today(store, file, looks, now), _loopback(file, now)]
        found += [_step_limits(looks), _part(request)]
    offset_now, offset_then = now.astimezone().utcoffset(), until.astimezone().utcoffset()
    same = offset_now == offset_then
    moved = "no change of the hour" if same else f"the hour changes: {offset_now} to {offset_then}"
    clock = Ready(what="clock", figure=f"{moved}; legs run on time since boot", holds=True)
    return [*found, clock, _notice(store.home, now), *machine_rest(now, until)]


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


def _calibrations(file: BenchFile, until: datetime) -> Ready:
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


def _standards(store: Store, file: BenchFile, until: datetime) -> Ready:
    """Declared standards in force to the end; a simulated bench's are the world's, with no certificate to run out."""
    due = standards_due(store, file.name, until.date())
    holds = not due or (True if file.is_simulated else None)
    do = "" if not due or file.is_simulated else f"anglewright bench standard ... --bench {file.name}"
    figure = "; ".join(due) if due else "all declared and in force to the end"
    return Ready(what="standards", figure=figure, holds=holds, do=do)


def _taken_today(store: Store, file: BenchFile, looks: Sequence[QueueEntry], now: datetime) -> Ready:
    """The newest take of this bench's standards: not older than a day, and within its limits."""
    name, newest = "standards taken", None
    for sequence in TAKERS:
        for row in store.list(NEWEST, sequence=sequence):
            run = store.find(row.run)
            if file.name in bench_names(run) and (newest is None or run.id > newest.id):
                newest = run
                break
    planned = sum(str(one.request["sequence"]) in TAKERS for one in looks)
    more = f"; {planned} planned" if planned else ""
    do = "" if planned or file.is_simulated else "anglewright run check_standard, or plan it among the looks."
    if newest is None:
        return Ready(what=name, figure=f"never{more}", holds=bool(planned) or file.is_simulated, do=do)
    hours = (now.astimezone(UTC) - datetime.fromisoformat(newest.header.started_utc)).total_seconds() / 3600.0
    good, young = newest.outcome == "within limits", hours <= DAY_H
    figure = f"{max(hours, 0.0):.1f} h ago, {newest.outcome} (run {newest.id}){more}"
    if not good:
        return Ready(what=name, figure=figure, holds=False, do="Find out why before a night leans on them.")
    holds = young or bool(planned) or file.is_simulated
    return Ready(what=name, figure=figure, holds=holds, do="" if holds else do)


def _loopback(file: BenchFile, now: datetime) -> Ready:
    """How old the comparison of the channels is; a bench that takes one by itself does so where it is too old."""
    newest, allowed_h = Calibrations().newest(calibration_name(file), LOOPBACK), 24.0 * file.sampler.loopback_days
    by_itself = file.switch.loopback is not None
    then = "a look takes a new one when it is older" if by_itself else "a new one needs hands"
    if newest is None:
        do = "" if by_itself else "anglewright run check_standard"
        return Ready(what="loopback age", figure=f"none is kept; {then}", holds=by_itself, do=do)
    hours = max((now.astimezone(UTC) - datetime.fromisoformat(newest.made_utc)).total_seconds() / 3600.0, 0.0)
    holds = by_itself or hours <= allowed_h
    do = "" if holds else "anglewright run check_standard"
    figure = f"{hours:.1f} h of {allowed_h:g} h; {then}"
    return Ready(what="loopback age", figure=figure, holds=holds, do=do)


def _step_limits(looks: Sequence[QueueEntry]) -> Ready:
    """Every step of every planned sequence ends by its own limit, else by the watchdog."""
    names = dict.fromkeys(str(one.request["sequence"]) for one in looks if not one.hunt)
    steps = [step for name in names for step in find_sequence(name).steps]
    endless = [step.name for step in steps if not 0.0 < step.limit_s < math.inf]
    longest = max((step.limit_s for step in steps), default=0.0)
    hunts = sum(bool(one.hunt) for one in looks)
    figure = f"{len(steps)} steps of {len(names)} sequences, silent for {longest:g} s at most"
    figure += f"; {hunts} hunts end by their own time" if hunts else ""
    if endless:
        return Ready(what="step limits", figure=f"without one: {', '.join(endless)}", holds=False, do="State limit_s.")
    return Ready(what="step limits", figure=figure, holds=True)


def _notice(home: Path, now: datetime) -> Ready:
    """A test notice that was accepted within the hour."""
    name, do = "test notice", "anglewright night check --notice"
    if not asked_file(home).is_file():
        return Ready(what=name, figure=f"nobody is told: {asked_file(home).name} is not there", holds=None)
    tested = last_test(home)
    if tested is None:
        return Ready(what=name, figure="never sent", holds=False, do=do)
    minutes = (now.astimezone(UTC) - datetime.fromisoformat(str(tested["utc"]))).total_seconds() / 60.0
    if tested["refused"]:
        return Ready(what=name, figure=f"{minutes:.0f} min ago: {'; '.join(tested['refused'])}", holds=False, do=do)
    holds = minutes <= HOUR_MIN
    return Ready(what=name, figure=f"accepted {minutes:.0f} min ago", holds=holds, do="" if holds else do)


def _interlock(file: BenchFile) -> Ready:
    timer = file.interlock.enable_channel is not None
    figure = "enable timer pulsed" if timer else "no enable timer is pulsed"
    holds = timer or file.is_simulated
    return Ready(what="enable timer", figure=figure, holds=holds, do="" if holds else "hardware/interlock.md")


def _bypass(file: BenchFile) -> Ready:
    if file.interlock.bypass_bit is None:
        return Ready(what="bypass jumper", figure="no contact reads it", holds=True if file.is_simulated else None)
    return Ready(what="bypass jumper", figure="read by its contact at the arming", holds=True)


def _part(request: Request) -> Ready:
    part = load_part(request.part)
    stated = part.ceiling_coil_degc
    excited = f"{part.excitation.ceiling_v_rms:g} V, {part.excitation.ceiling_a_rms:g} A"
    degc = f", {stated:g} degC" if stated is not None else ", no temperature"
    return Ready(what="part ceilings", figure=f"{part.number}: {excited}{degc}", holds=True)


def machine_rest(now: datetime, until: datetime) -> list[Ready]:
    """Whether this machine sleeps or updates itself before the end."""
    return [_planned(one) for one in planned_on_machine(now, until)]


def _planned(one: Planned) -> Ready:
    return Ready(what=one.what, figure=one.figure, holds=one.holds, do=one.do)
