"""A turn recorded elsewhere, worked out: ratios against positions, envelopes, pole pairs, the angle's deviation.

It must never judge nor read a file. Positions are mechanical, as commanded; whoever drove them may have been wrong, so
every count is taken from the electrical angle and compared with them. Sine and cosine have carrier phases of their own,
on the branch nearest their common one (within +-90 deg of the excitation). Records of a source that restarted without
being recorded show the angle half an electrical turn off: the doubled angle finds the pole pairs then.
Theory: design page "signal", section 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.resolver.angle import PolePairs, electrical_angle, pole_pairs, unwrap, wrap
from rig.resolver.error_curve import deviation
from rig.signal.phasor import carrier_phase, signed_envelope

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
MOST_POLE_PAIRS = 16
DEAD = 0.01  # of the median excitation: a record without excitation
SILENT_SHARE = 0.02  # of the other output's movement
SILENT_RATIO = 0.003  # movement of an output against the excitation
STANDING = 0.02  # movement over size below which nothing turns


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """Phasors (n,), peak volts, in the order recorded; positions mechanical rad; labels (n,): line or record number.

    frequency_hz None: not known. u_ratio: standard uncertainty of a ratio's parts by the fits' residuals, None where
    only phasors were given. missing: records that the file announces but that hold no numbers.
    """

    source: str
    theta_mech_rad: Floats
    exc: Complexes
    sine: Complexes
    cosine: Complexes
    labels: NDArray[np.int64]
    frequency_hz: float | None = None
    u_ratio: float | None = None
    missing: int = 0

    @property
    def live(self) -> Bools:
        """Records in which the excitation is there."""
        size = np.abs(self.exc)
        return np.asarray((size > 0) & (size > DEAD * np.median(size)), dtype=bool)

    def only(self, mask: Bools) -> Recording:
        """Some of the records."""
        return Recording(
            source=self.source,
            theta_mech_rad=self.theta_mech_rad[mask],
            exc=self.exc[mask],
            sine=self.sine[mask],
            cosine=self.cosine[mask],
            labels=self.labels[mask],
            frequency_hz=self.frequency_hz,
            u_ratio=self.u_ratio,
            missing=self.missing,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedTurn:
    """What the ratios say. u, v: in-phase envelopes, qu, qv: across; all ratios to the excitation (n,).

    phase_sine_rad, phase_cosine_rad: lead +. pairs: found, not told. deviation_elec_rad (n,): indicated less
    position, offset_elec_rad taken off. flipped: records turned back by half a turn (restarted, unrecorded source).
    per_turn, u_per_turn: electrical turns a commanded turn by a ramp beside the low orders.
    """

    recording: Recording
    u: Floats
    v: Floats
    qu: Floats
    qv: Floats
    phase_sine_rad: float
    phase_cosine_rad: float
    u_phase_rad: tuple[float, float]
    pairs: PolePairs
    deviation_elec_rad: Floats
    offset_elec_rad: float
    flipped: Bools
    per_turn: float
    u_per_turn: float

    @property
    def theta_mech_rad(self) -> Floats:
        return self.recording.theta_mech_rad

    @property
    def points(self) -> int:
        """Different positions of a turn."""
        return len(np.unique(np.round(np.mod(self.theta_mech_rad + 1e-7, 2 * math.pi), 5)))

    @property
    def span_rad(self) -> float:
        """How much of a turn the positions cover, their spacing counted in, mechanical rad (2 pi at most)."""
        span = float(np.ptp(self.theta_mech_rad))
        return min(2 * math.pi, span * self.points / max(1, self.points - 1))


def movement(recording: Recording) -> tuple[tuple[float, float], tuple[float, float]]:
    """((size, movement) of the sine ratio, of the cosine ratio): largest modulus and rms about the mean."""
    found = []
    for output in (recording.sine, recording.cosine):
        ratios = output / recording.exc
        found.append((float(np.max(np.abs(ratios))), float(np.std(ratios))))
    return found[0], found[1]


def work_out(recording: Recording) -> RecordedTurn:
    """The turn. Every record must be live and both outputs must move. Raises UsageError for fewer than four points."""
    sine, cosine = recording.sine / recording.exc, recording.cosine / recording.exc
    moved = [part - np.mean(part) for part in (sine, cosine)]
    common = carrier_phase(np.concatenate(moved), constant=0j).phase_rad
    flipped = np.zeros(sine.size, dtype=bool)
    along = [np.real(part * np.exp(-1j * common)) for part in (sine, cosine)]
    pairs = pole_pairs(electrical_angle(*along), recording.theta_mech_rad, MOST_POLE_PAIRS)
    if pairs.score < 0.9:
        turned_back = _restarted(electrical_angle(*along), recording.theta_mech_rad)
        if turned_back is not None:
            pairs, flipped = turned_back
            sign = np.where(flipped, -1.0, 1.0)
            sine, cosine = sine * sign, cosine * sign
            common = carrier_phase(np.concatenate([sine, cosine]), constant=0j).phase_rad
    first = [carrier_phase(part, sign_from=common) for part in (sine, cosine)]
    u, qu = signed_envelope(sine, first[0].phase_rad)
    v, qv = signed_envelope(cosine, first[1].phase_rad)
    theta_elec = electrical_angle(u, v)
    away, offset = deviation(theta_elec, recording.theta_mech_rad, pairs.value, pairs.direction)
    per_turn, u_per_turn = _per_turn(recording.theta_mech_rad, away, pairs)
    return RecordedTurn(
        recording=recording,
        u=u,
        v=v,
        qu=qu,
        qv=qv,
        phase_sine_rad=first[0].phase_rad,
        phase_cosine_rad=first[1].phase_rad,
        u_phase_rad=(first[0].u_rad, first[1].u_rad),
        pairs=pairs,
        deviation_elec_rad=away,
        offset_elec_rad=offset,
        flipped=flipped,
        per_turn=per_turn,
        u_per_turn=u_per_turn,
    )


def _restarted(theta_elec: Floats, theta_mech: Floats) -> tuple[PolePairs, Bools] | None:
    """Pole pairs from the doubled angle and the records that are half a turn off, where that explains everything."""
    double = pole_pairs(wrap(2 * theta_elec), theta_mech, 2 * MOST_POLE_PAIRS)
    if double.score < 0.95 or double.value % 2:
        return None
    p = double.value // 2
    raw = theta_elec - double.direction * p * theta_mech
    middle = 0.5 * float(np.angle(np.mean(np.exp(2j * raw))))
    off = np.cos(raw - middle) < 0
    if 2 * np.count_nonzero(off) > off.size:
        off = ~off
    if not np.any(off):
        return None
    found = PolePairs(
        value=p,
        per_turn=double.per_turn / 2,
        direction=double.direction,
        score=double.score,
        runner_up=double.runner_up,
        ambiguous=double.ambiguous,
    )
    return found, off


def _per_turn(theta_mech: Floats, away: Floats, pairs: PolePairs) -> tuple[float, float]:
    """(electrical turns a commanded turn, standard uncertainty): the ramp left beside orders 1, 2, p and 2 p."""
    rank = np.argsort(theta_mech, kind="stable")
    theta, left = theta_mech[rank], unwrap(away[rank])
    orders = [n for n in sorted({1, 2, pairs.value, 2 * pairs.value}) if 3 * n <= theta.size]
    columns = [np.ones_like(theta), theta - np.mean(theta)]
    if float(np.ptp(theta)) > 1.8 * math.pi:
        columns += [part for n in orders for part in (np.cos(n * theta), np.sin(n * theta))]
    rows = np.column_stack(columns)
    inverse = np.linalg.pinv(rows)
    solution = inverse @ left
    variance = float(np.sum((left - rows @ solution) ** 2)) / max(1, theta.size - rows.shape[1])
    u = math.sqrt(variance * float(inverse[1] @ inverse[1]))
    return pairs.direction * pairs.value + float(solution[1]), u
