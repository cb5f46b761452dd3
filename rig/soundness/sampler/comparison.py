"""Sine and cosine of a recording whose channels nobody ever compared: questions, since they may be the recorder's.

It must never judge the part. A bench run has a loopback and asks nothing (rig/soundness/sampler/channels.py, whose rows
these questions are evidence for).
"""

from __future__ import annotations

import math

from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import result_of, value
from rig.evaluation.inspection.thresholds import GAIN_WINDOW, LEAST_OUTPUT_SHARE, QUESTION_U, SKEW_DEG, SKEW_WINDOW_S
from rig.evaluation.results import ARCMIN_PER_RAD
from rig.soundness.rule import Evidence


def gain_question(inspection: Inspection) -> list[Evidence]:
    """An imbalance beyond the window within which a loopback corrects."""
    found = result_of(inspection.evaluated.results, "tr_imbalance")
    if found is None or found.estimate is None or abs(found.estimate) <= max(GAIN_WINDOW, QUESTION_U * (found.U or 0)):
        return []
    order_arcmin = abs(found.estimate) / (2 + found.estimate) * ARCMIN_PER_RAD
    return [
        Evidence(
            figures=f"imbalance {100 * found.estimate:+.2f} %; it puts {order_arcmin:.0f}' at twice the electrical "
            "angle (order 2 el) into the error; no eccentric seat makes it",
            question=True,
            text="Sine and cosine differ in size: the sensor's outputs or the recorder's inputs?",
            next="Swap the two input channels and record again, or calibrate them on one signal: what follows the "
            "channel is the recorder's, what stays is the sensor's.",
        )
    ]


def skew_question(inspection: Inspection) -> list[Evidence]:
    """Carriers of sine and cosine further apart than the window within which a loopback corrects."""
    apart = _phase_difference_deg(inspection)
    if apart is None:
        return []
    excitation = inspection.evaluated.excitation
    hz = 0.0 if excitation is None else excitation.frequency.frequency_hz
    delay_s = abs(apart) / 360.0 / hz if hz > 0.0 else math.nan
    if (delay_s <= SKEW_WINDOW_S) if hz > 0.0 else (abs(apart) < SKEW_DEG):
        return []
    delay = f", {1e6 * delay_s:.2f} us" if hz > 0.0 else ""
    return [
        Evidence(
            figures=f"{apart:+.2f} deg between their carriers{delay}; each is taken on its own phase",
            question=True,
            text="Sine and cosine are not in phase: channels sampled one after the other, or the sensor's own phases?",
            next="Record one signal on all channels at once and take its phases off.",
        )
    ]


def _phase_difference_deg(inspection: Inspection) -> float | None:
    results = inspection.evaluated.results
    apart = value(results, "phase_difference_deg")
    if apart is not None:
        return apart
    sine, cosine = (value(results, f"phase_{name}_deg") for name in ("sin", "cos"))
    ratios = [value(results, f"ratio_{name}") or 0.0 for name in ("sin", "cos")]
    if sine is None or cosine is None or min(ratios) < LEAST_OUTPUT_SHARE * math.hypot(*ratios):
        return None
    return sine - cosine
