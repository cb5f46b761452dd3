"""What the terminal shows of lots: the list, one lot as it stands, its plan and what it can see, tags, a closed lot."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rig.certificate.sheets.lot_files import lot_document
from rig.certificate.sheets.slips import hold_tag
from rig.jobs.lot.closing import Closed
from rig.records.book.lots import LotBook
from rig.records.store import Store
from rig.review.lots.answer import LotAnswer, answer_of
from rig.review.lots.counting import CONFORMS
from rig.review.lots.lot import Lot
from rig.review.lots.plan import Numbered, plan_of
from rig.review.lots.words import after, before


def lots(store: Store) -> list[dict[str, Any]]:
    """Every lot of the home with its answer."""
    return [_row(Lot(store, name)) for name in LotBook(store).names()]


def _row(lot: Lot) -> dict[str, Any]:
    answer = answer_of(lot).answer if lot.frozen is not None else "open"
    decision = lot.decisions[-1].decision if lot.decisions else ""
    tested = sum(1 for unit in lot.units if unit.runs) if lot.frozen is not None else 0
    told = {"lot": lot.name, "supplier": lot.file.supplier, "part": lot.file.part, "delivered": lot.quantity}
    return {**told, "tested": tested, "answer": answer, "decision": decision, "reopened": lot.reopened}


def lots_rows(rows: list[dict[str, Any]]) -> list[str]:
    """One line a lot."""
    return [
        f"{r['lot']:<12} {r['part']:<12} {r['delivered']:>5} delivered {r['tested']:>4} tested   "
        f"{r['answer']}{_decision_words(r)}   {r['supplier']}"
        for r in rows
    ] or ["no lot yet: anglewright lot open"]


def _decision_words(row: dict[str, Any]) -> str:
    """What was decided, after a comma, and whether it is open again."""
    return "".join(f", {word}" for word in (row["decision"], "reopened" if row["reopened"] else "") if word)


def _answer_of(lot: Lot) -> LotAnswer | None:
    return answer_of(lot) if lot.frozen is not None else None


def document(lot: Lot) -> dict[str, Any]:
    """The --json document of a lot as it stands."""
    return lot_document(lot, _answer_of(lot))


def rows(lot: Lot) -> list[str]:
    """A lot as it stands."""
    text = [f"lot {lot.name}   {lot.file.supplier}   part {lot.file.part}   {lot.quantity} delivered"]
    found = _answer_of(lot)
    if found is None:
        return [*text, *plan_rows(lot)[1:]]
    text += ["SIMULATED: no part was measured"] if lot.is_simulated else []
    for group in found.groups:
        counts = f"{group.number(CONFORMS)} good, {group.nonconforming} bad ({group.shown_beyond_u} beyond U)"
        counts += f", {group.open_units} open"
        text += [f"{group.check.name}: {group.check.words}", f"    {counts}: {group.answer} ({group.why})"]
    for unit in lot.units:
        states = [g.units[unit.label].state for g in found.groups if unit.label in g.units]
        odd = next((state for state in states if state != CONFORMS), "good" if states else "")
        told = unit.outcome or (f"{unit.aside}: {unit.why}" if unit.aside else "not tested")
        text.append(f"  {unit.label}  {unit.serial:<16} {told:<24} {odd}".rstrip())
    text += [str(sentence) for group in found.groups for sentence in after(group, lot.quantity)]
    text.append(f"the plan's answer: {found.answer}; towards the supplier: {found.towards}")
    text += [f"{label}: {words}" for label, words in lot.suspects]
    text += [f"decided: {d.decision} by {d.who} ({d.why})" for d in lot.decisions]
    text += [lot.reopened] if lot.reopened else []
    return text


def _checks(lot: Lot) -> list[Numbered]:
    return lot.checks if lot.frozen is not None else plan_of(lot.file, lot.quantity, lot.severities())


def plan_rows(lot: Lot) -> list[str]:
    """The plan in words, and what it can see."""
    checks = _checks(lot)
    fixed = (
        f"fixed {lot.plan.at_utc[:16]}, seed {lot.plan.seed}" if lot.frozen else "not fixed yet: the first sitting does"
    )
    text = [f"lot {lot.name}   {lot.quantity} delivered   plan {fixed}"]
    for check in checks:
        text += [f"{check.name}: {check.words}", f"    {check.check.test}: {', '.join(check.check.lines)}"]
    text += [str(sentence) for sentence in before(checks, lot.quantity)]
    if lot.frozen is not None:
        text += [f"  {unit.label}  {unit.listed or f'place {unit.place}'}  {unit.box}".rstrip() for unit in lot.units]
    return text


def plan_document(lot: Lot) -> dict[str, Any]:
    """The same as --json."""
    checks = _checks(lot)
    return {
        "lot": lot.name,
        "fixed": lot.frozen is not None,
        "seed": lot.plan.seed if lot.frozen else lot.file.seed,
        "checks": [check.to_dict() | {"curve": check.curve()} for check in checks],
        "words": [str(sentence) for sentence in before(checks, lot.quantity)],
        "picks": [dict(pick) for pick in lot.plan.picks] if lot.frozen else [],
    }


def tags(lot: Lot) -> str:
    """Hold tags of every unit that does not simply conform."""
    found = answer_of(lot)
    odd = [
        unit
        for unit in lot.units
        if any(g.units[unit.label].state != CONFORMS for g in found.groups if unit.label in g.units)
    ]
    return "\n".join(hold_tag(lot, unit) for unit in odd) or "no unit is on hold"


def write_paper(lot: Lot, out: Path | None, *, back: bool, as_json: bool) -> None:
    """Write the defect report, or the paper that goes back with the units."""
    from rig.certificate.sheets.lot_papers import defect_sheet, return_sheet
    from rig.cli.pages.report import shop, write_sheet

    sheet = return_sheet(lot, answer_of(lot)) if back else defect_sheet(lot, answer_of(lot), shop())
    write_sheet(sheet, out, f"{'return' if back else 'defects'} {lot.name}", as_json=as_json)


def closed_rows(made: Closed) -> list[str]:
    """What a lot came to."""
    text = [f"{kind:<8} {path}" for kind, path in made.files.items()]
    text += [f"warning: {warning}" for warning in made.warnings]
    text.append(f"the plan's answer: {made.answer}; towards the supplier: {made.towards}")
    return [*text, f"decided: {made.decision}"] if made.decision else text
