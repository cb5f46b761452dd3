"""A turn recorded elsewhere treated like our own: phasors at positions, or a sampled sweep that becomes them.

It must never pretend (rig/review/analysis.py): what the file can't tell is listed as unknown. Theory: design page
"signal"; formats: rig/records/capture_files.py.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rig.errors import UsageError
from rig.evaluation.stating import ARCMIN_PER_RAD
from rig.records.capture_files import PhasorTable, SweepFile
from rig.resolver.ellipse import Ellipse, fit_ellipse
from rig.resolver.grids import grid_folding, part_orders
from rig.result import Reason
from rig.review import recorded_results, recorded_sound, recorded_wave
from rig.review.analysis import WITNESSES, Analysis, Told, report, told_frequency
from rig.review.recorded_turn import RecordedTurn, Recording, work_out
from rig.signal.common_frequency import pooled_frequency
from rig.signal.quality import Expected, inspect
from rig.signal.sine_fit import Fit, fit_stack


def analyse_phasors(table: PhasorTable, told: Told | None = None) -> Analysis:
    """A turn of phasors. Raises UsageError for fewer than four live records."""
    recording = Recording(
        source=table.source,
        theta_mech_rad=np.radians(table.stepper_mech_deg),
        exc=table.exc,
        sine=table.sine,
        cosine=table.cosine,
        labels=table.lines,
        missing=len(table.left_aside),
    )
    return _turn_report("phasors", recording, told or Told(), [])


def _turn_report(kind: str, recording: Recording, told: Told, reasons: list[Reason], *, u_hz: float = 0.0) -> Analysis:
    reasons = [*reasons, *recorded_sound.before_turn(recording)]
    lines = recorded_results.excitation_lines(recording, told.frequency_hz, u_hz)
    if any("*" in reason.spoils for reason in reasons if reason.code != "channel-saturated"):
        unknown = ("ratio, phases, nulls, angle, pole pairs and direction: see the reasons",)
        return report(kind, recording.source, told, lines, reasons, unknown=unknown)
    turn = work_out(recording.only(recording.live))
    ellipse = _ellipse(turn)
    reasons += recorded_sound.turn_reasons(turn, ellipse, told.pole_pairs, told.by)
    reasons += recorded_wave.skew(
        math.degrees(math.remainder(turn.phase_sine_rad - turn.phase_cosine_rad, 2 * math.pi)),
        recording.frequency_hz or told.frequency_hz,
    )
    found, curves = recorded_results.turn_lines(turn, told.frequency_hz)
    return report(
        kind,
        recording.source,
        told,
        [*lines, *found],
        reasons,
        findings=tuple(recorded_sound.wiring(turn)),
        causes=recorded_results.causes(turn),
        notes=tuple(_notes(turn, told)),
        unknown=tuple(_unknown(turn, told)),
        curves=curves,
    )


def _ellipse(turn: RecordedTurn) -> Ellipse | None:
    try:
        return fit_ellipse(turn.u, turn.v)
    except UsageError:
        return None


def _notes(turn: RecordedTurn, told: Told) -> list[str]:
    notes = []
    exc = turn.recording.exc
    phases = np.angle(exc * np.conj(exc[0]))
    restarts = int(np.count_nonzero(np.cos(phases) < 0))
    if restarts:
        notes.append(
            f"The source's phase is turned by half a cycle in {restarts} of {exc.size} records; the excitation was "
            "recorded with them, so it cancels."
        )
    size = np.abs(exc)
    if float(np.ptp(size)) > 0.05 * float(np.median(size)):
        notes.append(
            f"The excitation changes between {size.min() / math.sqrt(2):.3g} and {size.max() / math.sqrt(2):.3g} V rms "
            "over the file; ratios stand, a source at its limit may be distorted too."
        )
    if turn.pairs.direction < 0:
        notes.append("The error curve is that of the direction found; a reversed direction does not spoil it.")
    ellipse = _ellipse(turn)
    if ellipse is not None and abs(ellipse.orthogonality_rad) > math.radians(1.0):
        away = math.degrees(ellipse.orthogonality_rad)
        notes.append(
            f"The outputs are {90 + away:.2f} deg electrical apart: {abs(away) / 2:.2f} deg of the error's mean, which "
            f"belongs to the zero, and {abs(away) / 2:.2f} deg at twice the electrical angle."
        )
    gap, hysteresis = recorded_sound.closure_elec_rad(turn), recorded_sound.hysteresis_elec_rad(turn)
    scale = ARCMIN_PER_RAD / turn.pairs.value
    if gap is not None:
        notes.append(f"The turn closes within {gap * scale:+.2f}' mechanical.")
    if hysteresis is not None:
        notes.append(f"Upward less downward pass: {hysteresis * scale:+.2f}' mechanical.")
    if told.part:
        notes.append(
            f"Limits of part {told.part} are not applied: nothing vouches for the recorder and the positioner."
        )
    return notes


def _unknown(turn: RecordedTurn, told: Told) -> list[str]:
    unknown = [f"{WITNESSES}: not in the file, not in U"]
    p = turn.pairs.value
    if turn.recording.frequency_hz is None and told.frequency_hz is None:
        unknown.append("the excitation's frequency: phasors don't carry it")
    if told.pole_pairs is None:
        unknown.append(f"whether a commanded turn was one turn: {p} pole pairs hold only if it was")
    if turn.span_rad < 1.9 * math.pi:
        unknown.append(f"{100 * (1 - turn.span_rad / (2 * math.pi)):.0f} % of the turn, and with it the low orders")
    unseen = [n for n in part_orders(p) if n > 0.45 * turn.points and n <= 8 * p]
    if unseen:
        unknown.append(f"orders {', '.join(map(str, unseen))} a turn: {turn.points} positions don't show them")
    if turn.span_rad >= 1.9 * math.pi and turn.points >= 3:
        folded = [(n, at, why) for n, (at, why) in grid_folding(turn.points, p).items() if why]
        unknown += [
            f"a stepper's order {n}: {turn.points} positions a turn show it at {at} ({why})" for n, at, why in folded
        ]
    unknown.append("which error is the positioner's and which the part's (a second clamping tells)")
    return unknown


# ---- a sampled sweep -----------------------------------------------------------------------------------------


def analyse_sweep(sweep: SweepFile, told: Told | None = None) -> Analysis:
    """A sampled turn: one frequency for all records, one fit each, then as phasors."""
    told = told or Told()
    stack, names = sweep.stack, ("exc", "sin", "cos")
    at = [stack.channels.index(name) for name in names]
    codes = stack.codes[:, at[0], :]
    moving = np.asarray(codes.max(axis=1) > codes.min(axis=1))  # a difference of int16 codes would overflow
    recording = Recording(
        source=sweep.source,
        theta_mech_rad=np.radians(sweep.positions_mech_deg),
        exc=np.zeros(len(stack), dtype=np.complex128),
        sine=np.zeros(len(stack), dtype=np.complex128),
        cosine=np.zeros(len(stack), dtype=np.complex128),
        labels=np.arange(len(stack), dtype=np.int64),
    )
    if not np.any(moving):
        return _turn_report("sweep", recording, told, [])
    frequency = pooled_frequency(codes[moving], stack.sample_rate_hz, near_hz=told.frequency_hz)
    found = fit_stack(stack, frequency.frequency_hz)
    quality = inspect(stack, found, Expected(steady=("exc",), signal=names))
    strongest = np.unique([int(np.argmax(np.abs(found.fundamental[:, c]))) for c in at])
    volts = np.concatenate([stack.volts_of(slice(int(i), int(i) + 1))[:, at, :] for i in strongest])
    rails = None
    scale = stack.scale_v[at]
    if np.all(scale == scale[0]):
        rails = (float(stack.rail_low * scale[0]), float(stack.rail_high * scale[0]))
    reasons = recorded_wave.saturation(volts, names, stack.sample_rate_hz, frequency.frequency_hz, rails)
    clipped = [name for name in quality.clipped if name in names]
    if clipped and not reasons:
        reasons += _rail(clipped)
    reasons += recorded_wave.disturbance(quality, _channels(found, at), names)
    reasons += told_frequency(told, frequency.frequency_hz)
    size = np.abs(found.fundamental[:, at[0]])
    u = float(np.sqrt(np.mean(found.u_amplitude[:, at[1:]] ** 2)) / max(float(np.median(size)), 1e-300))
    recording = Recording(
        source=sweep.source,
        theta_mech_rad=recording.theta_mech_rad,
        exc=np.where(moving, found.fundamental[:, at[0]], 0.0),
        sine=found.fundamental[:, at[1]],
        cosine=found.fundamental[:, at[2]],
        labels=recording.labels,
        frequency_hz=frequency.frequency_hz,
        u_ratio=u,
    )
    return _turn_report("sweep", recording, told, reasons, u_hz=frequency.u_hz)


def _rail(clipped: Sequence[str]) -> list[Reason]:
    return [
        Reason(
            code="channel-saturated",
            text=f"The {recorded_wave.NAMES[name]} input stands on its rail in some records.",
            evidence="two samples or more on the converter's last code",
            next="Choose a larger range or a lower level on that channel, then record again.",
        )
        for name in clipped
    ]


def _channels(found: Fit, at: Sequence[int]) -> Fit:
    """The fit of some channels only."""
    return Fit(
        frequency_hz=found.frequency_hz,
        sample_rate_hz=found.sample_rate_hz,
        samples=found.samples,
        fundamental=found.fundamental[:, at],
        harmonics=found.harmonics[:, at],
        orders=found.orders,
        dc=found.dc[:, at],
        residual_rms=found.residual_rms[:, at],
        u_amplitude=found.u_amplitude[:, at],
    )
