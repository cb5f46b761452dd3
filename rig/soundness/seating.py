"""The seat by the signal: how far and which way the stator stands off centre, and whether its winding shows that.

It must never blame the part. The turn is tried with an uneven gap (rig/resolver/model.py); an offset of e of the mean
gap leaves c e^2 of the maximum unexplained by a centred part, so what the fit leaves bounds what can be seen. A perfect
rotor repeats p times a turn: directions that differ by 360/p deg mechanical look alike, until one nudge tells them
apart. Ratio and inductance along the shaft: rig/evaluation/bench/axial.py. Angles mechanical, from the index.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from rig.answer import AxialAnswer, LineFigure, SeatAnswer, SeatFigures
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.magnetic import Magnetics
from rig.resolver.model import ECCENTRIC, HEALTHY, Design, Guess, fit_faults, ratios
from rig.result import Judgement, Result

K = 2.0
TRIAL = 0.1  # of the mean gap
LEAST_LEFT = 0.003  # of the maximum: what rounding of turns and gap scatter of a good part look like an offset by
VISIBLE = 0.15  # of the mean gap: a smallest offset above it is no centring
GAP_MM, GAP_HALF_MM = 0.6, 0.2  # effective mean gap where nobody measured it
GAP_STATED_MM = 0.05  # half-width of one that was
POINTS = 160
COMPARED = ("error_max_elec_arcmin", "tr_sin", "tr_cos", "tr_imbalance", "orthogonality_elec_deg", "l_exc")


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """offset: of the mean gap, U at about 95 %; least: smallest that this winding shows; toward_mech_deg: the p
    directions, from the index, in which the stator has to go; gap_mm with its standard uncertainty."""

    offset: float
    U: float
    least: float
    toward_mech_deg: tuple[float, ...]
    gap_mm: float
    u_gap_mm: float
    left: float
    left_centred: float

    @property
    def visible(self) -> bool:
        """Whether the winding shows centring."""
        return self.least <= VISIBLE

    @property
    def is_offset(self) -> bool:
        """Whether an offset was found, beyond what is there in any part."""
        return self.visible and self.offset > self.least and self.offset > self.U

    @property
    def offset_mm(self) -> float:
        """Size of the nudge."""
        return self.offset * self.gap_mm

    @property
    def U_mm(self) -> float:
        """Of the nudge, the gap's share included."""
        return K * math.hypot(self.U / K * self.gap_mm, self.offset * self.u_gap_mm)

    @property
    def U_toward_mech_deg(self) -> float:
        """Of the direction: what the size's U lets it swing."""
        return math.degrees(math.atan2(self.U, self.offset))

    def figures(self) -> SeatFigures:
        """As they are kept."""
        return SeatFigures(
            visible=self.visible,
            seen=self.is_offset,
            offset_mm=self.offset_mm,
            U_mm=self.U_mm,
            least_mm=self.least * self.gap_mm,
            nudge_toward_mech_deg=self.toward_mech_deg,
            U_toward_mech_deg=self.U_toward_mech_deg,
            offset_of_gap=self.offset,
            U_of_gap=self.U,
            gap_mm=self.gap_mm,
            u_gap_mm=self.u_gap_mm,
            unexplained=self.left,
            unexplained_if_centred=self.left_centred,
        )

    @classmethod
    def of(cls, kept: SeatFigures) -> Seat:
        """Back from `figures`."""
        return cls(
            offset=kept.offset_of_gap,
            U=kept.U_of_gap,
            least=kept.least_mm / kept.gap_mm,
            toward_mech_deg=kept.nudge_toward_mech_deg,
            gap_mm=kept.gap_mm,
            u_gap_mm=kept.u_gap_mm,
            left=kept.unexplained,
            left_centred=kept.unexplained_if_centred,
        )

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        data = asdict(self.figures())
        return data | {"nudge_toward_mech_deg": list(self.toward_mech_deg)}


def seat(inspection: Inspection, gap_mm: float | None = None) -> Seat | None:
    """The seat of a run with a whole turn; gap_mm: mean radial gap, where it was measured. None: nothing to try."""
    found = inspection.magnetics
    if found is None:
        return None
    fit, centred = found.fit(ECCENTRIC), found.fit(HEALTHY)
    curvature = _curvature(found.design)
    floor = max(LEAST_LEFT, fit.residual)
    least = math.sqrt(floor / curvature)
    offset = fit.guess.offset
    u = min(floor / (2.0 * curvature * max(offset, least)), least)
    half = GAP_HALF_MM if gap_mm is None else GAP_STATED_MM
    return Seat(
        offset=offset,
        U=K * u,
        least=least,
        toward_mech_deg=_directions(found, inspection.observed.part.pole_pairs),
        gap_mm=GAP_MM if gap_mm is None else gap_mm,
        u_gap_mm=half / math.sqrt(3.0),
        left=fit.residual,
        left_centred=centred.residual,
    )


def _curvature(design: Design) -> float:
    """Residual over the square of the offset that causes it, where a centred part is held against it."""
    theta = np.linspace(0.0, 2.0 * math.pi, POINTS, endpoint=False)
    sine, cosine = ratios(design, theta, Guess(offset=TRIAL, toward_mech_rad=0.3))
    left = fit_faults(design, theta, sine, cosine, kinds=(HEALTHY,))[0].residual
    return float(left / TRIAL**2)


def _directions(found: Magnetics, pole_pairs: int) -> tuple[float, ...]:
    """The gap is narrow toward these; the stator goes the same way, which widens it there."""
    first = found.offset_toward_mech_deg()
    return tuple(sorted((first + 360.0 * k / pole_pairs) % 360.0 for k in range(pole_pairs)))


def tell_apart(before: Seat, moved_mm: complex, now: Seat) -> Seat:
    """The seat now, with its one direction: the one that a nudge (mm, complex, toward its angle) led from `before` to.

    Each direction of before, less the nudge, predicts where the stator stands now; the prediction nearest in size and
    direction to what was found is taken.
    """
    left = [cmath.rect(before.offset_mm, math.radians(old)) - moved_mm for old in before.toward_mech_deg]

    def apart(toward: float) -> float:
        stands = cmath.rect(now.offset_mm, math.radians(toward))
        return min(abs(one - stands) for one in left)

    return replace(now, toward_mech_deg=(min(now.toward_mech_deg, key=apart),))


def advice(found: Seat | None) -> list[str]:
    """The nudge in words."""
    if found is None:
        return ["No whole turn with both outputs alive: the seat can't be read from this run."]
    if not found.visible:
        return [
            f"This winding does not show centring: below {found.least * found.gap_mm:.2f} mm off centre its turn is "
            "that of a centred part. Centre by the spigot; no nudge is told."
        ]
    if not found.is_offset:
        return [
            f"Centred as far as the signal shows: less than {max(found.least, found.U) * found.gap_mm:.2f} mm "
            "off, no nudge needed."
        ]
    toward = " or ".join(f"{angle:.0f}" for angle in found.toward_mech_deg)
    rows = [
        f"Move the stator {found.offset_mm:.2f} mm (U {found.U_mm:.2f}) toward {toward} deg mech from the index "
        f"(U {found.U_toward_mech_deg:.0f})."
    ]
    if len(found.toward_mech_deg) > 1:
        rows.append("These directions look alike in the signal: take the first, measure again; worse means another.")
    return rows


def seat_judgement(inspection: Inspection) -> Judgement:
    """A seat run's own judgement: its answer typed, the advice as notes; no line is judged."""
    asked: Mapping[str, Any] = inspection.observed.header["details"]["seat"]
    if "axial_mm" in asked:
        place = inspection.evaluated.axial_place(float(asked["axial_mm"]))
        return _answer(AxialAnswer(axial=None if place is None else place.figures()), [])
    gap = asked.get("gap_mm")
    found = seat(inspection, None if gap is None else float(gap))
    results = {r.measurand: r for r in inspection.evaluated.results}
    lines = {id_: _line(results[id_]) for id_ in COMPARED if id_ in results and results[id_].estimate is not None}
    impedance = inspection.evaluated.impedance("exc")
    ripple = inspection.rotor_ripple
    x, y = asked.get("moved_mm", (0.0, 0.0))
    answer = SeatAnswer(
        seat=None if found is None else found.figures(),
        moved_mm=(float(x), float(y)),
        lines=lines,
        inductance_ripple=None if impedance is None else impedance.ripple,
        inductance_ripple_orders=tuple(float(x) for x in ripple),
    )
    notes = advice(found)
    if impedance is not None:
        notes.append(f"Excitation inductance ripples by {100 * impedance.ripple:.2f} % round the turn.")
    if told := inspection.turns_with_rotor:
        notes.append(f"Not the seat: {told}; that is the rotor's own.")
    return _answer(answer, notes)


def _answer(answer: SeatAnswer | AxialAnswer, notes: list[str]) -> Judgement:
    return Judgement(
        outcome="measured, no limits", judged=(), reasons=(), findings=(), answer=answer, notes=tuple(notes)
    )


def _line(result: Result) -> LineFigure:
    return LineFigure(estimate=float(result.estimate or 0.0), U=result.U, unit=result.unit)


def explained(before: Mapping[str, LineFigure], now: Mapping[str, LineFigure]) -> list[dict[str, Any]]:
    """Of each line of two clampings: what the seat explains (what came with it), what stays with part and axis."""
    rows = []
    for id_, old in before.items():
        new = now.get(id_)
        if new is None:
            continue
        moved = old.estimate - new.estimate
        u = math.hypot(old.U or 0.0, new.U or 0.0)
        rows.append(
            {
                "line": id_,
                "unit": new.unit,
                "before": old.estimate,
                "seat": moved,
                "U_seat": u,
                "seat_seen": abs(moved) > u,
                "part": new.estimate,
                "U_part": new.U,
            }
        )
    return rows
