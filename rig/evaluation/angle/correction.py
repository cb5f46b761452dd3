"""The positioner's correction in force: what was found of this axis, applied to the positions of a run.

It must never know how the correction was found. It is believed once a second part agreed with it. It holds for the axis
that it was found on (steps, maker, serial), its index, motor current and load, within 5 K, for the mean of both
directions of travel, and until a recheck fails; otherwise it is left aside and the
bench file's stated errors stand. Orders that the remount separated but found too small to be the axis' are not
applied; what it knows of them narrows the stated error. Angles: mechanical rad from the index; source:
rig/resolver/README.md, 4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.description.benches import AxisDevice, BenchFile
from rig.evaluation.coils.temperature import CoilTemperature
from rig.observed import Observed
from rig.resolver.axis.rotor_places import HIGHEST

Floats = NDArray[np.float64]
KEY = "positioner"  # in the header's calibration
RECHECK = "recheck"  # in the header's calibration
SCHEMA = "anglewright positioner 1"
BOTH = "both"
STEPPED, ON_THE_FLY = "stepped", "on the fly"
BRACKET = "bracket temperature"  # manual entry, degC: of the bracket that holds axis and stator
WITHIN_K = 5.0
RECHECKED_MECH_ARCMIN: Mapping[int, float] = {1: 0.10, 2: 0.08}
"""Limits of a recheck at two places: the master re-clamped and the rotor seated anew stay within them (99.7 %)."""
ARCMIN = math.pi / 10_800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """coefficients: order -> complex, mechanical rad, the axis stands at theta + sum Re(c e^{j n theta}); u: order ->
    standard uncertainty of each of its two parts; bounds: order -> half-width for orders that are not applied.
    motor: the coefficient of the motor's first cyclic order (50), whose phase tells whether the coupling moved; mode:
    "stepped" or "on the fly", how it was found; checked_with: what agreed with it."""

    coefficients: Mapping[int, complex]
    u_mech_rad: Mapping[int, float]
    bounds_mech_rad: Mapping[int, float]
    made_utc: str = ""
    run: str = ""
    motor: complex = 0j
    mode: str = "stepped"
    checked_with: str = ""

    def on_the_fly(self) -> Correction:
        """What of it holds for a turn on the fly when it was made in steps, and the other way round: the motor's own
        cyclic orders go through the axis' resonance with the speed, what is below does not."""
        if self.mode == ON_THE_FLY:
            return self
        return replace(
            self,
            coefficients={n: c for n, c in self.coefficients.items() if n <= HIGHEST},
            u_mech_rad={n: u for n, u in self.u_mech_rad.items() if n <= HIGHEST},
            bounds_mech_rad={n: b for n, b in self.bounds_mech_rad.items() if n <= HIGHEST},
        )

    def at(self, theta_mech_rad: Floats) -> Floats:
        """(n,) what is added to the commanded position, mechanical rad."""
        theta = np.asarray(theta_mech_rad, dtype=np.float64)
        total: Floats = np.zeros_like(theta)
        for order, c in self.coefficients.items():
            total += np.real(c * np.exp(1j * order * theta))
        return total

    def knows(self, order: int) -> bool:
        """Whether it says anything of an order."""
        return order in self.u_mech_rad or order in self.bounds_mech_rad

    def half_width_mech_arcmin(self, order: int, stated: float) -> float:
        """What is left uncertain at an order, as the half-width of a rectangle; `stated` where nothing is known. What
        a recheck lets through is part of it."""
        if order in self.u_mech_rad:
            return math.hypot(math.sqrt(3.0) * self.u_mech_rad[order] / ARCMIN, RECHECKED_MECH_ARCMIN.get(order, 0.0))
        if order in self.bounds_mech_rad:
            bound = self.bounds_mech_rad[order] / ARCMIN
            return min(stated, math.hypot(bound, RECHECKED_MECH_ARCMIN.get(order, 0.0)))
        return stated


@dataclass(frozen=True, slots=True)
class Standing:
    """The correction in force, or None and why; why "": the run's header carries none."""

    correction: Correction | None
    why: str


def tied_to(bench: BenchFile, instruments: Mapping[str, Any]) -> dict[str, Any]:
    """What a correction of this bench's axis is tied to; instruments: role -> identity, as in a run's header."""
    axis = bench.axis or AxisDevice(driver="")
    identity = instruments.get("axis") or {}
    return {
        "full_steps": axis.full_steps,
        "microsteps": axis.microsteps,
        "motor_current_a": axis.motor_current_a,
        "load": axis.load,
        "maker": str(identity.get("maker") or ""),
        "model": str(identity.get("model") or ""),
        "serial": str(identity.get("serial") or ""),
        "direction": BOTH,
        "origin": "index",
    }


def differences(data: Mapping[str, Any], bench: BenchFile, instruments: Mapping[str, Any]) -> list[str]:
    """Why a correction does not hold for a bench: one phrase a difference, empty when it does."""
    now, then = tied_to(bench, instruments), data.get("tied") or {}
    return [f"{key} is {now[key]!r}, was {then.get(key)!r}" for key in now if then.get(key) != now[key]]


def reference_of_steps(standing: Standing) -> str:
    """What positions in steps rest on, in words: bare, corrected (and when that was made), or why not corrected."""
    if standing.correction is not None:
        return f"axis steps, corrected ({standing.correction.made_utc})"
    return f"axis steps, correction left aside: {standing.why}" if standing.why else "axis steps"


def standing_of(obs: Observed, temperature: CoilTemperature | None) -> Standing:
    """Whether the correction in this run's header holds for the run, order 50 not yet looked at.

    temperature: of the air at the part, and how far the part's own thermistor stands from it.
    """
    kept = (obs.header.get("calibration") or {}).get(KEY)
    if not isinstance(kept, Mapping) or obs.bench.axis is None:
        return Standing(None, "")
    data = kept.get("data", kept)
    if data.get("schema") != SCHEMA:
        return Standing(None, "it is of another kind")
    turning = not (obs.has("sweep_ccw") and obs.has("sweep_cw"))
    if turning and not (obs.has("turning_ccw") and obs.has("turning_cw")):
        return Standing(None, "it holds for both directions together")
    apart = differences(data, obs.bench, obs.header.get("instruments") or {})
    reasons = [*apart, *_not_believed(data), *_failed_recheck(obs, str(kept.get("made_utc") or ""))]
    reasons += _temperatures(obs, data, temperature)
    if reasons:
        return Standing(None, "; ".join(reasons))
    found = from_data(data, str(kept.get("made_utc") or ""), str(kept.get("run") or ""))
    return Standing(found.on_the_fly() if turning else found, "")


def _not_believed(data: Mapping[str, Any]) -> list[str]:
    return [] if data.get("checked_with") else ["no second part has agreed with it yet"]


def _failed_recheck(obs: Observed, made_utc: str) -> list[str]:
    """A recheck that was made after the correction and went beyond its limits."""
    newest = (obs.header.get("calibration") or {}).get(RECHECK)
    if not isinstance(newest, Mapping) or str(newest.get("made_utc") or "") < made_utc:
        return []
    data = newest.get("data", newest)
    if data.get("void"):
        return [f"it was made void: {data['void']}"]
    return ["its newest recheck went beyond the limits"] if data.get("beyond") else []


def _temperatures(obs: Observed, data: Mapping[str, Any], temperature: CoilTemperature | None) -> list[str]:
    """By the axis' bracket where it was read; else by the air, as long as the part is not heated."""
    made_degc = data.get("temperature_degc")
    if made_degc is None:
        return []
    bracket = [r.number() for r in obs.select("manual", name=BRACKET)]
    if bracket:
        return _apart_k(bracket[-1], float(made_degc), "the axis' bracket")
    if temperature is None:
        return ["no temperature was read"]
    above_k = temperature.thermistor_minus_air_k
    if above_k is not None and abs(above_k) > WITHIN_K:
        return [f"the part is {above_k:+.1f} K from the air, and the axis' bracket was not read"]
    return _apart_k(temperature.air_degc, float(made_degc), "the air")


def _apart_k(now_degc: float, made_degc: float, what: str) -> list[str]:
    if abs(now_degc - made_degc) <= WITHIN_K:
        return []
    return [f"{what} is at {now_degc:.1f} degC, was at {made_degc:.1f} degC (at most {WITHIN_K:.0f} K apart)"]


def from_data(data: Mapping[str, Any], made_utc: str = "", run: str = "") -> Correction:
    """A correction from its kept data (rig/evaluation/bench/remount.py writes it)."""
    rows = data["orders"]
    applied = [row for row in rows if row["applied"]]
    return Correction(
        coefficients={int(row["order"]): complex(*row["coefficient_mech_rad"]) for row in applied},
        u_mech_rad={int(row["order"]): float(row["u_mech_rad"]) for row in applied},
        bounds_mech_rad={int(row["order"]): float(row["bound_mech_rad"]) for row in rows if not row["applied"]},
        made_utc=made_utc,
        run=run,
        motor=complex(*data["motor_mech_rad"]) if data.get("motor_mech_rad") else 0j,
        mode=str(data.get("mode") or STEPPED),
        checked_with=str((data.get("checked_with") or {}).get("what") or "a second part"),
    )
