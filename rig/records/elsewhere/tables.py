"""Recordings from elsewhere as they are handed on: phasors at positions, one sampled record, a sampled sweep.

It must never interpret: numbers in volts, seconds and degrees as the file gives them. Readers: csv_files.py,
wav_files.py, hdf5_sweep.py. Formats: the readers beside this file.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.errors import RecordError
from rig.signal.waveform import WaveformStack

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
ROLES = ("exc", "sin", "cos")
ALIASES = {"exc_v": "exc", "sin_v": "sin", "cos_v": "cos", "sine": "sin", "cosine": "cos", "excitation": "exc"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PhasorTable:
    """One row a position, in the order of the file: stepper_mech_deg (n,), peak volts (n,) complex, file line (n,).

    left_aside: lines whose row has a cell without a number. digit_v: half a unit of the last digit of the volts.
    """

    source: str
    stepper_mech_deg: Floats
    exc: Complexes
    sine: Complexes
    cosine: Complexes
    lines: NDArray[np.int64]
    left_aside: tuple[int, ...] = ()
    digit_v: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveTable:
    """Channels sampled together: volts (c, m) in the order of `channels`; two where a recorder has no more.

    u_rate_relative: standard uncertainty of the sample rate by the rounding of the time column (0 where the file
    states the rate). rail_v: (low, high) of the converter where the format tells, else None. scaled: False when the
    file says nothing of volts (WAV): levels are then in units of full scale. digit_v: half a unit of the last digit of
    volts given as text.
    """

    source: str
    volts: Floats
    sample_rate_hz: float
    u_rate_relative: float
    rail_v: tuple[float, float] | None = None
    scaled: bool = True
    channels: tuple[str, ...] = ROLES
    digit_v: float = 0.0

    def stack(self) -> WaveformStack:
        """The record as a stack of one capture."""
        return stack_of_volts(self.volts[None], self.channels, self.sample_rate_hz, self.rail_v)


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepFile:
    """positions_mech_deg (n,) as commanded, and the captures; channels named exc, sin, cos (others keep their name).

    rails: the file holds the converter's codes, so that its rails are known.
    """

    source: str
    positions_mech_deg: Floats
    stack: WaveformStack
    rails: bool = False


def unreadable(path: Path, fault: OSError | ValueError) -> RecordError:
    """The error to raise for a file that the system won't open."""
    reason = getattr(fault, "strerror", None) or fault
    return RecordError(f"{path}: can't be read ({reason}).", next_action="Check the name and the permissions.")


def stack_of_volts(
    volts: Floats, names: tuple[str, ...], rate_hz: float, rail_v: tuple[float, float] | None = None
) -> WaveformStack:
    """Volts (n, channels, m) as codes: each channel's largest value (or the rail, for all) just fits, a code is 1e-9 of
    it. Without rails no code stands on one."""
    high = 2**30
    top = np.max(np.abs(volts), axis=(0, 2))
    if rail_v is not None:
        top = np.full(len(names), max(abs(rail_v[0]), abs(rail_v[1])))
    scale = np.where(top > 0, top, 1.0) / (high - 1)
    rails = (-high, high) if rail_v is None else tuple(round(edge / scale[0]) for edge in rail_v)
    return WaveformStack(
        codes=np.rint(volts / scale[None, :, None]).astype(np.int32),
        scale_v=scale,
        offset_v=np.zeros(len(names)),
        sample_rate_hz=rate_hz,
        channels=names,
        rail_low=rails[0],
        rail_high=rails[1],
    )
