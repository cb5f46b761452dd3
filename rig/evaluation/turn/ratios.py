"""One turn of the rotor as complex ratios: positions, excitation, sine and cosine against the excitation.

It must never know a limit. Positions are whole steps of the axis (mechanical rad from the index), corrected where the
positioner's correction is in force, or, where the run has them, the encoder's readings. Ratios are referred to the
voltage at the excitation coil, corrected for the channels (loopback) and for the loading by the sampler's inputs
(rig/evaluation/coils/loading.py). Series: those at rest (rig/evaluation/turn/passes.py), else those on the fly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.angle.correction import Correction
from rig.evaluation.coils.impedance import Impedance
from rig.evaluation.coils.loading import Loading, loading
from rig.evaluation.coils.windings import Windings
from rig.evaluation.sampler.loopback import Loopback
from rig.evaluation.sampler.phasors import SeriesPhasors, normalised_harmonics
from rig.evaluation.turn.even_places import SweepOnTheFly
from rig.evaluation.turn.passes import CLOCKWISE, SPOTS
from rig.observed import Observed
from rig.resolver.turn.angle import electrical_angle, pole_pairs
from rig.resolver.turn.commanded_positions import half_turn_flips
from rig.signal.phasor import carrier_phase, signed_envelope

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
AGREEING = 0.9  # score of the pole pairs from which no half turn is looked for
SILENT_SHARE = 0.02  # of the other output's movement
SILENT_RATIO = 0.003  # movement of an output against the excitation, rms, below which there is nothing to see


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """All captures of a turn, both passes in the order taken; (n,) arrays.

    theta_mech_rad: position; steps: commanded; counter_clockwise, closing: masks; at_s: bench time;
    sine, cosine: complex ratios to the excitation, open-circuit; exc_v (V peak), exc_i (A peak); harmonics_*: (n, h) V
    peak at the connector; u_ratio: standard uncertainty of a ratio from noise; reference "steps" or "encoder".
    half_turns: points that read half an electrical turn off and were turned back.
    loading_u, loading_other: what the loading leaves uncertain (rig/evaluation/coils/loading.py).
    latency_s: of a turn on the fly, where hysteresis can't be told from it and harmonics are (n, 0); else None.
    closures_elec_rad: of such a turn, (counter-clockwise, clockwise, their standard uncertainty), by its second turn
    less its first; at rest the closing points show them. repeat_elec_rad: how well such a turn comes back, slow orders.
    """

    series: tuple[str, ...]
    theta_mech_rad: Floats
    steps: Floats
    counter_clockwise: Bools
    closing: Bools
    at_s: Floats
    sine: Complexes
    cosine: Complexes
    exc_v: Complexes
    exc_i: Complexes
    harmonics_sine: Complexes
    harmonics_cosine: Complexes
    u_ratio: Floats
    reference: str
    frequency_hz: float
    loopback: Loopback
    loading_u: float
    loading_other: complex
    phase_sine_rad: float
    phase_cosine_rad: float
    coarse: bool
    half_turns: tuple[int, ...] = ()
    latency_s: float | None = None
    closures_elec_rad: tuple[float, float, float] | None = None
    repeat_elec_rad: float | None = None

    @property
    def inside(self) -> Bools:
        """Points of the turn proper, the closing ones left out."""
        return ~self.closing

    def envelopes(self) -> tuple[Floats, Floats, Floats, Floats]:
        """(u, quadrature of the sine, v, quadrature of the cosine), ratios, each on its own carrier phase."""
        u, qu = signed_envelope(self.sine, self.phase_sine_rad)
        v, qv = signed_envelope(self.cosine, self.phase_cosine_rad)
        return u, qu, v, qv

    @property
    def v_exc_rms(self) -> float:
        """Mean excitation at the coil."""
        return float(np.mean(np.abs(self.exc_v))) / math.sqrt(2.0)


def correct_positions(found: Turn | None, correction: Correction | None) -> Turn | None:
    """The turn with the positioner's correction on its commanded positions; an encoder's stay as they were read."""
    if found is None or correction is None or found.reference != "steps":
        return found
    return replace(found, theta_mech_rad=found.theta_mech_rad + correction.at(found.theta_mech_rad))


def turn(windings: Windings, names: tuple[str, ...], on_the_fly: SweepOnTheFly | None) -> Turn | None:
    """A turn that this run swept, by its commands or its encoder; None when there is no sweep, no rotor, or its outputs
    don't move.

    names: the series at rest that make it; on_the_fly: the continuous sweep, which counts where none was made at rest.
    """
    obs = windings.observed
    parts = [(name, p) for name in names if (p := windings.channels.phasors(name)) is not None]
    if obs.rotor == "none":
        return None
    if not parts:
        return None if on_the_fly is None else _on_the_fly(windings, on_the_fly)
    steps = np.concatenate([p.numbers("position_steps") for _, p in parts])
    if steps.size < 6 or not np.all(np.isfinite(steps)):
        return None
    ccw = np.concatenate([_is(p, "direction", "ccw", name not in CLOCKWISE) for name, p in parts])
    closing = np.concatenate([_is(p, "closing", True, False) for _, p in parts])
    theta, reference = _positions(obs, names, steps, ccw, closing)
    ratios = [_ratios(windings, p) for _, p in parts]
    opened = [r[3] for r in ratios]
    sine = np.concatenate([r[0] for r in ratios])
    cosine = np.concatenate([r[1] for r in ratios])
    if not (_moves(sine[~closing]) and _moves(cosine[~closing])):
        return None
    flipped = _half_turns(sine, cosine, theta, ~closing)
    sine, cosine = np.where(flipped, -sine, sine), np.where(flipped, -cosine, cosine)
    phases = _carrier_phases(sine[~closing], cosine[~closing])
    first = parts[0][1]
    return Turn(
        series=names,
        theta_mech_rad=theta,
        steps=steps,
        counter_clockwise=ccw,
        closing=closing,
        at_s=np.concatenate([p.at_s for _, p in parts]),
        sine=sine,
        cosine=cosine,
        exc_v=np.concatenate([p.exc_v for _, p in parts]),
        exc_i=np.concatenate([p.exc_i for _, p in parts]),
        harmonics_sine=np.concatenate([normalised_harmonics(p, 2) for _, p in parts]),
        harmonics_cosine=np.concatenate([normalised_harmonics(p, 3) for _, p in parts]),
        u_ratio=np.concatenate([r[2] for r in ratios]),
        reference=reference,
        frequency_hz=first.frequency.frequency_hz,
        loopback=first.loopback,
        loading_u=max(part.u for part in opened),
        loading_other=max((part.other for part in opened), key=abs),
        phase_sine_rad=phases[0],
        phase_cosine_rad=phases[1],
        half_turns=tuple(int(i) for i in np.flatnonzero(flipped)),
        coarse=names == (SPOTS,),
    )


def _carrier_phases(sine: Complexes, cosine: Complexes) -> tuple[float, float]:
    """Carrier phases of both outputs, rad: their common one within a quarter turn of the excitation, each on the branch
    nearest the common one, so that no output changes its sign against the other."""
    moved = np.concatenate([sine - np.mean(sine), cosine - np.mean(cosine)])
    common = carrier_phase(moved, constant=0j).phase_rad
    first, second = (carrier_phase(side, sign_from=common).phase_rad for side in (sine, cosine))
    return first, second


def _half_turns(sine: Complexes, cosine: Complexes, theta_mech_rad: Floats, inside: Bools) -> Bools:
    """(n,) points that read half an electrical turn off: a source that restarted in the other half of its cycle, where
    what was recorded as the excitation does not show it."""
    still = np.zeros(sine.size, dtype=bool)
    phases = _carrier_phases(sine[inside], cosine[inside])
    u, v = (signed_envelope(side, phase)[0] for side, phase in zip((sine, cosine), phases, strict=True))
    elec = electrical_angle(u, v)
    if pole_pairs(elec[inside], theta_mech_rad[inside]).score > AGREEING:
        return still
    found = half_turn_flips(elec, theta_mech_rad)
    return still if found is None else found[1]


def _on_the_fly(windings: Windings, found: SweepOnTheFly) -> Turn | None:
    obs, impedance = windings.observed, windings.impedance("exc")
    if impedance is None or not (_moves(found.sine) and _moves(found.cosine)):
        return None
    opened = loading(windings, (found.sine, found.cosine), found.frequency_hz, found.steps)
    sine, cosine = opened.sine * found.sine, opened.cosine * found.cosine
    phases = _carrier_phases(sine, cosine)
    per_turn = obs.bench.axis.steps_per_turn if obs.bench.axis else 3200
    none = np.zeros((found.steps.size, 0), dtype=np.complex128)
    return Turn(
        series=found.series,
        theta_mech_rad=2.0 * math.pi * found.steps / per_turn,
        steps=found.steps,
        counter_clockwise=found.counter_clockwise,
        closing=np.zeros(found.steps.size, dtype=bool),
        at_s=found.at_s,
        sine=sine,
        cosine=cosine,
        exc_v=found.exc_v.astype(np.complex128),
        exc_i=found.exc_v / _round_the_turn(impedance, found.steps, per_turn),
        harmonics_sine=none,
        harmonics_cosine=none,
        u_ratio=found.u_ratio,
        reference="steps",
        frequency_hz=found.frequency_hz,
        loopback=found.loopback,
        loading_u=opened.u,
        loading_other=opened.other,
        phase_sine_rad=phases[0],
        phase_cosine_rad=phases[1],
        coarse=False,
        latency_s=found.latency_s,
        closures_elec_rad=found.closures_elec_rad,
        repeat_elec_rad=found.repeat_elec_rad,
    )


def _round_the_turn(own: Impedance, steps: Floats, per_turn: int) -> Complexes:
    """(n,) the excitation coil's impedance between the positions at which it was measured at rest; else its mean."""
    at = np.mod(own.steps, per_turn)
    if own.steps.size < 6 or not np.all(np.isfinite(at)):
        return np.full(steps.size, own.z_ohm)
    rank = np.argsort(at)
    real, imag = (
        np.interp(steps, at[rank], part[rank], period=per_turn) for part in (own.each_ohm.real, own.each_ohm.imag)
    )
    between: Complexes = real + 1j * imag
    return between


def _is(phasors: SeriesPhasors, key: str, value: object, default: bool) -> Bools:
    return np.array([default if c.get(key) is None else c.get(key) == value for c in phasors.conditions], dtype=bool)


def _moves(ratios: Complexes) -> bool:
    return bool(np.max(np.abs(ratios - ratios.mean())) > 0.0)


def _positions(obs: Observed, names: tuple[str, ...], steps: Floats, ccw: Bools, closing: Bools) -> tuple[Floats, str]:
    axis = obs.bench.axis
    per_turn = axis.steps_per_turn if axis else 3200
    theta = 2.0 * math.pi * steps / per_turn
    readings = [r for r in obs.select("encoder_angle") if r.conditions.get("series", names[0]) in names]
    read = {
        (r.conditions.get("position_steps"), r.conditions.get("direction"), bool(r.conditions.get("closing"))): r
        for r in readings
        if r.value is not None
    }
    keys = [(s, "ccw" if c else "cw", bool(e)) for s, c, e in zip(steps, ccw, closing, strict=True)]
    found = [read.get((int(s), d, e)) for s, d, e in keys]
    if not readings or any(f is None for f in found):
        return theta, "steps"
    encoder = np.radians(np.array([f.number() for f in found if f is not None]))
    away = np.angle(np.exp(1j * (encoder - theta)))
    offset = float(np.angle(np.mean(np.exp(1j * away))))
    return theta + offset + np.angle(np.exp(1j * (away - offset))), "encoder"


def _ratios(windings: Windings, phasors: SeriesPhasors) -> tuple[Complexes, Complexes, Floats, Loading]:
    """(sine and cosine with the outputs open, u of one ratio, what their loading leaves uncertain)."""
    reference = phasors.exc_v
    raw = (phasors.sine / reference, phasors.cosine / reference)
    noise = phasors.u_noise_v
    size = np.abs(reference)
    divider = windings.observed.bench.sampler.exc_divider
    u = np.sqrt(max(noise[2], noise[3]) ** 2 + np.maximum(abs(raw[0]), abs(raw[1])) ** 2 * (noise[0] / divider) ** 2)
    opened = loading(windings, raw, phasors.frequency.frequency_hz, phasors.numbers("position_steps"))
    return raw[0] * opened.sine, raw[1] * opened.cosine, u / size, opened


def silent_output(found: Turn) -> str:
    """ "sine", "cosine" or "both" when an output hardly moves round the turn, beside the other or at all; else ""."""
    u, _, v, _ = found.envelopes()
    size = {"sine": float(np.std(u[found.inside])), "cosine": float(np.std(v[found.inside]))}
    dead = [name for name, spread in size.items() if spread < max(SILENT_SHARE * max(size.values()), SILENT_RATIO)]
    return "both" if len(dead) == 2 else "".join(dead)
