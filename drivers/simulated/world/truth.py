"""What a perfect bench would measure of a world: outputs open, sampler disconnected, straight from the circuit.

Definitions: rig/evaluation/README.md. Angles of the curve are mechanical degrees of the axis from its index; error =
indicated - true, electrical arcminutes, mean removed. Null: no value (open coil, no signal). Ratios are taken at the
pole pairs found, at the nominal ones where none are. Orders: amplitude cos(N theta_mech + phase).
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.world.excitation import HARMONIC_ORDERS, distortion
from drivers.simulated.world.part.circuit import CORE, TruePart, copper_factor
from drivers.simulated.world.part.network import GROUND, Network
from drivers.simulated.world.part.thermal import PartThermal, thermistor_degc, thermistor_ohm
from drivers.simulated.worldfile.keys import WorldFile, load_world

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Values = dict[str, float | None]

ANGLES = 720
ARCMIN = 60 * 180 / math.pi
ORDERS_UP_TO = 128
SMALLEST_RATIO = 1e-5
LEAK_OVER_RANGE_OHM = 1e10


def truth(
    world: str | Path | WorldFile, clamping: int = 1, *, frequency_hz: float = 10_000.0, level_v_rms: float = 7.0
) -> dict[str, Any]:
    """The truth of a world as JSON-ready data, as clamped and as centred; at t = 0 of bench time.

    frequency_hz and level_v_rms: the excitation at the coil for impedance, ratio, current and null voltages.
    """
    if isinstance(world, WorldFile):
        file, name = world, "-"
    else:
        file, path = load_world(world)
        name = str(path)
    clamped = _Truth(TruePart(file, clamping), frequency_hz, level_v_rms)
    centred = _Truth(TruePart(file, None), frequency_hz, level_v_rms)
    as_clamped = clamped.values()
    return {
        "world": name,
        "clamping": clamping,
        "frequency_hz": frequency_hz,
        "level_v_rms": level_v_rms,
        "as_clamped": as_clamped,
        "centred": centred.values(),
        "curve": {
            "angle_mech_deg": np.degrees(clamped.theta).tolist(),
            "error_elec_arcmin": None if clamped.error is None else (clamped.error * ARCMIN).tolist(),
        },
        "orders_mech_arcmin": clamped.orders(),
    }


class _Truth:
    """One part in one seat, and every value of it."""

    def __init__(self, part: TruePart, frequency_hz: float, level_v_rms: float) -> None:
        self.part, self.world = part, part.world
        self.frequency_hz, self.level_v_rms = frequency_hz, level_v_rms
        self.degc = PartThermal(self.world.climate).degc(0.0)
        self.theta: Floats = 2 * math.pi * np.arange(ANGLES) / ANGLES
        self.iron = part.iron(self.theta)
        self.error: Floats | None = None
        self.pole_pairs = 0

    def values(self) -> Values:
        """Every measurand that has a meaning for this part."""
        found: Values = {**self._resistances(), **self._thermistor(), **self._leaks(), **self._impedances()}
        found.update(self._outputs())
        draw = TruePart(self.world, None).seat
        here = self.part.seat
        apart = here.offset_mm * np.exp(1j * here.offset_rad) - draw.offset_mm * np.exp(1j * draw.offset_rad)
        found["seat_radial_mm"] = float(abs(apart))
        return found

    def orders(self) -> dict[str, dict[str, float]]:
        """Orders of the error curve per turn, mechanical arcminutes, those above 0.001'."""
        if self.error is None or not self.pole_pairs:
            return {}
        spectrum = np.fft.rfft(self.error / self.pole_pairs) * 2 / ANGLES * ARCMIN
        return {
            str(n): {"amplitude": float(abs(spectrum[n])), "phase_deg": float(np.degrees(np.angle(spectrum[n])))}
            for n in range(1, ORDERS_UP_TO + 1)
            if abs(spectrum[n]) > 1e-3
        }

    # ---- DC -----------------------------------------------------------------------------------------------

    def _network(self, degc: float, grounded: bool) -> Network:
        network = Network()
        ohm = thermistor_ohm(self.world.part, self.degc)
        self.part.put_into(network, degc=degc, t_s=0.0, thermistor_ohm=ohm)
        if grounded:
            for name in self.world.grounds:
                network.join(name, GROUND)
            if self.world.core_grounded:
                network.join(CORE, GROUND)
        return network

    def _resistances(self) -> Values:
        """At 20 degC by the copper law from the part's temperature, as a meter at the terminals would find."""
        network = self._network(self.degc, grounded=False)
        found: Values = {}
        for coil in ("exc", "sin", "cos"):
            ohm = network.resistance_ohm(f"{coil}_hi", f"{coil}_lo")
            found[f"r20_{coil}"] = ohm / copper_factor(self.degc) if math.isfinite(ohm) else None
        sin, cos = found["r20_sin"], found["r20_cos"]
        found["r20_match"] = sin / cos - 1 if sin is not None and cos else None
        return found

    def _thermistor(self) -> Values:
        part = self.world.part
        ohm = thermistor_ohm(part, self.degc)
        if ohm is None or self.part.is_open("thermistor", self.degc):
            return {"thermistor_ohm": None, "thermistor_degc": None, "thermistor_minus_coil_degc": None}
        degc = thermistor_degc(part, ohm)
        return {"thermistor_ohm": ohm, "thermistor_degc": degc, "thermistor_minus_coil_degc": degc - self.degc}

    def _leaks(self) -> Values:
        network = self._network(self.degc, grounded=False)
        found: Values = {}
        for a, b in (("exc", CORE), ("sin", CORE), ("cos", CORE), ("exc", "sin"), ("exc", "cos"), ("sin", "cos")):
            low = CORE if b == CORE else f"{b}_hi"
            found[f"leak_{a}_{b}"] = self._leak(network, f"{a}_hi", low)
        if self.world.part.thermistor.kind != "none":
            for coil in ("exc", "sin", "cos"):
                network.join(f"{coil}_hi", CORE)
            found["leak_thermistor"] = self._leak(network, "thermistor_hi", CORE)
        return found

    def _leak(self, network: Network, a: str, b: str) -> float | None:
        ohm = network.resistance_ohm(a, b)
        return ohm if ohm < LEAK_OVER_RANGE_OHM else None

    # ---- AC -----------------------------------------------------------------------------------------------

    def _impedances(self) -> Values:
        found: Values = {}
        omega = 2 * math.pi * self.frequency_hz
        for coil in ("exc", "sin", "cos"):
            network = self._network(self.degc, grounded=True)
            network.source(f"{coil}_hi", f"{coil}_lo", 0.5)
            solved = network.solve_ac(np.array([self.frequency_hz]), self.iron)
            volts = solved.across(f"{coil}_hi", f"{coil}_lo")[0]
            z = complex(np.mean(volts / solved.source_current()[0]))
            dead = abs(z) > LEAK_OVER_RANGE_OHM or self.part.is_open(self._coil_at(coil), self.degc)
            found[f"z_{coil}_mod"] = None if dead else abs(z)
            found[f"z_{coil}_phase_deg"] = None if dead else math.degrees(math.atan2(z.imag, z.real))
            found[f"l_{coil}"] = None if dead else z.imag / omega
            found[f"q_{coil}"] = None if dead else z.imag / z.real
        z_exc = found["z_exc_mod"]
        found["v_exc_rms"] = self.level_v_rms
        found["f_exc_hz"] = self.frequency_hz
        found["i_exc_rms"] = self.level_v_rms / z_exc if z_exc else None
        return found

    def _coil_at(self, name: str) -> str:
        swapped = self.world.part.faults.swap_sin_cos
        return {"sin": "cos", "cos": "sin"}.get(name, name) if swapped else name

    def _ratios(self) -> tuple[Complexes, Complexes]:
        """Sine and cosine over excitation, (1 + harmonics, angles) complex."""
        network = self._network(self.degc, grounded=True)
        network.source("exc_hi", "exc_lo", 0.5)
        frequencies = self.frequency_hz * np.array([1.0, *HARMONIC_ORDERS])
        solved = network.solve_ac(frequencies, self.iron)
        exc = solved.across("exc_hi", "exc_lo")
        return solved.across("sin_hi", "sin_lo") / exc, solved.across("cos_hi", "cos_lo") / exc

    def _outputs(self) -> Values:
        sin, cos = self._ratios()
        found: Values = {}
        u, q_u, phase_u = _own_phase(sin[0])
        v, q_v, phase_v = _own_phase(cos[0])
        alive = min(float(np.ptp(u)), float(np.ptp(v))) / 2 > SMALLEST_RATIO
        angle = self._angle(u, v) if alive else {}
        p = self.pole_pairs or self.world.part.pole_pairs
        wave_u, wave_v = _order(u, p), _order(v, p)
        tr_u, tr_v = abs(wave_u), abs(wave_v)
        found.update(self._one_output("sin", sin, u, q_u, phase_u, tr_u))
        found.update(self._one_output("cos", cos, v, q_v, phase_v, tr_v))
        both = tr_u > SMALLEST_RATIO and tr_v > SMALLEST_RATIO
        found["tr_imbalance"] = tr_u / tr_v - 1 if both else None
        found["phase_difference_deg"] = math.degrees(_wrap(phase_u - phase_v)) if both else None
        found.update(angle)
        direction = angle.get("direction")
        found["orthogonality_elec_deg"] = _orthogonality_deg(wave_u, wave_v, direction or 1.0) if both else None
        return found

    def _one_output(self, name: str, s: Complexes, u: Floats, q: Floats, phase: float, tr: float) -> Values:
        alive = tr > SMALLEST_RATIO
        nulls = self._nulls(s, u, q) if alive else None
        return {
            f"tr_{name}": tr,
            f"phase_{name}_deg": math.degrees(phase) if alive else None,
            f"centre_{name}": float(u.mean()) / tr if alive else None,
            f"quadrature_{name}": float(np.abs(q).max()) / tr if alive else None,
            f"null_fund_{name}_v": None if nulls is None else nulls[0],
            f"null_total_{name}_v": None if nulls is None else nulls[1],
        }

    def _nulls(self, s: Complexes, u: Floats, q: Floats) -> tuple[float, float] | None:
        """Largest fundamental and total null voltage, V rms, at the zero crossings of u."""
        before = np.flatnonzero(np.sign(u) * np.sign(np.roll(u, -1)) <= 0)
        if not len(before):
            return None
        after = (before + 1) % len(u)
        share = u[before] / (u[before] - u[after])
        fundamental = np.abs(q[before] * (1 - share) + q[after] * share) * self.level_v_rms
        amplitudes = distortion(self.world.generator.thd, self.world.seed)
        harmonic = np.abs(s[1:, before] * (1 - share) + s[1:, after] * share) * np.abs(amplitudes)[:, None]
        total = np.sqrt(fundamental**2 + (harmonic**2).sum(axis=0) * self.level_v_rms**2)
        return float(fundamental.max()), float(total.max())

    def _angle(self, u: Floats, v: Floats) -> Values:
        closed = np.unwrap(np.arctan2(np.append(u, u[0]), np.append(v, v[0])))
        turns = (closed[-1] - closed[0]) / (2 * math.pi)
        pole_pairs, direction = round(abs(turns)), math.copysign(1.0, turns)
        if not pole_pairs:
            return {"pole_pairs": 0.0, "direction": None}
        self.pole_pairs = pole_pairs
        deviation = closed[:-1] - direction * pole_pairs * self.theta
        zero = float(deviation.mean())
        self.error = deviation - zero
        arcmin = self.error * ARCMIN
        worst = float(np.abs(arcmin).max())
        return {
            "pole_pairs": float(pole_pairs),
            "direction": direction,
            "zero_elec_deg": math.degrees(zero) % 360.0,
            "error_max_elec_arcmin": worst,
            "error_max_mech_arcmin": worst / pole_pairs,
            "error_span_elec_arcmin": float(np.ptp(arcmin)),
            "error_rms_elec_arcmin": float(np.sqrt(np.mean(arcmin**2))),
        }


def _wrap(angle: float) -> float:
    return (angle + math.pi) % (2 * math.pi) - math.pi


def _own_phase(ratio: Complexes) -> tuple[Floats, Floats, float]:
    """In-phase and quadrature envelopes on the output's own carrier phase (rad, within +-90 deg)."""
    varying = ratio - ratio.mean()
    phase = 0.5 * float(np.angle(np.sum(varying**2)))
    turned = ratio * np.exp(-1j * phase)
    return turned.real, turned.imag, phase


def _order(envelope: Floats, order: int) -> complex:
    """Complex amplitude of an order: envelope ~ Re(c e^{j order theta})."""
    return complex(np.fft.rfft(envelope)[order] * 2 / len(envelope))


def _orthogonality_deg(sine: complex, cosine: complex, direction: float) -> float:
    """Angle between the nulls less 90 deg: a - b of u ~ sin(x + a), v ~ cos(x + b), in the run's direction."""
    a = np.angle(sine) + math.pi / 2
    b = np.angle(cosine)
    apart = _wrap(float(a - b))
    if direction < 0:
        apart = -apart
    half = (apart + math.pi / 2) % math.pi - math.pi / 2
    return math.degrees(half)
