"""What a witness run shows of the rig alone: the chain on the dummy's known ratios, the two inputs against each other.

It must never know what was suspected. Gains are relative to what stands on the dummy's drawing, or of the sine input
to the cosine input; phases lead +; corrected by the loopback that the suspected run had in force, so that only what
the rig still does wrong is left. U at about 95 %. Series: `dummy`, `straight`, `crossed`.
Source: hardware/dummy_part.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.sampler.channels import Channels
from rig.evaluation.sampler.phasors import SeriesPhasors
from rig.resolver.dummy import ANGLE_ELEC_ARCMIN, PHASE_DEG, RATIO_PERCENT, SETTINGS

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
K = 2.0
DEAD = 0.05  # of what was expected, or of the other input
REPEAT = 5e-4  # standard, relative: a spot found again
PAIRED = 2e-3  # half-width, relative: one output of the dummy against the other
ARCMIN = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DummySeen:
    """sine, cosine: complex gain of each output's chain (1 is right); U_*: expanded; level: excitation found over told.

    crossed: each input shows the other output. angle_error_elec_arcmin (8,): indicated - true, its mean taken off.
    """

    sine: complex
    cosine: complex
    U_gain: float
    U_imbalance: float
    U_phase_deg: float
    level: float
    crossed: bool
    angle_error_elec_arcmin: Floats

    @property
    def U_angle_elec_arcmin(self) -> float:
        """Of one angle: resistors of the box and the noise of the captures."""
        return ANGLE_ELEC_ARCMIN

    def alive(self, output: str) -> bool:
        """Whether an output's chain (sin, cos) shows anything."""
        return abs(self.sine if output == "sin" else self.cosine) > DEAD


def look_at_dummy(channels: Channels) -> DummySeen | None:
    """The chain on the dummy; None where the excitation did not arrive or a setting is missing."""
    found = channels.phasors("dummy")
    if found is None:
        return None
    nominal = found.numbers("nominal_elec_deg")
    table = {setting.nominal_elec_deg: setting for setting in SETTINGS}
    if set(nominal.tolist()) != set(table):
        return None
    true_sine = np.array([table[int(n)].sine for n in nominal])
    true_cosine = np.array([table[int(n)].cosine for n in nominal])
    sine, cosine = found.sine / found.exc_v, found.cosine / found.exc_v
    told_v = channels.observed.bench.generator.amplifier_gain * found.numbers("generator_v_rms")
    gains = _gain(sine, true_sine), _gain(cosine, true_cosine)
    sampler, loopback = channels.observed.bench.sampler, found.loopback
    box = RATIO_PERCENT / 100.0 / math.sqrt(3.0)
    u_channel = float(max(loopback.u_gain[2], loopback.u_gain[3]))
    u_phase_deg = math.degrees(float(max(loopback.u_phase_rad[2], loopback.u_phase_rad[3])))
    return DummySeen(
        sine=gains[0],
        cosine=gains[1],
        U_gain=K * math.hypot(box, sampler.exc_divider_u, u_channel),
        U_imbalance=K * math.hypot(PAIRED / math.sqrt(3.0), u_channel * math.sqrt(2.0)),
        U_phase_deg=K * math.hypot(PHASE_DEG / math.sqrt(3.0), u_phase_deg),
        level=float(np.mean(found.v_exc_rms / told_v)),
        crossed=abs(_gain(sine, true_cosine)) > max(abs(gains[0]), DEAD),
        angle_error_elec_arcmin=_angle_errors(sine, cosine, true_sine, true_cosine, gains),
    )


def _gain(seen: Complexes, true: Floats) -> complex:
    return complex(np.sum(seen * true) / np.sum(true**2))


def _angle_errors(sine: Complexes, cosine: Complexes, u: Floats, v: Floats, gains: tuple[complex, complex]) -> Floats:
    """Each output on its own carrier phase, the branch nearest the excitation's."""
    seen = [np.real(s * np.exp(-1j * _branch(gain))) for s, gain in zip((sine, cosine), gains, strict=True)]
    turned = np.exp(1j * (np.arctan2(seen[0], seen[1]) - np.arctan2(u, v)))
    error = np.angle(turned / np.exp(1j * np.angle(turned.mean())))
    each: Floats = np.degrees(error).reshape(len(SETTINGS), -1).mean(axis=1) * ARCMIN
    return each


def _branch(gain: complex) -> float:
    phase = math.atan2(gain.imag, gain.real)
    return phase - math.copysign(math.pi, phase) if abs(phase) > math.pi / 2 else phase


@dataclass(frozen=True, slots=True, kw_only=True)
class SwapSeen:
    """gain: complex, sine input over cosine input; U_gain relative, U_phase_deg. sine_input, cosine_input: "alive",
    "dead" on either output, or "follows" where the silence went with the coil."""

    gain: complex
    U_gain: float
    U_phase_deg: float
    sine_input: str
    cosine_input: str


def look_at_swap(channels: Channels) -> SwapSeen | None:
    """The inputs against each other by exchanged outputs; None where a pass is missing."""
    straight, crossed = channels.phasors("straight"), channels.phasors("crossed")
    if straight is None or crossed is None or straight.sine.size != crossed.sine.size:
        return None
    on_sine = np.concatenate([_ratio(straight, "sine"), _ratio(crossed, "sine")])
    on_cosine = np.concatenate([_ratio(crossed, "cosine"), _ratio(straight, "cosine")])
    sizes = [float(np.sqrt(np.mean(np.abs(a) ** 2))) for a in np.split(on_sine, 2) + np.split(on_cosine, 2)]
    power = float(np.sum(np.abs(on_cosine) ** 2))
    gain = complex(np.sum(on_sine * np.conj(on_cosine))) / power if power else complex(math.nan)
    left = on_sine - gain * on_cosine
    scatter = math.sqrt(float(np.sum(np.abs(left) ** 2)) / power / on_sine.size) if power else math.nan
    u = math.hypot(scatter, REPEAT)
    return SwapSeen(
        gain=gain,
        U_gain=K * u,
        U_phase_deg=math.degrees(K * u),
        sine_input=_input_sentence(sizes[0], sizes[1], max(sizes)),
        cosine_input=_input_sentence(sizes[3], sizes[2], max(sizes)),
    )


def _ratio(found: SeriesPhasors, output: str) -> Complexes:
    ratio: Complexes = (found.sine if output == "sine" else found.cosine) / found.exc_v
    return ratio


def _input_sentence(own: float, other: float, largest: float) -> str:
    """An input on its own output and on the other one."""
    silent = own < DEAD * largest
    return "alive" if not silent else "dead" if other < DEAD * largest else "follows"
