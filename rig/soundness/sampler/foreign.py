"""Soundness of the sampled channels against foreign signals: lines beside the carrier, pick-up at the carrier itself.

It must never judge the part.
"""

from __future__ import annotations

import math

import numpy as np

from rig.evaluation.inspection import facts
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import CHANNEL_NAMES
from rig.evaluation.inspection.thresholds import (
    ANGLE_HARM_RAD,
    HIDDEN_RAD,
    LINE_SHARE,
    NOISE_SIGMAS,
    OUTPUT_THERE_RATIO,
)
from rig.evaluation.results import ARCMIN_PER_RAD
from rig.observed import RECORD
from rig.signal.quality import ChannelQuality
from rig.signal.sine_fit import SineFit, fit_stack
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, story
from rig.soundness.sampler.signal import first_series


def interference(inspection: Inspection) -> list[Evidence]:
    """Lines beside the carrier in the sweep, and pick-up at the carrier's own frequency with the excitation off."""
    return [*first_series(inspection, _lines), *_background(inspection)]


def _lines(inspection: Inspection, series: str, channel: ChannelQuality) -> Evidence | None:
    found = inspection.evaluated.phasors(series)
    by_hand = series == inspection.evaluated.hand_series
    if found is None or by_hand or channel.name not in ("sin", "cos") or not channel.lines:
        return None
    if not series.startswith(MEASURING):
        return None
    stack = inspection.observed.captures.stack(series)
    seconds = stack.codes.shape[2] / stack.sample_rate_hz
    carrier = found.frequency.frequency_hz
    worst = max(channel.lines, key=lambda line: line.relative)
    harm = max(line.relative / max(1.0, math.pi * seconds * abs(line.hz - carrier)) for line in channel.lines)
    if worst.relative < LINE_SHARE and harm < ANGLE_HARM_RAD:
        return None
    return Evidence(
        figures=f"{worst.hz:.0f} Hz at {1e3 * worst.amplitude_v:.2f} mV peak ({100 * worst.relative:.2f} % of the "
        f"carrier, {abs(worst.hz - carrier):.4g} Hz from it); "
        f"at most {harm * ARCMIN_PER_RAD:.2f}' electrical get through",
        subject=channel.name,
        name=CHANNEL_NAMES[channel.name],
        harmless=harm <= ANGLE_HARM_RAD,
    )


def _background(inspection: Inspection) -> list[Evidence]:
    """Pick-up near the carrier, where the sweep can't tell it from the signal: seen with the excitation off."""
    found = inspection.evaluated.turn
    if found is None or not inspection.observed.has("background"):
        return []
    fitted = fit_stack(inspection.observed.captures.stack("background"), found.frequency_hz, harmonics=1)
    reasons = []
    for c, name, side in ((2, "sin", found.sine), (3, "cos", found.cosine)):
        full = float(np.max(np.abs(side))) * float(np.mean(np.abs(found.exc_v)))
        share = _pick_up(fitted, c, full * HIDDEN_RAD) / max(full, 1e-12)
        if float(np.max(np.abs(side))) > OUTPUT_THERE_RATIO and share > ANGLE_HARM_RAD:
            reasons.append(
                Evidence(
                    figures=f"{100 * share:.3f} % of the signal stays at the carrier's frequency when the excitation "
                    f"is off: {share * ARCMIN_PER_RAD:.1f}' electrical",
                    subject=name,
                    name=CHANNEL_NAMES[name],
                    text=f"A foreign signal near the carrier is on the {CHANNEL_NAMES[name]} channel.",
                    witness="captures with the excitation off",
                )
            )
    return reasons


def _pick_up(fitted: SineFit, c: int, hidden_v: float) -> float:
    """Rms amplitude (V peak) at the carrier beyond what the channel's own noise gives; 0 where noise explains it.

    Noise alone gives |amplitude|^2 / u^2 a chi-square law of two degrees of freedom a record. Noise above hidden_v
    would hide a pick-up that does harm: then nothing is taken off, and the captures vouch for nothing.
    """
    records = len(fitted.fundamental)
    noise = 2.0 * float(np.mean(fitted.u_amplitude[:, c] ** 2))
    power = float(np.mean(np.abs(fitted.fundamental[:, c]) ** 2))
    if power > hidden_v**2:
        return math.sqrt(power)
    return math.sqrt(power - noise) if power > noise * (1.0 + NOISE_SIGMAS / math.sqrt(records)) else 0.0


MEASURING = ("sweep", "spots", "nulls", RECORD)
RULES = story(
    Rule(
        code="interference",
        looks_at="lines beside the carrier, and captures with the excitation off",
        check=interference,
        text="A foreign signal is on the {name} channel.",
        next="Switch off nearby inverters, check the shield and the ground, then sweep again.",
        spoils=scopes.of_channel_but_counts,
        caused_by=("channel-saturated",),
    ),
    unless=(facts.comes_and_goes_witnessed,),
)
