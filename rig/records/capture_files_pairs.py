"""`pairs` files from elsewhere: resistance between every two pins, typed by people or saved by a meter.

It must never know what the resistances mean (rig/diagnosis/pins.py does). Columns pin_a, pin_b, ohm, optional
ohm_reversed and note; separators comma, semicolon or tab; lines that begin with # are remarks. "leads zeroed" or
"lead ... ohm" in a remark is kept as what the file says of its leads. A pair told twice the other way round is its
reversed reading; told twice the same way it must agree. Every fault is told by file and line, all in one go.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass, field
from pathlib import Path

from rig.errors import DescriptionError, UsageError
from rig.records.capture_files_ohms import Ohms, comma_habit, read_ohms

COLUMNS = ("pin_a", "pin_b", "ohm", "ohm_reversed", "note")
CORE_WORDS = ("core", "case", "housing", "body", "chassis", "stator", "lamination", "laminations", "frame")
SHIELD_WORDS = ("shield", "screen", "drain", "braid")
SAME_RELATIVE, SAME_OHM = 0.05, 0.1
LARGEST_BYTES = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PairRow:
    """One pair as told. ohm, reversed_ohm (pin_b positive): infinite over range, None not measured."""

    pin_a: str
    pin_b: str
    ohm: float | None
    reversed_ohm: float | None = None
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PairsFile:
    """A table as it was read. lead_ohm: what it says was taken off already (0: "leads zeroed"), None when it says
    nothing; conflicts: pairs that were told twice and differ, with both values."""

    rows: tuple[PairRow, ...]
    lead_ohm: float | None = None
    conflicts: tuple[tuple[str, str, float, float], ...] = ()
    remarks: tuple[str, ...] = ()
    source: str = ""


@dataclass
class _Reading:
    path: str
    faults: list[str] = field(default_factory=list)

    def fault(self, line: int, text: str) -> None:
        self.faults.append(f"{self.path}:{line}: {text}")


def pin_name(text: str) -> str:
    """A pin as it is called: trimmed, "1.0" as "1", words for the core as "core", for the shield as "shield"."""
    name = re.sub(r"^(?:pin|p)\s*(?=\d)", "", text.strip().strip('"').strip(), flags=re.IGNORECASE)
    if name.lower() in CORE_WORDS:
        return "core"
    if name.lower() in SHIELD_WORDS:
        return "shield"
    return re.sub(r"^(\d+)\.0+$", r"\1", name)


def read_pairs(path: Path) -> PairsFile:
    """The table of a file. Raises UsageError when it can't be read, DescriptionError with every faulty line."""
    return parse_pairs(_text(path), str(path))


def parse_pairs(text: str, source: str) -> PairsFile:
    """The table of a text; source: what messages call it."""
    lines = [(n, line) for n, line in enumerate(text.splitlines(), start=1) if line.strip(" \t,;")]
    remarks = tuple(line.strip().lstrip('#"').strip() for _, line in lines if line.lstrip(' "').startswith("#"))
    data = [(n, line) for n, line in lines if not line.lstrip(' "').startswith("#")]
    if len(data) < 2:
        raise DescriptionError(
            f"{source}: holds no pairs.", next_action="Write pin_a,pin_b,ohm and below it one line a pair."
        )
    reading = _Reading(source)
    separator = next((s for s in ("\t", ";") if s in data[0][1]), ",")
    header = _header(data[0], separator, reading)
    fields = [(n, _split(line, separator, header, n, reading)) for n, line in data[1:]]
    habit = comma_habit(cell for _, row in fields if row for name, cell in row.items() if name.startswith("ohm"))
    rows = [row for n, cells in fields if cells and (row := _row(n, cells, habit, reading))]
    if reading.faults:
        raise DescriptionError(
            "\n".join(reading.faults), faults=tuple(reading.faults), next_action="Mend these lines and read it again."
        )
    merged, conflicts = _merged(rows)
    return PairsFile(
        rows=tuple(merged), lead_ohm=_leads(remarks), conflicts=tuple(conflicts), remarks=remarks, source=source
    )


def _text(path: Path) -> str:
    try:
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise UsageError(f"{path}: {size} bytes are no table of pairs.", next_action="Check the path.")
        data = path.read_bytes()
    except OSError as fault:
        raise UsageError(
            f"{path}: can't be read ({fault.strerror or fault}).", next_action="Check the path and its permissions."
        ) from fault
    for coding in ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252"):
        try:
            return data.decode(coding)
        except UnicodeDecodeError:
            continue
    raise UsageError(f"{path}: is not a text file.", next_action="Save it as CSV in UTF-8.")


def _header(first: tuple[int, str], separator: str, reading: _Reading) -> list[str]:
    number, line = first
    names = [re.sub(r"[\s-]+", "_", name.strip().strip('"').lower()) for name in line.split(separator)]
    while names and not names[-1]:
        names.pop()
    unknown = [name for name in names if name not in COLUMNS]
    missing = [name for name in COLUMNS[:3] if name not in names]
    if unknown or missing or len(set(names)) != len(names):
        raise DescriptionError(
            f"{reading.path}:{number}: the first line names the columns pin_a, pin_b, ohm and perhaps ohm_reversed "
            f"and note; missing: {', '.join(missing) or '-'}, unknown or twice: "
            f"{', '.join(unknown) or ('-' if len(set(names)) == len(names) else 'a column stands twice')}",
            next_action="Write pin_a,pin_b,ohm as the first line.",
        )
    return names


def _split(line: str, separator: str, header: list[str], number: int, reading: _Reading) -> dict[str, str] | None:
    cells = [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True))]
    while len(cells) > len(header) and not cells[-1]:
        cells.pop()
    if separator == "," and len(cells) > len(header):
        cells = _rejoined(cells, header)
    if len(cells) > len(header):
        reading.fault(
            number,
            f"{len(cells)} columns, the first line names {len(header)}: {line.strip()!r}; a typed decimal comma needs "
            "quotes or a semicolon between columns, a reversed reading the column ohm_reversed",
        )
        return None
    if len(cells) < 3:
        reading.fault(number, f"pin_a, pin_b and ohm are needed: {line.strip()!r}")
        return None
    return dict(zip(header, cells, strict=False))


def _rejoined(cells: list[str], header: list[str]) -> list[str]:
    """Cells with typed decimal commas put together again, where that is the only way to read the line."""
    values = header.count("ohm") + header.count("ohm_reversed")
    if header[:2] != ["pin_a", "pin_b"] or "note" in header or len(cells) != 2 + 2 * values:
        return cells
    halves = cells[2:]
    whole = all(re.fullmatch(r"[+-]?\d+", half) for half in halves[::2])
    parts = all(re.fullmatch(r"\d+\s*(?:[kKmMG]?\s*(?:ohms?|Ω)?)", half) for half in halves[1::2])
    if not (whole and parts):
        return cells
    return cells[:2] + [f"{a},{b}" for a, b in zip(halves[::2], halves[1::2], strict=True)]


def _row(number: int, cells: dict[str, str], habit: str, reading: _Reading) -> PairRow | None:
    a, b = pin_name(cells["pin_a"]), pin_name(cells["pin_b"])
    values: dict[str, Ohms] = {}
    for name in ("ohm", "ohm_reversed"):
        try:
            values[name] = read_ohms(cells.get(name, ""), habit)
        except UsageError as fault:
            reading.fault(number, f"{name}: {fault}")
            return None
    if not a or not b:
        reading.fault(number, "a pin has no name")
    elif a == b:
        reading.fault(number, f"pin {a} against itself is no pair")
    else:
        return PairRow(pin_a=a, pin_b=b, ohm=values["ohm"].ohm, reversed_ohm=values["ohm_reversed"].ohm, line=number)
    return None


def _merged(rows: list[PairRow]) -> tuple[list[PairRow], list[tuple[str, str, float, float]]]:
    """One row a pair; what was told twice the same way must agree."""
    seen: dict[frozenset[str], PairRow] = {}
    conflicts = []
    for row in rows:
        pair = frozenset((row.pin_a, row.pin_b))
        before = seen.get(pair)
        if before is None:
            seen[pair] = row
            continue
        turned = before.pin_a != row.pin_a
        forward, back = (row.reversed_ohm, row.ohm) if turned else (row.ohm, row.reversed_ohm)
        for had, new in ((before.ohm, forward), (before.reversed_ohm, back)):
            if had is not None and new is not None and not _agree(had, new):
                conflicts.append((before.pin_a, before.pin_b, had, new))
        seen[pair] = PairRow(
            pin_a=before.pin_a,
            pin_b=before.pin_b,
            ohm=_middle(before.ohm, forward),
            reversed_ohm=_middle(before.reversed_ohm, back),
            line=before.line,
        )
    return list(seen.values()), conflicts


def _agree(a: float, b: float) -> bool:
    if math.isinf(a) or math.isinf(b):
        return a == b
    return abs(a - b) <= max(SAME_OHM, SAME_RELATIVE * max(abs(a), abs(b)))


def _middle(a: float | None, b: float | None) -> float | None:
    if a is None or b is None:
        return b if a is None else a
    return a if math.isinf(a) or math.isinf(b) else (a + b) / 2.0


def _leads(remarks: tuple[str, ...]) -> float | None:
    """0 where the remarks say that the leads were taken off; None when they are silent or say that they are in."""
    for remark in remarks:
        if re.search(r"leads?\b.*\b(?:zeroed|nulled|removed|subtracted)", remark, re.IGNORECASE) and not re.search(
            r"\b(?:not|left|without|un)", remark, re.IGNORECASE
        ):
            return 0.0
    return None
