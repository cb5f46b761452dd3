"""The outputs' voltage that comes with the rotor's turning alone, from records taken with the excitation off.

It must never say where it comes from. Each record spans a good turn at a stated speed; the orders of a mechanical
turn are fitted together with a constant and a drift (least squares), those above serve as the noise of that band.
Source: rig/evaluation/README.md; amplitude uncertainty of a fitted line: rig/signal/README.md, 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.results import by_scatter, half_width, make_result, standard
from rig.observed import Observed
from rig.quantity import Scalar
from rig.result import Result

Floats = NDArray[np.float64]
SERIES = "background_turning"
SIDES = {"sin": 2, "cos": 3}
LEAST_TURNS = 1.0  # of a record: under that the lowest orders are not told apart
MAINS_S = 0.04  # two periods at 50 Hz: the running mean's first zero lies there, and no order of a slow turn does


@dataclass(frozen=True, slots=True, kw_only=True)
class Turning:
    """order: of a mechanical turn, the strongest in the mean of all records; coil: on which output.

    amplitude_v: (n,) peak volts of each record there; noise_v: what an order without any line shows, peak volts.
    speed_mech_deg_s: of the turning.
    """

    order: int
    coil: str
    amplitude_v: Floats
    noise_v: float
    speed_mech_deg_s: float

    @property
    def peak_v(self) -> float:
        """Mean over the records."""
        return float(np.mean(self.amplitude_v))

    @property
    def per_krpm_v(self) -> float:
        """Peak volts at 1000 turns a minute."""
        return self.peak_v / (self.speed_mech_deg_s / 6.0) * 1000.0


def turning_background(obs: Observed) -> Turning | None:
    """The strongest order of a turn on either output; None without a record that is long enough."""
    if not obs.has(SERIES):
        return None
    stack = obs.captures.stack(SERIES)
    rows = obs.capture_readings(SERIES)
    if len(stack) == 0 or len(rows) != len(stack):
        return None
    speed = float(rows[0].conditions.get("speed_mech_deg_s") or 0.0)
    rate_hz, top = stack.sample_rate_hz, 2 * obs.part.pole_pairs
    turns = (stack.codes.shape[2] / rate_hz - MAINS_S) * speed / 360.0
    if turns < LEAST_TURNS or stack.codes.shape[2] < 16 * top:
        return None
    found = {
        name: _orders(stack.codes[:, c, :] * stack.scale_v[c], rate_hz, speed, 2 * top) for name, c in SIDES.items()
    }
    mean = {(name, n): float(found[name][:, n - 1].mean()) for name in found for n in range(1, top + 1)}
    coil, order = max(mean, key=lambda at: mean[at])
    amplitude = found[coil][:, order - 1]
    noise = float(np.sqrt(np.mean(found[coil][:, top:] ** 2)))
    return Turning(order=order, coil=coil, amplitude_v=amplitude, noise_v=noise, speed_mech_deg_s=speed)


def _orders(volts: Floats, rate_hz: float, speed_mech_deg_s: float, top: int) -> Floats:
    """(n, top) amplitudes of orders 1 to top of records (n, m) taken at a steady speed.

    Mains and tones are taken off first by a Hann-weighted running mean, whose known response the orders are freed of.
    """
    turn_hz = speed_mech_deg_s / 360.0
    width_s = min(MAINS_S, 0.7 / (top * turn_hz))
    kernel = np.hanning(max(3, round(width_s * rate_hz)) + 2)[1:-1]
    kernel /= kernel.sum()
    from scipy.signal import fftconvolve  # half a second to load: only where a magnet is looked for

    smooth = fftconvolve(volts, kernel[None, :], mode="valid", axes=1)
    orders = np.arange(1, top + 1)
    lag = np.arange(kernel.size) - (kernel.size - 1) / 2
    response = np.cos(2.0 * math.pi * turn_hz / rate_hz * orders[:, None] * lag) @ kernel
    along = (np.arange(smooth.shape[1]) - (smooth.shape[1] - 1) / 2) / rate_hz
    angle = 2.0 * math.pi * turn_hz * along[:, None] * orders
    design = np.hstack([np.ones((along.size, 1)), along[:, None], np.cos(angle), np.sin(angle)])
    parts = np.linalg.lstsq(design, smooth.T, rcond=None)[0][2:]
    amplitude: Floats = np.hypot(parts[:top], parts[top:]).T / response
    return amplitude


def turning_results(found: Turning | None) -> list[Result]:
    """background_turning_v; nothing where no record was taken."""
    if found is None:
        return []
    n = len(found.amplitude_v)
    lines = [
        half_width("sampler gain", 0.01 * found.peak_v, "V"),
        standard("noise of the band", found.noise_v / math.sqrt(2.0 * n), "V"),
    ]
    if n > 1:
        lines.append(by_scatter("both directions", float(found.amplitude_v.std(ddof=1)) / math.sqrt(n), "V", n - 1.0))
    conditions: dict[str, Scalar] = {
        "speed_mech_rpm": found.speed_mech_deg_s / 6.0,
        "order_mech": found.order,
        "coil": found.coil,
        "records": n,
    }
    return [make_result("background_turning_v", found.peak_v, lines, conditions)]
