"""Soundness of the channels against each other: gain, delay, crosstalk, and how old the comparison is.

It must never judge the part. The loopback vouches for gain and delay, a coil driven alone for the crosstalk.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import driven, output_lines, turned
from rig.diagnosis.sound_comparison import comparison_questions
from rig.evaluation.loopback import SERIES
from rig.observed import Absent, Observed
from rig.result import Reason, Result

GAIN_WINDOW = 0.03
SKEW_WINDOW_S = 1e-6
CROSSTALK = 5e-4
NAMES = {"sin": "sine", "cos": "cosine", "exc_v": "excitation voltage", "exc_i": "excitation current"}


def channel_reasons(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """Every reason that the comparison of the channels gives."""
    return [
        *_compared(inspection, results),
        *_crosstalk(inspection, results),
        *_calibrations(inspection.observed, results),
    ]


def spoiled_by(channel: str, results: Sequence[Result]) -> tuple[str, ...]:
    """The lines that a channel decides."""
    return output_lines(channel, results) if channel in ("sin", "cos") else driven(results)


def _compared(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    if inspection.observed.lacks(Absent.LOOPBACK):
        return comparison_questions(inspection, results, GAIN_WINDOW, SKEW_WINDOW_S)
    return _loopback(inspection, results)


def _loopback(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    if not turned(results) or inspection.evaluated.phasors((inspection.evaluated.swept_series or ("",))[0]) is None:
        return []
    found = inspection.evaluated.loopback_at(inspection.observed.part.excitation.frequency_hz)
    if found.source == "none":
        return [_stale("no loopback of the channels is in force", turned(results))]
    reasons = []
    for c, name in ((2, "sin"), (3, "cos"), (1, "exc_i")):
        gain = abs(found.gain[c]) - 1.0
        delay_s = float(np.angle(found.gain[c])) / (2.0 * math.pi * found.frequency_hz)
        if abs(gain) > GAIN_WINDOW:
            reasons.append(
                Reason(
                    code="channel-gain",
                    text=f"The gain of the {NAMES[name]} channel is out of its window.",
                    evidence=f"{100 * gain:+.2f} % against the excitation channel in the loopback; window "
                    f"{100 * GAIN_WINDOW:g} %",
                    next="Check the range and the channel; it is corrected only within the window.",
                    spoils=spoiled_by(name, results),
                )
            )
        if abs(delay_s) > SKEW_WINDOW_S:
            reasons.append(
                Reason(
                    code="skew",
                    text=f"The {NAMES[name]} channel is sampled at another time than the excitation.",
                    evidence=f"{1e9 * delay_s:+.0f} ns in the loopback; corrected",
                    next="Use simultaneous channels; keep the loopback of the day in force.",
                    spoils=(),
                )
            )
    return reasons


def _crosstalk(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """One coil driven, the outputs' inputs open: what they show of the excitation is the sampler's own."""
    shares = []
    for series in ("impedance_sin", "impedance_cos", "impedance_exc"):
        found = inspection.evaluated.phasors(series)
        if found is None:
            continue
        raw = found.fit.fundamental
        for c in (2, 3):
            seen = raw[:, c] / raw[:, 0]
            scatter = float(np.std(seen)) / math.sqrt(seen.size)
            if abs(complex(np.mean(seen))) > 4.0 * scatter:  # what is not in step with the carrier is no crosstalk
                shares.append(abs(complex(np.mean(seen))))
    if not shares or max(shares) <= CROSSTALK:
        return []
    return [
        Reason(
            code="crosstalk",
            text="The sampler's channels see each other.",
            evidence=f"{100 * max(shares):.3f} % of the excitation channel appears on an output's open input",
            next="Separate the leads, check the sampler's grounding; use differential inputs.",
            spoils=turned(results),
            witness="the outputs' inputs were open",
        )
    ]


def _calibrations(obs: Observed, results: Sequence[Result]) -> list[Reason]:
    """A loopback that is too old, and instruments past their date (which costs traceability, not figures)."""
    reasons = []
    kept = obs.header.get("calibration")
    started = _moment(obs.header.get("started_utc"))
    made = _moment(kept.get("made_utc") or kept.get("utc")) if isinstance(kept, dict) else None
    if not obs.has(SERIES) and made is not None and started is not None and turned(results):
        days = (started - made).total_seconds() / 86400.0
        if not 0.0 <= days <= obs.bench.sampler.loopback_days:
            reasons.append(_stale(f"the loopback is {days:.2f} days old", turned(results)))
    if started is not None:
        due = [n for n, d in obs.bench.devices().items() if d.due is not None and d.due < started.date()]
        if due:
            reasons.append(_stale(f"past its calibration date: {', '.join(due)}", ()))
    return reasons


def _moment(text: object) -> datetime | None:
    if not isinstance(text, str) or not text:
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _stale(evidence: str, spoils: tuple[str, ...]) -> Reason:
    return Reason(
        code="calibration-stale",
        text="A calibration that the figures lean on is missing or too old.",
        evidence=evidence,
        next="Take a loopback at the start of the shift; have overdue instruments calibrated.",
        spoils=spoils,
    )
