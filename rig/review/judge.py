"""From what was seen to what is said: evaluation, soundness, verdicts, roll-up, findings. Pure and deterministic.

A reason spoils lines; a spoiled line has no verdict (*not tested*, with the reason). The outcome, first row that fits:
    cut short, and no sound line fails                                         incomplete
    a reason says that this is not the kind of part the file describes           not this kind
    a sound line fails                                                           outside limits
    a reason that no witness pinned on the part spoils everything, or a
    required line with a limit                                                   unsound measurement
    a line with a limit is conditional or not capable, or a required one is not tested      undecided
    no line of the part has a limit                                              measured, no limits
    all lines with a limit pass                                                  within limits
An open coil fails however little else could be measured. The decision rule is the part file's, fixed before the run,
as are the limits behind its own (frozen.py); judged again, others may be handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from rig.description.benches import BenchFile
from rig.description.holders import Holder
from rig.description.loading import from_data
from rig.description.parts import PartFile
from rig.evaluation.angle.axis_notes import axis_notes
from rig.evaluation.bench.reclamping import judged_uncertainty
from rig.evaluation.bench.standards import standards_judgement
from rig.evaluation.bench.watching import watch_judgement
from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.findings.findings import findings
from rig.measurands import measurand
from rig.observed import Absent, Observed
from rig.pins.isolation import wiring_reasons
from rig.pins.search import find_pins
from rig.quantity import Limit
from rig.records.store import Store
from rig.resolver.part import Part
from rig.result import Judged, Judgement, Reason, Result
from rig.review.library.frozen import add_frozen_limits, opinions
from rig.review.outcome.recording_notes import recording_notes
from rig.review.outcome.unknown import not_known
from rig.review.witness.awaiting import confirmations, latest_answers, left_standing, rig_reasons, witnesses_to_take
from rig.review.witness.given_reasons import given_reasons
from rig.review.witness.reading import witness_judgement
from rig.review.witness.suspects import ending
from rig.soundness.limit_sense import settle_limits
from rig.soundness.seating import seat_judgement
from rig.soundness.soundness import cause_first, soundness
from rig.uncertainty.conformity import Verdict, verdict_of

if TYPE_CHECKING:
    from rig.records.run.stored import StoredRun
from rig.records.schema import dump
from rig.review.outcome.roll_up import roll_up, spoiler

ANSWERS: Mapping[str, Callable[[Inspection], Judgement]] = {
    "witness": lambda inspection: witness_judgement(inspection.evaluated),
    "seat": seat_judgement,
    "standards": lambda inspection: standards_judgement(inspection.evaluated),
    "watch": lambda inspection: watch_judgement(inspection.observed),
}


def judge(
    obs: Observed,
    gate_reasons: Sequence[Reason] = (),
    *,
    cut_short: str = "",
    witnesses: Sequence[Mapping[str, Any]] = (),
) -> Judgement:
    """The whole chain. gate_reasons: what ended the run early; cut_short: why it never got to its end ("" = it did).

    witnesses: entries beside the run of what witnesses said (rig/review/witness/awaiting.py).
    """
    evaluated = evaluate(obs)
    obs = replace(evaluated.observed, part=_vouched_limits(evaluated.observed))
    inspection = Inspection(evaluated)
    said = latest_answers(witnesses)
    own = [*rig_reasons(evaluated, witnesses), *left_standing(soundness(inspection, wiring_reasons(inspection)), said)]
    reasons = cause_first(_merge(own, gate_reasons))
    judged, uncompared = settle_limits(evaluated, _lines(_with_conventions(obs.part), evaluated.results, reasons))
    reasons += uncompared
    outcome = roll_up(judged, reasons, cut_short=cut_short)
    told = findings(inspection, judged)
    return Judgement(
        outcome=outcome,
        judged=judged,
        reasons=_add_last_sentence(reasons),
        findings=tuple(told),
        curves=evaluated.curves,
        causes=evaluated.causes if obs.absent else (),
        unknown=not_known(evaluated),
        notes=(
            *_notes(obs, judged, cut_short),
            *recording_notes(evaluated),
            *axis_notes(evaluated),
            *confirmations(witnesses),
            *opinions(judged, obs.header.get("learned")),
        ),
        awaits=() if obs.absent else witnesses_to_take(evaluated, judged, reasons, said),
    )


def judge_run(run: StoredRun, *, part: Part | None = None, learned: Mapping[str, Any] | None = None) -> Judgement:
    """A stored run judged (again); part: another part file's limits, learned: others behind it (frozen.py); else those
    of the run's own header."""
    obs = observed_of(run, part, learned)
    given = given_reasons(run)
    record = run.record
    question = run.header.kind.question
    if question == "pins":  # the part file's map is a placeholder there: what was found is the outcome
        return _of_pins(find_pins(evaluate(obs)).judgement(), given)
    if question in ANSWERS and not given:  # these answer a question of their own and judge no line
        return ANSWERS[question](Inspection(evaluate(obs)))
    cut = record.ended if record is not None and record.ended != "complete" else ""
    judgement = judge(obs, given, cut_short=cut, witnesses=run.witness_entries())
    return replace(judgement, notes=(*judgement.notes, *run.repeat_notes))


def _of_pins(judgement: Judgement, given: Sequence[Reason]) -> Judgement:
    return replace(judgement, reasons=_add_last_sentence(_merge(judgement.reasons, given)))


def _add_last_sentence(reasons: Sequence[Reason]) -> tuple[Reason, ...]:
    """Each with its last sentence: the rig, the part, or the witness that would tell."""
    return tuple(
        replace(reason, rig_or_part=ending(reason.code, reason.witness, on_part=reason.on_part)) for reason in reasons
    )


def observed_of(run: StoredRun, part: Part | None = None, learned: Mapping[str, Any] | None = None) -> Observed:
    """A stored run as evaluation wants it, its part with the frozen limits behind the part file's own.

    Raises RecordError or DescriptionError when the record is damaged.
    """
    header = dump(run.header) | ({} if learned is None else {"learned": learned})
    where = f"run {run.id}"
    part = part or from_data(PartFile, header["part"], f"{where}, part").part()
    if (header["learned"] or {}).get("part") != part.number:
        header["learned"] = None
    return Observed(
        readings=run.readings,
        superseded=run.superseded_readings,
        captures=run.captures,
        part=add_frozen_limits(part, header["learned"]),
        holder=from_data(Holder, header["holder"], f"{where}, holder"),
        bench=from_data(BenchFile, header["bench"], f"{where}, bench"),
        header=header,
    )


def observe_runs(runs: Sequence[str]) -> list[Observed]:
    """What some kept runs of this home recorded, in the order given. Raises UsageError for one that is not there."""
    store = Store()
    return [observed_of(store.find(run)) for run in runs]


def loopback_of(run: StoredRun) -> dict[str, Any] | None:
    """The loopback that a run measured, as data to keep for later runs; None when it measured none."""
    made = evaluate(observed_of(run)).measured_loopback
    return None if made is None else made.to_dict()


def _merge(own: Sequence[Reason], given: Sequence[Reason]) -> list[Reason]:
    """Own reasons, and those of the gates that the evaluation did not come to by itself."""
    codes = {reason.code for reason in own}
    return [*own, *(reason for reason in given if reason.code not in codes)]


# ---- lines --------------------------------------------------------------------------------------------------


def _vouched_limits(obs: Observed) -> Part:
    """The part with its limits, without them where nothing vouches for the channels or the positions."""
    return replace(obs.part, limits=()) if obs.lacks(Absent.RECORDER, Absent.POSITIONER) else obs.part


def _with_conventions(part: Part) -> Part:
    """The part file's positive rotation is a requirement of its own wherever the file has limits at all."""
    if not part.limits or part.limit("direction") is not None:
        return part
    note = f"positive rotation: {part.positive_rotation}"
    origin = "shop fall-back" if part.limits[0].origin == "learned" else part.limits[0].origin
    limit = Limit(measurand="direction", lower=1.0, upper=1.0, origin=origin, note=note, required=False)
    return replace(part, limits=(*part.limits, limit))


def _lines(part: Part, results: Sequence[Result], reasons: Sequence[Reason]) -> list[Judged]:
    by_id: dict[str, Result] = {}
    for result in results:
        by_id.setdefault(result.measurand, result)
    lines = [_line(part, result.measurand, result, reasons) for result in results]
    missing = [limit for limit in part.limits if limit.measurand not in by_id]
    return lines + [_line(part, limit.measurand, None, reasons) for limit in missing]


def _line(part: Part, id_: str, result: Result | None, reasons: Sequence[Reason]) -> Judged:
    limit = part.limit(id_)
    spoiled = spoiler(id_, reasons)
    if result is not None and result.manual and result.estimate is None:
        note, verdict = result.note, Verdict.NO_LIMIT  # a text that people wrote: it was tested, not judged
    elif result is None or result.estimate is None:
        note = result.note if result is not None else "not measured in this run"
        verdict = Verdict.NOT_TESTED
    elif spoiled is not None and _about_part(id_):
        note, verdict = f"{spoiled.code}: {spoiled.text}", Verdict.NOT_TESTED
    else:
        U, beside = judged_uncertainty(result, part.pole_pairs)
        note = "; ".join(filter(None, (result.note, beside if limit else "")))
        verdict = _verdict(part, result, limit, U)
    code = spoiled.code if spoiled is not None and verdict is Verdict.NOT_TESTED else ""
    return Judged(measurand=id_, result=result, limit=limit, verdict=verdict, note=note, spoiled=code)


def _about_part(id_: str) -> bool:
    try:
        return measurand(id_).about == "part"
    except KeyError:
        return True


def _verdict(part: Part, result: Result, limit: Limit | None, U: float | None) -> Verdict:
    if limit is None:
        return Verdict.NO_LIMIT
    return verdict_of(
        result.estimate,
        U,
        limit.lower,
        limit.upper,
        part.decision.multiplier,
        qualifier=result.qualifier,
        nonnegative=measurand(result.measurand).nonnegative,
    )


# ---- the roll-up --------------------------------------------------------------------------------------------


def _notes(obs: Observed, judged: Sequence[Judged], cut_short: str) -> list[str]:
    notes = []
    if cut_short:
        notes.append(f"The run was cut short: {cut_short}")
    if obs.rotor == "shop master":
        notes.append("Shop master rotor: the part's own rotor was not judged.")
    elif obs.rotor == "none":
        notes.append("Stator alone: ratio and angle error need a rotor and were not tested.")
    if obs.part.number and obs.lacks(Absent.RECORDER, Absent.POSITIONER):
        notes.append(
            f"Limits of part {obs.part.number} are not applied: nothing vouches for the recorder and the positioner "
            "(--bench names a file that does)."
        )
    elif not any(line.limit for line in judged):
        notes.append("No line of this part has a limit: nothing was judged.")
    return notes
