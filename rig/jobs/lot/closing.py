"""A lot is decided: the plan's answer, the person's decision beside it, the report, the bundle for the supplier.

A person decides, with a reason and a name; the plan never does. It prints nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rig.certificate.sheets.lot_files import write_report
from rig.errors import UsageError
from rig.jobs.kept.carrying import carry_out
from rig.records.book.lot_entries import LotDecision
from rig.records.store import Store
from rig.review.lots.answer import answer_of
from rig.review.lots.lot import Lot

FOLLOW = {"accepted": ("accepted",), "not accepted": ("returned", "sorted")}  # decisions that follow the plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """What a lot came to. files: kind -> path; decision: "" while it stays open; warnings: beside the decision."""

    lot: str
    answer: str
    towards: str
    decision: str
    files: dict[str, str]
    warnings: tuple[str, ...]


def close(store: Store, name: str, *, decision: str, why: str, who: str, out: Path, bundle: bool = False) -> Closed:
    """Decide on a lot and write its report. Raises UsageError for a decision without a reason or a name, or before the
    first reading; "sorted" as long as a unit was neither tested nor named."""
    lot = Lot(store, name)
    found = answer_of(lot)
    warnings = []
    if decision:
        if not why.strip() or not who.strip():
            raise UsageError(f"lot {name}: decided without a reason or a name.", next_action="Give --why and --by.")
        untested = [unit.label for unit in lot.units if not unit.runs and not unit.aside]
        if decision == "sorted" and untested:
            raise UsageError(
                f"lot {name} can't be sorted: {len(untested)} units were not tested ({', '.join(untested[:5])}).",
                next_action='Sorting takes 100 %: open it with plan = "all", or leave units out by name.',
            )
        if decision not in FOLLOW.get(found.answer, ()):
            warnings.append(f"the plan says {found.answer}, the person {decision}: both stand in the report")
        groups = {group.check.name: group.to_dict() for group in found.groups}
        with lot.book.turn():
            lot.book.add(
                LotDecision(
                    lot=name,
                    decision=decision,
                    plan_answer=found.answer,
                    why=why.strip(),
                    who=who.strip(),
                    groups=groups,
                )
            )
        lot = Lot(store, name)
    files = write_report(lot, found, out)
    if bundle:
        path = out / f"{name}-runs.zip"
        carry_out(store, name, path)
        files["bundle"] = str(path)
    return Closed(
        lot=name,
        answer=found.answer,
        towards=found.towards,
        decision=decision,
        files=files,
        warnings=tuple(warnings),
    )
