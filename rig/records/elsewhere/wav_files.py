"""A WAV of integer PCM as one sampled record, read whole or refused.

It must never guess a level: without a full scale told, volts are fractions of it. Format: RIFF/WAVE, PCM of 8 to 32
bits, by the standard library's wave.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.errors import RecordError, UsageError
from rig.records.elsewhere.tables import ALIASES, ROLES, WaveTable, unreadable


def read_wav(
    path: str | Path,
    channels: Sequence[str] = ROLES,
    full_scale_v: float | None = None,
    wanted: Sequence[str] = ROLES,
) -> WaveTable:
    """A PCM WAV of 8 to 32 bits. channels: the role of each channel in file order; others than those wanted are
    left out. Raises UsageError when a role is missing or the count differs, RecordError when it is no PCM WAV."""
    import wave

    roles = [ALIASES.get(name.strip().lower(), name.strip().lower()) for name in channels]
    if any(roles.count(role) != 1 for role in wanted):
        raise UsageError(
            f"channels {','.join(channels)}: {', '.join(wanted)} are needed, once each.",
            next_action="Give --channels exc,sin,cos in the order of the file.",
        )
    try:
        with wave.open(str(path), "rb") as file:
            count, width, rate_hz = file.getnchannels(), file.getsampwidth(), float(file.getframerate())
            data = file.readframes(file.getnframes())
    except (wave.Error, EOFError) as fault:
        raise RecordError(f"{path}: is no PCM WAV ({fault}).", next_action="Export integer PCM, or CSV.") from fault
    except OSError as fault:
        raise unreadable(Path(path), fault) from fault
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
    order = [roles.index(role) for role in wanted]
    return WaveTable(
        source=str(path),
        volts=np.ascontiguousarray(codes[:, order].T) * scale,
        sample_rate_hz=rate_hz,
        u_rate_relative=0.0,
        rail_v=(-full * scale, (full - 1) * scale),
        scaled=full_scale_v is not None,
        channels=tuple(wanted),
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
