"""From several clampings of one part to the sensor's own curve and the positioner's correction.

It must never know where the runs came from. Each clamping is one run with both passes; the offset that the operator
was asked for is its manual entry "clamping offset" (deg, mechanical). The separation (rig/resolver/axis/separation.py)
stands on nominal positions: a correction that a run was made under is left aside. Beside it: how well each result of
the part comes back from clamping to clamping. Theory: rig/resolver/README.md, 4, GUM H.5.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.errors import UsageError
from rig.evaluation.angle.correction import ARCMIN, KEY, SCHEMA, differences, tied_to
from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.angle.positioner import cyclic_orders
from rig.evaluation.coils.windings import Windings
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.turn.rotation import Rotation
from rig.observed import Observed
from rig.resolver.axis.clampings import Clamping
from rig.resolver.axis.positioner import Agreement, compare_positioners, positioner_orders, reseat_limit_mech_rad
from rig.resolver.axis.separation import OBSERVABLE, Separation, separate
from rig.resolver.turn.grids import fold_order

OFFSET = "clamping offset"
ASSUMED_RESEAT_ELEC_ARCMIN = 0.5  # at multiples of the pole pairs, where two clampings can't show it
HIGHEST = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Remounting:
    """The separation of a set of clampings; points a turn; index_repeat_mech_rad: standard deviation of the index."""

    separation: Separation
    pole_pairs: int
    points: int
    index_repeat_mech_rad: float
    tied: Mapping[str, Any]
    part: str
    serial: str
    clampings: int
    cyclic: tuple[int, ...]

    def to_data(self, checked_with: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """The positioner's correction as it is kept between runs; checked_with: the agreement with a second part."""
        found = self.separation
        return {
            "schema": SCHEMA,
            "tied": dict(self.tied),
            "orders": self._rows(),
            "clampings": self.clampings,
            "offsets_mech_deg": np.degrees(found.offsets_mech_rad).tolist(),
            "points": self.points,
            "part": self.part,
            "serial": self.serial,
            "pole_pairs": self.pole_pairs,
            "unobservable": list(found.unobservable),
            "residual_rms_mech_arcmin": found.residual_rms_mech_rad / ARCMIN,
            "reseat_mech_arcmin": self.reseat_mech_arcmin,
            "reseat_seen": self.clampings > 2,
            "reseat_limit_mech_arcmin": reseat_limit_mech_rad(found) / ARCMIN,
            "checked_with": dict(checked_with) if checked_with else None,
        }

    @property
    def reseat_mech_arcmin(self) -> float:
        """Re-seating scatter of the curve between clampings, rms of all its orders, mechanical arcmin."""
        return math.sqrt(sum(a**2 for a in (self.separation.reseat_mech_rad or {}).values())) / ARCMIN

    @property
    def holds(self) -> bool:
        """Whether the part seats well enough for the positioner to be told from its seat."""
        worst = max((self.separation.reseat_mech_rad or {}).values(), default=0.0)
        return worst < reseat_limit_mech_rad(self.separation)

    def _rows(self) -> list[dict[str, Any]]:
        """Every order of the axis that was separated: applied with its u, or bounded."""
        positioner = self.separation.positioner
        known = positioner_orders(self.separation, self.index_repeat_mech_rad)
        rows = []
        for order in positioner.orders:
            if self.separation.separated.get(order, 1.0) < OBSERVABLE or abs(order - self.pole_pairs) < 2:
                continue  # next to the pole pairs the seat anew makes what no scatter of few clampings shows
            applied = order in known.orders
            source = known if applied else positioner
            u = source.u_amplitude(order)
            number, value = self._unfold(order, complex(source.coefficients[source.orders.index(order)]))
            rows.append(
                {
                    "order": number,
                    "applied": applied,
                    "coefficient_mech_rad": [value.real, value.imag],
                    "u_mech_rad": u,
                    "bound_mech_rad": abs(value) + 2.0 * u,
                }
            )
        return rows

    def _unfold(self, order: int, value: complex) -> tuple[int, complex]:
        """A motor's order that this grid shows folded, as itself: at the grid's points exp(j M theta) is one."""
        for cyclic in self.cyclic:
            if fold_order(cyclic, self.points) == order and cyclic != order:
                return cyclic, value if cyclic % self.points == order else value.conjugate()
        return order, value


def separate_runs(runs: Sequence[Observed]) -> Remounting:
    """Sensor and positioner from N >= 2 clampings of one part on one bench.

    Raises UsageError for runs of different parts or axes, for a run without both passes or with an encoder as its
    reference, and for offsets that can't be told from one another.
    """
    check_alike(runs)
    bare = [on_commands(obs) for obs in runs]
    curves = [swept_curve(obs, i) for i, obs in enumerate(bare, start=1)]
    first = bare[0]
    p, points = curves[0].found.value, curves[0].theta_mech_rad.size
    axis = first.bench.axis
    noise = float(np.sqrt(np.mean([c.scatter_elec_arcmin**2 for c in curves]) / 2.0)) * ARCMIN / p
    top = min(max(8 * p, HIGHEST), (points - 3) // 2)
    reseat = None
    if len(runs) == 2:
        assumed = ASSUMED_RESEAT_ELEC_ARCMIN * ARCMIN / p / math.sqrt(2.0)
        reseat = dict.fromkeys(range(p, top + 1, p), assumed)
    found = separate(
        [clamping_of(obs, c, OFFSET) for obs, c in zip(bare, curves, strict=True)],
        p,
        highest=top,
        stepper_orders=cyclic_orders(first),
        noise_mech_rad=noise or None,
        reseat_mech_rad=reseat,
    )
    return Remounting(
        separation=found,
        pole_pairs=p,
        points=points,
        index_repeat_mech_rad=(axis.index_repeat_arcmin if axis else 0.0) * ARCMIN / math.sqrt(3.0),
        tied=tied_to(first.bench, first.header.get("instruments") or {}),
        part=first.part.number,
        serial=str(first.header.get("serial") or ""),
        clampings=len(runs),
        cyclic=cyclic_orders(first),
    )


def compare_axes(first: Remounting, second: Remounting) -> Agreement:
    """The axis as two parts found it. Raises UsageError for parts of the same pole pairs or different axes."""
    if first.pole_pairs == second.pole_pairs:
        raise UsageError(
            f"Both parts have {first.pole_pairs} pole pairs: what one puts into the axis, the other does too.",
            next_action="Check with a part of other pole pairs.",
        )
    if first.tied != second.tied:
        raise UsageError("The two sets were not made on the same axis.", next_action="Repeat one of them.")
    return compare_positioners(first.separation, second.separation, first.index_repeat_mech_rad)


def check_alike(runs: Sequence[Observed]) -> None:
    """One part on one axis, clamped twice at least. Raises UsageError otherwise."""
    if len(runs) < 2:
        raise UsageError("One clamping can't tell sensor and positioner apart.", next_action="Clamp at least twice.")
    first = runs[0]
    for obs in runs[1:]:
        same = obs.part.number == first.part.number and obs.header.get("serial") == first.header.get("serial")
        tied = tied_to(first.bench, first.header.get("instruments") or {})
        apart = differences({"tied": tied}, obs.bench, obs.header.get("instruments") or {})
        if not same or apart:
            raise UsageError(
                f"The runs don't belong together: {'; '.join(apart) or 'part or serial number differs'}.",
                next_action="Give the runs of one part on one axis.",
            )


def on_commands(obs: Observed) -> Observed:
    """The same run on its nominal positions."""
    kept = {key: value for key, value in (obs.header.get("calibration") or {}).items() if key != KEY}
    return replace(obs, header={**obs.header, "calibration": kept or None})


def rotation_of(obs: Observed) -> Rotation:
    """The turning rotor of a run."""
    return Rotation(Windings(Channels(obs)))


def swept_curve(obs: Observed, number: int) -> AngleCurve:
    """The error curve of one clamping. Raises UsageError without both passes, or with an encoder as its reference."""
    curve = rotation_of(obs).angle_curve
    if curve is None or curve.passes is None:
        raise UsageError(f"Clamping {number} has no sweep both ways.", next_action="Repeat that clamping.")
    if obs.select("encoder_angle"):
        raise UsageError(
            f"Clamping {number} has an encoder as its reference: its axis needs no correction.",
            next_action="Leave the encoder out of the bench file to separate the bare axis.",
        )
    return curve


def clamping_of(obs: Observed, curve: AngleCurve, entry: str) -> Clamping:
    """The curve as deviation of a mechanical reading from the position; entry: names the angle asked for."""
    sign, p = curve.found.direction, curve.found.value
    deviation = sign * (curve.mean * ARCMIN + curve.zero_elec_rad) / p
    return Clamping(
        theta_mech_rad=curve.theta_mech_rad,
        deviation_mech_rad=deviation,
        nominal_offset_mech_rad=math.radians(angle_asked_deg(obs, entry)),
    )


def angle_asked_deg(obs: Observed, entry: str) -> float:
    """The angle that the operator was asked for, mechanical degrees; 0 where none was noted. entry: its name."""
    values = [r.number() for r in obs.select("manual", name=entry)]
    return values[-1] if values else 0.0
