"""Impedances of the three coils at the excitation frequency: modulus, phase, series inductance, quality factor.

It must never know a winding's turns. Z = V/I at the coil's terminals, mean over the turn where the rotor was turned;
where it stood still the ripple of the excitation coil over the turn stands in for what was not seen. Phasors peak,
ohm, henry; phase in degrees, inductive +. Series: the sweep (excitation coil), `impedance_exc`, `_sin`, `_cos`.
Definitions: rig/evaluation/README.md.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.results import by_scatter, half_width, make_result, make_untested, standard, times
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.sampler.phasors import SeriesPhasors
from rig.evaluation.turn.even_places import SweepOnTheFly
from rig.evaluation.turn.passes import resting_series, swept_series
from rig.observed import Absent, Observed
from rig.quantity import Scalar
from rig.resolver.turn.orders import fit_orders
from rig.result import Result
from rig.signal.phasor import carrier_phase, signed_envelope
from rig.uncertainty.budget import BudgetLine

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
PHASE_RAD = 5e-4  # half-width, of the divider and of the shunt
LEFT_OF_THIRD = 5.0  # by how much teeth and windings make an output's third smaller than the permeance's own harmonics
THIRD = 0.1  # third harmonic of an output round the turn, relative, where no sweep shows it
UNSEEN_RIPPLE = 0.03  # half-width, relative, of an impedance at one position where no turn was swept


@dataclass(frozen=True, slots=True, kw_only=True)
class Impedance:
    """z_ohm: mean; ripple: relative half-span of |z| over the positions; positions: how many; lines: relative
    influences of modulus and phase (rad). each_ohm, steps: (n,) of each capture, NaN where its position is unknown."""

    coil: str
    z_ohm: complex
    each_ohm: Complexes
    steps: Floats
    ripple: float
    positions: int
    series: str
    frequency_hz: float
    level_v_rms: float
    modulus_lines: tuple[BudgetLine, ...]
    phase_lines: tuple[BudgetLine, ...]


def _series_of(obs: Observed, coil: str) -> list[str]:
    if coil != "exc":
        return [f"impedance_{coil}"]
    turned = swept_series(obs) if obs.rotor != "none" else ()
    return [*turned, *resting_series(obs), "impedance_exc", "excitation"]


def coil_impedance(
    channels: Channels, coil: str, exc: Impedance | None, on_the_fly: SweepOnTheFly | None = None
) -> Impedance | None:
    """The impedance of a coil, from the best series that the run has; None when there is none or no current.

    exc: the excitation coil's, whose ripple stands in for what was not seen of an output; None for itself.
    on_the_fly: the continuous sweep, which shows the outputs' shape round the turn where none was made at rest.
    """
    obs = channels.observed
    found: SeriesPhasors | None = None
    for name in _series_of(obs, coil):
        found = channels.phasors(name)
        if found is not None:
            break
    if found is None or obs.lacks(Absent.CURRENT):
        return None
    noise_i = found.u_noise_v[1] / obs.bench.sampler.shunt_ohm
    if np.min(np.abs(found.exc_i)) < 10.0 * noise_i:
        return None
    each = found.exc_v / found.exc_i
    sizes = np.abs(each)
    positions = np.unique(found.numbers("position_steps"))
    positions = positions[np.isfinite(positions)]
    ripple = float((sizes.max() - sizes.min()) / 2.0 / sizes.mean())
    modulus, phase = _lines(channels, found, each, len(positions), ripple, coil, exc, on_the_fly)
    return Impedance(
        coil=coil,
        z_ohm=complex(each.mean()),
        each_ohm=each,
        steps=found.numbers("position_steps"),
        ripple=ripple,
        positions=max(len(positions), 1),
        series=found.series,
        frequency_hz=found.frequency.frequency_hz,
        level_v_rms=float(found.v_exc_rms.mean()),
        modulus_lines=tuple(modulus),
        phase_lines=tuple(phase),
    )


def _lines(
    channels: Channels,
    found: SeriesPhasors,
    each: Complexes,
    positions: int,
    ripple: float,
    coil: str,
    exc: Impedance | None,
    on_the_fly: SweepOnTheFly | None,
) -> tuple[list[BudgetLine], list[BudgetLine]]:
    sampler = channels.observed.bench.sampler
    n = each.size
    unknown = positions < 3 and n > 2
    scatter = float(np.std(np.abs(each)) / np.mean(np.abs(each))) if unknown else 0.0
    scatter_rad = float(np.std(np.angle(each / each.mean()))) if unknown else 0.0
    gain, turn = float(found.loopback.u_gain[1]), float(found.loopback.u_phase_rad[1])
    modulus = [
        standard("shunt", sampler.shunt_u, "relative", note="bench file"),
        standard("excitation divider", sampler.exc_divider_u, "relative", note="bench file"),
        standard("channel gain after the loopback", gain, "relative", note=f"loopback: {found.loopback.source}"),
    ]
    phase = [
        standard("channel phase after the loopback", turn, "rad", note=f"loopback: {found.loopback.source}"),
        half_width("phase of the divider", PHASE_RAD, "rad"),
        half_width("phase of the shunt", PHASE_RAD, "rad"),
    ]
    leaked = channels.crosstalk_of_excitation * complex(each.mean()) / sampler.shunt_ohm
    modulus.append(half_width("crosstalk into the current's channel", abs(leaked.real), "relative"))
    phase.append(half_width("crosstalk into the current's channel", abs(leaked.imag), "rad"))
    if scatter > 0.0:
        modulus.append(by_scatter("repeatability", scatter / math.sqrt(n), "relative", float(n - 1)))
        phase.append(by_scatter("repeatability", scatter_rad / math.sqrt(n), "rad", float(n - 1)))
    noise_v, noise_i = found.u_noise_v[0] / sampler.exc_divider, found.u_noise_v[1] / sampler.shunt_ohm
    relative = math.hypot(noise_v / np.mean(np.abs(found.exc_v)), noise_i / np.mean(np.abs(found.exc_i)))
    for lines, unit in ((modulus, "relative"), (phase, "rad")):
        lines.append(by_scatter("noise of the captures", float(relative) / math.sqrt(n), unit, float(max(n - 1, 1))))
        if positions >= 8:
            share = _between(channels, coil, positions, on_the_fly)
            lines.append(half_width("rotor positions between", share * ripple, unit))
    if positions < 8:
        unseen = _unseen_ripple(channels.observed, coil, exc, ripple, positions)
        modulus.append(half_width("rotor positions not seen", unseen, "relative"))
        phase.append(half_width("rotor positions not seen", 0.3 * unseen, "rad"))
    return modulus, phase


def _unseen_ripple(obs: Observed, coil: str, exc: Impedance | None, ripple: float, positions: int) -> float:
    """Half-width, relative, of the mean over the turn. Where nobody knows the positions, the captures' own ripple tells
    whether the rotor was turned between them: what they show of the expected ripple is in their scatter already."""
    shown = _ripple_elsewhere(obs, coil, exc)
    if positions == 0:
        return max(shown - ripple, 0.0)
    return max(shown, ripple) / positions


def _between(channels: Channels, coil: str, positions: int, on_the_fly: SweepOnTheFly | None) -> float:
    """Share of the ripple that the mean over this many even positions may keep: their harmonic of the electrical turn.

    The ripple of a coil is its second harmonic; the harmonics fall from there as the permeance's own do, and those show
    in the output's third.
    """
    if coil == "exc":
        return 0.25 / positions
    m = positions / channels.observed.part.pole_pairs
    return float(max(LEFT_OF_THIRD * _third(channels, coil, on_the_fly), 0.005) ** max(0.5 * (m - 2.0), 1.0))


def _third(channels: Channels, coil: str, on_the_fly: SweepOnTheFly | None) -> float:
    """Amplitude of order 3 p of an output round the turn in hand over that of order p; THIRD where none shows it."""
    obs = channels.observed
    p = obs.part.pole_pairs
    steps, ratios = _round_the_turn(channels, coil, on_the_fly)
    if steps.size < 12 * p or obs.bench.axis is None:
        return THIRD
    theta = 2.0 * math.pi * steps / obs.bench.axis.steps_per_turn
    if not np.all(np.isfinite(theta)) or not np.any(ratios != ratios[0]):
        return THIRD
    along, _ = signed_envelope(ratios, carrier_phase(ratios).phase_rad)
    fit = fit_orders(theta, along, [n * p for n in range(1, 6)])
    return float(min(fit.amplitude(3 * p) / max(fit.amplitude(p), 1e-12), 1.0))


def _round_the_turn(channels: Channels, coil: str, on_the_fly: SweepOnTheFly | None) -> tuple[Floats, Complexes]:
    """(n,) steps and ratios of an output in the turn in hand, at rest or on the fly; empty without one."""
    swept = swept_series(channels.observed)
    found = next((f for name in swept if (f := channels.phasors(name)) is not None), None)
    if found is not None:
        return found.numbers("position_steps"), (found.sine if coil == "sin" else found.cosine) / found.exc_v
    if on_the_fly is not None:
        return on_the_fly.steps, on_the_fly.sine if coil == "sin" else on_the_fly.cosine
    return np.zeros(0), np.zeros(0, dtype=np.complex128)


def _ripple_elsewhere(obs: Observed, coil: str, exc: Impedance | None) -> float:
    """The ripple that the excitation coil showed over the turn, doubled for an output coil; none: a stated bound."""
    if coil == "exc" or obs.rotor == "none":
        return UNSEEN_RIPPLE if obs.rotor != "none" else 0.0
    return max(2.0 * exc.ripple, 0.005) if exc is not None and exc.positions >= 8 else UNSEEN_RIPPLE


def impedance_results(impedances: Mapping[str, Impedance | None]) -> list[Result]:
    """z_*_mod, z_*_phase_deg, l_* and q_* of the coils (coil -> its impedance, None where it was not seen)."""
    results: list[Result] = []
    for coil, found in impedances.items():
        ids = (f"z_{coil}_mod", f"z_{coil}_phase_deg", f"l_{coil}", f"q_{coil}")
        if found is None:
            results += [make_untested(id_, "no capture of this coil's voltage and current") for id_ in ids]
        else:
            results += _results(found)
    return results


def _results(found: Impedance) -> list[Result]:
    z, coil = found.z_ohm, found.coil
    omega = 2.0 * math.pi * found.frequency_hz
    angle = math.atan2(z.imag, z.real)
    conditions: dict[str, Scalar] = {
        "frequency_hz": found.frequency_hz,
        "level_v_rms": found.level_v_rms,
        "positions": found.positions,
        "ripple": found.ripple,
        "series": found.series,
    }
    inductance, quality = z.imag / omega, z.imag / z.real if z.real else math.inf
    rel, rad = found.modulus_lines, found.phase_lines
    per_rad = abs(z) * math.cos(angle) / omega
    results = [
        make_result(f"z_{coil}_mod", abs(z), _by(rel, abs(z)), conditions),
        make_result(f"z_{coil}_phase_deg", math.degrees(angle), _by(rad, 180.0 / math.pi), conditions),
        make_result(f"l_{coil}", inductance, [*_by(rel, inductance), *_by(rad, per_rad)], conditions),
    ]
    if math.isfinite(quality):
        results.append(make_result(f"q_{coil}", quality, _by(rad, 1.0 + quality**2), conditions))
    return results


def _by(lines: tuple[BudgetLine, ...], factor: float) -> list[BudgetLine]:
    return [times(line, factor) for line in lines]
