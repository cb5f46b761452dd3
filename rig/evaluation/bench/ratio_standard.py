"""The ratio standard in the proof of a bench: sine over cosine by what both channels share, and the phase to expect.

It must never know a part's limits. Both outputs come from one node, so divider, source and level cancel; what is left
is each channel's drift since the loopback. The bench file's gain line is a half-width for one day and one kelvin;
against a loopback of the same run it counts for the time and the change of temperature that really passed.
Phase: R across two inputs' capacitance, -atan(2 pi f R 2 C); hardware/relay_tree.md, first_steps.md 8.
"""

from __future__ import annotations

import math

import numpy as np

from rig.description.benches import BenchFile
from rig.evaluation.results import by_scatter, half_width, standard
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.sampler.loopback import DRIFT_PERCENT
from rig.evaluation.sampler.phasors import SeriesPhasors
from rig.observed import Observed
from rig.uncertainty.budget import BudgetLine

TRIM_S = 14e-9  # 0.05 deg at 10 kHz
FOLLOWER_S = 8.4e-9  # 0.03 deg at 10 kHz
LEAST_KELVIN = 0.1  # what two probe readings can't tell apart
DAY_S = 86_400.0


def phase_limits_deg(bench: BenchFile, frequency_hz: float) -> tuple[float, float]:
    """Limits of the phase of sine or cosine over excitation (deg, lead +) with the ratio standard in place."""
    full_deg = 360.0 * frequency_hz
    farad = 2.0 * bench.sampler.input_pf * 1e-12
    turned = math.degrees(math.atan(2.0 * math.pi * frequency_hz * bench.switch.ratio_standard_out_ohm * farad))
    return -turned - full_deg * TRIM_S, -turned + full_deg * (TRIM_S + FOLLOWER_S)


def match(channels: Channels) -> tuple[float, list[BudgetLine]] | None:
    """Modulus of sine over cosine on the ratio standard with its influences; None without a signal on both."""
    found = channels.phasors("ratio_standard")
    if found is None or np.any(found.cosine == 0.0) or np.any(found.sine == 0.0):
        return None
    each = np.abs(found.sine / found.cosine)
    n = each.size
    floor = float(np.mean(np.hypot(*(found.u_noise_v[c] / np.abs(x) for c, x in ((2, found.sine), (3, found.cosine))))))
    scatter = float(np.std(each, ddof=1)) if n > 1 else 0.0
    noise = by_scatter("captures", max(scatter, floor) / math.sqrt(n), "1", max(n - 1, 1))
    return float(np.mean(each)), [noise, *_channels(channels.observed, found)]


def _channels(obs: Observed, found: SeriesPhasors) -> list[BudgetLine]:
    loopback = found.loopback
    if loopback.source != "run":
        return [standard(f"gain of channel {c}", float(loopback.u_gain[c]), "1") for c in (2, 3)]
    spec = obs.bench.sampler.spec_of("gain")
    percent = spec.percent_reading if spec else DRIFT_PERCENT
    share = min(1.0, _days(obs, found) + _kelvin(obs))
    captures = max(loopback.captures, 1)
    lines = []
    for c in (2, 3):
        noise = float(loopback.scatter[c]) / math.sqrt(captures)
        lines.append(by_scatter(f"loopback of channel {c}", noise, "1", max(captures - 1, 1)))
        lines.append(half_width(f"drift of channel {c} since the loopback", percent / 100.0 * share, "1"))
    return lines


def _days(obs: Observed, found: SeriesPhasors) -> float:
    """From the last loopback capture to the last of the standard."""
    last_s = obs.capture_readings("loopback")[-1].bench_time_s
    return max(0.0, float(found.at_s[-1]) - last_s) / DAY_S


def _kelvin(obs: Observed) -> float:
    """Change of the air over the run; a whole kelvin where nothing measured it."""
    before, after = (obs.numbers("ambient_temperature", phase=phase) for phase in ("before", "after"))
    return max(LEAST_KELVIN, abs(after[-1] - before[-1])) if before and after else 1.0
