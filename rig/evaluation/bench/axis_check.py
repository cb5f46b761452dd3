"""The axis' orders believed and kept: by agreement with a second part, as rows of a correction, and rechecked.

It must never know where the runs came from. A set of places is believed where another set of the same axis agrees order
by order (E_n <= 1), once and twice a turn among them: another master, the same one with its stator turned, or the
spindle's encoder. What a correction does not apply keeps what the bench file states. A recheck at two places shows no
scatter: it has limits instead (rig/evaluation/angle/correction.py). Source of E_n: ISO 13528:2022, 9.7.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.errors import UsageError
from rig.evaluation.angle.correction import ARCMIN, RECHECKED_MECH_ARCMIN, SCHEMA, from_data, tied_to
from rig.evaluation.angle.positioner import cyclic_orders, stated_half_width_mech_arcmin
from rig.evaluation.bench.reclock import CLOCK, Reclocking, check_master, separate_by_rotor
from rig.evaluation.bench.remount import angle_asked_deg, check_alike, on_commands, rotation_of, swept_curve
from rig.observed import Observed
from rig.resolver.axis.rotor_places import HIGHEST, AxisOrder, join_orders, normalised_differences
from rig.resolver.turn.orders import fit_orders

NEEDED = (1, 2)  # orders that the check has to show
WORTH_SHARE = 0.5  # of what the bench file states, that a radius must be smaller than
RECHECK_PLACES = 3  # 0 and 120 deg are two of three even places: once and twice a turn show
METHOD = "rotor turned on the spindle"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """Another look at the same axis: its orders, what it is, and the runs; joins: its orders sharpen the correction."""

    orders: Mapping[int, AxisOrder]
    what: str
    runs: tuple[str, ...]
    joins: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """E_n of each order that set and check both show; whether once and twice a turn are among them and all agree."""

    differences: Mapping[int, float]

    @property
    def agrees(self) -> bool:
        """Whether the correction may be applied."""
        return not self.missing and all(value <= 1.0 for value in self.differences.values())

    @property
    def missing(self) -> tuple[int, ...]:
        """Orders that the check had to show and does not."""
        return tuple(n for n in NEEDED if n not in self.differences)


def check_by_set(of: Reclocking, second: Reclocking, runs: Sequence[str]) -> Check:
    """A second set as the check. Raises UsageError where it is the same set or another axis."""
    if of.tied != second.tied:
        raise UsageError("The two sets were not made on the same axis.", next_action="Repeat one of them.")
    same = (of.part, of.serial) == (second.part, second.serial)
    what = "the same master with its stator clamped anew" if same else f"{second.part} {second.serial}"
    if second.refusals:
        refused = "; ".join(one.text for one in second.refusals)
        raise UsageError(f"The second set is no check: {refused}.", next_action="Repeat it.")
    return Check(orders=second.by_order, what=what, runs=tuple(runs), joins=not same)


def check_by_encoder(of: Reclocking, obs: Observed, run: str) -> Check:
    """The spindle's encoder against the commanded steps of one run. Raises UsageError without its readings."""
    rotation, encoder = rotation_of(obs), obs.bench.encoder
    turn = rotation.turn
    if turn is None or encoder is None or turn.reference != "encoder":
        raise UsageError("The run has no encoder as its reference.", next_action="Give a run swept with the encoder.")
    if of.tied != tied_to(obs.bench, obs.header.get("instruments") or {}):
        raise UsageError("The encoder's run was not made on the same axis.", next_action="Repeat it on this bench.")
    per_turn = obs.bench.axis.steps_per_turn if obs.bench.axis else 3200
    at = 2.0 * math.pi * turn.steps[turn.inside] / per_turn
    fit = fit_orders(at, turn.theta_mech_rad[turn.inside] - at, [*range(1, HIGHEST + 1), *cyclic_orders(obs)[:2]])
    widths = {n: encoder.once_arcmin if n == 1 else encoder.residual_arcmin for n in range(1, HIGHEST + 1)}
    rows = {
        n: AxisOrder(
            order=n,
            coefficient=complex(fit.coefficients[fit.orders.index(n)]),
            radius_mech_rad=math.hypot(width * ARCMIN, 2.5 * fit.u_amplitude(n)),
        )
        for n, width in widths.items()
    }
    return Check(orders=rows, what="the spindle's encoder", runs=(run,), joins=False)


def compare_orders(of: Reclocking, check: Check) -> Belief:
    """Set and check against each other, order by order."""
    return Belief(differences=normalised_differences(of.by_order, check.orders))


def to_data(found: Reclocking, check: Check | None, belief: Belief | None) -> dict[str, Any]:
    """The correction as it is kept between runs (read by rig/evaluation/angle/correction.py)."""
    joined = [
        found.by_order,
        *([check.orders] if check is not None and check.joins and belief and belief.agrees else []),
    ]
    orders = join_orders(joined)
    agreed = check is not None and belief is not None and belief.agrees
    return {
        "schema": SCHEMA,
        "method": METHOD,
        "tied": dict(found.tied),
        "orders": [row for one in orders.values() if (row := _row(found, one))],
        "places": found.places,
        "nu": found.dof,
        "clock_angles_mech_deg": np.degrees(found.separation.offsets_mech_rad).tolist(),
        "part": found.part,
        "serial": found.serial,
        "pole_pairs": found.pole_pairs,
        "mode": found.mode,
        "temperature_degc": found.temperature_degc,
        "motor_mech_rad": [found.motor.real, found.motor.imag],
        "scatter_elec_arcmin": found.scatter_elec_arcmin,
        "checked_with": {
            "what": check.what,
            "runs": list(check.runs),
            "E_n": {str(n): value for n, value in belief.differences.items()},
        }
        if agreed and check is not None and belief is not None
        else None,
    }


def _row(found: Reclocking, one: AxisOrder) -> dict[str, Any] | None:
    """Applied where it stands out, bounded where it does not; None where the bench file knows as much."""
    stated = stated_half_width_mech_arcmin(found.axis, one.order, found.axis.cyclic_orders)
    if one.radius_mech_rad / ARCMIN >= WORTH_SHARE * stated:
        return None
    return {
        "order": one.order,
        "applied": one.stands_out,
        "coefficient_mech_rad": [one.coefficient.real, one.coefficient.imag],
        "radius_mech_rad": one.radius_mech_rad,
        "u_mech_rad": one.u_mech_rad,
        "bound_mech_rad": abs(one.coefficient) + one.radius_mech_rad,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Recheck:
    """What two places find less what is kept, order -> mechanical arcmin; the master's number and serial."""

    moved_mech_arcmin: Mapping[int, float]
    part: str
    serial: str

    @property
    def beyond(self) -> tuple[int, ...]:
        """Orders beyond their limits."""
        return tuple(n for n, moved in self.moved_mech_arcmin.items() if moved > RECHECKED_MECH_ARCMIN[n])

    def to_data(self) -> dict[str, Any]:
        """As it is kept."""
        return {
            "moved_mech_arcmin": {str(n): moved for n, moved in self.moved_mech_arcmin.items()},
            "limits_mech_arcmin": {str(n): limit for n, limit in RECHECKED_MECH_ARCMIN.items()},
            "part": self.part,
            "serial": self.serial,
            "beyond": bool(self.beyond),
        }


def compare_with_kept(runs: Sequence[Observed], kept: Mapping[str, Any]) -> Recheck:
    """The axis by two runs of a master at 0 and 120 deg of its rotor, less the correction that is kept.

    Raises UsageError for a master of fewer than four pole pairs or places that are not these two.
    """
    check_alike(runs)
    bare = [on_commands(obs) for obs in runs]
    apart = (angle_asked_deg(bare[-1], CLOCK) - angle_asked_deg(bare[0], CLOCK)) % 360.0
    if len(bare) != 2 or min(abs(apart - 120.0), abs(apart - 240.0)) > 1e-3:
        raise UsageError("A recheck has two runs, 120 deg of the rotor apart.", next_action="Run `run recheck`.")
    curves = [swept_curve(obs, i) for i, obs in enumerate(bare, start=1)]
    check_master(curves[0].found.value)
    positioner = separate_by_rotor(bare, curves, RECHECK_PLACES).positioner
    known = from_data(kept)
    moved = {}
    for n in RECHECKED_MECH_ARCMIN:
        now = complex(positioner.coefficients[positioner.orders.index(n)])
        stands = complex(*next((r["coefficient_mech_rad"] for r in kept["orders"] if r["order"] == n), (0.0, 0.0)))
        if known.knows(n):
            moved[n] = abs(now - stands) / ARCMIN
    return Recheck(moved_mech_arcmin=moved, part=bare[0].part.number, serial=str(bare[0].header.get("serial") or ""))
