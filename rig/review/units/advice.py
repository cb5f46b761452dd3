"""Which of the compared units to fit, and why: an opinion in figures, never a verdict.

Only soundly measured units outside no limit are candidates; within limits comes before undecided, undecided before
units that nobody set a limit for. Among equals the larger margin decides, but only where the two differ at that line by
more than U over re-clamping; else either will do, and it says so. It reads a Comparison, and in the book what came of
fitted units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.measurands import measurand
from rig.records.store import Store
from rig.result import Judged
from rig.review.units.comparing import ComparedUnit, UnitComparison
from rig.review.units.margins import Difference, difference, margin
from rig.review.units.outcomes import experience
from rig.uncertainty.conformity import Verdict

RANK = {"within limits": 0, "undecided": 1, "measured, no limits": 2}
WITHOUT_LIMITS = "error_max_elec_arcmin"  # what is smaller in a better part when no limit says what is good
BAD = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """fit: names of the units that may be fitted, none better than another; () for none. reasons: sentences why."""

    fit: tuple[str, ...]
    text: str
    reasons: tuple[str, ...]


def advice(found: UnitComparison) -> Advice:
    """Which unit to fit, and what became of others like it where that is known."""
    ranked = sorted((u for u in found.units if u.judgement.outcome in RANK), key=lambda u: (_rank(u), -_free(u)))
    refused = [_why_not(unit) for unit in found.units if unit.judgement.outcome not in RANK]
    said = tuple(refused) + tuple(_caveats(found))
    if not ranked:
        return Advice(fit=(), text="Opinion: fit none of them.", reasons=said)
    best = ranked[0]
    equals = [unit for unit in ranked[1:] if _rank(unit) == _rank(best)]
    lesser = [unit for unit in ranked[1:] if _rank(unit) != _rank(best)]
    told = [_why(best)]
    told += [f"{unit.name}: {unit.judgement.outcome}{_at_margin(unit)}" for unit in lesser]
    alike = [unit for unit in equals if not _can_tell_apart(best, unit, told)]
    names = (best.name, *(unit.name for unit in alike))
    text = f"Opinion: fit {' or '.join(names)}, each with the rotor it was measured with."
    if len(names) == 1:
        text = f"Opinion: fit {best.name}, with {best.rotor}."
    store = Store(best.run.path.parents[1])
    known = [f"{unit.name}: {seen}" for unit in (best, *alike) if (seen := experience(store, unit.run)) is not None]
    return Advice(fit=names, text=text, reasons=(*told, *known, *said))


def _rank(unit: ComparedUnit) -> int:
    return RANK[unit.judgement.outcome]


def _free(unit: ComparedUnit) -> float:
    """What units of one rank are ordered by: the margin, without limits the (negative) largest angle error."""
    if unit.judgement.outcome == "measured, no limits":
        line = unit.judgement.line(WITHOUT_LIMITS)
        known = line is not None and line.result is not None and line.result.estimate is not None
        return -line.result.estimate if known and line and line.result and line.result.estimate else float("-inf")
    free = margin(unit.judgement)
    return free[0] if free else float("-inf")


def _deciding(unit: ComparedUnit) -> str:
    free = margin(unit.judgement)
    return free[1] if free else WITHOUT_LIMITS


def _can_tell_apart(best: ComparedUnit, other: ComparedUnit, told: list[str]) -> bool:
    """Whether the lesser unit is worse than the best at its own weakest line by more than U; says which it is."""
    id_ = _deciding(other)
    apart = difference(other.judgement.line(id_), best.judgement.line(id_))
    name = measurand(id_).name
    if apart is None:
        told.append(f"{other.name}: {other.judgement.outcome}{_at_margin(other)}; {name} can't be compared")
        return False
    beyond = "more than" if apart.beyond else "no more than"
    told.append(
        f"{other.name}: {other.judgement.outcome}{_at_margin(other)}; differs from {best.name} there by "
        f"{_figure(apart, id_)}, {beyond} its uncertainty"
    )
    return apart.beyond


def _figure(apart: Difference, id_: str) -> str:
    spread = "" if apart.U is None else f" ± {apart.U:.2g}"
    return f"{apart.value:+.3g}{spread} {measurand(id_).unit}"


def _why(unit: ComparedUnit) -> str:
    return f"{unit.name}: {unit.judgement.outcome}{_at_margin(unit)}; measured with {unit.rotor} (run {unit.run.id})"


def _at_margin(unit: ComparedUnit) -> str:
    free = margin(unit.judgement)
    if free is None:
        line = unit.judgement.line(WITHOUT_LIMITS)
        return f", {_line_sentence(line)}" if line is not None and line.result is not None else ""
    line = unit.judgement.line(free[1])
    return f", {100 * free[0]:.0f} % of the tolerance free at its weakest line, {_line_sentence(line)}" if line else ""


def _why_not(unit: ComparedUnit) -> str:
    j = unit.judgement
    lines = [line for line in j.judged if line.limit is not None and line.verdict in BAD]
    why = [_line_sentence(line) for line in lines[:3]] or [reason.code for reason in j.reasons[:3]]
    more = f" and {len(lines) - 3} more lines" if len(lines) > 3 else ""
    hint = f"; hint: {j.findings[0].code}" if j.findings and lines else ""
    return f"not {unit.name}: {j.outcome}{': ' if why else ''}{', '.join(why)}{more}{hint}"


def _line_sentence(line: Judged) -> str:
    r, limit = line.result, line.limit
    m = measurand(line.measurand)
    if r is None or r.estimate is None:
        return f"{m.name} not measured"
    spread = "" if r.U is None else f" ± {r.U:.2g}"
    told = f"{m.name} {r.qualifier}{r.estimate:.4g}{spread} {'' if m.unit in ('ratio', '1') else m.unit}".strip()
    if limit is None:
        return told
    ends = [f"at least {limit.lower:.4g}" if limit.lower is not None else ""]
    ends += [f"at most {limit.upper:.4g}" if limit.upper is not None else ""]
    return f"{told} ({', '.join(end for end in ends if end)}; {limit.origin})"


def _caveats(found: UnitComparison) -> Sequence[str]:
    told = [f"measured differently, by leave: {what}" for what in found.differs.values()]
    if not found.reclamped:
        told.append(
            "the re-clamping scatter of this part number is not known: differences carry U of single clampings "
            "(anglewright run remount)"
        )
    return told
