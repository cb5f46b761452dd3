"""A lot's report as files: PDF, one CSV row a unit and line, JSON of everything; each marked where it is simulated.

CSV after RFC 4180, UTF-8, figures unrounded; it computes nothing.
"""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.certificate.sheets.lot import lot_sheet
from rig.certificate.sheets.sheet import sheet_pdf
from rig.certificate.shop import Shop, load_shop
from rig.records.files import to_json, write_beside
from rig.review.lots.answer import LotAnswer
from rig.review.lots.lot import Lot
from rig.review.lots.words import after

SCHEMA = "anglewright lot report 1"
COLUMNS: tuple[str, ...] = (
    "lot",
    "simulated",
    "unit",
    "serial",
    "run",
    "outcome",
    "measurand",
    "qualifier",
    "estimate",
    "unit_of",
    "U",
)
COLUMNS += ("lower", "upper", "verdict", "group", "counts_as", "note")


def write_report(lot: Lot, found: LotAnswer, out: Path) -> dict[str, str]:
    """kind -> path of the report's files, under the lot's name or the next free one. Raises RecordError."""
    out.mkdir(parents=True, exist_ok=True)
    issued = datetime.now(UTC).isoformat(timespec="seconds")
    faces = {
        "pdf": sheet_pdf(lot_sheet(lot, found, load_shop() or Shop()), load_shop() or Shop(), issued_utc=issued),
        "csv": lot_csv(lot, found),
        "json": to_json({**lot_document(lot, found), "issued_utc": issued}),
    }
    return {kind: str(write_beside(out / f"lot-{lot.name}.{kind}", data)) for kind, data in faces.items()}


def lot_csv(lot: Lot, found: LotAnswer) -> bytes:
    """One row a unit and line that counts; a unit that was not tested has one row that says so."""
    text = io.StringIO()
    table = csv.DictWriter(text, COLUMNS, lineterminator="\r\n")
    table.writeheader()
    mark = "SIMULATED" if lot.is_simulated else ""
    for unit in lot.units:
        run = unit.runs[-1].id if unit.runs else ""
        own = {"lot": lot.name, "simulated": mark, "unit": unit.label, "serial": unit.serial, "run": run}
        if not unit.runs:
            table.writerow(own | {"outcome": unit.aside or "not tested", "note": unit.why})
            continue
        for id_, line in unit.lines(lot.rule).items():
            group = next((g for g in found.groups if g.check.check.holds(id_) and unit.label in g.units), None)
            data = line.to_dict()
            limit = data["limit"] or {}
            table.writerow(
                own
                | {"outcome": unit.outcome, "measurand": id_, "qualifier": data["qualifier"], "unit_of": data["unit"]}
                | {"estimate": data["estimate"], "U": data["U"], "verdict": data["verdict"], "note": data["note"]}
                | {"lower": limit.get("lower"), "upper": limit.get("upper")}
                | {
                    "group": group.check.name if group else "",
                    "counts_as": group.units[unit.label].state if group else "",
                }
            )
    return text.getvalue().encode()


def lot_document(lot: Lot, found: LotAnswer | None) -> dict[str, Any]:
    """Everything of a lot, JSON-ready; found None before its first reading."""
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "simulated": lot.is_simulated,
        "lot": lot.name,
        "supplier": lot.file.supplier,
        "order": lot.file.order,
        "part": lot.file.part,
        "delivered": lot.quantity,
        "told": lot.file.told,
        "resubmitted": lot.file.resubmitted,
        "list_faults": [fault for one in lot.deliveries for fault in one.faults],
    }
    if lot.frozen is None or found is None:
        return document | {"plan": None, "answer": "open", "units": [], "groups": []}
    return document | {
        "plan": {"seed": lot.plan.seed, "fixed_utc": lot.plan.at_utc, "rule": dict(lot.plan.rule)},
        "answer": found.answer,
        "towards_supplier": found.towards,
        "groups": [group.to_dict() | {"curve": group.check.curve()} for group in found.groups],
        "words": [str(sentence) for group in found.groups for sentence in after(group, lot.quantity)],
        "units": [_unit(unit, found) for unit in lot.units],
        "not_tested": sum(1 for unit in lot.units if not unit.runs),
        "sittings": [
            {"sitting": s.sitting, "what": s.what, "at_utc": s.at_utc, "standards": s.standards, "said": s.outcome}
            for s in lot.sittings
        ],
        "decisions": [
            {"at_utc": d.at_utc, "plan_answer": d.plan_answer, "decision": d.decision, "why": d.why, "who": d.who}
            for d in lot.decisions
        ],
        "reopened": lot.reopened,
        "suspects": [{"label": label, "told": told} for label, told in lot.suspects],
    }


def _unit(unit: Any, found: LotAnswer) -> dict[str, Any]:
    states = {g.check.name: g.units[unit.label] for g in found.groups if unit.label in g.units}
    return {
        "label": unit.label,
        "serial": unit.serial,
        "listed": unit.listed,
        "runs": [run.id for run in unit.runs],
        "cut_short": [run.id for run in unit.cut],
        "outcome": unit.outcome or unit.aside or "not tested",
        "why": unit.why,
        "noted": list(unit.told),
        "counts_as": {name: one.state for name, one in states.items()},
        "bad": {name: list(one.bad) for name, one in states.items() if one.bad},
        "shown_beyond_U": {name: list(one.shown) for name, one in states.items() if one.shown},
        "open": {name: list(one.open_) for name, one in states.items() if one.open_},
    }
