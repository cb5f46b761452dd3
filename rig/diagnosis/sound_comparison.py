"""Sine and cosine of a recording whose channels nobody ever compared: questions, since they may be the recorder's.

It must never judge the part. A bench run has a loopback and asks nothing (rig/diagnosis/sound_channels.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import result_of, value
from rig.evaluation.stating import ARCMIN_PER_RAD
from rig.result import Reason, Result

SKEW_DEG = 1.0  # electrical phase of the carrier, where the frequency is not known
SURE = 1.5  # of U: an imbalance below it may be scatter


def comparison_questions(
    inspection: Inspection, results: Sequence[Result], gain_window: float, skew_window_s: float
) -> list[Reason]:
    """channel-gain and skew as questions. The windows are those within which a loopback corrects."""
    return [*_gain(results, gain_window), *_skew(inspection, results, skew_window_s)]


def _gain(results: Sequence[Result], window: float) -> list[Reason]:
    found = result_of(results, "tr_imbalance")
    if found is None or found.estimate is None or abs(found.estimate) <= max(window, SURE * (found.U or 0.0)):
        return []
    order_arcmin = abs(found.estimate) / (2 + found.estimate) * ARCMIN_PER_RAD
    return [
        Reason(
            code="channel-gain",
            text="Sine and cosine differ in size: the sensor's outputs or the recorder's inputs?",
            evidence=f"imbalance {100 * found.estimate:+.2f} %; it puts {order_arcmin:.0f}' at twice the electrical "
            "angle (order 2 el) into the error; no eccentric seat makes it",
            next="Swap the two input channels and record again, or calibrate them on one signal: what follows the "
            "channel is the recorder's, what stays is the sensor's.",
            spoils=(),
            question=True,
        )
    ]


def _skew(inspection: Inspection, results: Sequence[Result], window_s: float) -> list[Reason]:
    apart = value(results, "phase_difference_deg")
    if apart is None:
        phases = [value(results, f"phase_{name}_deg") for name in ("sin", "cos")]
        ratios = [value(results, f"ratio_{name}") or 0.0 for name in ("sin", "cos")]
        if None in phases or min(ratios) < 0.1 * math.hypot(*ratios):
            return []
        apart = (phases[0] or 0.0) - (phases[1] or 0.0)
    excitation = inspection.evaluated.excitation
    hz = 0.0 if excitation is None else excitation.frequency.frequency_hz
    delay_s = abs(apart) / 360.0 / hz if hz > 0.0 else math.nan
    if (delay_s <= window_s) if hz > 0.0 else (abs(apart) < SKEW_DEG):
        return []
    evidence = f"{apart:+.2f} deg between their carriers" + (f", {1e6 * delay_s:.2f} us" if hz > 0.0 else "")
    return [
        Reason(
            code="skew",
            text="Sine and cosine are not in phase: channels sampled one after the other, or the sensor's own phases?",
            evidence=f"{evidence}; each is taken on its own phase",
            next="Record one signal on all channels at once and take its phases off.",
            spoils=(),
            question=True,
        )
    ]
