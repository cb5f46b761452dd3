"""A sampled sweep as HDF5, read whole or refused with the data set or attribute; volts as codes.

It must never interpret what it reads. Format: positions_deg,
samples, sample_rate_hz, channels, scale_v.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import RecordError, UsageError
from rig.records.elsewhere.tables import ALIASES, ROLES, SweepFile, stack_of_volts
from rig.signal.waveform import WaveformStack

if TYPE_CHECKING:
    import h5py

Floats = NDArray[np.float64]


def read_sweep(path: str | Path, roles: Sequence[str] = ROLES) -> SweepFile:
    """An HDF5 sweep. roles: the channels wanted. Raises RecordError (no HDF5), UsageError naming the file and the data
    set or attribute."""
    import h5py

    try:
        with h5py.File(path, "r") as file:
            return _sweep(str(path), file, roles)
    except UsageError:
        raise
    except OSError as fault:
        raise RecordError(
            f"{path}: can't be opened as HDF5 ({fault}).", next_action="Check the name and the format."
        ) from fault


def _sweep(path: str, file: h5py.File, roles: Sequence[str]) -> SweepFile:
    for key in ("positions_deg", "samples"):
        if not hasattr(file.get(key), "shape"):
            raise UsageError(f"{path}: no data set {key!r}.", next_action="Store positions_deg (n) and samples.")
    for key in ("sample_rate_hz", "channels"):
        if key not in file.attrs:
            raise UsageError(f"{path}: no root attribute {key!r}.", next_action="Store sample_rate_hz and channels.")
    positions = np.asarray(file["positions_deg"][()], dtype=np.float64)
    names = _names(path, file.attrs["channels"], roles)
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
    return SweepFile(
        source=path,
        positions_mech_deg=positions,
        stack=_stack(path, samples, names, rate_hz),
        rails=bool(np.issubdtype(samples.dtype, np.integer)),
    )


def _names(path: str, stored: Any, roles: Sequence[str]) -> tuple[str, ...]:
    given = stored.split(",") if isinstance(stored, str) else np.atleast_1d(stored).tolist()
    told = [item.decode() if isinstance(item, bytes) else str(item) for item in given]
    names = tuple(ALIASES.get(name.strip().lower(), name.strip().lower()) for name in told)
    missing = [role for role in roles if names.count(role) != 1]
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
        return _stack_of_codes(np.asarray(samples[()]), scale, names, rate_hz)
    volts = np.asarray(samples[()], dtype=np.float64)
    if not np.all(np.isfinite(volts)):
        record = int(np.argwhere(~np.isfinite(volts))[0][0])
        raise UsageError(
            f"{path}: record {record} holds samples that are no numbers.", next_action="Take that record out."
        )
    return stack_of_volts(volts, names, rate_hz)


def _stack_of_codes(
    codes: NDArray[np.integer[Any]], scale: Floats, names: tuple[str, ...], rate_hz: float
) -> WaveformStack:
    """Codes of any width, sign and byte order as signed ones of 16 or 32 bits; unsigned ones lose their middle."""
    kind = np.iinfo(codes.dtype)
    if kind.bits > 32:
        return stack_of_volts(codes.astype(np.float64) * scale[None, :, None], names, rate_hz)
    middle = 0 if kind.min < 0 else 1 << (kind.bits - 1)
    signed = codes.astype(np.int64) - middle
    return WaveformStack(
        codes=signed.astype(np.int16) if kind.bits <= 16 else signed.astype(np.int32),
        scale_v=scale,
        offset_v=middle * scale,
        sample_rate_hz=rate_hz,
        channels=names,
        rail_low=int(kind.min) - middle,
        rail_high=int(kind.max) - middle,
    )
