"""`pairs` files from elsewhere: resistance between every two pins, typed by people or saved by a meter, as an Observed.

It must never know what the resistances mean (rig/pins does). Columns pin_a, pin_b, ohm, optional ohm_reversed and note;
separators comma, semicolon or tab; lines that begin with # are remarks. "leads zeroed" in a remark is a lead zero of
0 ohm. A pair told the other way round is its reversed reading. Every fault is told by file and line, all in one go.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from rig.errors import DescriptionError, UsageError
from rig.observed import Absent, Observed
from rig.quantity import Reading, Scalar
from rig.records.elsewhere.ohms import comma_habit, read_ohms
from rig.records.elsewhere.placeholders import bench_of_recording, no_holder, unknown_part
from rig.signal.waveform import HeldCaptures

COLUMNS = ("pin_a", "pin_b", "ohm", "ohm_reversed", "note")
CODINGS = {"utf-16": "UTF-16", "utf-8-sig": "UTF-8", "cp1252": "Windows-1252"}
CORE_WORDS = ("core", "case", "housing", "body", "chassis", "stator", "lamination", "laminations", "frame")
SHIELD_WORDS = ("shield", "screen", "drain", "braid")
LARGEST_BYTES = 4_000_000
PRESENT = {Absent.DC}


def pairs_observed(readings: Iterable[Reading], source: str, lead_ohm: float | None = None) -> Observed:
    """A table of pairs as a run that read nothing else. lead_ohm: in each reading, to be taken off; stands above what
    the readings say. source: what messages call it."""
    given = [] if lead_ohm is None else [lead_zero(lead_ohm)]
    return Observed(
        readings=(*readings, *given),
        captures=HeldCaptures({}),
        part=unknown_part(),
        holder=no_holder(),
        bench=bench_of_recording(None),
        header={"recording": {"kind": "pairs", "source": source}},
        absent=frozenset(Absent) - PRESENT,
    )


def pair_readings(pin_a: str, pin_b: str, ohm: float | None, reversed_ohm: float | None = None) -> list[Reading]:
    """A pair as a bench run reads it: ohm with pin_a positive, infinite over range, None not measured."""
    ways = [("+", ohm)] if reversed_ohm is None else [("+", ohm), ("-", reversed_ohm)]
    return [_reading("pair_resistance", value, pin_a=pin_a, pin_b=pin_b, polarity=way) for way, value in ways]


def lead_zero(ohm: float) -> Reading:
    """What the shorted leads read, two-wire (ohm); 0 when it was taken off already."""
    return _reading("lead_zero", ohm, wires=2)


def _reading(quantity: str, ohm: float | None, **conditions: Scalar) -> Reading:
    over = ohm is not None and math.isinf(ohm)
    return Reading(
        step="recorded elsewhere",
        quantity=quantity,
        value=None if over else ohm,
        unit="ohm",
        instrument="elsewhere",
        bench_time_s=0.0,
        time_utc="",
        conditions=conditions,
        overload=over,
    )


@dataclass
class _Faults:
    path: str
    faults: list[str] = field(default_factory=list)

    def add(self, line: int, text: str) -> None:
        self.faults.append(f"{self.path}:{line}: {text}")


def pin_name(text: str) -> str:
    """A pin as it is called: trimmed, "1.0" as "1", words for the core as "core", for the shield as "shield"."""
    name = re.sub(r"^(?:pin|p)\s*(?=\d)", "", text.strip().strip('"').strip(), flags=re.IGNORECASE)
    if name.lower() in CORE_WORDS:
        return "core"
    if name.lower() in SHIELD_WORDS:
        return "shield"
    return re.sub(r"^(\d+)\.0+$", r"\1", name)


def read_pairs(path: Path) -> list[Reading]:
    """The readings of a file. Raises UsageError when it can't be read, DescriptionError with every faulty line."""
    return parse_pairs(read_table_text(path)[0], str(path))


def parse_pairs(text: str, source: str) -> list[Reading]:
    """The readings of a text; source: what messages call it."""
    lines = [(n, line) for n, line in enumerate(text.splitlines(), start=1) if line.strip(" \t,;")]
    data = [(n, line) for n, line in lines if not line.lstrip(' "').startswith("#")]
    if len(data) < 2:
        raise DescriptionError(
            f"{source}: holds no pairs.", next_action="Write pin_a,pin_b,ohm and below it one line a pair."
        )
    faults = _Faults(source)
    separator = next((s for s in ("\t", ";") if s in data[0][1]), ",")
    header = _header(data[0], separator, faults)
    fields = [(n, _split(line, separator, header, n, faults)) for n, line in data[1:]]
    habit = comma_habit(cell for _, row in fields if row for name, cell in row.items() if name.startswith("ohm"))
    readings = [reading for n, cells in fields if cells for reading in _row(n, cells, habit, faults)]
    if faults.faults:
        raise DescriptionError(
            "\n".join(faults.faults), faults=tuple(faults.faults), next_action="Mend these lines and read it again."
        )
    remarks = [line for _, line in lines if line.lstrip(' "').startswith("#")]
    return readings + [lead_zero(0.0)] * any(map(_is_zeroed, remarks))


def _is_zeroed(remark: str) -> bool:
    """Whether a remark says that the leads were taken off."""
    off = re.search(r"leads?\b.*\b(?:zeroed|nulled|removed|subtracted)", remark, re.IGNORECASE)
    return bool(off) and not re.search(r"\b(?:not|left|without|un)", remark, re.IGNORECASE)


def read_table_text(path: Path) -> tuple[str, str]:
    """A table's text and its coding in words, as people's programs save it. Raises UsageError."""
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise UsageError(f"{path}: is no file.", next_action="Check the path.")
        if size > LARGEST_BYTES:
            raise UsageError(f"{path}: {size} bytes are no table of pairs.", next_action="Check the path.")
        data = path.read_bytes()
    except OSError as fault:
        raise UsageError(
            f"{path}: can't be read ({fault.strerror or fault}).", next_action="Check the path and its permissions."
        ) from fault
    for coding in ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252"):
        try:
            return data.decode(coding), CODINGS[coding]
        except UnicodeDecodeError:
            continue
    raise UsageError(f"{path}: is not a text file.", next_action="Save it as CSV in UTF-8.")


def _header(first: tuple[int, str], separator: str, faults: _Faults) -> list[str]:
    number, line = first
    names = [re.sub(r"[\s-]+", "_", name.strip().strip('"').lower()) for name in line.split(separator)]
    while names and not names[-1]:
        names.pop()
    unknown = [name for name in names if name not in COLUMNS]
    missing = [name for name in COLUMNS[:3] if name not in names]
    if unknown or missing or len(set(names)) != len(names):
        raise DescriptionError(
            f"{faults.path}:{number}: the first line names the columns pin_a, pin_b, ohm and perhaps ohm_reversed "
            f"and note; missing: {', '.join(missing) or '-'}, unknown or twice: "
            f"{', '.join(unknown) or ('-' if len(set(names)) == len(names) else 'a column stands twice')}",
            next_action="Write pin_a,pin_b,ohm as the first line.",
        )
    return names


def _split(line: str, separator: str, header: list[str], number: int, faults: _Faults) -> dict[str, str] | None:
    cells = [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True))]
    while len(cells) > len(header) and not cells[-1]:
        cells.pop()
    if separator == "," and len(cells) > len(header):
        cells = _rejoined(cells, header)
    if len(cells) > len(header):
        faults.add(
            number,
            f"{len(cells)} columns, the first line names {len(header)}: {line.strip()!r}; a typed decimal comma needs "
            "quotes or a semicolon between columns, a reversed reading the column ohm_reversed",
        )
        return None
    if len(cells) < 3:
        faults.add(number, f"pin_a, pin_b and ohm are needed: {line.strip()!r}")
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


def _row(number: int, cells: dict[str, str], habit: str, faults: _Faults) -> list[Reading]:
    a, b = pin_name(cells["pin_a"]), pin_name(cells["pin_b"])
    values: dict[str, float | None] = {}
    for name in ("ohm", "ohm_reversed"):
        try:
            values[name] = read_ohms(cells.get(name, ""), habit)
        except UsageError as fault:
            faults.add(number, f"{name}: {fault}")
            return []
    if not a or not b:
        faults.add(number, "a pin has no name")
    elif a == b:
        faults.add(number, f"pin {a} against itself is no pair")
    else:
        return pair_readings(a, b, values["ohm"], values["ohm_reversed"])
    return []
