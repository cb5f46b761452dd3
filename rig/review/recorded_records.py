"""Records of a turn from elsewhere that are not where or what they should be: flipped, copied, swapped, lost, shifted.

It must never judge the part. Each record is compared with its neighbours in angle and in time; a step that stays is
the axis's, one that goes back is the record's. A jump of the angle is known modulo an electrical turn only.
"""

from __future__ import annotations

import math

import numpy as np

from rig.evaluation.stating import ARCMIN_PER_RAD
from rig.resolver.angle import wrap
from rig.result import Reason
from rig.review.recorded_results import ERROR_LINES, TURN_LINES
from rig.review.recorded_turn import RecordedTurn

FULL_STEPS_MECH_DEG = 7.2  # four full steps of a 200-step motor: one turn of its field
SAME_ELEC_RAD = math.radians(0.1)
TELL_JUMP_ELEC_RAD = math.radians(1.0)


def restarted(turn: RecordedTurn) -> list[Reason]:
    if not np.any(turn.flipped):
        return []
    labels = turn.recording.labels[turn.flipped]
    return [
        Reason(
            code="source-restarted",
            text="The source's phase flips between records and the excitation's record does not show it.",
            evidence=f"{labels.size} of {turn.flipped.size} records are half an electrical turn off, first at "
            f"{int(labels[0])}; doubled, the angle is whole",
            next="Record the excitation itself with every record, or let the source run on while the sampler re-arms.",
            spoils=TURN_LINES,
        )
    ]


def misplaced(turn: RecordedTurn) -> list[Reason]:
    """Records that hold another one's data, that changed places, or that stand out by themselves."""
    recording = turn.recording
    reasons = []
    data = np.column_stack([recording.exc, recording.sine, recording.cosine])
    copies: list[tuple[int, int]] = []
    seen: dict[bytes, int] = {}
    for i, row in enumerate(data):
        earlier = seen.setdefault(row.tobytes(), i)
        if earlier != i and _elsewhere(turn, earlier, i):
            copies.append((earlier, i))
    if copies:
        pairs = ", ".join(f"{int(recording.labels[b])} repeats {int(recording.labels[a])}" for a, b in copies[:4])
        reasons.append(
            Reason(
                code="record-overwritten",
                text="A record holds the data of another position.",
                evidence=f"identical to the last digit: {pairs}",
                next="Record these positions again.",
                spoils=ERROR_LINES,
            )
        )
    copied = {i for pair in copies for i in pair}
    odd = [i for i in outliers(turn) if i not in copied]
    if len(odd) == 2 and _swapped(turn, odd[0], odd[1]):
        reasons.append(
            Reason(
                code="record-out-of-order",
                text="Two records have changed places.",
                evidence=f"{' and '.join(str(int(recording.labels[i])) for i in odd)} fit each other's position",
                next="Sort them, or record again.",
                spoils=ERROR_LINES,
            )
        )
    elif odd:
        worst = max(odd, key=lambda i: abs(turn.deviation_elec_rad[i]))
        reasons.append(
            Reason(
                code="point-disturbed",
                text="Single points stand out of the curve.",
                evidence=f"{len(odd)} points, the worst in record {int(recording.labels[worst])} by "
                f"{turn.deviation_elec_rad[worst] * ARCMIN_PER_RAD:+.0f}' electrical",
                next="Record these positions again.",
                spoils=ERROR_LINES,
            )
        )
    return reasons


def _elsewhere(turn: RecordedTurn, i: int, j: int) -> bool:
    """Whether two positions should read different angles: a whole electrical turn apart they may well be equal."""
    apart = turn.pairs.value * (turn.theta_mech_rad[j] - turn.theta_mech_rad[i])
    return abs(math.remainder(float(apart), 2 * math.pi)) > SAME_ELEC_RAD


def outliers(turn: RecordedTurn) -> list[int]:
    """Records whose deviation leaves the line between their neighbours in order of angle, beyond all scatter."""
    rank = np.argsort(turn.theta_mech_rad, kind="stable")
    away = turn.deviation_elec_rad[rank]
    if away.size < 8:
        return []
    before, after = np.roll(away, 1), np.roll(away, -1)
    off = wrap(away - before - 0.5 * wrap(after - before))
    usual = float(np.median(np.abs(off)))
    least = max(12 * usual, TELL_JUMP_ELEC_RAD)
    apart = np.abs(wrap(after - before))
    found = np.flatnonzero((np.abs(off) > least) & (apart < 0.5 * np.abs(off)))
    return [int(rank[i]) for i in found if abs(off[i]) >= 0.99 * max(abs(off[i - 1]), abs(off[(i + 1) % off.size]))]


def _swapped(turn: RecordedTurn, i: int, j: int) -> bool:
    apart = turn.pairs.direction * turn.pairs.value * (turn.theta_mech_rad[j] - turn.theta_mech_rad[i])
    others = np.delete(turn.deviation_elec_rad, [i, j])
    middle, scatter = float(np.median(others)), float(np.std(others))
    off = [
        float(wrap(np.array([turn.deviation_elec_rad[k] - sign * apart - middle]))[0]) for k, sign in ((i, 1), (j, -1))
    ]
    return max(abs(x) for x in off) < max(5 * scatter, TELL_JUMP_ELEC_RAD)


def jumps(turn: RecordedTurn) -> list[Reason]:
    """A step of the deviation that stays, in the order recorded: lost motor steps, or a slip."""
    odd = outliers(turn)
    keep = np.setdiff1d(np.arange(turn.u.size), odd)
    away = turn.deviation_elec_rad[keep]
    if away.size < 12:
        return []
    steps = wrap(np.diff(away))
    usual = float(np.median(np.abs(steps - np.median(steps))))
    at = int(np.argmax(np.abs(steps)))
    if (
        abs(steps[at]) < max(12 * usual, TELL_JUMP_ELEC_RAD)
        or abs(turn.theta_mech_rad[keep][at + 1] - turn.theta_mech_rad[keep][at]) > 1.0
    ):
        return []
    p = turn.pairs.value
    mech_deg = math.degrees(float(steps[at])) / p
    cycle_deg = 360.0 / p  # a jump is only known modulo an electrical turn
    fits = [
        k
        for k in (-3, -2, -1, 1, 2, 3)
        if abs(math.remainder(mech_deg - k * FULL_STEPS_MECH_DEG, cycle_deg)) < 0.05 * FULL_STEPS_MECH_DEG
    ]
    return [
        Reason(
            code="steps-lost" if fits else "axis-slip",
            text="The motor lost steps during the sweep."
            if fits
            else "The axis or the rotor slipped during the sweep.",
            evidence=f"the angle steps by {mech_deg:+.2f} deg mechanical at record "
            f"{int(turn.recording.labels[keep][at + 1])} and stays there"
            + (f": {min(fits, key=abs):+d} times four full steps of a 200-step motor" if fits else ""),
            next="Lower the acceleration or free the shaft, tighten the coupling; then sweep again.",
            spoils=ERROR_LINES,
        )
    ]


def gaps(turn: RecordedTurn) -> list[Reason]:
    """Positions that are absent from an otherwise even grid."""
    at = np.unique(np.round(np.degrees(turn.theta_mech_rad), 4))
    apart = np.diff(at)
    if apart.size < 4:
        return []
    step = float(np.median(apart))
    holes = [(float(at[i]), round(float(apart[i]) / step) - 1) for i in np.flatnonzero(apart > 1.5 * step)]
    missing = sum(count for _, count in holes) + turn.recording.missing * (not holes)
    if not missing:
        return []
    widest = max((count + 1) * step for _, count in holes) if holes else step
    blind = widest * turn.pairs.value > 45.0 or missing > 0.1 * at.size
    where = f"after {', '.join(f'{start:g}' for start, _ in holes[:4])} deg" if holes else "rows without numbers"
    return [
        Reason(
            code="points-missing",
            text="Positions are missing from the sweep.",
            evidence=f"{missing} of {at.size + missing} points of a {step:g} deg grid, {where}; the fit is by least "
            "squares and stands a gap" + (", but not one as wide as an eighth of an electrical turn" if blind else ""),
            next="Record the missing positions.",
            spoils=ERROR_LINES if blind else (),
        )
    ]
