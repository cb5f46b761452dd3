"""Recordings from elsewhere as they are handed on: phasors at positions, one sampled record, a sampled sweep.

It must never interpret: numbers in volts, seconds and degrees as the file gives them. Readers: capture_files_csv.py,
capture_files_wav.py, capture_files_sweep.py. Formats: design page "decisions", "Files from elsewhere".
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.errors import RecordError
from rig.signal.waveform import WaveformStack

if TYPE_CHECKING:
    pass


Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
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


def unreadable(path: Path, fault: OSError) -> RecordError:
    """The error to raise for a file that the system won't open."""
    return RecordError(
        f"{path}: can't be read ({fault.strerror or fault}).", next_action="Check the name and the permissions."
    )
