"""What a recording can't tell, by the witness that it lacks: one row a witness, the more important first.

It must never judge. Of a bench run there is nothing to say here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from rig.evaluation.evaluated import Evaluated
from rig.observed import Absent
from rig.resolver.turn.grids import grid_folding, part_orders
from rig.result import NotKnown

TELLS: tuple[tuple[Absent, str], ...] = (
    (Absent.RECORDER, "the gain, skew and loading of the channels: U is scatter only, no line has a verdict"),
    (Absent.POSITIONER, "which error is the positioner's and which the part's (a second clamping tells)"),
    (Absent.PART, "the limits, the nominal level and the teeth"),
    (Absent.POSITIONS, "angle error, pole pairs and direction: nobody knows where the rotor stood"),
    (Absent.EXCITATION, "whether the source's phase flipped between records: the file's excitation never changes"),
    (Absent.LOOPBACK, "whether a difference of sine and cosine is the sensor's or the recorder's"),
    (Absent.FREQUENCY, "the excitation's frequency: phasors don't carry it"),
    (Absent.WAVEFORMS, "distortion, total nulls, interference, clipping within a record"),
    (Absent.VOLTS, "levels in volts; ratios and phases stand (--full-scale-v)"),
    (Absent.RAILS, "whether a channel stands on a rail, other than by its shape"),
    (Absent.CURRENT, "current and impedance of the excitation coil"),
    (Absent.DC, "DC resistances, leaks and the thermistor"),
    (Absent.INDEX, "whether the axis lost steps that a turn does not show"),
    (Absent.SETTING, "whether the level is the one that the source was set to"),
    (Absent.TIMES, "drift with time"),
    (Absent.BACKGROUND, "pick-up at the carrier's own frequency"),
)
"""Witness -> what is not known without it."""
WHOLE_TURN_MECH_RAD = 1.9 * math.pi
SHOWN_SHARE = 0.45  # of the positions: highest order that they show
SIGN = "a reading of the outputs' sign at DC"


def not_known(evaluated: Evaluated) -> tuple[NotKnown, ...]:
    """Every row that this recording asks for; none of a bench run."""
    observed = evaluated.observed
    if not observed.absent:
        return ()
    rows = [NotKnown(witness=witness.value, what=what) for witness, what in TELLS if observed.lacks(witness)]
    if observed.lacks(Absent.POLE_PAIRS):
        rows.append(NotKnown(witness=Absent.POLE_PAIRS.value, what=_no_label_sentence(evaluated)))
    rows.append(NotKnown(witness=SIGN, what="the outputs' sign where their phase is beyond 90 deg: half a turn"))
    return (*rows, *_positions(evaluated))


def _no_label_sentence(evaluated: Evaluated) -> str:
    curve = evaluated.angle_curve
    if curve is None:
        return "whether the rotor made a whole turn"
    return f"whether a commanded turn was one turn: {curve.found.value} pole pairs hold only if it was"


def _positions(evaluated: Evaluated) -> Iterator[NotKnown]:
    """What too few or too even positions hide."""
    found, curve = evaluated.turn, evaluated.angle_curve
    if found is None or curve is None:
        return
    p = curve.found.value
    places = np.unique(np.round(np.mod(found.theta_mech_rad[found.inside] + 1e-7, 2.0 * math.pi), 5))
    points = int(places.size)
    span = float(np.ptp(found.theta_mech_rad)) * points / max(1, points - 1)
    if span < WHOLE_TURN_MECH_RAD:
        share = 100.0 * (1.0 - span / (2.0 * math.pi))
        yield NotKnown(witness="positions over a whole turn", what=f"{share:.0f} % of the turn, and the low orders")
        return
    unseen = [n for n in part_orders(p) if SHOWN_SHARE * points < n <= 8 * p]
    if unseen:
        what = f"orders {', '.join(map(str, unseen))} a turn: {points} positions don't show them"
        yield NotKnown(witness="more positions", what=what)
    if points >= 3 and evaluated.observed.lacks(Absent.POSITIONER):
        for n, (at, why) in grid_folding(points, p).items():
            if why:
                what = f"a stepper's order {n}: {points} positions a turn show it at {at} ({why})"
                yield NotKnown(witness=Absent.POSITIONER.value, what=what)
