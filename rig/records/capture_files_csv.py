"""Phasors and waves as CSV, read whole or refused with file and line.

It must never interpret what it reads. Comma, semicolon or tab; a decimal comma where the separator is no comma; lines
that begin with # are remarks; one header line with the column names, in any order and case. A cell that is empty or
says nan makes its row a missing one (kept in `left_aside`); what else is no number is an error. Formats: design page
"decisions", "Files from elsewhere".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.errors import RecordError, UsageError
from rig.records.capture_files import ROLES, PhasorTable, WaveTable, unreadable
from rig.records.capture_files_wav import read_wav

if TYPE_CHECKING:
    pass

Floats = NDArray[np.float64]
PHASOR_COLUMNS = ("stepper_deg", "exc_re", "exc_im", "sin_re", "sin_im", "cos_re", "cos_im")
WAVE_COLUMNS = ("t_s", "exc_v", "sin_v", "cos_v")


def read_phasors(path: str | Path) -> PhasorTable:
    """A phasors CSV. Raises RecordError (unreadable), UsageError naming file, line and column."""
    table, lines, aside = _table(Path(path), PHASOR_COLUMNS, least=4)
    column = dict(zip(PHASOR_COLUMNS, table.T, strict=True))
    return PhasorTable(
        source=str(path),
        stepper_mech_deg=column["stepper_deg"].copy(),
        exc=column["exc_re"] + 1j * column["exc_im"],
        sine=column["sin_re"] + 1j * column["sin_im"],
        cosine=column["cos_re"] + 1j * column["cos_im"],
        lines=np.array(lines, dtype=np.int64),
        left_aside=tuple(aside),
    )


def read_waves(path: str | Path, channels: Sequence[str] = ROLES, full_scale_v: float | None = None) -> WaveTable:
    """A waves CSV, or a WAV by its ending (its channels in the order given, its full scale in volts if known)."""
    if Path(path).suffix.lower() in (".wav", ".wave"):
        return read_wav(path, channels, full_scale_v)
    table, lines, aside = _table(Path(path), WAVE_COLUMNS, least=8)
    if aside:
        raise UsageError(
            f"{path}:{aside[0]}: a sample is missing in the middle of the record.",
            next_action="Export the record again, without gaps.",
        )
    rate_hz, u_relative = _rate(path, table[:, 0], lines)
    return WaveTable(
        source=str(path),
        volts=np.ascontiguousarray(table[:, 1:].T),
        sample_rate_hz=rate_hz,
        u_rate_relative=u_relative,
    )


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


def _table(path: Path, columns: Sequence[str], least: int) -> tuple[Floats, list[int], list[int]]:
    """(rows of these columns, the file line of each row, lines left aside)."""
    rows = _rows(path)
    if not rows:
        raise UsageError(f"{path}: holds no lines.", next_action=f"Give a header {','.join(columns)} and its rows.")
    number, header = rows[0]
    separator = next((mark for mark in (";", "\t", ",") if mark in header), ",")
    names = [cell.strip().strip('"').lower() for cell in header.split(separator)]
    missing = [name for name in columns if name not in names]
    if missing:
        raise UsageError(
            f"{path}:{number}: no column {', '.join(missing)}; found {', '.join(names)}.",
            next_action=f"Name the columns {','.join(columns)}.",
        )
    wanted = [names.index(name) for name in columns]
    values: list[list[float]] = []
    lines: list[int] = []
    aside: list[int] = []
    for line, text in rows[1:]:
        cells = text.split(separator)
        if len(cells) != len(names):
            raise UsageError(
                f"{path}:{line}: {len(cells)} cells where the header has {len(names)}.",
                next_action="Complete the line or take it out.",
            )
        row = [_number(path, line, names[at], cells[at], separator) for at in wanted]
        if None in row:
            aside.append(line)
        else:
            values.append([cell for cell in row if cell is not None])
            lines.append(line)
    if len(values) < least:
        raise UsageError(
            f"{path}: {len(values)} rows of numbers; {least} at least are needed.", next_action="Record more."
        )
    return np.array(values), lines, aside


def _rows(path: Path) -> list[tuple[int, str]]:
    """(file line, text) of every line that is neither empty nor a remark."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as fault:
        raise RecordError(f"{path}: is not a text file ({fault.reason}).", next_action="Export it as CSV.") from fault
    except OSError as fault:
        raise unreadable(path, fault) from fault
    lines = enumerate(text.splitlines(), start=1)
    return [(number, line) for number, line in lines if line.strip() and not line.lstrip().startswith("#")]


def _number(path: Path, line: int, name: str, cell: str, separator: str) -> float | None:
    told = cell.strip().strip('"')
    if told.lower() in ("", "nan"):
        return None
    try:
        value = float(told.replace(",", ".") if separator != "," else told)
    except ValueError as fault:
        raise UsageError(
            f"{path}:{line}: {name} is {told!r}, a number was expected.", next_action="Correct or take out the line."
        ) from fault
    if not math.isfinite(value):
        raise UsageError(f"{path}:{line}: {name} is {told!r}.", next_action="Correct or take out the line.")
    return value
