"""What is told of a recording from elsewhere and what is said of it: Told, Analysis, outcome, document.

It must never pretend: what the file can't tell is listed under `unknown`, limits are not applied (nothing is known of
the recorder's calibration or the positioner), U is the scatter of the data alone. Outcome: unsound measurement where
a reason spoils lines; not this kind; undecided where a question stays open; else measured, no limits.
Source: design page "decisions", "Files from elsewhere".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rig.resolver.attribution import Cause
from rig.resolver.part import Part
from rig.result import EXIT_STATUS, Finding, Judged, Reason, Result
from rig.uncertainty.conformity import Verdict

SCHEMA = "anglewright result 1"
WITNESSES = "the recorder's calibration, the loading by its inputs, the positioner's own error"


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the person said of the part: pole pairs and frequency (Hz), by name of who said it; nothing is required."""

    pole_pairs: int | None = None
    frequency_hz: float | None = None
    by: str = "the caller"
    part: str = ""

    @classmethod
    def of(cls, part: Part | None, pole_pairs: int | None = None, frequency_hz: float | None = None) -> Told:
        """From a part file and options; an option overrides the file."""
        if part is None:
            return cls(pole_pairs=pole_pairs, frequency_hz=frequency_hz)
        return cls(
            pole_pairs=pole_pairs or part.pole_pairs,
            frequency_hz=frequency_hz or part.excitation.frequency_hz,
            by="the caller" if pole_pairs else "the part file",
            part=part.number,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """What a recording says; `judged` rows have no verdict, spoiled ones are *not tested* with the reason."""

    kind: str
    source: str
    outcome: str
    judged: tuple[Judged, ...]
    reasons: tuple[Reason, ...] = ()
    findings: tuple[Finding, ...] = ()
    causes: tuple[Cause, ...] = ()
    notes: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    part: str = ""
    curves: Mapping[str, Any] = field(default_factory=dict)

    @property
    def exit_status(self) -> int:
        return EXIT_STATUS[self.outcome]

    def line(self, measurand: str) -> Judged | None:
        """The row of a measurand."""
        return next((row for row in self.judged if row.measurand == measurand), None)

    def document(self) -> dict[str, Any]:
        """The --json document, in the shape of a run's."""
        return {
            "schema": SCHEMA,
            "kind": self.kind,
            "source": self.source,
            "simulated": False,
            "run": None,
            "part": self.part or None,
            "serial": None,
            "outcome": self.outcome,
            "reasons": [reason.to_dict() for reason in self.reasons],
            "results": [row.to_dict() for row in self.judged],
            "findings": [finding.to_dict() for finding in self.findings],
            "causes": [
                {
                    "code": cause.code,
                    "order_mech": cause.order_mech,
                    "size": cause.size,
                    "unit": cause.unit,
                    "error_elec_arcmin": cause.error_elec_arcmin,
                    "text": cause.text,
                }
                for cause in self.causes
            ],
            "notes": list(self.notes),
            "unknown": list(self.unknown),
            "files": {},
        }


def roll_up(reasons: Sequence[Reason]) -> str:
    """The outcome without limits; a reason that spoils nothing leaves a question open (points missing does not)."""
    if any(reason.code == "not-this-kind" for reason in reasons):
        return "not this kind"
    if any(reason.spoils for reason in reasons):
        return "unsound measurement"
    if any(reason.code != "points-missing" for reason in reasons):
        return "undecided"
    return "measured, no limits"


def report(
    kind: str, source: str, told: Told, results: Sequence[Result], reasons: Sequence[Reason], **rest: Any
) -> Analysis:
    """The results as rows without a verdict; a row that a reason spoils is *not tested*, the excitation's own lines
    excepted. rest: findings, causes, notes, unknown, curves of the Analysis."""
    rows = []
    for result in results:
        spoiled = next((reason for reason in reasons if _spoils(reason, result.measurand)), None)
        ours = result.measurand in ("v_exc_rms", "f_exc_hz", "thd_exc")
        if result.estimate is None or (spoiled is not None and not ours):
            note = result.note if spoiled is None else f"{spoiled.code}: {spoiled.text}"
            rows.append(_row(result, Verdict.NOT_TESTED, note))
        else:
            rows.append(_row(result, Verdict.NO_LIMIT, result.note))
    return Analysis(
        kind=kind,
        source=source,
        outcome=roll_up(reasons),
        judged=tuple(rows),
        reasons=tuple(reasons),
        part=told.part,
        **rest,
    )


def _spoils(reason: Reason, id_: str) -> bool:
    """A reason against the error is one against its orders."""
    own = {"*", id_} | ({"error_max_elec_arcmin"} if id_.startswith("order_") else set())
    return not own.isdisjoint(reason.spoils)


def _row(result: Result, verdict: Verdict, note: str) -> Judged:
    return Judged(measurand=result.measurand, result=result, limit=None, verdict=verdict, note=note)


def told_frequency(told: Told, found_hz: float) -> list[Reason]:
    """A reason when the excitation found (Hz) is 2 % or more off the frequency told; none when none was told."""
    if told.frequency_hz is None or abs(found_hz / told.frequency_hz - 1) < 0.02:
        return []
    return [
        Reason(
            code="excitation-frequency",
            text="The excitation is not at the frequency told.",
            evidence=f"{found_hz:.6g} Hz found, {told.frequency_hz:.6g} Hz told by {told.by}",
            next="Set the source, or correct the frequency or the sample rate.",
            spoils=("phase_sin_deg", "phase_cos_deg"),
        )
    ]
