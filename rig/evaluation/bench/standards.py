"""A run of the bench's own standards, judged: each line of the proof with limit, U and verdict. Nothing of a part.

Sequences check_standard and prove. Limits and the rule (simple acceptance, U beside) are those of proving.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rig.evaluation.bench.proof import NOT_CAPABLE, NOT_TAKEN, OUTSIDE, WITHIN, ProofLine
from rig.evaluation.evaluated import Evaluated
from rig.measurands import BENCH
from rig.quantity import Limit
from rig.result import Judged, Judgement, Result
from rig.uncertainty.conformity import Verdict

VERDICTS: Mapping[str, Verdict] = {
    WITHIN: Verdict.PASS,
    OUTSIDE: Verdict.FAIL,
    NOT_CAPABLE: Verdict.NOT_CAPABLE,
    NOT_TAKEN: Verdict.NOT_TESTED,
}
ORIGIN, STATED_IN = "shop fall-back", "limits of the bench: hardware/first_steps.md"


def standards_judgement(evaluated: Evaluated) -> Judgement:
    """The bench's own lines as judged lines; notes say what to look at where one is outside."""
    lines = evaluated.proof
    return Judgement(
        outcome=roll_up(lines),
        judged=tuple(map(judged_line, lines)),
        reasons=(),
        findings=(),
        notes=tuple(f"{line.text}: look at {line.next}" for line in lines if line.verdict == OUTSIDE),
    )


def roll_up(lines: Sequence[ProofLine]) -> str:
    """Any line outside: outside limits; none, but one whose U fills its limits: undecided; else within limits."""
    found = {line.verdict for line in lines}
    if OUTSIDE in found:
        return "outside limits"
    if NOT_CAPABLE in found:
        return "undecided"
    return "within limits" if WITHIN in found else "measured, no limits"


def judged_line(line: ProofLine) -> Judged:
    """One line of the proof; a standard that read nothing at all fails without a figure."""
    id_ = f"{BENCH}{line.id}"
    result = None
    if line.estimate is not None:
        result = Result(
            measurand=id_,
            estimate=line.estimate,
            unit=line.unit,
            u=None if line.U is None or line.k is None else line.U / line.k,
            k=line.k,
            dof=line.dof,
        )
    limit = None
    if line.lower is not None or line.upper is not None:
        limit = Limit(measurand=id_, lower=line.lower, upper=line.upper, origin=ORIGIN, note=STATED_IN, required=False)
    note = line.gone or ("not taken: this bench has no means for it" if line.verdict == NOT_TAKEN else "")
    return Judged(measurand=id_, result=result, limit=limit, verdict=VERDICTS[line.verdict], note=note)
