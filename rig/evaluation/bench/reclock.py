"""From one part on several even places of the spindle, the stator clamped, to the axis' orders with once a turn.

It must never know where the runs came from. Each place is one run with both directions; how far the rotor was turned
ahead stands in it as the manual entry "rotor clock angle" (deg, mechanical), and the last run is at the first place
again: what it differs by tells that the stator or the coupling moved. A set is refused by name; no statistic surely
tells a stator that moved a little, and where it passes the radius by the set's own scatter carries it.
Theory: rig/resolver/README.md, 4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.description.benches import AxisDevice
from rig.errors import UsageError
from rig.evaluation.angle.correction import ARCMIN, ON_THE_FLY, STEPPED, tied_to
from rig.evaluation.angle.coupling import MOVED_MECH_ARCMIN, motor_wave, moved_mech_arcmin
from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.angle.positioner import cyclic_orders
from rig.evaluation.bench.remount import (
    angle_asked_deg,
    check_alike,
    clamping_of,
    on_commands,
    rotation_of,
    swept_curve,
)
from rig.observed import Observed
from rig.resolver.axis.rotor_places import LEAST_POLE_PAIRS, UNEVEN_MECH_RAD, AxisOrder, axis_orders, uneven_mech_rad
from rig.resolver.axis.separation import Separation, separate
from rig.resolver.turn.orders import fit_orders

CLOCK = "rotor clock angle"
SCATTER_ELEC_ARCMIN = 0.3  # of order 1 between places, a part
FIRST_AGAIN_ELEC_ARCMIN = 0.4  # of order 1 at the first place again
DRIFT_ELEC_ARCMIN = 1.0  # a sweep in steps
HIGHEST_FITTED = 32


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a set of places makes no correction: a short name, and the words with their figures."""

    name: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reclocking:
    """One set of places. orders: what it shows of the axis; motor: coefficient of the motor's first cyclic order, mean
    of the places, mechanical rad, and moved_mech_arcmin the largest distance of a place from it (None: too small to
    tell); drift_elec_arcmin: the largest of a place, a sweep in steps; first_again_elec_arcmin: order 1 at the first
    place again less the first."""

    separation: Separation
    orders: tuple[AxisOrder, ...]
    part: str
    serial: str
    pole_pairs: int
    places: int
    mode: str
    tied: Mapping[str, Any]
    axis: AxisDevice
    temperature_degc: float | None
    motor: complex
    moved_mech_arcmin: float | None
    drift_elec_arcmin: float
    first_again_elec_arcmin: float | None

    @property
    def by_order(self) -> dict[int, AxisOrder]:
        """The orders by their number."""
        return {row.order: row for row in self.orders}

    @property
    def dof(self) -> float:
        """Degrees of freedom behind every radius."""
        return self.separation.reseat_dof

    @property
    def scatter_elec_arcmin(self) -> float:
        """Of order 1 between places, one part."""
        return (self.separation.reseat_mech_rad or {}).get(1, 0.0) * self.pole_pairs / ARCMIN

    @property
    def uneven_mech_deg(self) -> float:
        """How far the worst place is off even ones, by the sensor's own reading."""
        return math.degrees(uneven_mech_rad(self.separation.offsets_mech_rad, self.places))

    @property
    def refusals(self) -> tuple[Refusal, ...]:
        """Why it makes no correction; none of a good set."""
        again, moved = self.first_again_elec_arcmin, self.moved_mech_arcmin
        rows = [
            (
                "places-uneven",
                self.uneven_mech_deg > math.degrees(UNEVEN_MECH_RAD),
                f"a place is {self.uneven_mech_deg:.1f} deg off even ones (mechanical, at most "
                f"{math.degrees(UNEVEN_MECH_RAD):.0f} deg): turn the rotor to the marks",
            ),
            (
                "coupling-moved",
                moved is not None and moved > MOVED_MECH_ARCMIN,
                f"motor and index moved by {moved or 0.0:.1f}' (mechanical, at most {MOVED_MECH_ARCMIN:.0f}') between "
                "places, by the phase of the motor's own order: look at the coupling's clamps, and lock the spindle at "
                "its collar before the arbor's clamp is touched",
            ),
            (
                "zero-drifts",
                self.drift_elec_arcmin > DRIFT_ELEC_ARCMIN,
                f"the reading drifts by {self.drift_elec_arcmin:.2f}' a sweep (electrical, at most "
                f"{DRIFT_ELEC_ARCMIN:.1f}'): let the bench warm up",
            ),
            (
                "places-scatter",
                self.scatter_elec_arcmin > SCATTER_ELEC_ARCMIN,
                f"once a turn scatters by {self.scatter_elec_arcmin:.2f}' between places (electrical, a part; at most "
                f"{SCATTER_ELEC_ARCMIN}'): the stator was touched, or the rotor seats badly on its arbor",
            ),
            (
                "first-place-differs",
                again is not None and again > FIRST_AGAIN_ELEC_ARCMIN,
                f"at the first place again once a turn differs by {again or 0.0:.2f}' (electrical, at most "
                f"{FIRST_AGAIN_ELEC_ARCMIN}'): the stator was touched, or the rotor seats badly on its arbor",
            ),
        ]
        return tuple(Refusal(name, text) for name, holds, text in rows if holds)


def evaluate_places(runs: Sequence[Observed]) -> Reclocking:
    """The axis' orders from the runs of a set, the last at the first place again (it is no part of the estimate).

    Raises UsageError for runs of different parts or axes, a run without both directions or with an encoder as its
    reference, a master of fewer than four pole pairs, and runs that are no whole rounds of three places or more.
    """
    check_alike(runs)
    bare = [on_commands(obs) for obs in runs]
    clocks = [round(angle_asked_deg(obs, CLOCK) % 360.0, 3) for obs in bare]
    places = len(set(clocks))
    again = len(bare) % places == 1 and clocks[-1] == clocks[0]
    counted = bare[:-1] if again else bare
    if places < 3 or {clocks[: len(counted)].count(one) for one in clocks} != {len(counted) // places}:
        raise UsageError(
            f"{len(runs)} runs at {places} places are no whole rounds of three places or more.",
            next_action=f"Give the runs of one `run reclock`, each with its entry {CLOCK!r}.",
        )
    curves = [swept_curve(obs, i) for i, obs in enumerate(bare, start=1)]
    p, first = curves[0].found.value, bare[0]
    check_master(p)
    axis = first.bench.axis or AxisDevice(driver="")
    waves = [_wave(obs) for obs in bare]
    motor = complex(np.mean(waves))
    moved = [moved_mech_arcmin(wave, motor, axis.cyclic_orders[0]) for wave in waves]
    on_the_fly = rotation_of(first).turn_is_on_the_fly
    drifts = [0.0 if on_the_fly or c.passes is None else abs(c.passes.drift_elec_rad) / 2.0 for c in curves]
    air = [degc for obs in bare for degc in obs.numbers("ambient_temperature")]
    found = separate_by_rotor(counted, curves[: len(counted)], places)
    return Reclocking(
        separation=found,
        orders=axis_orders(found, p, places, axis.index_repeat_arcmin * ARCMIN / math.sqrt(3.0)),
        part=first.part.number,
        serial=str(first.header.get("serial") or ""),
        pole_pairs=p,
        places=places,
        mode=ON_THE_FLY if on_the_fly else STEPPED,
        tied=tied_to(first.bench, first.header.get("instruments") or {}),
        axis=axis,
        temperature_degc=float(np.mean(air)) if air else None,
        motor=motor,
        moved_mech_arcmin=max((abs(one) for one in moved if one is not None), default=None),
        drift_elec_arcmin=max(drifts) / ARCMIN,
        first_again_elec_arcmin=abs(_once(curves[-1]) - _once(curves[0])) if again else None,
    )


def check_master(pole_pairs: int) -> None:
    """Refuse a master whose own seat makes once a turn. Raises UsageError."""
    if pole_pairs < LEAST_POLE_PAIRS:
        raise UsageError(
            f"a master of {pole_pairs} pole pairs shows its seat as once a turn: {LEAST_POLE_PAIRS} at least.",
            next_action="Take a part of four pole pairs or more; the correction is the axis', and serves every part.",
        )


def separate_by_rotor(runs: Sequence[Observed], curves: Sequence[AngleCurve], places: int) -> Separation:
    """Sensor and axis of runs whose rotor was turned to some of `places` even places on the spindle."""
    p, points = curves[0].found.value, min(c.theta_mech_rad.size for c in curves)
    return separate(
        [clamping_of(obs, curve, CLOCK) for obs, curve in zip(runs, curves, strict=True)],
        p,
        highest=min(max(8 * p, HIGHEST_FITTED), (points - 3) // 2),
        stepper_orders=cyclic_orders(runs[0]),
        rotor_places=places,
    )


def _wave(obs: Observed) -> complex:
    rotation = rotation_of(obs)
    if rotation.turn is None or rotation.pole_pairs is None:
        return 0j
    return motor_wave(obs, rotation.turn, rotation.pole_pairs)


def _once(curve: AngleCurve) -> complex:
    """Order 1 of a curve, electrical arcmin."""
    fit = fit_orders(curve.theta_mech_rad, curve.mean, range(1, 9))
    return complex(fit.coefficients[0])
