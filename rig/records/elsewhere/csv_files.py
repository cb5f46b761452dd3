"""Phasors and waves as CSV, read whole or refused with file and line.

It must never interpret what it reads. Comma, semicolon or tab; a decimal comma where the separator is no comma; lines
that begin with # are remarks; one header line with the column names, in any order and case, and perhaps a line of
units below it (capture_columns.py). A cell that is empty or says nan makes its row a missing one (kept in
`left_aside`); what else is no number is an error. Formats: README.md, "Recordings from elsewhere".
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.errors import RecordError, UsageError
from rig.records.elsewhere.columns import Column, column_of, is_unit_line, places_of, units_of
from rig.records.elsewhere.tables import ROLES, PhasorTable, WaveTable, unreadable
from rig.records.elsewhere.wav_files import read_wav
from rig.records.files import LIMIT_BYTES

Floats = NDArray[np.float64]
PHASOR_ROLES = ("position", "exc_re", "exc_im", "sin_re", "sin_im", "cos_re", "cos_im")
PHASOR_COLUMNS = ("stepper_deg", *PHASOR_ROLES[1:])
LEAST_SAMPLES, LEAST_PHASORS = 8, 4


def read_phasors(path: str | Path, answers: Mapping[str, str] | None = None) -> PhasorTable:
    """A phasors CSV. answers: role -> column, for names that are not known (capture_columns.py).

    Raises RecordError (unreadable), UsageError naming file, line and column.
    """
    table = _read(Path(path), PHASOR_ROLES, PHASOR_COLUMNS, answers or {}, LEAST_PHASORS)
    column = table.columns
    return PhasorTable(
        source=str(path),
        stepper_mech_deg=column["position"].copy(),
        exc=column["exc_re"] + 1j * column["exc_im"],
        sine=column["sin_re"] + 1j * column["sin_im"],
        cosine=column["cos_re"] + 1j * column["cos_im"],
        lines=np.array(table.lines, dtype=np.int64),
        left_aside=table.left_aside,
        digit_v=table.digit_v,
    )


def read_waves(
    path: str | Path,
    channels: Sequence[str] = ROLES,
    full_scale_v: float | None = None,
    *,
    answers: Mapping[str, str] | None = None,
    roles: Sequence[str] = ROLES,
) -> WaveTable:
    """A waves CSV, or a WAV by its ending (its channels in the order given, its full scale in volts if known).

    roles: the channels wanted, ("exc", "sin") of a recorder with two; answers: role -> column.
    """
    if Path(path).suffix.lower() in (".wav", ".wave"):
        return read_wav(path, channels, full_scale_v, roles)
    names = ("t_s", *(f"{role}_v" for role in roles))
    table = _read(Path(path), ("t", *roles), names, answers or {}, LEAST_SAMPLES)
    if table.left_aside:
        raise UsageError(
            f"{path}:{table.left_aside[0]}: a sample is missing in the middle of the record.",
            next_action="Export the record again, without gaps.",
        )
    rate_hz, u_relative = _rate(path, table.columns["t"], table.lines)
    return WaveTable(
        source=str(path),
        volts=np.stack([table.columns[role] for role in roles]),
        sample_rate_hz=rate_hz,
        u_rate_relative=u_relative,
        channels=tuple(roles),
        digit_v=table.digit_v,
    )


def columns_of(path: str | Path) -> list[Column]:
    """The columns of a table, for a question about them."""
    return _header(Path(path), _rows(Path(path)), ())[0]


def _rate(path: str | Path, t_s: Floats, lines: Sequence[int]) -> tuple[float, float]:
    """(samples a second over the whole record, its relative standard uncertainty by the rounding of the column)."""
    span, count = float(t_s[-1] - t_s[0]), t_s.size
    back = np.flatnonzero(np.diff(t_s) < 0)
    if span <= 0 or back.size:
        at = lines[int(back[0]) + 1] if back.size else lines[-1]
        raise UsageError(
            f"{path}:{at}: t_s does not rise.", next_action="Give the samples in the order in which they were taken."
        )
    place = np.arange(count) - (count - 1) / 2
    interval = float(place @ t_s) / float(place @ place)
    off = t_s - np.mean(t_s) - interval * place
    uneven = np.diff(t_s) - interval
    unit = _resolution(t_s)
    if np.max(np.abs(uneven)) > max(0.5 * interval, 1.01 * unit) or np.max(np.abs(off)) > max(interval, 1.01 * unit):
        at = int(np.argmax(np.abs(uneven))) + 1
        raise UsageError(
            f"{path}:{lines[at]}: the samples are not evenly spaced: {t_s[at] - t_s[at - 1]:.3g} s from the one "
            f"before, {interval:.6g} s on the mean.",
            next_action="Export one record without gaps, at a fixed sample rate.",
        )
    return 1.0 / interval, unit / math.sqrt(count) / (count * interval)


def _resolution(values: Floats) -> float:
    """The decimal place to which a column was rounded (a power of ten)."""
    size = float(np.max(np.abs(values))) or 1.0
    for place in range(13):
        if np.max(np.abs(values * 10.0**place - np.rint(values * 10.0**place))) < 1e-6 * max(1.0, size * 1e-6):
            return float(10.0**-place)
    return 0.0


# ---- the table ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """columns: role -> (n,) in volts, seconds or degrees; lines: file line of each row; digit_v: half a unit of the
    finest last digit among the columns of volts."""

    columns: dict[str, Floats]
    lines: tuple[int, ...]
    left_aside: tuple[int, ...]
    digit_v: float


def _read(path: Path, roles: Sequence[str], usual: Sequence[str], answers: Mapping[str, str], least: int) -> _Table:
    rows = _rows(path)
    columns, separator, below = _header(path, rows, usual)
    places, missing = places_of(columns, roles, answers)
    if missing:
        named = [usual[list(roles).index(role)] for role in missing]
        raise UsageError(
            f"{path}:{rows[0][0]}: no column {', '.join(named)}; found {', '.join(c.cell for c in columns)}.",
            next_action=f"Name the columns {','.join(usual)}, or say which is which: --columns {missing[0]}=NAME,...",
        )
    values: list[list[float]] = []
    lines: list[int] = []
    aside: list[int] = []
    decimals = 0
    for line, text in rows[below:]:
        cells = text.split(separator)
        if len(cells) != len(columns):
            raise UsageError(
                f"{path}:{line}: {len(cells)} cells where the header has {len(columns)}.",
                next_action="Complete the line or take it out.",
            )
        row = [_number(path, line, columns[places[role]].cell, cells[places[role]], separator) for role in roles]
        if None in row:
            aside.append(line)
            continue
        values.append([cell for cell in row if cell is not None])
        lines.append(line)
        decimals = max([decimals, *(_decimals(cells[places[role]], separator) for role in roles[1:])])
    if len(values) < least:
        raise UsageError(
            f"{path}: {len(values)} rows of numbers; {least} at least are needed.", next_action="Record more."
        )
    factors = [columns[places[role]].factor for role in roles]
    return _Table(
        columns={role: np.array(values)[:, i] * factors[i] for i, role in enumerate(roles)},
        lines=tuple(lines),
        left_aside=tuple(aside),
        digit_v=0.5 * 10.0**-decimals * min(factors[1:]),
    )


def _header(path: Path, rows: list[tuple[int, str]], usual: Sequence[str]) -> tuple[list[Column], str, int]:
    """(columns, separator, how many lines the header takes)."""
    if not rows:
        raise UsageError(f"{path}: holds no lines.", next_action=f"Give a header {','.join(usual)} and its rows.")
    header = rows[0][1]
    separator = next((mark for mark in (";", "\t", ",") if mark in header), ",")
    cells = header.split(separator)
    units = [""] * len(cells)
    below = 1
    if len(rows) > 1 and is_unit_line(second := rows[1][1].split(separator)) and len(second) == len(cells):
        units, below = units_of(second), 2
    return [column_of(cell, unit) for cell, unit in zip(cells, units, strict=True)], separator, below


def _rows(path: Path) -> list[tuple[int, str]]:
    """(file line, text) of every line that is neither empty nor a remark."""
    try:
        if path.exists() and (not path.is_file() or path.stat().st_size > LIMIT_BYTES):
            raise RecordError(f"{path}: is no table of a recording.", next_action="Check the path.")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as fault:
        raise RecordError(f"{path}: is not a text file ({fault.reason}).", next_action="Export it as CSV.") from fault
    except RecordError:
        raise
    except (OSError, ValueError) as fault:  # ValueError: a path with a NUL
        raise unreadable(path, fault) from fault
    lines = enumerate(text.splitlines(), start=1)
    return [(number, line) for number, line in lines if line.strip() and not line.lstrip().startswith("#")]


def _plain(cell: str, separator: str) -> str:
    """A cell without quotes, with a decimal point."""
    bare = cell.strip().strip('"').strip()
    return bare.replace(",", ".") if separator != "," else bare


def _decimals(cell: str, separator: str) -> int:
    """Decimal places of a number as it is written; an exponent counts."""
    mantissa, _, exponent = _plain(cell, separator).lower().partition("e")
    return len(mantissa.partition(".")[2]) - int(exponent or 0)


def _number(path: Path, line: int, name: str, cell: str, separator: str) -> float | None:
    text = _plain(cell, separator)
    if text.lower() in ("", "nan"):
        return None
    try:
        value = float(text)
    except ValueError as fault:
        raise UsageError(
            f"{path}:{line}: {name} is {text!r}, a number was expected.", next_action="Correct or take out the line."
        ) from fault
    if not math.isfinite(value):
        raise UsageError(f"{path}:{line}: {name} is {text!r}.", next_action="Correct or take out the line.")
    return value
