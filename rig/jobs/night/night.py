"""A night: the queue's parts one after the other on one bench, under one arming that ends when the night does.

It prints nothing. Every part ends judged or named: a fault of the bench ends that part with its reason; while the bench
can't be opened the night waits, with growing pauses and for a stated time, then names the part and tries the next. A
stop, an opened guard or the stated end ends the arming and with it the night. The arming is never written down, so that
nothing that starts after a power cut is armed.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from rig.control.arming.arming import ENDED, Arming, ArmingEvent, ArmingState, arm_for_now
from rig.control.arming.between_runs import watch_between_runs
from rig.control.step import Progress
from rig.errors import PROGRAM_FAULT, BenchError, Cancelled, RigError, SafetyStop, UsageError
from rig.jobs.bench.description_files import bench_of
from rig.jobs.controller.onlooker import NOBODY, Onlooker
from rig.jobs.kept.kept_run import Finished
from rig.jobs.night.checks.ceilings import SoakCeilings
from rig.jobs.night.checks.deciding import Checks
from rig.jobs.night.folder import NightFolder, freeze, nights
from rig.jobs.night.free_memory import give_back
from rig.jobs.night.hunting import PIECE_S, piece_of
from rig.jobs.night.outcome import INCOMPLETE, Outcome, entry_as_kept, name_of_fault
from rig.jobs.night.queue import Queue, QueueEntry
from rig.jobs.night.served import Served
from rig.jobs.operator.arming_hand import by_hand
from rig.jobs.program_fault import message_of
from rig.jobs.question.questions import watch_coil
from rig.jobs.run_job import run_job
from rig.records.run.stored import StoredRun
from rig.records.store import Store

if TYPE_CHECKING:
    from rig.control.bench import Bench

PATIENCE_S = 600.0  # how long a part waits for a bench that can't be opened
FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 30.0
LOOK_S = 0.2


class Night:
    """One night over a queue. for_s: until its stated end; patience_s: for a bench that can't be opened."""

    def __init__(
        self,
        queue: Queue,
        for_s: float,
        on_progress: Callable[[Progress], None] = lambda _: None,
        *,
        patience_s: float = PATIENCE_S,
        onlooker: Onlooker = NOBODY,
        arm: Callable[[Bench, float], Arming | None] = lambda bench, for_s: by_hand(bench, for_s, night=True),
        told: Callable[[Mapping[str, Any]], None] = lambda _: None,
        notify: Callable[[str, Mapping[str, Any]], list[str]] = lambda _what, _figures: [],
    ) -> None:
        """arm: by which hand, for so long. onlooker, told: who looks on, and where the night is, for them.

        notify: send a notice now; who refused it.
        """
        self._queue = queue
        self._onlooker, self._arm_by, self._told = onlooker, arm, told
        self._checks = Checks(note=self._note, stop=self.stop, notify=notify)
        self._folder: NightFolder | None = None
        self._served, self._ceilings = Served(), SoakCeilings()
        self._on_progress = on_progress
        self._patience_s = patience_s
        self._end_s = time.monotonic() + for_s
        self._arming: Arming | None = None
        self._armed_for: tuple[str, bool] | None = None
        self._opened, self._stopped = False, ""
        self._closing = threading.Event()

    def run(self) -> Outcome:
        """Run what waits. Raises what keeps the night from being armed at all, with nothing run."""
        with self._queue.night():
            done = self._queue.begin_night()
            self._folder = self._begun()
            watch = threading.Thread(target=self._watch, name="queue: stop", daemon=True)
            watch.start()
            try:
                while not (over := self._over()) and (entry := self._queue.next_waiting()) is not None:
                    if self._wait_until_due(entry):
                        done.append(self._one(entry))
                    give_back()
            finally:
                self._closing.set()
                self._served.close()
                watch.join(1.0)
            left = [one for one in self._queue.entries() if one.state == "waiting"]
        rest = [replace(one, outcome="not run", reason=over) for one in left]
        by = self._arming.by if self._arming is not None else ""
        name = self._folder.id if self._folder is not None else ""
        if self._folder is not None:
            self._folder.note("ended", why=over or "all looks are done", left=len(rest), by=by)
            self._folder.close()
        return Outcome(entries=(*done, *rest), ended=over or "the queue is empty", armed_by=by, night=name)

    def _over(self) -> str:
        """Why no further part is begun, "" while one may be."""
        if self._stopped:
            return self._stopped.rstrip(".")
        if self._arming is not None and self._arming.state is ArmingState.ENDED:
            try:
                self._arming.check()
            except SafetyStop as ended:
                return ended.message
        if self._queue.stop_asked():
            return "a stop was asked for"
        return "the stated end is reached" if time.monotonic() >= self._end_s else ""

    def _watch(self) -> None:
        while not self._closing.wait(LOOK_S):
            if self._queue.stop_asked() and self._arming is not None:
                self._arming.event(ArmingEvent.STOP)
                return

    def stop(self, why: SafetyStop) -> None:
        """From another thread: the arming ends, and no further look is begun."""
        self._stopped = why.message
        if self._arming is not None:
            self._arming.event(ArmingEvent.STOP)

    def hold(self, by: str) -> dict[str, str]:
        """Outputs off, and the arming ends: what is left goes on only after a new arming. For whoever looks on."""
        self._queue.ask_to_stop()
        self.stop(SafetyStop(f"the night was held by {by}."))
        return {"kind": "done"}

    def _begun(self) -> NightFolder | None:
        """The folder of this night: the one that has looks left, else a new one with the plan frozen."""
        waiting = [one for one in self._queue.entries() if one.state == "waiting"]
        if not waiting:
            return None
        known = nights(self._queue.home)
        plan = [one.planned() for one in waiting]
        numbers = {one.n for one in waiting}
        last = known[-1] if known else None
        if last is not None and {one["look"]: one for one in last.plan["looks"] if one["look"] in numbers} == {
            one["look"]: one for one in plan
        }:
            folder = last
            for look, run in last.runs_of_finished_looks(store := Store(self._queue.home)).items():
                self._ceilings.count(store, run)
                if look in numbers:  # its run was closed, and the end of the look could not be written any more
                    self._queue.put(entry_as_kept(self._queue.home, next(one for one in waiting if one.n == look), run))
        else:
            folder = freeze(plan, {}, self._queue.home)
        folder.begin_sitting()
        return folder

    def _note(self, what: str, **data: Any) -> None:
        if self._folder is not None:
            self._folder.note(what, **data)
            self._told({"night": self._folder.id, "what": what, **data})

    def _wait_until_due(self, entry: QueueEntry) -> bool:
        """Wait until the look is due, in bench time, the interlock being read; False when the night ended meanwhile."""
        if not entry.wait_s or self._arming is None:
            return True  # the first look of a sitting is when a hand arms it
        asked = self._served.request(entry.run_request(), bool(entry.leg), self._folder)
        file = bench_of(asked.bench, asked.world)
        if (refusal := watch_between_runs(file, entry.wait_s, lambda: bool(self._over()))) is not None:
            self._note("stopped between looks", why=refusal.message, code=refusal.code)
            self.stop(refusal)
        return not self._over()

    # ---- one look

    def _one(self, entry: QueueEntry) -> QueueEntry:
        entry = replace(entry, attempts=entry.attempts + 1)
        self._queue.put(replace(entry, state="running"))
        self._note("look begun", look=entry.n, leg=entry.leg, attempt=entry.attempts)
        ended = self._one_ended(entry)
        self._note("look ended", look=entry.n, leg=entry.leg, run=ended.run, outcome=ended.outcome, reason=ended.reason)
        return ended

    def _one_ended(self, entry: QueueEntry) -> QueueEntry:
        try:
            ended = self._end(entry)
        except RigError:
            self._queue.put(entry)
            raise
        except Exception as fault:  # noqa: BLE001 - of the program: it ends this part, safe and kept, not the night
            told = message_of(fault)
            ended = replace(entry, state="done", outcome="incomplete", reason=told, exit_status=PROGRAM_FAULT)
        self._queue.put(ended)
        return ended

    def _end(self, entry: QueueEntry) -> QueueEntry:
        """The entry as it ended. Raises only while the night was never armed."""
        try:
            if entry.hunt:
                return self._hunt(entry)
            finished = self._patiently(entry)
        except RigError as fault:
            if self._arming is None and not isinstance(fault, UsageError):
                raise
            if isinstance(fault, Cancelled) and self._arming is not None:
                self._arming.event(ArmingEvent.STOP)
            status = INCOMPLETE if isinstance(fault, SafetyStop) and fault.code == ENDED else fault.exit_status
            return replace(entry, state="done", outcome=name_of_fault(fault), reason=str(fault), exit_status=status)
        judged = finished.judgement
        ended = replace(
            entry,
            state="done",
            outcome=judged.outcome,
            run=finished.stored.id,
            reason="; ".join(reason.code for reason in judged.reasons),
            exit_status=judged.exit_status,
        )
        if finished.stored.header.kind.question != "standards":
            if (refusal := self._ceilings.look(finished.stored, entry.ceilings)) is not None:
                self.stop(refusal)
            return ended
        told, status = self._checks.judge(finished.stored, entry.n, lambda how: self._retake(entry, finished, how))
        return replace(ended, reason="; ".join(filter(None, (ended.reason, told))), exit_status=status)

    def _retake(self, entry: QueueEntry, first: Finished, how: str) -> StoredRun:
        """The standards of a look once more, in the same arming; a run of its own, beside the look's."""
        request = self._served.request(entry.run_request(), bool(entry.leg), self._folder)
        return run_job(
            replace(request, sequence=self._checks.sequence_for(how)),
            self._on_progress,
            arm=self._arm,
            onlooker=self._onlooker,
            details=self._checks.details_of(first.stored, self._details(entry), how),
        ).stored

    def _hunt(self, entry: QueueEntry) -> QueueEntry:
        """All coils in turn, a run a minute, until the coil is where the leg leads, or its time is over."""
        rule, run, lost, degc = entry.hunt, "", 0, None
        request = self._served.request(entry.run_request(), bool(entry.leg), self._folder)
        pieces = max(1, math.ceil(float(rule["longest_s"]) / (PIECE_S + float(rule["rest_s"]))))
        for piece in range(pieces):
            if self._over():
                break
            details = {"night": self._details(entry), "piece": piece}
            finished = watch_coil(
                request, "all", ac=False, seconds=PIECE_S, onlooker=self._onlooker, arm=self._arm, details=details
            )
            run = finished.stored.id
            found = piece_of(finished.stored, str(rule["coil"]), float(rule["r20_ohm"]))
            lost += len(found.lost)
            degc = found.degc
            self._note("piece", look=entry.n, leg=entry.leg, run=run, **found.to_dict())
            if degc is not None and degc > float(rule["ceiling_degc"]):
                self.stop(SafetyStop(f"the coil is at {degc:.1f} degC, above the ceiling.", code="ceiling-coil"))
            if degc is not None and degc <= float(rule["to_degc"]):
                break
            self._served.rest(float(rule["rest_s"]), self._closing)
        told = f"{lost} drop-outs" + (f", ended at {degc:.1f} degC" if degc is not None else "")
        return replace(entry, state="done", outcome="measured, no limits", run=run, reason=told, exit_status=0)

    def _details(self, entry: QueueEntry) -> dict[str, Any]:
        return {"id": self._folder.id if self._folder is not None else "", "look": entry.n, "leg": entry.leg}

    def _patiently(self, entry: QueueEntry) -> Any:
        """Run it; a bench that can't be opened is tried again until patience, night or arming end."""
        request = self._served.request(entry.run_request(), bool(entry.leg), self._folder)
        if (bench := bench_of(request.bench, request.world)).attended_only:
            raise UsageError(
                f"bench {bench.name} works with a person's hands, or reads no guard and no emergency stop.",
                next_action="Run it attended, by day; a night needs relays and an interlock that is read.",
            )
        give_up_s = min(time.monotonic() + self._patience_s, self._end_s)
        pause_s = FIRST_PAUSE_S
        while True:
            self._opened = False
            try:
                details = {"night": self._details(entry)}
                return run_job(request, self._on_progress, arm=self._arm, onlooker=self._onlooker, details=details)
            except BenchError:
                if self._opened or self._arming is None or self._over() or time.monotonic() + pause_s > give_up_s:
                    raise
            self._closing.wait(pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _arm(self, bench: Bench) -> Arming | None:
        """The night's one arming for this bench: asked for at the first part, the same for all others."""
        self._opened = True
        own = bench.guard.arming
        itself = own is not None and own.state is ArmingState.ARMED
        if self._arming is None:
            left_s = self._end_s - time.monotonic()
            self._arming = arm_for_now(own.by, left_s) if own is not None and itself else self._arm_by(bench, left_s)
            self._armed_for = (bench.file.name, itself)
        if self._armed_for != (bench.file.name, itself):
            raise UsageError(
                f"bench {bench.file.name} is not the one that the night was armed for.",
                next_action="Give each bench a night of its own.",
            )
        bench.guard.arming = self._arming
        return self._arming
