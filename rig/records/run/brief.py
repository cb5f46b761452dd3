"""What lists and histories need of a judgement: the outcome, each line's figures and verdict, what is awaited.

The newest judgement alone is read, once, and of it neither budgets nor curves; a field that stands in a row of the
index is checked like everywhere (schema.py). tests/records hold it against the whole judgement.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rig.records.run.record import JUDGE_AGAIN, JUDGEMENT_SCHEMA
from rig.records.run.stored import StoredRun, judgement_files
from rig.records.schema import load
from rig.vocabulary import awaits_text


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefResult:
    """Of a result: unit, estimate, u and k as they are kept."""

    unit: str
    estimate: float | None
    u: float | None
    k: float | None
    qualifier: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefLimit:
    """Of a limit: its ends."""

    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefLine:
    """Of a judged line."""

    measurand: str
    result: BriefResult | None
    limit: BriefLimit | None
    verdict: str

    def row(self) -> dict[str, Any]:
        """Its columns in the index; as `Judged.to_dict` gives them."""
        r, limit = self.result, self.limit
        U = r.k * r.u if r is not None and r.k is not None and r.u is not None else None
        return {
            "measurand": self.measurand,
            "unit": r.unit if r else "",
            "estimate": _finite(r.estimate) if r else None,
            "qualifier": r.qualifier if r else "",
            "U": _finite(U),
            "k": _finite(r.k) if r else None,
            "verdict": self.verdict,
            "lower": limit.lower if limit else None,
            "upper": limit.upper if limit else None,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefJudgement:
    """Of a judgement; its other keys are left out."""

    outcome: str
    judged: tuple[BriefLine, ...] = ()
    awaits: tuple[Mapping[str, Any], ...] = field(default=())

    @property
    def awaits_text(self) -> str:
        """As `Judgement.awaits_text`."""
        return awaits_text(str(one.get("title", "")) for one in self.awaits)


def brief_judgement(stored: StoredRun) -> BriefJudgement | None:
    """The newest judgement of a closed run, None without one. Raises RecordError for a damaged one."""
    later: list[Path] = judgement_files(stored.path)
    if later and stored.record is not None:
        return load(BriefJudgement, stored.read(later[-1]), str(later[-1]), JUDGEMENT_SCHEMA, next_action=JUDGE_AGAIN)
    own = stored.record.judgement if stored.record is not None else None
    where = str(stored.path / "run.json")
    return load(BriefJudgement, own, where, JUDGEMENT_SCHEMA, next_action=JUDGE_AGAIN) if own else None


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
