"""A supplier's list of serial numbers: CSV as it comes, every doubtful row told by its number in the file.

Columns serial (or sn, serial number, code, label), box, and claimed <measurand>; other columns are left aside and told.
Separators comma, semicolon, tab; UTF-8, UTF-16 or Windows-1252, told where it is not UTF-8. It knows no lot.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rig.errors import DescriptionError
from rig.measurands import MEASURANDS
from rig.records.elsewhere.pairs import read_table_text
from rig.records.index.history import alike
from rig.records.schema import check_texts

SERIAL_NAMES = ("serial", "serial_number", "serial_no", "sn", "s_n", "code", "label")
CLAIMED = "claimed_"


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedUnit:
    """One row. row: in the file, from 1; code: as it stands there; claimed: measurand -> value in its unit."""

    row: int
    serial: str
    code: str
    box: str = ""
    claimed: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialList:
    """units: rows that can be used; faults: sentences about the others, each with its row."""

    units: tuple[ListedUnit, ...]
    faults: tuple[str, ...]
    coding: str

    def rows(self) -> list[dict[str, Any]]:
        """As an entry keeps them."""
        return [{name: getattr(unit, name) for name in ListedUnit.__slots__} for unit in self.units]


def read_serial_list(
    path: Path,
    *,
    serial_of: Callable[[str], str] = str.strip,
    seen_before: Callable[[str], str] = lambda _: "",
    others: Iterable[str] = (),
) -> SerialList:
    """The list of a file. serial_of: the rule for the supplier's labels. seen_before: "" or what is known of a serial.

    others: serials of earlier deliveries of the lot. Blank, unreadable and doubled rows are told and left out; a serial
    that was seen before is told and stays. Raises UsageError, DescriptionError for a file that is no such list.
    """
    text, coding = read_table_text(path)
    lines = text.splitlines()
    if not any(line.strip() for line in lines):
        raise DescriptionError(f"{path}: is empty.", next_action="Write serial as the first line, then one row a unit.")
    separator = max((";", "\t", ","), key=lambda mark: lines[0].count(mark))
    names = [re.sub(r"[\s./-]+", "_", cell.strip().strip('"').lower()).strip("_") for cell in lines[0].split(separator)]
    place = next((n for n, name in enumerate(names) if name in SERIAL_NAMES), None)
    if place is None:
        raise DescriptionError(
            f"{path}:1: no column of serial numbers among {', '.join(names)}.",
            next_action="Write serial[,box][,claimed r20_sin ...] as the first line.",
        )
    faults = [f"the file is {coding}, not UTF-8: look whether its letters came through"] if coding != "UTF-8" else []
    claims = {n: name.removeprefix(CLAIMED) for n, name in enumerate(names) if name.startswith(CLAIMED)}
    faults += [f"row 1: {name!r} is no line that can be claimed" for name in claims.values() if name not in MEASURANDS]
    known = {place, *claims} | {n for n, name in enumerate(names) if name == "box"}
    if aside := [name for n, name in enumerate(names) if n not in known]:
        faults.append(f"row 1: columns left aside: {', '.join(aside)}")
    units: list[ListedUnit] = []
    first = {alike(serial): "an earlier delivery" for serial in others}
    for row, cells in enumerate(csv.reader(lines[1:], delimiter=separator, skipinitialspace=True), start=2):
        code = cells[place].strip() if place < len(cells) else ""
        if not code:
            faults.append(f"row {row}: blank" if not any(c.strip() for c in cells) else f"row {row}: no serial number")
            continue
        serial = serial_of(code)
        fault = _fault(serial, code, first)
        if fault:
            faults.append(f"row {row}: {fault}")
            continue
        first[alike(serial)] = f"row {row}"
        if before := seen_before(serial):
            faults.append(f"row {row}: {serial} {before}")
        box = next((cells[n].strip() for n, name in enumerate(names) if name == "box" and n < len(cells)), "")
        claimed = _claims(cells, claims, row, faults)
        units.append(ListedUnit(row=row, serial=serial, code=code, box=box, claimed=claimed))
    return SerialList(units=tuple(units), faults=tuple(faults), coding=coding)


def _fault(serial: str, code: str, first: dict[str, str]) -> str:
    if not serial:
        return f"{code!r} does not fit the rule for labels"
    if (before := first.get(alike(serial))) is not None:
        return f"{serial} stands in {before} already, or is easily read for it"
    try:
        check_texts(serial)
    except Exception as fault:  # noqa: BLE001 - told by its row
        return str(fault)
    return ""


def _claims(cells: list[str], claims: dict[int, str], row: int, faults: list[str]) -> dict[str, float]:
    made = {}
    for n, name in claims.items():
        text = cells[n].strip().replace(",", ".") if n < len(cells) else ""
        if not text or name not in MEASURANDS:
            continue
        try:
            made[name] = float(text)
        except ValueError:
            faults.append(f"row {row}: {name} claimed as {text!r}, which is no number")
    return made
