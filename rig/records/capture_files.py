"""Recordings from elsewhere: phasors CSV, waves CSV, WAV, HDF5 sweep, read whole or refused with file and line.

It must never interpret: it hands over numbers in volts, seconds and degrees as the file gives them. Formats:
design page "decisions", "Files from elsewhere". CSV: comma, semicolon or tab; a decimal comma where the separator is
no comma; lines that begin with # are remarks; one header line with the column names, in any order and case. A cell
that is empty or says nan makes its row a missing one (kept in `left_aside`); what else is no number is an error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import RecordError, UsageError
from rig.signal.waveform import WaveformStack

if TYPE_CHECKING:
    import h5py

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
PHASOR_COLUMNS = ("stepper_deg", "exc_re", "exc_im", "sin_re", "sin_im", "cos_re", "cos_im")
WAVE_COLUMNS = ("t_s", "exc_v", "sin_v", "cos_v")
ROLES = ("exc", "sin", "cos")
ALIASES = {"exc_v": "exc", "sin_v": "sin", "cos_v": "cos", "sine": "sin", "cosine": "cos", "excitation": "exc"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PhasorTable:
    """One row a position, in the order of the file: stepper_mech_deg (n,), peak volts (n,) complex, file line (n,).

    left_aside: lines whose row has a cell without a number.
    """

    source: str
    stepper_mech_deg: Floats
    exc: Complexes
    sine: Complexes
    cosine: Complexes
    lines: NDArray[np.int64]
    left_aside: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveTable:
    """Three channels sampled together: volts (3, m) in the order exc, sin, cos.

    u_rate_relative: standard uncertainty of the sample rate by the rounding of the time column (0 where the file
    states the rate). rail_v: (low, high) of the converter where the format tells, else None. scaled: False when the
    file says nothing of volts (WAV): levels are then in units of full scale.
    """

    source: str
    volts: Floats
    sample_rate_hz: float
    u_rate_relative: float
    rail_v: tuple[float, float] | None = None
    scaled: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepFile:
    """positions_mech_deg (n,) as commanded, and the captures; channels named exc, sin, cos (others keep their name)."""

    source: str
    positions_mech_deg: Floats
    stack: WaveformStack


# ---- CSV ----------------------------------------------------------------------------------------------------


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
        raise _unreadable(path, fault) from fault
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


def _unreadable(path: Path, fault: OSError) -> RecordError:
    return RecordError(
        f"{path}: can't be read ({fault.strerror or fault}).", next_action="Check the name and the permissions."
    )


# ---- WAV ----------------------------------------------------------------------------------------------------


def read_wav(path: str | Path, channels: Sequence[str] = ROLES, full_scale_v: float | None = None) -> WaveTable:
    """A PCM WAV of 8 to 32 bits. channels: the role of each channel in file order; others than exc, sin, cos are
    left out. Raises UsageError when a role is missing or the count differs, RecordError when it is no PCM WAV."""
    import wave

    roles = [ALIASES.get(name.strip().lower(), name.strip().lower()) for name in channels]
    if any(roles.count(role) != 1 for role in ROLES):
        raise UsageError(
            f"channels {','.join(channels)}: exc, sin and cos are needed, once each.",
            next_action="Give --channels exc,sin,cos in the order of the file.",
        )
    try:
        with wave.open(str(path), "rb") as file:
            count, width, rate_hz = file.getnchannels(), file.getsampwidth(), float(file.getframerate())
            data = file.readframes(file.getnframes())
    except (wave.Error, EOFError) as fault:
        raise RecordError(f"{path}: is no PCM WAV ({fault}).", next_action="Export integer PCM, or CSV.") from fault
    except OSError as fault:
        raise _unreadable(Path(path), fault) from fault
    if count != len(roles):
        raise UsageError(
            f"{path}: has {count} channels, {len(roles)} were named ({','.join(channels)}).",
            next_action="Name every channel of the file with --channels.",
        )
    codes = _codes(data, width).reshape(-1, count)
    if len(codes) < 8:
        raise UsageError(f"{path}: holds {len(codes)} samples.", next_action="Record one cycle at least.")
    full = 2 ** (8 * width - 1)
    scale = (full_scale_v or 1.0) / full
    order = [roles.index(role) for role in ROLES]
    return WaveTable(
        source=str(path),
        volts=np.ascontiguousarray(codes[:, order].T) * scale,
        sample_rate_hz=rate_hz,
        u_rate_relative=0.0,
        rail_v=(-full * scale, (full - 1) * scale),
        scaled=full_scale_v is not None,
    )


def _codes(data: bytes, width: int) -> NDArray[np.int64]:
    """Integer samples of PCM bytes: 8 bit unsigned, else signed little endian; a cut last frame is left out by wave."""
    if width == 3:
        raw = np.frombuffer(data[: len(data) // 3 * 3], dtype=np.uint8).reshape(-1, 3).astype(np.int64)
        value = raw[:, 0] | (raw[:, 1] << 8) | (raw[:, 2] << 16)
        return np.where(value >= 1 << 23, value - (1 << 24), value)
    kind = {1: "u1", 2: "<i2", 4: "<i4"}[width]
    codes = np.frombuffer(data, dtype=kind).astype(np.int64)
    return codes - 128 if width == 1 else codes


# ---- HDF5 sweep ---------------------------------------------------------------------------------------------


def read_sweep(path: str | Path) -> SweepFile:
    """An HDF5 sweep. Raises RecordError (no HDF5), UsageError naming the file and the data set or attribute."""
    import h5py

    try:
        with h5py.File(path, "r") as file:
            return _sweep(str(path), file)
    except UsageError:
        raise
    except OSError as fault:
        raise RecordError(
            f"{path}: can't be opened as HDF5 ({fault}).", next_action="Check the name and the format."
        ) from fault


def _sweep(path: str, file: h5py.File) -> SweepFile:
    for key in ("positions_deg", "samples"):
        if not hasattr(file.get(key), "shape"):
            raise UsageError(f"{path}: no data set {key!r}.", next_action="Store positions_deg (n) and samples.")
    for key in ("sample_rate_hz", "channels"):
        if key not in file.attrs:
            raise UsageError(f"{path}: no root attribute {key!r}.", next_action="Store sample_rate_hz and channels.")
    positions = np.asarray(file["positions_deg"][()], dtype=np.float64)
    names = _names(path, file.attrs["channels"])
    samples = file["samples"]
    if samples.ndim != 3 or samples.shape[:2] != (positions.size, len(names)) or samples.shape[2] < 4:
        raise UsageError(
            f"{path}: samples of shape {samples.shape} beside {positions.size} positions and {len(names)} channels.",
            next_action="Store samples as (positions, channels, samples of a record).",
        )
    if not np.all(np.isfinite(positions)):
        raise UsageError(f"{path}: positions_deg holds what is no number.", next_action="Take those records out.")
    rate_hz = float(file.attrs["sample_rate_hz"])
    if not rate_hz > 0:
        raise UsageError(f"{path}: sample_rate_hz is {rate_hz:g}.", next_action="Store the rate in samples a second.")
    return SweepFile(source=path, positions_mech_deg=positions, stack=_stack(path, samples, names, rate_hz))


def _names(path: str, stored: Any) -> tuple[str, ...]:
    given = stored.split(",") if isinstance(stored, str) else np.atleast_1d(stored).tolist()
    told = [item.decode() if isinstance(item, bytes) else str(item) for item in given]
    names = tuple(ALIASES.get(name.strip().lower(), name.strip().lower()) for name in told)
    missing = [role for role in ROLES if names.count(role) != 1]
    if missing:
        raise UsageError(
            f"{path}: channels {', '.join(told)}: {', '.join(missing)} must be there once.",
            next_action="Name the channels exc, sin and cos (others may follow).",
        )
    return names


def _stack(path: str, samples: h5py.Dataset, names: tuple[str, ...], rate_hz: float) -> WaveformStack:
    """Integers stay codes, with `scale_v` (one, or one a channel); volts become codes of a fine scale of their own."""
    if np.issubdtype(samples.dtype, np.integer):
        if "scale_v" not in samples.attrs:
            raise UsageError(
                f"{path}: integer samples without the attribute scale_v.", next_action="Store volts a code in scale_v."
            )
        given = np.asarray(samples.attrs["scale_v"], dtype=np.float64)
        if given.size not in (1, len(names)):
            raise UsageError(f"{path}: {given.size} scale_v for {len(names)} channels.", next_action="One or one each.")
        scale = np.broadcast_to(given, (len(names),)).copy()
        codes = np.asarray(samples[()])
        wide = np.iinfo(codes.dtype)
        kept = codes if codes.dtype == np.int16 else codes.astype(np.int32)
        low, high = int(wide.min), int(min(wide.max, np.iinfo(np.int32).max))
    else:
        volts = np.asarray(samples[()], dtype=np.float64)
        if not np.all(np.isfinite(volts)):
            record = int(np.argwhere(~np.isfinite(volts))[0][0])
            raise UsageError(
                f"{path}: record {record} holds samples that are no numbers.", next_action="Take that record out."
            )
        return stack_of_volts(volts, names, rate_hz)
    return WaveformStack(
        codes=kept,
        scale_v=scale,
        offset_v=np.zeros(len(names)),
        sample_rate_hz=rate_hz,
        channels=names,
        rail_low=low,
        rail_high=high,
    )


def stack_of_volts(volts: Floats, names: tuple[str, ...], rate_hz: float) -> WaveformStack:
    """Volts (n, channels, m) as codes: each channel's largest value just fits, a code is 1e-9 of it."""
    high = 2**30
    top = np.max(np.abs(volts), axis=(0, 2))
    scale = np.where(top > 0, top, 1.0) / (high - 1)
    return WaveformStack(
        codes=np.rint(volts / scale[None, :, None]).astype(np.int32),
        scale_v=scale,
        offset_v=np.zeros(len(names)),
        sample_rate_hz=rate_hz,
        channels=names,
        rail_low=-high,
        rail_high=high,
    )
