"""`witness`: the plan for a kept run, a witness taken on the same adapter, the answers kept and shown again.

It prints nothing and decides nothing: which witness settles what and how it reads stands in rig/review/witness. The
witness run sees the rig as the suspected run saw it: its part file, bench, holder and loopback.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.answer import WitnessAnswer
from rig.certificate.issue import issue, withdraw
from rig.certificate.seal.register import Register
from rig.description.benches import BenchFile
from rig.description.holders import Holder
from rig.description.loading import from_data
from rig.description.parts import PartFile
from rig.errors import UsageError
from rig.jobs import run_job as jobs
from rig.jobs.question.questions import Question, run_question
from rig.measurands import measurand
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Awaited
from rig.review.judge import judge_run, loopback_of
from rig.review.witness.awaiting import CODE
from rig.review.witness.reading import settle_by_reseat
from rig.review.witness.settling import Settled, overall, together
from rig.review.witness.suspects import Suspect, suspects
from rig.soundness.witness import WITNESSES
from sequences.witness import SEQUENCES

SCHEMA = "anglewright witness 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class WitnessPlan:
    """The suspected run, its suspected lines, and kind -> the lines that this witness can settle."""

    run: StoredRun
    asked: tuple[Suspect, ...]
    kinds: Mapping[str, tuple[Suspect, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a witness said: its kind, its own run, each line settled."""

    kind: str
    run: str
    settled: tuple[Settled, ...]

    @property
    def summary(self) -> str:
        """One answer of all lines."""
        return overall(self.settled)

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        lines = [one.to_dict() for one in self.settled]
        return {"witness": self.kind, "run": self.run, "answer": self.summary, "lines": lines}


def plan(run: str, codes: Sequence[str] = ()) -> WitnessPlan:
    """What in a kept run asks for a witness. Raises UsageError for a run that was cut short or judges no line."""
    stored = Store().find(run)
    judgement = stored.judgement
    if judgement is None or not stored.header.kind.judges_part:
        raise UsageError(
            f"run {stored.id} has no judged lines to suspect.", next_action="Give a test's run: anglewright unit."
        )
    level_v_rms = float(stored.header.part["excitation"]["level_v_rms"])
    asked = tuple(suspects(judgement, codes, level_v_rms=level_v_rms))
    if codes and not asked:
        raise UsageError(
            f"nothing called {', '.join(codes)} in run {stored.id} that a witness settles.",
            next_action="Give a reason, a finding or a line of that run, or leave --suspect out.",
        )
    named = dict.fromkeys(kind for one in asked for kind in one.kinds)
    kinds = {kind: tuple(one for one in asked if kind in one.kinds) for kind in named}
    return WitnessPlan(run=stored, asked=asked, kinds=kinds)


def take(found: WitnessPlan, kind: str, *, speed: str = "fast", operator: str = "", on_progress: Any) -> Answer:
    """Take one witness of the plan. Raises UsageError for one that settles nothing here; else as jobs.run_job."""
    if kind not in found.kinds:
        raise UsageError(
            f"{WITNESSES[kind].title} settles no suspected line of run {found.run.id}.",
            next_action=f"These would: {', '.join(found.kinds) or 'none'}.",
        )
    if kind == "reseat":
        return _reseat(found, speed, operator, on_progress)
    header = found.run.header
    where = f"run {found.run.id}"
    asked = found.kinds[kind]
    bench = from_data(BenchFile, header.bench, f"{where}, bench")
    if kind == "dummy" and bench.switch.dummy_lines is None:
        raise UsageError(
            f"bench {bench.name} does not drive the dummy's lines.",
            next_action="Write switch.dummy_lines (relays of A, B, S, C) into the bench file and test again, or take "
            "another witness.",
        )
    finished = run_question(
        Question(
            sequence=SEQUENCES[kind],
            request=_request(found, "witness", speed, operator),
            part=from_data(PartFile, header.part, f"{where}, part"),
            bench=bench,
            holder=from_data(Holder, header.holder, f"{where}, holder"),
            details={"witness": {"kind": kind, "of": found.run.id, "suspects": [one.to_dict() for one in asked]}},
            settings={"holder.fitted": WITNESSES[kind].fitted},
            calibration=_as_then(found.run),
        ),
        on_progress,
    )
    answer = _answer(finished.stored)
    record(found.run, answer)
    return answer


def record(run: StoredRun, answer: Answer) -> StoredRun:
    """Put an answer beside the run that it is about, judge it with that, and bring its report into line.

    The run's own files stay as they are. A report that waited is issued anew once the witness has confirmed it; where
    the witness says that it was the rig, a report that is in force is withdrawn. The run as it stands then.
    """
    store = Store()
    rows = [{"line": one.suspect.line, "answer": one.answer, "told": one.told} for one in answer.settled]
    store.add_witness(run.id, {"kind": answer.kind, "run": answer.run, "answers": rows})
    before, judgement = run.judgement, judge_run(StoredRun(run.path))
    store.add_judgement(run.id, judgement)
    now = StoredRun(run.path)
    by = f"the {WITNESSES[answer.kind].title} (run {answer.run})"
    if before is not None and Register(store.home).of_run(run.id):
        if any(reason.code == CODE for reason in judgement.reasons):
            withdraw(store, run.id, f"{by} shows that it is the rig")
        elif before.awaits and not judgement.awaits:
            issue(store, now, reason=f"confirmed by {by}")
    return now


def before_the_report(
    ask: Callable[[Awaited, bool], bool], *, speed: str, on_progress: Any
) -> Callable[[StoredRun], StoredRun]:
    """What an attended run does before its report is written: each witness that it awaits is asked for and taken.

    ask: shows what hands have to do (simulated or not) and returns whether it was done; a no leaves the run waiting.
    """

    def settle(run: StoredRun) -> StoredRun:
        asked: set[str] = set()
        while run.judgement is not None and (left := [o for o in run.judgement.awaits if o.kind not in asked]):
            asked.add(left[0].kind)
            found = plan(run.id)
            if left[0].kind in found.kinds and ask(left[0], run.header.simulated):
                take(found, left[0].kind, speed=speed, on_progress=on_progress)
                run = StoredRun(run.path)
        return run

    return settle


def _request(found: WitnessPlan, sequence: str, speed: str, operator: str) -> jobs.Request:
    header = found.run.header
    return jobs.Request(
        sequence=sequence,
        part=str(header.part["number"]),
        serial=header.serial,
        bench=str(header.bench["name"]),
        world=header.bench.get("world"),
        clamping=int(header.clamping or 1),
        job=header.job,
        customer=header.customer,
        condition=header.condition,
        operator=operator or header.operator,
        rotor=header.rotor,
        speed=speed,
    )


def _as_then(run: StoredRun) -> Mapping[str, Any] | None:
    """The loopback that the suspected run was corrected with, its own first."""
    own = loopback_of(run)
    kept = run.header.calibration
    return kept if own is None else {**(kept or {}), **own, "made_utc": own["utc"], "data": own}


def _reseat(found: WitnessPlan, speed: str, operator: str, on_progress: Any) -> Answer:
    """The same sequence once more after a re-seat, by the retest rule; what it said of the lines is its remark."""
    before = _request(found, found.run.header.sequence, speed, operator)
    request = replace(before, clamping=before.clamping + 1, retest_of=found.run.id)
    finished = jobs.run_job(request, on_progress)
    settled = tuple(settle_by_reseat(found.kinds["reseat"], finished.judgement))
    answer = Answer(kind="reseat", run=finished.stored.id, settled=settled)
    Store().add_remark(finished.stored.id, _text(answer, found.run.id), author="anglewright run witness")
    return answer


def _text(answer: Answer, of: str) -> str:
    lines = [f"{measurand(one.suspect.line).name}: {one.answer} ({one.told})" for one in answer.settled]
    return "\n".join([f"Witness {WITNESSES[answer.kind].title} for run {of}: {answer.summary}.", *lines])


def _answer(run: StoredRun) -> Answer:
    judgement = run.judgement
    told = run.header.details["witness"]
    asked = {row["line"]: Suspect.from_dict(row) for row in told["suspects"]}
    answer = None if judgement is None else judgement.answer
    rows = answer.answers if isinstance(answer, WitnessAnswer) else ()
    settled = tuple(Settled(suspect=asked[r.line], answer=r.answer, told=r.told) for r in rows)
    return Answer(kind=str(told["kind"]), run=run.id, settled=settled)


def answers(run: StoredRun) -> list[Answer]:
    """What witnesses kept for a run have said, oldest first; a retest of it is its re-seat."""
    store = Store()
    rows = store.list(serial=run.header.serial)
    kept = [store.find(row.run) for row in reversed(rows) if row.outcome != "incomplete" and row.run > run.id]
    found = []
    for one in kept:
        if one.header.details.get("witness", {}).get("of") == run.id:
            found.append(_answer(one))
        elif one.header.retest_of == run.id and one.judgement is not None:
            asked = plan(run.id).kinds.get("reseat", ())
            found.append(Answer(kind="reseat", run=one.id, settled=tuple(settle_by_reseat(asked, one.judgement))))
    return [answer for answer in found if answer.settled]


def answers_together(taken: Sequence[Answer]) -> dict[str, str]:
    """line -> what the witnesses together say."""
    return together([one for answer in taken for one in answer.settled])
