"""A recording from elsewhere as the `Observed` that a bench run gives, with the list of what it lacks.

It must never interpret: which rotor turned, whether a channel is clipped and what the figures are worth is for
evaluation and diagnosis. Series: positions that rise make `sweep_ccw`, positions that fall `sweep_cw`; a record whose
position nobody knows is `record`. Readings are in the order of the file, their time the number of the record.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.description.benches import BenchFile
from rig.errors import UsageError
from rig.observed import BESIDE, RECORD, Absent, Observed, PhasorSeries
from rig.quantity import Reading, Scalar
from rig.records.elsewhere.placeholders import STEPS_PER_TURN, bench_of_recording, no_holder, unknown_part
from rig.records.elsewhere.tables import PhasorTable, SweepFile, WaveTable
from rig.resolver.part import Part
from rig.signal.waveform import HeldCaptures, WaveformStack

Floats = NDArray[np.float64]
Index = NDArray[np.int64]
CHANNELS = ("exc_v", "exc_i", "sin", "cos")
ROLE_OF_CHANNEL = {"exc_v": "exc", "exc_i": "exc_i", "sin": "sin", "cos": "cos"}
STEP_DEG = 360.0 / STEPS_PER_TURN
ALWAYS_ABSENT = frozenset({Absent.LOOPBACK, Absent.DC, Absent.INDEX, Absent.SETTING, Absent.TIMES, Absent.BACKGROUND})


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingFacts:
    """What a person said beside the file: part file, bench file, pole pairs, frequency (Hz); nothing is required."""

    part: Part | None = None
    bench: BenchFile | None = None
    pole_pairs: int | None = None
    frequency_hz: float | None = None

    def stated_part(self) -> Part:
        """The part file's part, or one without a label; pole pairs and frequency as said stand above the file's."""
        if self.part is None:
            return unknown_part(self.pole_pairs, self.frequency_hz)
        excitation = self.part.excitation
        hz = self.frequency_hz or excitation.frequency_hz
        pole_pairs = self.pole_pairs or self.part.pole_pairs
        return replace(self.part, pole_pairs=pole_pairs, excitation=replace(excitation, frequency_hz=hz))

    def absent(self) -> set[Absent]:
        """The files that nobody gave."""
        found = set(ALWAYS_ABSENT)
        if self.part is None:
            found.add(Absent.PART)
        if self.part is None and self.pole_pairs is None:
            found.add(Absent.POLE_PAIRS)
        if self.bench is None:
            found.add(Absent.RECORDER)
        if self.bench is None or self.bench.axis is None:
            found.add(Absent.POSITIONER)
        return found


def phasors_observed(table: PhasorTable, known: RecordingFacts | None = None) -> Observed:
    """A turn of phasors."""
    known = known or RecordingFacts()
    absent = known.absent() | {Absent.WAVEFORMS, Absent.RAILS, Absent.CURRENT, Absent.FREQUENCY}
    if np.all(table.exc == table.exc[0]):
        absent.add(Absent.EXCITATION)
    tables: dict[str, PhasorSeries] = {}
    readings: list[Reading] = []
    for series, at in passes(table.stepper_mech_deg).items():
        tables[series] = PhasorSeries(exc_v=table.exc[at], sine=table.sine[at], cosine=table.cosine[at])
        readings += sweep_readings(series, table.stepper_mech_deg, at, table.lines)
    observed = _make_observed("phasors", table.source, known, absent, readings)
    return replace(observed, tables=tables, digit_v=table.digit_v)


def sweep_observed(sweep: SweepFile, known: RecordingFacts | None = None, cosine: SweepFile | None = None) -> Observed:
    """A sampled turn; cosine: the second of two captures with two channels, at the same positions.

    Raises UsageError when the positions of the two differ.
    """
    known = known or RecordingFacts()
    stacks: dict[str, WaveformStack] = {}
    readings: list[Reading] = []
    labels = np.arange(sweep.positions_mech_deg.size)
    if cosine is not None:
        _same_positions(sweep, cosine)
    for series, at in passes(sweep.positions_mech_deg).items():
        stacks[series] = _part(four_channels(sweep.stack), at)
        if cosine is not None:
            stacks[series + BESIDE] = _part(four_channels(cosine.stack), at)
        readings += sweep_readings(series, sweep.positions_mech_deg, at, labels)
    absent = known.absent()
    if "exc_i" not in sweep.stack.channels:
        absent.add(Absent.CURRENT)
    if not sweep.rails:
        absent.add(Absent.RAILS)
    return replace(_make_observed("sweep", sweep.source, known, absent, readings), captures=HeldCaptures(stacks))


def waves_observed(table: WaveTable, known: RecordingFacts | None = None, cosine: WaveTable | None = None) -> Observed:
    """One record at a position that nobody knows, or of a rotor that somebody turned meanwhile.

    cosine: the second of two captures with two channels, at the same position.
    """
    known = known or RecordingFacts()
    stacks = {RECORD: four_channels(table.stack())}
    if cosine is not None:
        stacks[RECORD + BESIDE] = four_channels(cosine.stack())
    absent = known.absent() | {Absent.POSITIONS, Absent.CURRENT}
    if table.rail_v is None:
        absent.add(Absent.RAILS)
    if not table.scaled:
        absent.add(Absent.VOLTS)
    readings = [_reading(RECORD, 0, {})]
    observed = _make_observed("waves", table.source, known, absent, readings)
    return replace(
        observed, captures=HeldCaptures(stacks), digit_v=table.digit_v, u_rate_relative=table.u_rate_relative
    )


def _make_observed(
    kind: str, source: str, known: RecordingFacts, absent: set[Absent], readings: Sequence[Reading]
) -> Observed:
    return Observed(
        readings=tuple(readings),
        captures=HeldCaptures({}),
        part=known.stated_part(),
        holder=no_holder(),
        bench=bench_of_recording(known.bench),
        header={"rotor": "own", "recording": {"kind": kind, "source": source}},
        absent=frozenset(absent),
    )


# ---- positions ------------------------------------------------------------------------------------------------


def passes(positions_mech_deg: Floats) -> dict[str, Index]:
    """Series -> records, in the order of the file.

    Positions that rise, then fall (or fall, then rise) are two passes; positions in any other order are one turn.
    """
    every = np.arange(positions_mech_deg.size)
    moves = np.sign(np.diff(positions_mech_deg))
    moving = np.flatnonzero(moves)
    turns = moving[1:][moves[moving[1:]] != moves[moving[:-1]]]
    if moving.size == 0 or turns.size > 1:
        return {"sweep_ccw": every}
    rising = moves[moving[0]] > 0
    first, second = ("sweep_ccw", "sweep_cw") if rising else ("sweep_cw", "sweep_ccw")
    if turns.size == 0:
        return {first: every}
    last = int(turns[0])
    while last > 0 and moves[last - 1] == 0:
        last -= 1  # of two records at the turning point the second begins the way back
    return {first: every[: last + 1], second: every[last + 1 :]}


def sweep_readings(series: str, positions_mech_deg: Floats, at: Index, labels: Index) -> list[Reading]:
    """One reading a record of a pass: its position in fine steps, and whether it closes the turn."""
    rows = []
    first = float(positions_mech_deg[at[0]])
    for i, record in enumerate(at):
        position = float(positions_mech_deg[record])
        closing = i > 0 and abs(abs(position - first) - 360.0) < 0.5 * STEP_DEG
        where: dict[str, Scalar] = {
            "position_steps": position / STEP_DEG,
            "direction": "cw" if series == "sweep_cw" else "ccw",
            "closing": bool(closing),
            "record": int(labels[record]),
        }
        rows.append(_reading(series, i, where, float(record)))
    return rows


def _reading(series: str, i: int, where: Mapping[str, Scalar], at_s: float = 0.0) -> Reading:
    return Reading(
        step="recorded elsewhere",
        quantity=series,
        value=None,
        unit="V",
        instrument="elsewhere",
        bench_time_s=at_s,
        time_utc="",
        conditions=dict(where),
        capture=f"{series}/{i}",
    )


# ---- channels -------------------------------------------------------------------------------------------------


def four_channels(stack: WaveformStack) -> WaveformStack:
    """The channels as a bench's sampler has them; one that was not recorded is all zeros."""
    shape = (stack.codes.shape[0], len(CHANNELS), stack.codes.shape[2])
    codes = np.zeros(shape, dtype=stack.codes.dtype)
    scale, offset = np.ones(len(CHANNELS)), np.zeros(len(CHANNELS))
    for i, channel in enumerate(CHANNELS):
        if (role := ROLE_OF_CHANNEL[channel]) in stack.channels:
            at = stack.channels.index(role)
            codes[:, i] = stack.codes[:, at]
            scale[i], offset[i] = stack.scale_v[at], stack.offset_v[at]
    return replace(stack, codes=codes, scale_v=scale, offset_v=offset, channels=CHANNELS)


def _part(stack: WaveformStack, at: Index) -> WaveformStack:
    return replace(stack, codes=stack.codes[at])


def _same_positions(first: SweepFile, second: SweepFile) -> None:
    a, b = first.positions_mech_deg, second.positions_mech_deg
    if a.shape != b.shape or not np.allclose(a, b, rtol=0.0, atol=STEP_DEG):
        raise UsageError(
            f"{second.source}: its positions are not those of {first.source}.",
            next_action="Record excitation and cosine at the positions at which excitation and sine were recorded.",
        )
