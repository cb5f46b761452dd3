"""What is true of a foreign part (definitions: rig/evaluation/README.md) on a fine turn without noise or rig.

Outputs open, excitation at the coil's terminals, at the part's own temperature; angles of the curve are the spindle's.
Written from those definitions and not from the product's own code.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from foreign.circuit import COPPER_DEGC, Ports
from foreign.magnetics import COILS, Inductances
from foreign.part import Foreign
from foreign.rig_errors import HARMONICS, RigErrors

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

FINE = 720
ARCMIN = 180.0 * 60.0 / math.pi
LEAK_TOP_OHM = 120e6


@dataclass(frozen=True, kw_only=True)
class FineTurn:
    """Ratios of sine and cosine to the excitation at even angles, fundamental and HARMONICS: (1 + h, n) complex."""

    theta_rad: Floats
    sine: Complexes
    cosine: Complexes


def fine_turn(part: Foreign, coils: Inductances, frequency_hz: float, degc: float) -> FineTurn:
    """The open-circuit ratios of one turn."""
    theta = 2.0 * math.pi * np.arange(FINE) / FINE
    rows = []
    for order in (1, *HARMONICS):
        volts, _ = Ports(coils, part.copper, theta, order * frequency_hz, degc).driven(0)
        rows.append(volts[:, 1:])
    both = np.stack(rows)
    return FineTurn(theta_rad=theta, sine=both[:, :, 0], cosine=both[:, :, 1])


def truths(
    part: Foreign, coils: Inductances, rig: RigErrors, *, frequency_hz: float = 10_000.0, level_v_rms: float = 7.0
) -> dict[str, float]:
    """Every measurand that has a true value: id -> value in its own unit."""
    hertz = frequency_hz * (1.0 + rig.frequency_relative)
    found = coil_truths(part, rig) | impedance_truths(part, coils, hertz, rig.part_degc, level_v_rms)
    found |= turn_truths(fine_turn(part, coils, hertz, rig.part_degc), rig.source, level_v_rms)
    found["f_exc_hz"] = hertz
    return found


def coil_truths(part: Foreign, rig: RigErrors) -> dict[str, float]:
    """Resistances at 20 degC, thermistor, leaks."""
    found = {f"r20_{coil}": float(ohm) for coil, ohm in zip(COILS, part.copper.r20_ohm, strict=True)}
    found["r20_match"] = found["r20_sin"] / found["r20_cos"] - 1.0
    found["thermistor_ohm"] = part.thermistor_ohm(rig.part_degc)
    found["thermistor_degc"] = rig.part_degc
    found["thermistor_minus_coil_degc"] = 0.0
    for a, b in (("exc", "core"), ("sin", "core"), ("cos", "core"), ("exc", "sin"), ("exc", "cos"), ("sin", "cos")):
        if (ohm := part.copper.between_ohm(a, b)) < LEAK_TOP_OHM:
            found[f"leak_{a}_{b}"] = ohm
    if (ohm := part.copper.between_ohm("thermistor", "core", ("exc", "sin", "cos"))) < LEAK_TOP_OHM:
        found["leak_thermistor"] = ohm
    return found


def copper_factor(degc: float) -> float:
    """Resistance of copper relative to 20 degC."""
    return (COPPER_DEGC + degc) / (COPPER_DEGC + 20.0)


def impedance_truths(
    part: Foreign, coils: Inductances, hertz: float, degc: float, level_v_rms: float
) -> dict[str, float]:
    """Mean of V/I over the turn, the other coils open; the current at the stated level."""
    theta = 2.0 * math.pi * np.arange(FINE) / FINE
    ports = Ports(coils, part.copper, theta, hertz, degc)
    found = {}
    for at, coil in enumerate(COILS):
        _, amperes = ports.driven(at)
        z = complex(np.mean(1.0 / amperes))
        found[f"z_{coil}_mod"] = abs(z)
        found[f"z_{coil}_phase_deg"] = math.degrees(math.atan2(z.imag, z.real))
        found[f"l_{coil}"] = z.imag / (2.0 * math.pi * hertz)
        found[f"q_{coil}"] = z.imag / z.real
        if coil == "exc":
            found["i_exc_rms"] = level_v_rms * float(np.mean(np.abs(amperes)))
    return found


def turn_truths(turn: FineTurn, source: Complexes, level_v_rms: float) -> dict[str, float]:
    """Ratios, phases, nulls, quadrature, angle error and its orders."""
    sides = {"sin": on_own_carrier(turn.sine), "cos": on_own_carrier(turn.cosine)}
    u, v = sides["sin"][0][0].real, sides["cos"][0][0].real
    pairs, direction, error, zero = angle_error(u, v, turn.theta_rad)
    found: dict[str, float] = {"pole_pairs": float(pairs), "direction": float(direction), "zero_elec_deg": zero}
    waves = {}
    for name, (turned, phase) in sides.items():
        along, across = turned[0].real, turned[0].imag
        waves[name] = order_of(along, pairs)
        size = abs(waves[name])
        found[f"tr_{name}"] = size
        found[f"phase_{name}_deg"] = math.degrees(phase)
        found[f"centre_{name}"] = float(np.mean(along)) / size
        found[f"quadrature_{name}"] = float(np.max(np.abs(across))) / size
        fundamental, total = nulls(turned, source)
        found[f"null_fund_{name}_v"] = level_v_rms * fundamental
        found[f"null_total_{name}_v"] = level_v_rms * total
    found["tr_imbalance"] = found["tr_sin"] / found["tr_cos"] - 1.0
    found["phase_difference_deg"] = math.remainder(found["phase_sin_deg"] - found["phase_cos_deg"], 360.0)
    apart = direction * float(np.angle(waves["sin"] / waves["cos"])) + math.pi / 2.0
    found["orthogonality_elec_deg"] = math.degrees(math.remainder(apart, math.pi))
    return found | error_truths(error, pairs)


def on_own_carrier(ratio: Complexes) -> tuple[Complexes, float]:
    """((1 + h, n) ratios turned onto the fundamental's own carrier phase, that phase within +-90 deg)."""
    moving = ratio[0] - np.mean(ratio[0])
    phase = 0.5 * float(np.angle(np.sum(moving**2)))
    turned = ratio.copy()
    turned[0] = ratio[0] * np.exp(-1j * phase)
    return turned, phase


def order_of(values: Floats, order: int) -> complex:
    """Complex amplitude c of an order of a turn: values ~ Re(c e^{j order theta})."""
    return complex(2.0 * np.fft.rfft(values)[order] / len(values))


def nulls(turned: Complexes, source: Complexes) -> tuple[float, float]:
    """(largest fundamental, largest total) at the zero crossings of the envelope, per volt of excitation."""
    along = turned[0].real
    before = np.flatnonzero(along * np.roll(along, -1) <= 0.0)
    after = (before + 1) % len(along)
    share = along[before] / (along[before] - along[after])
    at = turned[:, before] * (1.0 - share) + turned[:, after] * share
    fundamental = np.abs(at[0].imag)
    harmonics = np.sum(np.abs(at[1:] * source[:, None]) ** 2, axis=0)
    return float(np.max(fundamental)), float(np.max(np.sqrt(fundamental**2 + harmonics)))


def angle_error(u: Floats, v: Floats, theta_rad: Floats) -> tuple[int, int, Floats, float]:
    """(pole pairs, direction, error in electrical rad with its mean taken off, electrical zero in degrees)."""
    angle = np.unwrap(np.arctan2(np.append(u, u[0]), np.append(v, v[0])))
    turns = float(angle[-1] - angle[0]) / (2.0 * math.pi)
    pairs, direction = round(abs(turns)), 1 if turns > 0 else -1
    away = angle[:-1] - direction * pairs * theta_rad
    mean = float(np.mean(away))
    return pairs, direction, away - mean, math.degrees(mean) % 360.0


def error_truths(error_elec_rad: Floats, pairs: int) -> dict[str, float]:
    """Largest, span and rms of the error curve, and its orders a mechanical turn."""
    arcmin = error_elec_rad * ARCMIN
    worst = float(np.max(np.abs(arcmin)))
    found = {
        "error_max_elec_arcmin": worst,
        "error_max_mech_arcmin": worst / pairs,
        "error_span_elec_arcmin": float(np.ptp(arcmin)),
        "error_rms_elec_arcmin": float(np.sqrt(np.mean(arcmin**2))),
    }
    spectrum = np.abs(np.fft.rfft(arcmin)) * 2.0 / len(arcmin) / pairs
    return found | {f"order_{n}_mech_arcmin": float(spectrum[n]) for n in range(1, 129)}
