"""Suspected lines of a judged run, as a witness run carries them: estimate, U and limit as they were judged.

It must never know a witness' readings. Which lines are suspected: those that failed, those that an unsound reason
puts in doubt, or those of a code that was named.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from rig.findings import findings
from rig.measurands import MEASURANDS
from rig.result import Judged, Judgement
from rig.soundness import soundness
from rig.soundness.witness import SILENT_LINE, titles, witnesses_of
from rig.uncertainty.conformity import Verdict

FAILS = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)
LEAST_RATIO = 0.1  # no resolver of this kind has less; stands in where the part file has no limit
SILENT = 0.05  # a ratio below is silence
LEAST_LEVEL = 0.8  # of the level wanted at the coil


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One line. estimate: None where nothing was measured; qualifier ">" over range. lower, upper: its limit."""

    line: str
    estimate: float | None
    U: float = 0.0
    qualifier: str = ""
    lower: float | None = None
    upper: float | None = None
    reason: str = ""

    @property
    def value(self) -> float:
        """The estimate with over range as infinity; NaN for none."""
        if self.qualifier == ">":
            return math.inf
        return math.nan if self.estimate is None else self.estimate

    def excess(self, value: float) -> float:
        """How far a value lies outside the limit; 0 inside, NaN for NaN."""
        if math.isnan(value):
            return math.nan
        below = self.lower - value if self.lower is not None else 0.0
        above = value - self.upper if self.upper is not None else 0.0
        return max(below, above, 0.0)

    @property
    def side(self) -> str:
        """ "low", "high" or "" of its limits."""
        if self.lower is not None and self.value < self.lower:
            return "low"
        return "high" if self.upper is not None and self.value > self.upper else ""

    @property
    def kinds(self) -> tuple[str, ...]:
        """Witnesses that can settle it."""
        if self.line in ("tr_sin", "tr_cos") and not self.value >= SILENT:
            return SILENT_LINE
        return witnesses_of(self.line, self.side)

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Suspect:
        """Back from `to_dict`."""
        return cls(**data)


WIRING_LINES = dict.fromkeys(("pin-map-mismatch", "wrong-adapter"), ("direction",))  # reasons of rig/pins
FORBIDDEN_ENDS = (
    "The part, unless the adapter is to blame: shorting plug (open) or open adapter (short, leak) settles it."
)


def lines_of(code: str) -> tuple[str, ...]:
    """The lines that a witness is asked about for a reason or a finding, as their rows say."""
    row = soundness.BY_CODE.get(code) or findings.BY_CODE.get(code)
    return WIRING_LINES.get(code, ()) if row is None else row.asks


def witnesses_of_reason(code: str) -> tuple[str, ...]:
    """Which witnesses can settle a reason: those of its row, else those of its lines, a re-seat left out."""
    row = soundness.BY_CODE.get(code)
    if row is not None and row.witnesses:
        return row.witnesses
    lines = WIRING_LINES.get(code, ()) if row is None else row.asks
    return tuple(dict.fromkeys(kind for line in lines for kind in witnesses_of(line) if kind != "reseat"))


def ending(code: str, settled_by: str, *, on_part: bool = False) -> str:
    """How a reason ends: what settled it already, which witness would, or that none can. settled_by: its witness."""
    if on_part:
        return "It's the part: the rig's share was tightened, marked and seen not to move."
    if code == "excitation-forbidden":
        return FORBIDDEN_ENDS
    if settled_by:
        return "It's the rig or its set-up, not the part."
    kinds = witnesses_of_reason(code)
    return f"Rig or part? {titles(kinds)} settles it." if kinds else ""


def suspects(judgement: Judgement, codes: Iterable[str] = (), *, level_v_rms: float = 0.0) -> list[Suspect]:
    """The suspected lines that some witness can settle. codes: reason or finding codes, or lines; none: all failures
    and reasons. level_v_rms: wanted at the coil, for a reason about the excitation."""
    named = list(codes)
    wanted: dict[str, str] = {}
    if not named:
        wanted |= {line.measurand: "" for line in judgement.judged if line.verdict in FAILS}
        named = [reason.code for reason in judgement.reasons]
    for code in named:
        if code in MEASURANDS:
            wanted.setdefault(code, "")
        for line in lines_of(code):
            wanted.setdefault(line, code)
    found = [_suspect(line, judgement.line(line), reason, level_v_rms) for line, reason in wanted.items()]
    return [suspect for suspect in found if suspect.kinds]


def _suspect(line: str, judged: Judged | None, reason: str, level_v_rms: float) -> Suspect:
    result = judged.result if judged is not None else None
    limit = judged.limit if judged is not None else None
    lower, upper = (limit.lower, limit.upper) if limit is not None else (None, None)
    if limit is None and line in ("tr_sin", "tr_cos"):
        lower = LEAST_RATIO
    if line == "v_exc_rms":
        lower = LEAST_LEVEL * level_v_rms
    return Suspect(
        line=line,
        estimate=result.estimate if result is not None else (0.0 if line == "v_exc_rms" else None),
        U=(result.U or 0.0) if result is not None else 0.0,
        qualifier=result.qualifier if result is not None else "",
        lower=lower,
        upper=upper,
        reason=reason,
    )
