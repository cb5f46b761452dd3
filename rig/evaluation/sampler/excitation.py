"""The excitation as it was: level at the coil, current, frequency, distortion; the outputs' background without it.

It must never judge the rig: whether the excitation was right is for rig/soundness/soundness.py. Volts and amperes
rms, hertz; distortion is the root-sum-square of harmonics 2 to 5 over the fundamental, at the coil.
Definitions: rig/evaluation/README.md.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.coils.windings import Windings
from rig.evaluation.results import by_scatter, half_width, make_result, make_untested, scatter, standard
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.sampler.phasors import EXC_V, SeriesPhasors
from rig.evaluation.turn.passes import resting_series, swept_series
from rig.observed import RECORD, Absent, Observed
from rig.quantity import Scalar
from rig.result import Result

Floats = NDArray[np.float64]
IDS = ("v_exc_rms", "i_exc_rms", "f_exc_hz", "thd_exc")
MANY = 16  # captures whose own scatter tells more than one capture's noise
FIT_DOF = 30.0  # of one record of many samples
CLOCK_PPM = 50.0  # half-width of the sampler's clock where the bench file states nothing


def excitation_phasors(channels: Channels) -> SeriesPhasors | None:
    """The series that shows the excitation as the results had it: the sweep, else the settled excitation."""
    obs = channels.observed
    for name in (*swept_series(obs), *resting_series(obs), "excitation", "impedance_exc", RECORD):
        found = channels.phasors(name)
        if found is not None:
            return found
    return None


def excitation_results(windings: Windings) -> list[Result]:
    """v_exc_rms, i_exc_rms, f_exc_hz, thd_exc and background_v."""
    obs = windings.observed
    found = excitation_phasors(windings.channels)
    if found is None:
        return [make_untested(id_, "no capture with a live excitation channel") for id_ in IDS] + background_results(
            obs
        )
    phasors_only = found.series in obs.tables
    return [
        _level(obs, found),
        make_untested("i_exc_rms", "no current was recorded")
        if obs.lacks(Absent.CURRENT)
        else _current(windings, found),
        make_untested("f_exc_hz", "phasors carry no frequency") if phasors_only else _frequency(obs, found),
        make_untested("thd_exc", "phasors carry no harmonics") if phasors_only else _thd(found),
        *background_results(obs),
    ]


def _level(obs: Observed, found: SeriesPhasors) -> Result:
    level = found.v_exc_rms
    mean, n = float(level.mean()), level.size
    lines = [
        standard("excitation divider", obs.bench.sampler.exc_divider_u, "relative", mean, note="bench file"),
        half_width("sampler gain", _gain(obs), "relative", mean, note="bench file"),
    ]
    if n > 2:
        lines.append(
            by_scatter("scatter over the captures", scatter_of_mean(level[np.argsort(found.at_s)]), "V", n - 1.0)
        )
    else:
        u = float(found.u_noise_v[EXC_V]) / obs.bench.sampler.exc_divider / math.sqrt(2.0 * n)
        lines.append(by_scatter("noise of the capture", u, "V", FIT_DOF))
    return make_result("v_exc_rms", mean, lines, {"series": found.series, "captures": n})


def scatter_of_mean(values: Floats) -> float:
    """Standard uncertainty of the mean of values (n,) in the order taken, n > 1, by what each differs from the next: a
    slow change over the turn comes back at every turn and is no scatter.

    Source: J. von Neumann, Ann. Math. Stat. 12 (1941) 367, the mean square successive difference.
    """
    return float(np.sqrt(np.mean(np.diff(values) ** 2) / 2.0 / values.size))


def _gain(obs: Observed) -> float:
    spec = obs.bench.sampler.spec_of("gain")
    return (spec.percent_reading if spec else 0.1) / 100.0


def _current(windings: Windings, found: SeriesPhasors) -> Result:
    obs = windings.observed
    rms = np.abs(found.exc_i) / math.sqrt(2.0)
    mean, n = float(rms.mean()), rms.size
    sampler = obs.bench.sampler
    level = float(found.v_exc_rms.mean())
    nominal = obs.part.excitation.level_v_rms
    lines = [
        standard("shunt", sampler.shunt_u, "relative", mean, note="bench file"),
        standard("channel gain after the loopback", float(found.loopback.u_gain[1]), "relative", mean),
    ]
    if n > 2:
        lines.append(
            by_scatter("scatter over the captures", scatter_of_mean(rms[np.argsort(found.at_s)]), "A", n - 1.0)
        )
    impedance = windings.impedance("exc")
    conditions: dict[str, Scalar] = {"level_v_rms": level, "frequency_hz": found.frequency.frequency_hz}
    if impedance is not None:
        leaked = abs(windings.channels.crosstalk_of_excitation * impedance.z_ohm.real / sampler.shunt_ohm)
        lines.append(half_width("crosstalk into the current's channel", leaked, "relative", mean))
    if impedance is not None and abs(level / nominal - 1.0) < 0.2:
        scaled = mean * nominal / level
        conditions |= {"level_v_rms": nominal, "as_measured_a": mean, "as_measured_v": level}
        lines.append(standard("excitation divider", sampler.exc_divider_u, "relative", mean, note="bench file"))
        note = "scaled to the nominal excitation level, so that the sampler's own gain cancels"
        return make_result("i_exc_rms", scaled, lines, conditions, note=note)
    lines.append(half_width("sampler gain", _gain(obs), "relative", mean, note="bench file"))
    return make_result("i_exc_rms", mean, lines, conditions)


def _frequency(obs: Observed, found: SeriesPhasors) -> Result:
    hz = found.frequency.frequency_hz
    spec = obs.bench.sampler.spec_of("frequency")
    clock = spec.percent_reading / 100.0 if spec else CLOCK_PPM * 1e-6
    lines = [
        half_width("sampler clock", clock, "relative", hz, note="bench file" if spec else "not stated"),
        by_scatter("fit", found.frequency.u_hz, "Hz", max(found.exc_v.size - 1.0, FIT_DOF)),
        standard("rounding of the file's time column", obs.u_rate_relative, "relative", hz),
    ]
    return make_result("f_exc_hz", hz, lines, {"series": found.series})


def _thd(found: SeriesPhasors) -> Result:
    thd = found.fit.thd()[:, EXC_V]
    mean = float(np.median(thd))
    floor = float(found.u_noise_v[EXC_V] / np.mean(np.abs(found.fit.fundamental[:, EXC_V])))
    clean = math.sqrt(max(mean**2 - 8.0 * floor**2, 0.0))
    lines = [
        half_width("sampler's own distortion", 1e-4, "ratio"),
        scatter("noise", _scatter_of_median(thd) if thd.size >= MANY else 2.0 * floor, "ratio"),
        half_width("fit", 0.02 * clean, "ratio"),
    ]
    return make_result("thd_exc", clean, lines, {"harmonics": "2 to 5", "series": found.series})


def _scatter_of_median(values: Floats) -> float:
    """Standard uncertainty of the median of many values: that of a mean times the root of half pi."""
    return math.sqrt(0.5 * math.pi / values.size) * float(np.std(values, ddof=1))


def background_results(obs: Observed) -> list[Result]:
    """background_v: the larger rms of sine and cosine with the excitation off, the converter's offset left out."""
    if not obs.has("background"):
        return []
    stack = obs.captures.stack("background")
    if len(stack) == 0 or stack.codes.shape[1] < 4:
        return []
    rms = stack.codes[:, 2:4, :].std(axis=2) * stack.scale_v[None, 2:4]
    each = rms.max(axis=1)
    mean, n = float(each.mean()), len(each)
    lines = [half_width("sampler gain and resolution", 0.01 * mean + float(stack.scale_v[2]) / 2.0, "V")]
    if n > 1:
        lines.append(by_scatter("scatter", float(each.std(ddof=1)) / math.sqrt(n), "V", n - 1.0))
    return [make_result("background_v", mean, lines, {"captures": n, "bandwidth_hz": stack.sample_rate_hz / 2.0})]
