"""Which outcomes await a witness, because nothing within the run can tell the rig from the part; what witnesses said.

It must never read an instrument or a file. A failing DC line is read through the adapter's leads alone: a broken lead
looks like an open coil, a bad contact like a high coil, a bridge in the adapter like a short or a leak. Where the
driven figures of the same coil fail too, the run itself tells the part from the leads: no lead carries a current that
could change an output's ratio or a coil's inductance. A silent output needs its input exchanged. The answers of
witnesses that were taken stand beside the run and come in as data.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from rig.evaluation.evaluated import Evaluated
from rig.evaluation.inspection.lines import driven, group, is_open, output_lines
from rig.resolver.part import COILS
from rig.result import Awaited, Judged, Reason
from rig.review.witness.suspects import Suspect, lines_of, witnesses_of_reason
from rig.soundness.witness import OPEN, PART, RIG, WITNESSES
from rig.uncertainty.conformity import Verdict

THROUGH_LEADS = ("r20_", "leak_", "thermistor_")
SILENCE = ("channel-silent", "channel-constant", "channel-low")
OWN_FIGURES = ("tr_{coil}", "l_{coil}", "z_{coil}_mod", "tr_imbalance")
CODE = "adapter-fault"


def witnesses_to_take(
    evaluated: Evaluated, judged: Sequence[Judged], reasons: Sequence[Reason], answers: Mapping[str, str]
) -> tuple[Awaited, ...]:
    """The witnesses that have to be taken before this outcome is final, the quickest of each line.

    answers: line -> what witnesses have said so far (the words of rig/soundness/witness.py).
    """
    failing = {line.measurand for line in judged if line.verdict is Verdict.FAIL}
    asked: dict[str, list[str]] = {}
    for line in judged:
        id_ = line.measurand
        if id_ not in failing or not id_.startswith(THROUGH_LEADS) or answers.get(id_, OPEN) != OPEN:
            continue
        if not _settled_within(evaluated, id_, failing):
            _add(asked, _suspect(line).kinds, id_)
    for reason in reasons:
        if reason.code in SILENCE and not reason.witness and not _answers_to(reason, answers):
            _add(asked, witnesses_of_reason(reason.code), reason.code)
    return tuple(
        Awaited(kind=kind, title=WITNESSES[kind].title, do=WITNESSES[kind].do, lines=tuple(dict.fromkeys(lines)))
        for kind, lines in asked.items()
    )


def left_standing(reasons: Sequence[Reason], answers: Mapping[str, str]) -> list[Reason]:
    """The reasons without those of a silence that a witness has pinned on the part: its lines are judged then."""
    return [r for r in reasons if not (r.code in SILENCE and _answers_to(r, answers) == {PART})]


def _answers_to(reason: Reason, answers: Mapping[str, str]) -> set[str]:
    return {answers[line] for line in lines_of(reason.code) if line in answers}


def _add(asked: dict[str, list[str]], kinds: Sequence[str], line: str) -> None:
    """One line under the quickest of its witnesses; one that is asked for already serves first."""
    if kinds:
        asked.setdefault(next((kind for kind in kinds if kind in asked), kinds[0]), []).append(line)


def _settled_within(evaluated: Evaluated, line: str, failing: Collection[str]) -> bool:
    """The same coil's driven figures fail as well: no lead does that but a broken one, which leaves no signal."""
    coils = ("sin", "cos") if line == "r20_match" else (line.removeprefix("r20_"),)
    if any(coil not in COILS or is_open(evaluated, coil) for coil in coils):
        return False
    return any(own.format(coil=coil) in failing for own in OWN_FIGURES for coil in coils)


def _suspect(line: Judged) -> Suspect:
    result, limit = line.result, line.limit
    return Suspect(
        line=line.measurand,
        estimate=None if result is None else result.estimate,
        qualifier="" if result is None else result.qualifier,
        lower=None if limit is None else limit.lower,
        upper=None if limit is None else limit.upper,
    )


def rig_reasons(evaluated: Evaluated, entries: Iterable[Mapping[str, object]]) -> list[Reason]:
    """The reason that a witness gives when it says that it is the rig: it spoils the lines that the witness settled.

    A lead that is broken also spoils all that its coil's signal decides.

    entries: as the store keeps them beside a run, {kind, run, answers: [{line, answer, told}]}.
    """
    found = []
    for entry in entries:
        rows = [row for row in _rows(entry) if row["answer"] == RIG]
        if not rows:
            continue
        title = WITNESSES[str(entry["kind"])].title
        found.append(
            Reason(
                code=CODE,
                text="The rig's own adapter or lead makes this reading, not the part.",
                evidence="; ".join(f"{row['line']}: {row['told']}" for row in rows),
                next="Mend the adapter's lead or contact, then run the test again.",
                spoils=tuple(dict.fromkeys(id_ for row in rows for id_ in _spoiled_with(evaluated, row["line"]))),
                witness=f"{title}, run {entry['run']}",
            )
        )
    return found


def _spoiled_with(evaluated: Evaluated, line: str) -> tuple[str, ...]:
    coil = line.removeprefix("r20_")
    if coil not in COILS or not is_open(evaluated, coil):
        return (line,)
    if coil == "exc":
        return (line, *driven(evaluated.results))
    own = tuple(id_ for id_ in group("impedance") if f"_{coil}" in id_)
    return (line, "r20_match", *own, *output_lines(coil, evaluated.results))


def latest_answers(entries: Iterable[Mapping[str, object]]) -> dict[str, str]:
    """Line -> what all witnesses of a run say of it; the rig's fault stands above the part's."""
    said: dict[str, str] = {}
    for entry in entries:
        for row in _rows(entry):
            if said.get(row["line"]) != RIG and row["answer"] != OPEN:
                said[row["line"]] = row["answer"]
    return said


def confirmations(entries: Iterable[Mapping[str, object]]) -> list[str]:
    """One note a witness that pins lines on the part."""
    notes = []
    for entry in entries:
        lines = [row["line"] for row in _rows(entry) if row["answer"] == PART]
        if lines:
            title = WITNESSES[str(entry["kind"])].title
            notes.append(f"Confirmed by the {title} (run {entry['run']}): {', '.join(lines)} as the part's own.")
    return notes


def _rows(entry: Mapping[str, object]) -> list[Mapping[str, str]]:
    rows = entry.get("answers")
    return [row for row in rows if isinstance(row, Mapping)] if isinstance(rows, list) else []
