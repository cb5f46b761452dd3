"""Runs that answer a question beside the tests: witness, seat, watch. Kept and judged like any run.

Details stand in the header. It prints nothing. On the simulated bench what hands do (plugging, nudging) are settings
of the world, recorded in the run's bench; a real bench has none. A watch that is ended by hand is a whole one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from rig.control.abilities import require
from rig.control.sequencer import Ended, StepSequence
from rig.control.step import Context, Progress
from rig.description.benches import BenchFile
from rig.description.holders import Holder
from rig.description.parts import PartFile, load_part
from rig.errors import Cancelled
from rig.jobs import run_job as jobs
from rig.jobs.controller.onlooker import NOBODY, Onlooker
from rig.jobs.kept.kept_run import Finished
from rig.jobs.operator.arming_hand import by_hand
from rig.quantity import Reading
from rig.records.calibrations import calibration_name
from rig.records.schema import dump
from rig.records.store import Store
from sequences.watch import SEQUENCE as WATCH


def _unseen(_: Reading) -> None:
    """Nobody looks at single readings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is run, on what, and what its header carries. calibration: instead of the one in force, where given.

    by_hand: a stop by signal ends the run in good order. ohms: nothing is energised, so nobody arms and the guard may
    be open from the start.
    """

    sequence: StepSequence
    request: jobs.Request
    part: PartFile
    bench: BenchFile
    holder: Holder
    details: Mapping[str, Any]
    settings: Mapping[str, str | float | bool]
    calibration: Mapping[str, Any] | None = None
    by_hand: bool = False
    ohms: bool = False


def run_question(
    asked: Question,
    on_progress: Callable[[Progress], None] = lambda _: None,
    on_reading: Callable[[Reading], None] = _unseen,
    onlooker: Onlooker = NOBODY,
    arm: jobs.Arm = by_hand,
) -> Finished:
    """Run, judge and keep it. Raises as jobs.run_job."""
    store, request = Store(), asked.request
    file = asked.bench
    if file.world is not None:
        file = file.model_copy(update={"world_settings": {**file.world_settings, **asked.settings}})
    name = calibration_name(file)
    with jobs.open_for(file, asked.holder, request, asked.sequence) as bench:
        onlooker.opened(bench)
        require(asked.sequence, bench, asked.part.part(), rotor=request.rotor)
        arming = None
        if asked.ohms:
            bench.guard.enter_ohms()
        else:
            arming = arm(bench)
        jobs.tell_armed(arming, on_progress)
        calibration = asked.calibration or jobs.in_force(name, bench, asked.part.number)
        header = jobs.header_of(request, asked.part, asked.holder, bench, asked.sequence, calibration)
        folder = store.begin(replace(header, details=asked.details, learned=None))
        journal, raw = onlooker.begun(folder, bench, asked.sequence, asked.part.excitation.frequency_hz)
        context = Context(
            bench=bench,
            part=asked.part.part(),
            holder=asked.holder,
            journal=journal,
            raw=raw,
            rotor=request.rotor,
            header=dump(folder.header),
            calibration=calibration,
            on_progress=on_progress,
            on_reading=on_reading,
        )
        jobs.note_armed(arming, context)
        ended = jobs.run_to_end(asked.sequence, context, store, folder)
    onlooker.note_closed()
    if ended.fault is not None and not _in_order(asked, ended):
        raise jobs.close_incomplete(ended.fault, store, folder, ended.utc)
    return jobs.conclude(store, folder, ended.utc, name)


def _in_order(asked: Question, ended: Ended) -> bool:
    return asked.by_hand and isinstance(ended.fault, Cancelled) and not ended.unsafe


def watch_coil(
    request: jobs.Request,
    coil: str,
    *,
    ac: bool,
    seconds: float,
    on_reading: Callable[[Reading], None] = _unseen,
    onlooker: Onlooker = NOBODY,
    arm: jobs.Arm = by_hand,
    details: Mapping[str, Any] | None = None,
) -> Finished:
    """Ohms (with `ac` the amplitude) of a coil, or of "all" in turn, until the time is over or a person ends it."""
    bench, holder = jobs.bench_and_holder(request)
    watch = {"coil": coil, "mode": "ac" if ac else "dc", "seconds": seconds}
    part = load_part(request.part)
    asked = Question(
        sequence=WATCH,
        request=request,
        part=part,
        bench=bench,
        holder=holder,
        details={**(details or {}), "watch": watch},
        settings={},
        by_hand=True,
        ohms=not ac,
    )
    return run_question(asked, on_reading=on_reading, onlooker=onlooker, arm=arm)
