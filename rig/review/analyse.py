"""Recordings from elsewhere treated like our own: phasors at positions, one sampled record, a sampled sweep.

It must never pretend: what the file can't tell is listed under `unknown`, limits are not applied (nothing is known of
the recorder's calibration or the positioner), U is the scatter of the data alone. Outcome: unsound measurement where
a reason spoils lines; not this kind; undecided where a question stays open; else measured, no limits.
Theory: design page "signal"; formats: rig/records/capture_files.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.stating import ARCMIN_PER_RAD
from rig.records.capture_files import PhasorTable, SweepFile, WaveTable, stack_of_volts
from rig.resolver.attribution import Cause
from rig.resolver.ellipse import Ellipse, fit_ellipse
from rig.resolver.grids import grid_folding, part_orders
from rig.resolver.part import Part
from rig.result import EXIT_STATUS, Finding, Judged, Reason, Result
from rig.review import recorded_hand, recorded_results, recorded_sound, recorded_wave
from rig.review.recorded_turn import RecordedTurn, Recording, work_out
from rig.signal.quality import Expected, inspect
from rig.signal.sine_fit import Fit, fit, fit_stack, pooled_frequency
from rig.uncertainty.conformity import Verdict

Floats = NDArray[np.float64]
SCHEMA = "anglewright result 1"
WITNESSES = "the recorder's calibration, the loading by its inputs, the positioner's own error"


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the person said of the part: pole pairs and frequency (Hz), by name of who said it; nothing is required."""

    pole_pairs: int | None = None
    frequency_hz: float | None = None
    by: str = "the caller"
    part: str = ""

    @classmethod
    def of(cls, part: Part | None, pole_pairs: int | None = None, frequency_hz: float | None = None) -> Told:
        """From a part file and options; an option overrides the file."""
        if part is None:
            return cls(pole_pairs=pole_pairs, frequency_hz=frequency_hz)
        return cls(
            pole_pairs=pole_pairs or part.pole_pairs,
            frequency_hz=frequency_hz or part.excitation.frequency_hz,
            by="the caller" if pole_pairs else "the part file",
            part=part.number,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """What a recording says; `judged` rows have no verdict, spoiled ones are *not tested* with the reason."""

    kind: str
    source: str
    outcome: str
    judged: tuple[Judged, ...]
    reasons: tuple[Reason, ...] = ()
    findings: tuple[Finding, ...] = ()
    causes: tuple[Cause, ...] = ()
    notes: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    part: str = ""
    curves: Mapping[str, Any] = field(default_factory=dict)

    @property
    def exit_status(self) -> int:
        return EXIT_STATUS[self.outcome]

    def line(self, measurand: str) -> Judged | None:
        """The row of a measurand."""
        return next((row for row in self.judged if row.measurand == measurand), None)

    def document(self) -> dict[str, Any]:
        """The --json document, in the shape of a run's."""
        return {
            "schema": SCHEMA,
            "kind": self.kind,
            "source": self.source,
            "simulated": False,
            "run": None,
            "part": self.part or None,
            "serial": None,
            "outcome": self.outcome,
            "reasons": [reason.to_dict() for reason in self.reasons],
            "results": [row.to_dict() for row in self.judged],
            "findings": [finding.to_dict() for finding in self.findings],
            "causes": [
                {
                    "code": cause.code,
                    "order_mech": cause.order_mech,
                    "size": cause.size,
                    "unit": cause.unit,
                    "error_elec_arcmin": cause.error_elec_arcmin,
                    "text": cause.text,
                }
                for cause in self.causes
            ],
            "notes": list(self.notes),
            "unknown": list(self.unknown),
            "files": {},
        }


def roll_up(reasons: Sequence[Reason]) -> str:
    """The outcome without limits; a reason that spoils nothing leaves a question open (points missing does not)."""
    if any(reason.code == "not-this-kind" for reason in reasons):
        return "not this kind"
    if any(reason.spoils for reason in reasons):
        return "unsound measurement"
    if any(reason.code != "points-missing" for reason in reasons):
        return "undecided"
    return "measured, no limits"


def _report(
    kind: str, source: str, told: Told, results: Sequence[Result], reasons: Sequence[Reason], **rest: Any
) -> Analysis:
    rows = []
    for result in results:
        spoiled = next((reason for reason in reasons if _spoils(reason, result.measurand)), None)
        ours = result.measurand in ("v_exc_rms", "f_exc_hz", "thd_exc")
        if result.estimate is None or (spoiled is not None and not ours):
            note = result.note if spoiled is None else f"{spoiled.code}: {spoiled.text}"
            rows.append(_row(result, Verdict.NOT_TESTED, note))
        else:
            rows.append(_row(result, Verdict.NO_LIMIT, result.note))
    return Analysis(
        kind=kind,
        source=source,
        outcome=roll_up(reasons),
        judged=tuple(rows),
        reasons=tuple(reasons),
        part=told.part,
        **rest,
    )


def _spoils(reason: Reason, id_: str) -> bool:
    """A reason against the error is one against its orders."""
    own = {"*", id_} | ({"error_max_elec_arcmin"} if id_.startswith("order_") else set())
    return not own.isdisjoint(reason.spoils)


def _row(result: Result, verdict: Verdict, note: str) -> Judged:
    return Judged(measurand=result.measurand, result=result, limit=None, verdict=verdict, note=note)


# ---- phasors ------------------------------------------------------------------------------------------------


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
        return _report(kind, recording.source, told, lines, reasons, unknown=unknown)
    turn = work_out(recording.only(recording.live))
    ellipse = _ellipse(turn)
    reasons += recorded_sound.turn_reasons(turn, ellipse, told.pole_pairs, told.by)
    reasons += recorded_wave.skew(
        math.degrees(math.remainder(turn.phase_sine_rad - turn.phase_cosine_rad, 2 * math.pi)),
        recording.frequency_hz or told.frequency_hz,
    )
    found, curves = recorded_results.turn_lines(turn, told.frequency_hz)
    return _report(
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


# ---- one record ---------------------------------------------------------------------------------------------


def analyse_waves(table: WaveTable, told: Told | None = None) -> Analysis:
    """Three channels sampled at one position (or, when the rotor turns in it, over a turn by hand)."""
    told = told or Told()
    names = ("exc", "sin", "cos")
    volts = table.volts[None]
    if not np.ptp(volts[0, 0]):
        dead = recorded_sound.before_turn(
            Recording(
                source=table.source,
                theta_mech_rad=np.zeros(1),
                exc=np.zeros(1, dtype=np.complex128),
                sine=np.ones(1, dtype=np.complex128),
                cosine=np.ones(1, dtype=np.complex128),
                labels=np.zeros(1, dtype=np.int64),
            )
        )
        return _report("waves", table.source, told, [], dead, unknown=("everything: there is no reference",))
    frequency = pooled_frequency(volts[:, 0, :], table.sample_rate_hz, near_hz=told.frequency_hz)
    moved = recorded_hand.turned(volts, table.sample_rate_hz, frequency.frequency_hz, told.pole_pairs)
    if moved is not None:
        return _by_hand(table, told, moved, frequency.frequency_hz)
    found = fit(volts, table.sample_rate_hz, frequency.frequency_hz)
    stack = stack_of_volts(volts, names, table.sample_rate_hz)
    reasons = recorded_wave.saturation(volts, names, table.sample_rate_hz, frequency.frequency_hz, table.rail_v)
    reasons += recorded_wave.disturbance(inspect(stack, fit_stack(stack, frequency.frequency_hz)), found, names)
    lines = recorded_wave.record_lines(found, table.u_rate_relative, frequency.u_hz)
    by_id = {line.measurand: line.estimate or 0.0 for line in lines}
    if min(by_id["ratio_sin"], by_id["ratio_cos"]) > 0.1 * by_id["ratio_both"]:
        reasons += recorded_wave.skew(by_id["phase_sin_deg"] - by_id["phase_cos_deg"], frequency.frequency_hz)
    reasons += _told_frequency(told, frequency.frequency_hz)
    notes, unknown = _record_notes(table, found)
    return _report("waves", table.source, told, lines, reasons, notes=notes, unknown=unknown)


def _by_hand(table: WaveTable, told: Told, moved: recorded_hand.Moved, hz: float) -> Analysis:
    """A record in which the rotor turned: what the ellipse tells, or only that it moved."""
    names = ("exc", "sin", "cos")
    strongest = recorded_hand.strongest(table.volts, table.sample_rate_hz, hz)
    reasons = recorded_wave.saturation(strongest, names, table.sample_rate_hz, hz, table.rail_v)
    reasons += _told_frequency(told, hz)
    if moved.turn is None:
        reasons.append(moved.why)
        return _report("waves", table.source, told, recorded_hand.level_lines(moved, hz), reasons, unknown=_NO_TURN)
    reasons += recorded_sound.gain(moved.turn.ellipse)
    lines = recorded_hand.lines(moved, hz)
    notes = (f"The rotor turned during the record: {moved.turn.cycles:.2f} electrical turns.",)
    unknown = [_NO_TURN[0], f"{WITNESSES}: not in the file, not in U"]
    if told.pole_pairs is None:
        unknown.append("whether the rotor made a whole turn: the pole pairs were not told")
    elif not moved.turn.whole:
        unknown.append("the rest of the turn: less than a whole one was covered")
    return _report("waves", table.source, told, lines, reasons, notes=notes, unknown=tuple(unknown))


_NO_TURN = ("angle error, pole pairs and direction: nobody knows where the rotor stood",)


def _told_frequency(told: Told, found_hz: float) -> list[Reason]:
    if told.frequency_hz is None or abs(found_hz / told.frequency_hz - 1) < 0.02:
        return []
    return [
        Reason(
            code="excitation-frequency",
            text="The excitation is not at the frequency told.",
            evidence=f"{found_hz:.6g} Hz found, {told.frequency_hz:.6g} Hz told by {told.by}",
            next="Set the source, or correct the frequency or the sample rate.",
            spoils=("phase_sin_deg", "phase_cos_deg"),
        )
    ]


def _record_notes(table: WaveTable, found: Fit) -> tuple[tuple[str, ...], tuple[str, ...]]:
    cycles = found.samples * found.frequency_hz / found.sample_rate_hz
    notes = [
        f"{found.samples} samples at {table.sample_rate_hz:.7g} a second: {cycles:.2f} cycles of "
        f"{found.sample_rate_hz / found.frequency_hz:.2f} samples; least squares, whole cycles are not needed."
    ]
    unknown = [
        "pole pairs, direction, error, nulls, imbalance: one position does not show them",
        "the sign of the outputs beyond 90 deg of phase, and with it half an electrical turn",
        "the recorder's calibration, skew and loading: not in the file, not in U",
    ]
    if not table.scaled:
        unknown.append("volts: the file holds fractions of full scale (give --full-scale-v); ratios and phases stand")
    return tuple(notes), tuple(unknown)


# ---- sweep --------------------------------------------------------------------------------------------------


def analyse_sweep(sweep: SweepFile, told: Told | None = None) -> Analysis:
    """A sampled turn: one frequency for all records, one fit each, then as phasors."""
    told = told or Told()
    stack, names = sweep.stack, ("exc", "sin", "cos")
    at = [stack.channels.index(name) for name in names]
    codes = stack.codes[:, at[0], :]
    moving = np.asarray(np.ptp(codes, axis=1) > 0)
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
    reasons += _told_frequency(told, frequency.frequency_hz)
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
