"""Is a recorded turn sound? Reasons of our own list, from the data of one file alone.

It must never judge the part: with no index, encoder, loopback or DC resistance beside the file there is no witness,
and a disagreement stays the set-up's until somebody has looked. A reason that spoils nothing leaves a question open.
Codes: DEVELOPERS.md. Theory: design pages "signal" 2.3 and "decisions".
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.stating import ARCMIN_PER_RAD
from rig.resolver.angle import wrap
from rig.resolver.ellipse import Ellipse
from rig.result import Finding, Reason
from rig.review.recorded_records import gaps, jumps, misplaced, restarted
from rig.review.recorded_results import ERROR_LINES, TURN_LINES
from rig.review.recorded_turn import SILENT_RATIO, SILENT_SHARE, STANDING, RecordedTurn, Recording, movement

Floats = NDArray[np.float64]
RATIO_LINES = ("tr_sin", "tr_cos", "tr_imbalance", "orthogonality_elec_deg", "centre_sin", "centre_cos")
GAIN = 0.02
CLOSURE_MECH_ARCMIN = 4.0
WHOLE = 0.02
AMBIGUOUS_DEG = 80.0
NOT_RESOLVER_DEG = 20.0


def before_turn(recording: Recording) -> list[Reason]:
    """Reasons for which no turn can be worked out, or records have to be left out of it."""
    live = recording.live
    if not np.any(live):
        return [
            Reason(
                code="excitation-missing",
                text="The excitation channel is dead.",
                evidence=f"no record of {recording.source} holds any excitation",
                next="Record the excitation beside sine and cosine; without it no ratio, phase or sign is known.",
            )
        ]
    reasons = []
    if not np.all(live):
        dead = recording.labels[~live]
        reasons.append(
            Reason(
                code="excitation-missing",
                text="The excitation is absent in some records; they are left out.",
                evidence=f"{dead.size} of {live.size} records, first at {int(dead[0])}",
                next="Record these positions again with the excitation on.",
                spoils=ERROR_LINES,
            )
        )
    return reasons + _standing(recording.only(live))


def _standing(recording: Recording) -> list[Reason]:
    (size_s, moves_s), (size_c, moves_c) = movement(recording)
    most = max(moves_s, moves_c)
    if max(size_s, size_c) < SILENT_RATIO:
        return [
            _silent("both outputs", f"largest ratios {size_s:.2g} and {size_c:.2g} to the excitation", ("*",)),
        ]
    if most < STANDING * max(size_s, size_c):
        return [
            Reason(
                code="axis-not-turning",
                text="The rotor does not turn though the positions change.",
                evidence=f"both outputs stay within {100 * most / max(size_s, size_c):.2f} % over the file",
                next="Check coupling, motor current and enable; turn the shaft by hand to see the outputs follow.",
                spoils=("*",),
            )
        ]
    for name, moves in (("sine", moves_s), ("cosine", moves_c)):
        if moves < max(SILENT_SHARE * most, SILENT_RATIO):
            told = f"it moves by {moves:.2g} of the excitation, the other by {most:.2g}"
            return [_silent(f"the {name} output", told, ("*",))]
    return []


def _silent(which: str, told: str, spoils: tuple[str, ...]) -> Reason:
    return Reason(
        code="channel-silent",
        text=f"No signal on {which}.",
        evidence=told,
        next="Check the lead and the channel, then the coil's DC resistance.",
        spoils=spoils,
    )


def turn_reasons(turn: RecordedTurn, ellipse: Ellipse | None, told: int | None, told_by: str) -> list[Reason]:
    """Every reason that the turn gives, the most basic first. told: pole pairs as told, None when nobody did."""
    kind = _not_this_kind(turn, ellipse)
    if kind:
        return kind
    stepped = jumps(turn)
    reasons = [*restarted(turn), *misplaced(turn), *stepped, *gaps(turn)]
    if not stepped:
        reasons += _counted(turn, told, told_by)
    return [*reasons, *_grid(turn, told), *_closing(turn), *_passes(turn), *_phase(turn), *gain(ellipse)]


def _not_this_kind(turn: RecordedTurn, ellipse: Ellipse | None) -> list[Reason]:
    if ellipse is None:
        return []
    off = math.degrees(ellipse.orthogonality_rad)
    told = ""
    if abs(off) > NOT_RESOLVER_DEG:
        told = f"the outputs are {90 + off:.0f} deg el apart: three-wire transmitters have 120 or 60"
    elif ellipse.residual_rms > 0.15 * max(ellipse.amplitude_u, ellipse.amplitude_v):
        speeds = _two_speeds(turn)
        told = f"the outputs hold {speeds[0]} and {speeds[1]} cycles a turn side by side" if speeds else ""
    if not told:
        return []
    return [
        Reason(
            code="not-this-kind",
            text="These are not the outputs of a single-speed sine and cosine resolver.",
            evidence=told,
            next="Find out what the part is; this tool judges one excitation, one sine and one cosine coil.",
        )
    ]


def _two_speeds(turn: RecordedTurn) -> tuple[int, int] | None:
    """Two orders of the turn that both hold more than a fifth of the strongest, in z = v + j u."""
    orders = list(range(1, 1 + min(40, turn.points // 2 - 1)))
    if not orders:
        return None
    z = turn.v + 1j * turn.u
    size = []
    for n in orders:
        size.append(max(abs(np.mean(z * np.exp(sign * 1j * n * turn.theta_mech_rad))) for sign in (-1, 1)))
    first, second = (int(i) for i in np.argsort(size)[::-1][:2]) if len(size) > 1 else (0, 0)
    return (orders[first], orders[second]) if size[second] > 0.2 * size[first] else None


def _counted(turn: RecordedTurn, told: int | None, told_by: str) -> list[Reason]:
    """Pole pairs that are not whole, or not those that were told."""
    found, per_turn = turn.pairs, abs(turn.per_turn)
    off = abs(per_turn - round(per_turn))
    if off > max(WHOLE, 4 * turn.u_per_turn):
        factor = _power_of_two(per_turn / told) if told else None
        return [
            Reason(
                code="microstep-setting" if factor else "pole-pairs-not-whole",
                text="The electrical turns of a commanded turn are no whole number.",
                evidence=f"{turn.per_turn:+.3f} electrical turns a commanded turn"
                + (f", {factor:g} times the {told} told" if factor else ""),
                next="Check the axis' steps a turn, the driver's microsteps, coupling and rotor seat; sweep again.",
                spoils=TURN_LINES,
            )
        ]
    if told is None or found.value == told or (found.ambiguous and told):
        return []
    reasons = [
        Reason(
            code="pole-pairs-mismatch",
            text=f"This looks like {found.value} pole pairs, not {told}.",
            evidence=f"{found.value} electrical turns a commanded turn (score {found.score:.3f}), {told} by {told_by}; "
            f"against {told} the error would grow by {found.value * found.direction - told:+d} deg a degree",
            next="Count the rotor's lobes or confirm the pole pairs; until then the angle error is not judged.",
            spoils=ERROR_LINES,
        )
    ]
    factor = _power_of_two(found.value / told)
    if factor:
        reasons.append(
            Reason(
                code="microstep-setting",
                text="An axis that turns a power of two too far or too little would look the same.",
                evidence=f"{factor:g} times the electrical turns that were told",
                next="Mark the shaft and see that a commanded turn is one turn; compare the driver's microsteps.",
                spoils=ERROR_LINES,
            )
        )
    return reasons


def _power_of_two(ratio: float) -> float | None:
    power = math.log2(ratio) if ratio > 0 else 0.0
    return 2.0 ** round(power) if round(power) != 0 and abs(power - round(power)) < 0.02 else None


def _grid(turn: RecordedTurn, told: int | None) -> list[Reason]:
    p, points = turn.pairs.value, turn.points
    if turn.span_rad < 1.9 * math.pi:
        return []
    if turn.pairs.ambiguous:
        evidence = f"{points} even positions a turn can't tell {p} from {abs(points - p)} pole pairs backwards"
        spoils: tuple[str, ...] = TURN_LINES if told is None else ()
    elif points < 4 * p + 1:
        evidence = f"{points} positions a turn don't show order {2 * p} (twice the pole pairs)"
        spoils = ERROR_LINES
    else:
        return []
    return [
        Reason(
            code="grid-blind",
            text="The positions hide what is looked for.",
            evidence=evidence,
            next="Sweep more positions: 12 a cycle of order 4 p, or a few uneven ones.",
            spoils=spoils,
        )
    ]


def closure_elec_rad(turn: RecordedTurn) -> float | None:
    """Last less first reading of the same position a whole turn apart, electrical rad; None without a closing point."""
    theta, away = turn.theta_mech_rad, turn.deviation_elec_rad
    for i in range(theta.size - 1, 0, -1):
        if abs(abs(theta[i] - theta[0]) - 2 * math.pi) < 1e-6:
            return float(wrap(np.array([away[i] - away[0]]))[0])
    return None


def _point_noise(turn: RecordedTurn) -> float:
    """Scatter of a single record, electrical rad, by second differences in the order of angle (robust)."""
    rank = np.argsort(turn.theta_mech_rad, kind="stable")
    bend = np.diff(turn.deviation_elec_rad[rank], 2)
    return float(np.median(np.abs(bend))) / 0.6745 / math.sqrt(6) if bend.size else 0.0


def _closing(turn: RecordedTurn) -> list[Reason]:
    gap = closure_elec_rad(turn)
    if gap is None:
        return []
    mech = gap * ARCMIN_PER_RAD / turn.pairs.value
    least = max(CLOSURE_MECH_ARCMIN, 5 * math.sqrt(2) * _point_noise(turn) * ARCMIN_PER_RAD / turn.pairs.value)
    if abs(mech) <= least:
        return []
    return [
        Reason(
            code="turn-not-closed",
            text="The reading after a whole turn is not the first one.",
            evidence=f"{mech:+.1f}' mechanical; at most {least:.1f}' was expected",
            next="See whether axis, coupling or rotor moved; tighten and sweep again.",
            spoils=ERROR_LINES,
        )
    ]


def hysteresis_elec_rad(turn: RecordedTurn) -> float | None:
    """Upward less downward reading at the same positions (median); None when the file has one direction of travel."""
    theta, away = np.degrees(turn.theta_mech_rad), turn.deviation_elec_rad
    rising = np.gradient(theta) > 0
    keys = np.round(np.mod(theta, 360.0), 3)
    up = {key: away[i] for i, key in enumerate(keys) if rising[i]}
    apart = [up[key] - away[i] for i, key in enumerate(keys) if not rising[i] and key in up]
    return float(np.median(wrap(np.array(apart)))) if len(apart) >= 8 else None


def _passes(turn: RecordedTurn) -> list[Reason]:
    found = hysteresis_elec_rad(turn)
    mech = 0.0 if found is None else found * ARCMIN_PER_RAD / turn.pairs.value
    if abs(mech) <= 6.0:
        return []
    return [
        Reason(
            code="latency",
            text="Both directions read the same positions differently.",
            evidence=f"{mech:+.1f}' mechanical, upward less downward: play, or a delay between position and record",
            next="Approach every position from one side; wait for the axis to settle before recording.",
            spoils=ERROR_LINES,
        )
    ]


def _phase(turn: RecordedTurn) -> list[Reason]:
    worst = max(abs(math.degrees(turn.phase_sine_rad)), abs(math.degrees(turn.phase_cosine_rad)))
    if worst < AMBIGUOUS_DEG:
        return []
    return [
        Reason(
            code="phase-ambiguous",
            text="The outputs are nearly a quarter period off the excitation: their sign is open.",
            evidence=f"{worst:.1f} deg electrical phase; beyond 90 deg the angle would be half a turn off",
            next="Check for swapped leads or a phase shifter in the excitation; compare with a known-good part.",
            spoils=("zero_elec_deg", "phase_sin_deg", "phase_cos_deg"),
        )
    ]


def gain(ellipse: Ellipse | None) -> list[Reason]:
    """An imbalance that may be the recorder's as well as the sensor's."""
    if ellipse is None or abs(ellipse.imbalance) < max(GAIN, 3 * float(ellipse.u[0])):
        return []
    order_arcmin = abs(ellipse.imbalance) / (2 + ellipse.imbalance) * ARCMIN_PER_RAD
    return [
        Reason(
            code="channel-gain",
            text="Sine and cosine differ in size: the sensor's outputs or the recorder's inputs?",
            evidence=f"imbalance {100 * ellipse.imbalance:+.2f} % by the ellipse, which no positioner and no eccentric "
            f"seat makes; it puts {order_arcmin:.0f}' at twice the electrical angle (order 2 el) into the error",
            next="Swap the two input channels and record again, or calibrate them on one signal: what follows the "
            "channel is the recorder's, what stays is the sensor's.",
            spoils=(),
        )
    ]


def wiring(turn: RecordedTurn) -> list[Finding]:
    """A reversed direction: the class of wirings that explain it, never one wire."""
    if turn.pairs.direction > 0:
        return []
    zero = math.degrees(turn.offset_elec_rad + float(np.mean(turn.deviation_elec_rad))) % 360.0
    nearest = 90 * (round(zero / 90) % 4)
    told = f"the electrical angle falls while the position rises; {zero:.1f} deg electrical at position 0"
    against = (
        "sine and cosine swapped (zero at 90 or 270), the sine pair reversed (zero at 0 or 180), the cosine pair "
        "reversed (zero at 180 or 0), and positions counted the other way round all do this; the excitation pair "
        "reversed moves the zero by 180. Without a known zero they can't be told apart"
    )
    test = "Swap nothing yet: compare with a known-good part in the same place, or ring out the harness pin by pin."
    shares = {0: (0.2, 0.7), 90: (0.7, 0.2), 180: (0.2, 0.7), 270: (0.7, 0.2)}[nearest]
    texts = ("sine and cosine are swapped, or one of the class", "one output pair is reversed, or one of the class")
    found = [
        Finding(code=code, probability=share, evidence=told, against=against, next_test=test, text=text)
        for code, share, text in zip(("wiring-swapped", "wiring-reversed"), shares, texts, strict=True)
    ]
    return sorted(found, key=lambda finding: -finding.probability)
