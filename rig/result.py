"""What a run says: Result (a figure with its uncertainty), Reason (why a measurement is unsound), Finding, Judgement.

Plain frozen data. A Verdict can only be made by rig/uncertainty/conformity.py; this file only carries it.
`to_dict` gives the shape that --json prints: numbers unrounded, null never NaN.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.answer import Answer, Curves
from rig.errors import PROGRAM_FAULT
from rig.quantity import Limit, Scalar
from rig.resolver.turn.attribution import Cause
from rig.uncertainty.budget import BudgetLine
from rig.uncertainty.conformity import Verdict
from rig.vocabulary import awaits_text

OUTCOMES = (
    "within limits",
    "outside limits",
    "measured, no limits",
    "unsound measurement",
    "undecided",
    "not this kind",
    "incomplete",
)

EXIT_STATUS: Mapping[str, int] = {
    "within limits": 0,
    "measured, no limits": 0,
    "outside limits": 1,
    "unsound measurement": 3,
    "undecided": 3,
    "not this kind": 3,
    "incomplete": 5,
}

EXIT_MEANINGS: Mapping[int, str] = {
    0: "within limits, or measured without limits",
    1: "outside limits",
    2: "usage or file error",
    3: "unsound, undecided or not this kind",
    4: "bench or instrument",
    5: "incomplete, stopped",
    PROGRAM_FAULT: "fault of the program",
}
"""Exit status -> what it means, for every command. An outcome gives 0, 1, 3 or 5; an error gives the others."""


def finite(value: float | None) -> float | None:
    """None for what JSON can't carry."""
    return None if value is None or not math.isfinite(value) else float(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One measurand's estimate. qualifier ">" or "<": beyond the estimate (a range's end, a ceiling).

    U = k u at `coverage`; dof the effective degrees of freedom. estimate None: could not be measured (see note).
    lacks: witnesses that a recording has not, whose influences are not in U; then U is the data's scatter only.
    """

    measurand: str
    estimate: float | None
    unit: str
    u: float | None
    k: float | None
    dof: float | None
    coverage: float = 0.9545
    qualifier: str = ""
    conditions: Mapping[str, Scalar] = field(default_factory=dict)
    budget: tuple[BudgetLine, ...] = ()
    note: str = ""
    manual: bool = False
    lacks: tuple[str, ...] = ()

    @property
    def scatter_only(self) -> bool:
        """Whether nothing stands behind the channels or the positions: U is the scatter of the data alone."""
        return bool(self.lacks)

    @property
    def U(self) -> float | None:
        """Expanded uncertainty."""
        return None if self.u is None or self.k is None else self.k * self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A result beside its limit and verdict; result None = the line was not tested (note says why).

    spoiled: the code of the reason that makes the figure worthless, else ""; then there is no verdict, and neither
    estimate nor U is a statement about the part: they are kept for whoever looks for the fault.
    """

    measurand: str
    result: Result | None
    limit: Limit | None
    verdict: Verdict
    note: str = ""
    spoiled: str = ""

    def to_dict(self) -> dict[str, Any]:
        """The shape of a row under `results` in --json."""
        r = self.result
        return {
            "measurand": self.measurand,
            "estimate": finite(r.estimate) if r else None,
            "qualifier": r.qualifier if r else "",
            "unit": r.unit if r else "",
            "U": finite(r.U) if r else None,
            "k": finite(r.k) if r else None,
            "coverage": r.coverage if r else None,
            "dof": finite(r.dof) if r else None,
            "limit": self.limit.to_dict() if self.limit else None,
            "verdict": self.verdict.value,
            "spoiled": self.spoiled,
            "scatter_only": r.scatter_only if r else False,
            "lacks": list(r.lacks) if r else [],
            "conditions": dict(r.conditions) if r else {},
            "note": self.note or (r.note if r else ""),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class NotKnown:
    """What a recording can't tell. witness: what it lacks, in words; what: what therefore is not known."""

    witness: str
    what: str

    def to_dict(self) -> dict[str, Any]:
        """The shape of a row under `unknown` in --json."""
        return {"witness": self.witness, "what": self.what}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why the measurement, or some lines of it, is unsound. spoils: measurand ids it makes worthless ("*" = all).

    witness: what settled already that it isn't the part; rig_or_part: how it ends, or which witness would settle it.
    on_part: a witness pinned it on the part: its lines have no verdict, and the outcome is undecided, not unsound.
    question: it spoils nothing, but leaves open whether a figure is the part's or the recorder's.
    """

    code: str
    text: str
    evidence: str
    next: str
    spoils: tuple[str, ...] = ("*",)
    witness: str = ""
    rig_or_part: str = ""
    on_part: bool = False
    question: bool = False

    def to_dict(self) -> dict[str, Any]:
        """The shape of a row under `reasons` in --json."""
        return {
            "code": self.code,
            "text": self.text,
            "evidence": self.evidence,
            "next": self.next,
            "spoils": list(self.spoils),
            "witness": self.witness,
            "rig_or_part": self.rig_or_part,
            "on_part": self.on_part,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What may explain a part outside its limits; a hint, labelled as one."""

    code: str
    probability: float
    evidence: str
    against: str
    next_test: str
    text: str = ""

    def to_dict(self) -> dict[str, Any]:
        """The shape of a row under `findings` in --json."""
        return {
            "code": self.code,
            "probability": self.probability,
            "evidence": self.evidence,
            "against": self.against,
            "next_test": self.next_test,
            "text": self.text,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Awaited:
    """A witness that has to tell rig from part, because nothing within the run can. lines: the measurands it settles.

    kind: as in rig/soundness/witness.py; title: its name; do: what hands have to do.
    """

    kind: str
    title: str
    do: str
    lines: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The shape of a row under `awaits_witness` in --json."""
        return {"witness": self.kind, "title": self.title, "do": self.do, "lines": list(self.lines)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The roll-up of one evaluation of one run, with what the plots need (`curves`).

    answer: of a run that judges no line but answers a question.
    awaits: the witnesses that this outcome still waits for; () where it is final.
    causes: what makes the angle error, by error and radius together; unknown: what a recording can't tell.
    """

    outcome: str
    judged: tuple[Judged, ...]
    reasons: tuple[Reason, ...]
    findings: tuple[Finding, ...]
    curves: Curves = field(default_factory=Curves)
    answer: Answer | None = None
    notes: tuple[str, ...] = ()
    awaits: tuple[Awaited, ...] = ()
    causes: tuple[Cause, ...] = ()
    unknown: tuple[NotKnown, ...] = ()

    @property
    def awaits_text(self) -> str:
        """'awaits a witness (shorting plug)', or "" where the outcome is final."""
        return awaits_text(one.title for one in self.awaits)

    @property
    def exit_status(self) -> int:
        return EXIT_STATUS[self.outcome]

    def line(self, measurand: str) -> Judged | None:
        """The judged line of a measurand."""
        return next((line for line in self.judged if line.measurand == measurand), None)
