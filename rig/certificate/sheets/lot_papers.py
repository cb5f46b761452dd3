"""Papers about a lot for the supplier: the defect report with every figure and its U, and the paper that goes back.

Only what was measured or looked at; which line is beyond U and which lies within it is said line by line, so that he
can judge by a rule of his own. It judges nothing.
"""

from __future__ import annotations

from rig.certificate.sheets.sheet import Cell, Sheet, Table, Text, value_cell, verdict_cell
from rig.certificate.shop import Shop
from rig.certificate.words.units import Units, in_units
from rig.certificate.words.wording import display, short_name
from rig.measurands import MEASURANDS
from rig.records.run.remarks import read_remarks
from rig.review.lots.answer import LotAnswer
from rig.review.lots.counting import NONCONFORMING
from rig.review.lots.lot import Lot, Unit

BEYOND = "beyond U"
WITHIN = "within U of the limit"
BOTH_RULES = (
    "Each figure stands with its expanded uncertainty U (95.45 %) and the limit it was held against: with another "
    "decision rule the same figures may be judged anew."
)
AS_FOUND = "Units as delivered; what was seen by eye is named so. Photos lie with the runs, under the names given here."


def defect_sheet(lot: Lot, found: LotAnswer, shop: Shop) -> Sheet:
    """Every nonconforming unit with its figures. Raises UsageError before the first reading."""
    units = Units(shop.temperature, shop.angle)
    bad = [(unit, names) for unit in lot.units if (names := _bad_lines(unit, found))]
    rows: list[tuple[Cell, ...]] = []
    for unit, names in bad:
        lines = unit.lines(lot.rule)
        for n, (name, shown) in enumerate(names.items()):
            head: tuple[Cell, ...] = ({"strong": unit.label}, unit.serial) if n == 0 else ("", "")
            beyond = BEYOND if shown else WITHIN
            if name not in MEASURANDS:
                rows.append((*head, name, "–", "–", {"verdict": "fail", "words": "bad by eye"}, beyond))
                continue
            line = in_units(lines[name], units)
            limit: Cell = {"quiet": display(line).limits}
            rows.append((*head, short_name(name, alone=True), value_cell(line, 0.0), limit, verdict_cell(line), beyond))
    return Sheet(
        title="Defect report",
        subject=f"{lot.name}, {lot.file.part}",
        facts=(*_facts(lot, found), ("Nonconforming units", str(len(bad)))),
        blocks=(
            Table(
                title="What was found",
                head=("Unit", "Serial", "Quantity", "Measured ± U", "Limit", "Verdict", "Against the limit"),
                rows=tuple(rows),
                columns=("", "", "1fr", "", "", "", ""),
            ),
            *_photos([unit for unit, _ in bad]),
            *_hints([unit for unit, _ in bad]),
        ),
        simulated=lot.is_simulated,
        statements=(BOTH_RULES, AS_FOUND),
    )


def return_sheet(lot: Lot, found: LotAnswer) -> Sheet:
    """What goes back: the whole lot where it was returned, else its nonconforming units."""
    decision = lot.decisions[-1].decision if lot.decisions else ""
    whole = decision == "returned"
    units = [unit for unit in lot.units if whole or _bad_lines(unit, found)]
    rows: list[tuple[Cell, ...]] = []
    for unit in units:
        why = ", ".join(
            name if name not in MEASURANDS else short_name(name, alone=True) for name in _bad_lines(unit, found)
        )
        rows.append(({"strong": unit.label}, unit.serial or "–", unit.box or "–", why or "with the lot"))
    return Sheet(
        title="Return of units",
        subject=f"{lot.name}, {lot.file.part}",
        facts=(*_facts(lot, found), ("Decided", decision or "not yet"), ("Units that go back", str(len(units)))),
        blocks=(
            Table(title="Units", head=("Unit", "Serial", "Box", "Why"), rows=tuple(rows), columns=("", "", "", "1fr")),
            Text(title="Handed over", text="Date, name and signature of who hands them over and of who takes them:"),
        ),
        simulated=lot.is_simulated,
        statements=(AS_FOUND,),
    )


def _facts(lot: Lot, found: LotAnswer) -> tuple[tuple[str, str], ...]:
    facts = [("Supplier", lot.file.supplier), ("Order", lot.file.order or "–"), ("Part number", lot.file.part)]
    facts += [("Delivered", str(lot.quantity)), ("The plan's answer", found.answer)]
    return (*facts, ("Towards the supplier", found.towards))


def _bad_lines(unit: Unit, found: LotAnswer) -> dict[str, bool]:
    """Line -> whether it is shown beyond U, of every group in which the unit is nonconforming."""
    made: dict[str, bool] = {}
    for group in found.groups:
        one = group.units.get(unit.label)
        if one is not None and one.state == NONCONFORMING:
            made |= {name: name in one.shown for name in one.bad}
    return made


def _photos(units: list[Unit]) -> tuple[Table, ...]:
    rows: list[tuple[Cell, ...]] = []
    for unit in units:
        for run in unit.runs:
            found = [remark for remark in read_remarks(run.path) if remark.photo]
            rows += [({"strong": unit.label}, run.id, f"{one.photo} ({one.sha256[:12]})", one.text) for one in found]
    head = ("Unit", "Run", "Photo, sha256", "Remark")
    return (Table(title="Photos", head=head, rows=tuple(rows), columns=("", "", "", "1fr")),) if rows else ()


def _hints(units: list[Unit]) -> tuple[Table, ...]:
    from rig.certificate.content.statements import finding_name

    rows: list[tuple[Cell, ...]] = []
    for unit in units:
        for finding in unit.judgements[-1].findings[:2] if unit.judgements else ():
            rows.append(
                (
                    {"strong": unit.label},
                    finding_name(finding.code),
                    f"{100 * finding.probability:.0f} %",
                    finding.evidence,
                )
            )
    head = ("Unit", "Hint", "", "For it")
    aside = "opinions, not results"
    return (
        (Table(title="What may explain it", head=head, rows=tuple(rows), columns=("", "", "", "1fr"), aside=aside),)
        if rows
        else ()
    )
