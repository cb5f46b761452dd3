"""One long record of three channels in which somebody turned the rotor: the hand-turned treatment of our own runs.

It must never know a file. Whether the rotor turned is seen in the ratios of short windows; from a whole electrical turn
on the ellipse gives ratio, imbalance, orthogonality, centre, phases and quadrature (rig/evaluation/hand_ellipse.py).
U is scatter and what winding harmonics may imitate; nothing vouches for the recorder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.hand_ellipse import HandTurn, hand_turn, turning
from rig.evaluation.stating import by_scatter, exact, half_width, stated
from rig.quantity import Scalar
from rig.result import Reason, Result
from rig.signal.moving import Windows, moving_phasors, ratio_slope, window_for, window_samples

Floats = NDArray[np.float64]
MOVES = 0.01  # of the output's size, over the record
DEG = 180.0 / math.pi


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A record in which the rotor turned. turn None: less than an electrical turn (`why` says so)."""

    turn: HandTurn | None
    why: Reason
    v_exc_rms: float
    u_v_exc: float


def turned(volts: Floats, rate_hz: float, frequency_hz: float, pole_pairs: int | None) -> Moved | None:
    """None when the rotor stood. volts (1, 3, m): exc, sin, cos."""
    if volts.shape[2] < 4 * window_samples(rate_hz, frequency_hz, 1e-3):
        return None
    windows = moving_phasors(volts, rate_hz, frequency_hz)
    exc = windows.phasor[0, :, 0]
    if np.min(np.abs(exc)) < 0.1 * np.max(np.abs(exc)):
        return None
    ratios = [windows.phasor[0, :, c] / exc for c in (1, 2)]
    size = max(float(np.max(np.abs(part))) for part in ratios)
    noise = float(np.max(windows.u)) / float(np.median(np.abs(exc)))
    if max(float(np.std(part)) for part in ratios) < max(MOVES * size, 6 * noise):
        return None
    windows, ratios, speed = _refined(volts, rate_hz, frequency_hz, windows)
    exc = windows.phasor[0, :, 0]
    try:
        turn: HandTurn | None = hand_turn(ratios[0], ratios[1], speed, windows.centre_s, pole_pairs or 1)
        told = ""
    except UsageError as fault:
        turn, told = None, fault.message
    return Moved(
        turn=turn,
        why=Reason(
            code="points-missing",
            text="The rotor moved during the record, but not through an electrical turn.",
            evidence=told,
            next="Hold it still for one record, or turn it through a whole turn.",
            spoils=("tr_sin", "tr_cos"),
        ),
        v_exc_rms=float(np.mean(np.abs(exc))) / math.sqrt(2),
        u_v_exc=float(np.std(np.abs(exc))) / math.sqrt(2 * exc.size),
    )


def _refined(
    volts: Floats, rate_hz: float, frequency_hz: float, windows: Windows
) -> tuple[Windows, list[NDArray[np.complex128]], Floats]:
    """Windows short enough for the fastest part of the turn, their ratios and speed."""
    for _ in range(2):
        ratios = [windows.phasor[0, :, c] / windows.phasor[0, :, 0] for c in (1, 2)]
        speed = turning(ratios, [ratio_slope(windows, c, 0)[0] for c in (1, 2)])
        wanted = window_for(float(np.quantile(np.abs(speed), 0.99)))
        if wanted >= 1e-3:
            break
        windows = moving_phasors(volts, rate_hz, frequency_hz, window_s=wanted)
    return windows, ratios, speed


def strongest(volts: Floats, rate_hz: float, frequency_hz: float) -> Floats:
    """(3, 3, m): for each channel the stretch of ten cycles in which it is strongest, all three channels of it."""
    size = min(volts.shape[1], round(10 * rate_hz / frequency_hz))
    found = []
    for channel in volts:
        peak = int(np.argmax(np.abs(channel)))
        start = min(max(0, peak - size // 2), volts.shape[1] - size)
        found.append(volts[:, start : start + size])
    return np.stack(found)


def level_lines(moved: Moved, frequency_hz: float) -> list[Result]:
    """Level and frequency."""
    scatter = [by_scatter("scatter over the windows", moved.u_v_exc, "V", 100.0)]
    note = "against the recorder's own clock"
    return [stated("v_exc_rms", moved.v_exc_rms, scatter), exact("f_exc_hz", frequency_hz, note=note)]


def lines(moved: Moved, frequency_hz: float) -> list[Result]:
    """All lines of the turn. The turn must be there."""
    found = moved.turn
    if found is None:
        return level_lines(moved, frequency_hz)
    ellipse, dof = found.ellipse, max(1, found.u.size - 5)
    u_imbalance, u_square, u_cu, u_cv, u_au, u_av = (float(part) for part in ellipse.u)
    seen: dict[str, Scalar] = {
        "frequency_hz": frequency_hz,
        "turned": "by hand",
        "electrical_cycles": found.cycles,
        "whole_turn": found.whole,
    }
    au, av = ellipse.amplitude_u, ellipse.amplitude_v
    rows = (
        ("tr_sin", au, u_au, 1.0, au),
        ("tr_cos", av, u_av, 1.0, av),
        ("tr_imbalance", ellipse.imbalance, u_imbalance, 1.0, 2.0),
        ("centre_sin", ellipse.centre_u / au, u_cu / au, 1.0, 1.0),
        ("centre_cos", ellipse.centre_v / av, u_cv / av, 1.0, 1.0),
        ("orthogonality_elec_deg", ellipse.orthogonality_rad, u_square, DEG, 2.0),
        ("phase_sin_deg", found.phase_sine_rad, found.u_phase_rad[0], DEG, 0.0),
        ("phase_cos_deg", found.phase_cosine_rad, found.u_phase_rad[1], DEG, 0.0),
    )
    results = level_lines(moved, frequency_hz)
    for id_, value, u, factor, imitated in rows:
        budget = [
            by_scatter("scatter of the radius", u, "", dof, factor),
            half_width("winding harmonics that look the same", found.harmonic, "", imitated * factor),
        ]
        results.append(stated(id_, value * factor, budget, seen, note="turned by hand"))
    for name, across, size in (("sin", found.across[0], au), ("cos", found.across[1], av)):
        spread = [half_width("one window in a hundred is beyond", 0.5 * across / size, "ratio")]
        results.append(stated(f"quadrature_{name}", across / size, spread, seen, note="turned by hand"))
    return results
