"""Calibration status of the shop's instruments and of the rig's own channels on a day: current, due soon, overdue.

From the calibrations that runs recorded and the rig's own calibration files; nothing is assumed of an instrument that
no run has seen. No advice on intervals is given (ISO/IEC 17025:2017 7.8.4.3). The page is set by sheet.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from rig.certificate.content.statements import MEASURING_ROLES, ROLE_WORDS
from rig.certificate.sheets.sheet import Cell, Sheet, Table, Text
from rig.certificate.words.wording import number
from rig.errors import RecordError
from rig.records.files import read_json
from rig.records.index.history import History
from rig.records.store import Store

SOON_DAYS = 60
OF_THE_DAY = "Traceability of a result is stated by its own report, on the status of the day of its test."


def calibration_sheet(store: Store, *, on: date) -> Sheet:
    """The status on a day."""
    found = History(store).instruments(on.isoformat())
    rows = sorted((_row(row, on) for row in found), key=lambda row: row[0])
    counts = {word: sum(status == word for _, status, _ in rows) for word in STATUS}
    return Sheet(
        title="Calibration status",
        subject=on.isoformat(),
        facts=(
            ("Day", on.isoformat()),
            ("Instruments", str(len(rows))),
            *((word.capitalize(), str(n)) for word, n in counts.items() if n),
        ),
        blocks=(_instruments([cells for _, _, cells in rows]), *_own(store.home, on)),
        simulated=bool(rows) and all(status == "simulated" for _, status, _ in rows),
        statements=(OF_THE_DAY,),
    )


STATUS: Mapping[str, str] = {  # word -> the verdict whose mark it borrows
    "overdue": "fail",
    "no calibration recorded": "not tested",
    "due soon": "conditional pass",
    "current": "pass",
    "simulated": "no limit",
}


def _row(row: Mapping[str, Any], on: date) -> tuple[tuple[int, str, str], str, tuple[Cell, ...]]:
    """((urgency, due, name), status, cells) of one instrument."""
    own: Sequence[Mapping[str, Any]] = row["calibrations"]
    last = own[-1] if own else {}
    due = str(last.get("due") or "")
    left = (date.fromisoformat(due) - on).days if due else None
    status = _status(row, left)
    time_left: Cell = {"quiet": "–"}
    if left is not None:
        share = max(0.0, min(1.0, left / 365.0))
        time_left = {"share": share, "tone": {"current": "pass", "due soon": "open"}.get(status, "fail")}
    role = str(row["role"])
    cells: tuple[Cell, ...] = (
        ROLE_WORDS.get(role, role) + (" *" if role in MEASURING_ROLES else ""),
        str(row["identity"]),
        str(row["asset"]) or "–",
        str(last.get("calibrated") or "–"),
        due or "–",
        str(last.get("certificate") or "–"),
        "–" if left is None else f"{left} d" if left >= 0 else f"{-left} d over",
        time_left,
        {"verdict": STATUS[status], "words": status},
    )
    return (list(STATUS).index(status), due or "9999", str(row["identity"])), status, cells


def _status(row: Mapping[str, Any], left: int | None) -> str:
    if "SIM0" in str(row["identity"]).upper():
        return "simulated"
    if row["status"] == "no calibration recorded":
        return "no calibration recorded"
    if row["status"] == "overdue" or (left is not None and left < 0):
        return "overdue"
    return "due soon" if left is not None and left <= SOON_DAYS else "current"


def _instruments(rows: Sequence[tuple[Cell, ...]]) -> Table | Text:
    if not rows:
        return Text(title="Instruments", text="No run has recorded an instrument yet.")
    return Table(
        title="Instruments",
        aside="most urgent first; bars: the time left of a year",
        head=("Role", "Instrument", "Asset", "Calibrated", "Due", "Certificate", "Left", "", "Status"),
        rows=tuple(rows),
        columns=("", "1fr", "", "", "", "", "", "16", "28"),
        note="* a result rests on it.",
    )


def _own(home: Path, on: date) -> tuple[Table, ...]:
    """The rig's own calibrations: the newest of each kind and bench, with its age."""
    rows: list[tuple[Cell, ...]] = []
    for folder in sorted((home / "calibrations").glob("*")) if (home / "calibrations").is_dir() else []:
        newest: dict[str, dict[str, Any]] = {}
        for file in sorted(folder.glob("*.json")):
            try:
                made = read_json(file)
            except RecordError:
                rows.append((folder.name, file.name, "–", "–", "–", {"verdict": "fail", "words": "damaged"}))
                continue
            newest[str(made.get("kind", ""))] = made
        for kind, made in newest.items():
            moment = str(made.get("made_utc", ""))
            days = (datetime.combine(on, datetime.min.time()).date() - datetime.fromisoformat(moment).date()).days
            age = number(float(days), 4) + " days"
            rows.append((folder.name, kind, moment[:16].replace("T", " "), age, str(made.get("run", "")) or "–", ""))
    if not rows:
        return ()
    return (
        Table(
            title="The rig's own channels and axis",
            aside="the newest of each; how long it holds stands in the bench file",
            head=("Bench", "Kind", "Made (UTC)", "Age", "Run", ""),
            rows=tuple(rows),
            columns=("1fr", "", "", "", "", ""),
        ),
    )
