"""What an operator can start: run a sequence and judge it, look at kept runs. Shared by every face.

It prints nothing (screen.py does) and looks at no bench by itself (benches.py does). A job holds the instruments only
while the sequence runs; judging, records and certificates come after the bench is safe and closed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

from rig.control.abilities import require
from rig.control.arming.arming import Arming
from rig.control.bench import Bench, open_bench
from rig.control.sequencer import Ended, StepSequence, run_sequence
from rig.control.step import Context, Progress
from rig.description.benches import BenchFile
from rig.description.holders import Holder, load_holder
from rig.description.parts import PartFile, load_part
from rig.errors import RigError, UsageError
from rig.jobs.bench import health as proving
from rig.jobs.bench.description_files import bench_of
from rig.jobs.controller.onlooker import NOBODY, Onlooker
from rig.jobs.kept.before_run import look_before
from rig.jobs.kept.kept_run import Finished, files_of
from rig.jobs.operator.arming_hand import by_hand
from rig.jobs.operator.manual_entry import entry
from rig.jobs.operator.terminal import Ask, asker, prompt_by
from rig.records.calibrations import Calibration, Calibrations, calibration_name, reclamping_kind
from rig.records.run.record import RunHeader
from rig.records.run.stored import StoredRun
from rig.records.schema import dump
from rig.records.store import RunFolder, Store
from sequences.registry import find_sequence

Arm = Callable[[Bench], Arming | None]
Settle = Callable[[StoredRun], StoredRun]
Asker = Callable[[Bench], Ask]
RECLAMPING_DAYS = 730.0


def as_it_is(run: StoredRun) -> StoredRun:
    """Nothing is done between judgement and report."""
    return run


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is asked for; names are looked up by rig/description/loading.py. speed: "real", "fast" or a factor.

    settings: what hands did to the simulated bench beforehand ("section.key" of its world -> value).
    """

    sequence: str
    part: str
    serial: str
    bench: str = "simulated"
    world: str | None = None
    clamping: int = 1
    holder: str | None = None
    job: str = ""
    customer: str = ""
    operator: str = ""
    rotor: str = "own"
    condition: str = ""
    retest_of: str = ""
    known: str = ""  # of a proof: the run of the known part that belongs to it
    entries: tuple[str, ...] = ()
    speed: str = "fast"
    bench_log: Path | None = None
    settings: Mapping[str, str | float | bool] = field(default_factory=dict)


# ---- running ------------------------------------------------------------------------------------------------------


def run_job(
    request: Request,
    on_progress: Callable[[Progress], None] = lambda _: None,
    arm: Arm = by_hand,
    settle: Settle = as_it_is,
    *,
    onlooker: Onlooker = NOBODY,
    ask: Asker = asker,
    details: Mapping[str, Any] | None = None,
) -> Finished:
    """Run a sequence on a bench, judge it, keep it, and write its certificate where the sequence earns one.

    arm: how the opened bench is armed. settle: what is done between judgement and report (a witness). onlooker: who
    looks on. ask: who answers questions of steps. details: what the header carries besides. Raises UsageError before
    anything is opened; BenchError, SafetyStop or Cancelled when it was not armed, or when the run was cut short: it is
    then kept, marked incomplete, and the message names it.
    """
    sequence = find_sequence(request.sequence)
    part = load_part(request.part, draft=sequence.traits.draft_allowed)
    if sequence.traits.needs_rotor and request.rotor == "none":
        raise UsageError(
            f"{sequence.name} turns a rotor, and none is fitted.",
            next_action="Fit one, or run the whole test with --rotor none.",
        )
    bench_file, holder = bench_and_holder(request)
    entries = tuple(entry(text) for text in request.entries)
    if not request.serial.strip():
        raise UsageError("the serial number is empty.", next_action="Give it as stamped, or the shop's own label.")
    store, name = Store(), calibration_name(bench_file)
    request = repeatable(request, store, part, sequence.name)
    known = look_before(
        store,
        sequence.name,
        {name: getattr(request, name) for name in ("serial", "job", "customer", "condition", "operator")}
        | {"part": part.number},
        {"part.title": part.title, "bench.title": bench_file.title, "holder.title": holder.title},
    )
    request = replace(request, customer=request.customer or known.pop("customer", ""))
    known.pop("customer", None)
    with open_for(bench_file, holder, request, sequence, ask) as bench:
        onlooker.opened(bench)
        require(sequence, bench, part.part(), rotor=request.rotor)
        arming = arm(bench)
        tell_armed(arming, on_progress)
        calibration = in_force(name, bench, part.number)
        header = header_of(request, part, holder, bench, sequence, calibration)
        folder = store.begin(replace(header, details={**known, **header.details, **(details or {})}))
        journal, raw = onlooker.begun(folder, bench, sequence, part.excitation.frequency_hz)
        context = Context(
            bench=bench,
            part=part.part(),
            holder=holder,
            journal=journal,
            raw=raw,
            rotor=request.rotor,
            header=dump(header),
            calibration=calibration,
            manual=entries,
            on_progress=on_progress,
            ask=ask(bench),
        )
        note_armed(arming, context)
        ended = run_to_end(sequence, context, store, folder)
    onlooker.note_closed()
    if ended.fault is not None:
        raise close_incomplete(ended.fault, store, folder, ended.utc)
    return conclude(store, folder, ended.utc, name, settle)


def open_for(file: BenchFile, holder: Holder, request: Request, sequence: StepSequence, ask: Asker = asker) -> Bench:
    """The bench of a run, to be entered; others who want it meanwhile are told the sequence and the serial.

    ask: who does what a hand has to do.
    """
    return open_bench(
        file,
        holder,
        clamping=request.clamping,
        speed=request.speed,
        log=request.bench_log,
        purpose=f"{sequence.name} of {request.serial}",
        prompt=lambda bench: prompt_by(ask(bench), bench),
    )


def tell_armed(arming: Arming | None, on_progress: Callable[[Progress], None]) -> None:
    """Who armed the bench, as progress."""
    if arming is not None:
        on_progress(Progress(step="arming", text=f"armed by {arming.by}"))


def note_armed(arming: Arming | None, context: Context) -> None:
    """Who armed the bench, in the journal."""
    if arming is not None:
        context.journal.append("event", {"name": "armed", "by": arming.by})


def repeatable(request: Request, store: Store, part: PartFile, sequence: str) -> Request:
    """The request with the whole id of the run it repeats. Raises UsageError where the retest rule forbids it."""
    if not request.retest_of:
        return request
    first = store.find(request.retest_of).id
    told = {name: getattr(request, name) for name in ("serial", "job", "condition")}
    number = {"number": part.number}
    store.check_allowed(RunHeader(sequence=sequence, started_utc="", part=number, retest_of=first, **told))
    return replace(request, retest_of=first)


def run_to_end(sequence: StepSequence, context: Context, store: Store, folder: RunFolder) -> Ended:
    """Run the sequence; a fault of the program still leaves the run closed as incomplete."""
    try:
        return run_sequence(sequence, context)
    except BaseException as fault:
        store.finish(folder, ended=f"fault of the program: {fault!r}")
        fault.add_note(f"The run is kept as {folder.id}, incomplete; the bench was made safe.")
        raise


def close_incomplete(fault: RigError, store: Store, folder: RunFolder, ended_utc: str) -> RigError:
    """Close a run that was cut short as incomplete; the fault, with the run's id in its message."""
    try:
        store.finish(folder, ended=str(fault), ended_utc=ended_utc)
    except RigError as second:
        fault.add_note(f"closing the record failed too: {second}")
    fault.next_action = f"{fault.next_action} The run is kept as {folder.id}, incomplete.".strip()
    return fault


def conclude(
    store: Store, folder: RunFolder, ended_utc: str, calibration_of: str, settle: Settle = as_it_is
) -> Finished:
    """Judge a run that went to its end, close its record, keep its loopback, write its report."""
    from rig.review.judge import judge_run, loopback_of

    folder.close()
    open_run = StoredRun(folder.path)
    try:
        judgement = judge_run(open_run)
    except Exception as fault:  # of the program: what was read stays, closed, and can be judged by a mended one
        store.finish(folder, ended=f"fault of the program in judging: {fault!r}", ended_utc=ended_utc)
        fault.add_note(f"The run is kept as {folder.id}; everything that was read stands in {folder.path}.")
        raise
    stored = store.finish(folder, judgement=judgement, ended_utc=ended_utc)
    if (loopback := loopback_of(open_run)) is not None:
        made = Calibration(kind="loopback", bench=calibration_of, made_utc=ended_utc, data=loopback, run=folder.id)
        Calibrations().save(made)
    if stored.header.kind.proves_bench:
        proving.keep(stored, calibration_of, ended_utc)
    stored = settle(stored)
    if stored.header.kind.certified:
        from rig.certificate.issue import issue

        issue(store, stored)
    return Finished(stored=stored, judgement=stored.judgement or judgement, files=files_of(stored))


def bench_and_holder(request: Request) -> tuple[BenchFile, Holder]:
    """The bench and the holder of a request."""
    bench = bench_of(request.bench, request.world)
    if bench.is_simulated and request.settings:
        bench = bench.model_copy(update={"world_settings": {**bench.world_settings, **request.settings}})
    return bench, load_holder(request.holder or bench.holder)


def header_of(
    request: Request,
    part: PartFile,
    holder: Holder,
    bench: Bench,
    sequence: StepSequence,
    calibration: Mapping[str, Any] | None,
) -> RunHeader:
    """Everything that is fixed before the first reading, decision rule and learned limits included."""
    from rig.review.library.library import limits_behind

    return RunHeader(
        sequence=sequence.name,
        sequence_version=sequence.version,
        traits=sequence.traits,
        started_utc=bench.clock.utc(),
        serial=request.serial,
        job=request.job,
        customer=request.customer,
        operator=request.operator,
        rotor=request.rotor,
        condition=request.condition,
        retest_of=request.retest_of,
        clamping=str(request.clamping) if bench.is_simulated else "",
        simulated=bench.is_simulated,
        software=f"anglewright {version('anglewright')}",
        part=part.model_dump(mode="json", by_alias=True),
        holder=holder.model_dump(mode="json", by_alias=True),
        bench=bench.file.model_dump(mode="json", by_alias=True),
        instruments=bench.identities(),
        calibration=calibration,
        decision=part.decision.model_dump(mode="json"),
        details={"known": request.known} if request.known else {},
        learned=limits_behind(Store(), part.part(), request.serial, sequence.traits, simulated=bench.is_simulated),
    )


# ---- the rig's own calibration ------------------------------------------------------------------------------------


def in_force(name: str, bench: Bench, part_number: str) -> Mapping[str, Any] | None:
    """What has not expired: the bench's loopback, its axis' correction, the part number's re-clamping scatter."""
    days = {"loopback": bench.file.sampler.loopback_days, proving.KIND: proving.VALID_DAYS}
    if bench.file.axis is not None:
        lasts = bench.file.axis.correction_days
        days |= {"positioner": lasts, "recheck": lasts, reclamping_kind(part_number): RECLAMPING_DAYS}
    return Calibrations().for_run(name, bench.clock.utc(), days, clock_begins_anew=bench.is_simulated)


# ---- kept runs ----------------------------------------------------------------------------------------------------
