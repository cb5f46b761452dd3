"""The positioner's correction in force: what a remount found of this axis, applied to the positions of a run.

It must never know how the correction was found. It holds for the axis that it was found on (steps, maker, serial),
its index, motor current and load, and for the mean of both directions of travel; otherwise it is left aside and the
bench file's stated errors stand. Orders that the remount separated but found too small to be the axis' are not
applied; what it knows of them narrows the stated error. Angles: mechanical rad from the index; source:
rig/resolver/README.md, 4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.description.benches import AxisDevice, BenchFile
from rig.observed import Observed

Floats = NDArray[np.float64]
KEY = "positioner"  # in the header's calibration
SCHEMA = "anglewright positioner 1"
BOTH = "both"
ARCMIN = math.pi / 10_800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """coefficients: order -> complex, mechanical rad, the axis stands at theta + sum Re(c e^{j n theta}); u: order ->
    standard uncertainty of each of its two parts; bounds: order -> half-width for orders that are not applied."""

    coefficients: Mapping[int, complex]
    u_mech_rad: Mapping[int, float]
    bounds_mech_rad: Mapping[int, float]
    made_utc: str = ""
    run: str = ""

    def at(self, theta_mech_rad: Floats) -> Floats:
        """(n,) what is added to the commanded position, mechanical rad."""
        theta = np.asarray(theta_mech_rad, dtype=np.float64)
        total: Floats = np.zeros_like(theta)
        for order, c in self.coefficients.items():
            total += np.real(c * np.exp(1j * order * theta))
        return total

    def half_width_mech_arcmin(self, order: int, stated: float) -> float:
        """What is left uncertain at an order, as the half-width of a rectangle; `stated` where nothing is known."""
        if order in self.u_mech_rad:
            return math.sqrt(3.0) * self.u_mech_rad[order] / ARCMIN
        if order in self.bounds_mech_rad:
            return min(stated, self.bounds_mech_rad[order] / ARCMIN)
        return stated


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


def reference_of_steps(obs: Observed, found: Correction | None) -> str:
    """What positions in steps rest on, in words: bare, corrected (and when that was made), or why not corrected.

    found: the correction in force.
    """
    if found is not None:
        return f"axis steps, corrected ({found.made_utc})"
    kept = (obs.header.get("calibration") or {}).get(KEY)
    if not isinstance(kept, Mapping):
        return "axis steps"
    apart = differences(kept.get("data", kept), obs.bench, obs.header.get("instruments") or {})
    return f"axis steps, correction left aside: {'; '.join(apart) or 'it holds for both directions together'}"


def correction_in_force(obs: Observed) -> Correction | None:
    """The correction that this run's header carries, when it holds for its bench and the run swept both ways."""
    kept = (obs.header.get("calibration") or {}).get(KEY)
    if not isinstance(kept, Mapping) or obs.bench.axis is None:
        return None
    data = kept.get("data", kept)
    both = obs.has("sweep_ccw") and obs.has("sweep_cw")
    if data.get("schema") != SCHEMA or not both or differences(data, obs.bench, obs.header.get("instruments") or {}):
        return None
    return from_data(data, str(kept.get("made_utc") or ""), str(kept.get("run") or ""))


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
    )
