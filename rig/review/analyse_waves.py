"""One record sampled elsewhere: levels, ratios and phases at one position, or a turn by hand inside the record.

It must never pretend (rig/review/analysis.py): one position shows no error, no pole pairs and no nulls. Theory: design
page "signal"; formats: rig/records/capture_files.py.
"""

from __future__ import annotations

import numpy as np

from rig.records.capture_files import WaveTable, stack_of_volts
from rig.review import recorded_hand, recorded_sound, recorded_wave
from rig.review.analysis import WITNESSES, Analysis, Told, report, told_frequency
from rig.review.recorded_turn import Recording
from rig.signal.common_frequency import pooled_frequency
from rig.signal.quality import inspect
from rig.signal.sine_fit import Fit, fit, fit_stack

_NO_TURN = ("angle error, pole pairs and direction: nobody knows where the rotor stood",)


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
        return report("waves", table.source, told, [], dead, unknown=("everything: there is no reference",))
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
    reasons += told_frequency(told, frequency.frequency_hz)
    notes, unknown = _record_notes(table, found)
    return report("waves", table.source, told, lines, reasons, notes=notes, unknown=unknown)


def _by_hand(table: WaveTable, told: Told, moved: recorded_hand.Moved, hz: float) -> Analysis:
    """A record in which the rotor turned: what the ellipse tells, or only that it moved."""
    names = ("exc", "sin", "cos")
    strongest = recorded_hand.strongest(table.volts, table.sample_rate_hz, hz)
    reasons = recorded_wave.saturation(strongest, names, table.sample_rate_hz, hz, table.rail_v)
    reasons += told_frequency(told, hz)
    if moved.turn is None:
        reasons.append(moved.why)
        return report("waves", table.source, told, recorded_hand.level_lines(moved, hz), reasons, unknown=_NO_TURN)
    reasons += recorded_sound.gain(moved.turn.ellipse)
    lines = recorded_hand.lines(moved, hz)
    notes = (f"The rotor turned during the record: {moved.turn.cycles:.2f} electrical turns.",)
    unknown = [_NO_TURN[0], f"{WITNESSES}: not in the file, not in U"]
    if told.pole_pairs is None:
        unknown.append("whether the rotor made a whole turn: the pole pairs were not told")
    elif not moved.turn.whole:
        unknown.append("the rest of the turn: less than a whole one was covered")
    return report("waves", table.source, told, lines, reasons, notes=notes, unknown=tuple(unknown))


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
