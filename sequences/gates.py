"""What stands between steps: may the part be excited, did the excitation arrive?

It must never measure. The first two ask rig/pins what the readings forbid; the last passes on what the ramp found.
Reasons end the run early with the readings it has; the judge then says what they mean.
Whether a turn closes is asked of the evaluation once both passes are made: both are then repeated once, or an operator
is asked.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rig.control.step import Context
from rig.evaluation.evaluated import Evaluated, evaluate
from rig.evaluation.inspection.index_witness import index_off_steps, index_tolerance_steps
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.rotor_mark import mark_answer
from rig.evaluation.turn.passes import SWEEPS_AGAIN, TURNINGS_AGAIN
from rig.observed import Observed
from rig.pins.isolation import forbids_excitation, live_circuit, wiring_reasons
from rig.pins.readings import PairTable
from rig.result import Reason
from rig.signal.waveform import Waveform, WaveformStack
from rig.soundness.rule import Evidence
from rig.soundness.soundness import reason
from sequences.steps.excitation import NO_EXCITATION
from sequences.steps.sweep import can_turn

PASSES = "evaluated passes"  # fact: passes repeated so far -> the run's figures once they were made
SLIPPED = "turn does not close"  # fact: passes repeated so far -> whether the turn in hand slipped


class Kept:
    """The captures that a context keeps in memory, as evaluation reads captures."""

    def __init__(self, captures: Mapping[str, list[Waveform]]) -> None:
        self._captures = captures

    def series(self) -> tuple[str, ...]:
        """Names of the series."""
        return tuple(name for name, waves in self._captures.items() if waves)

    def stack(self, series: str) -> WaveformStack:
        """All captures of a series. Raises KeyError for one that was not kept."""
        waves = self._captures[series]
        first = waves[0]
        return WaveformStack(
            codes=np.stack([np.asarray(wave.codes, dtype=np.int32) for wave in waves]),
            scale_v=first.scale_v,
            offset_v=first.offset_v,
            sample_rate_hz=first.sample_rate_hz,
            channels=first.channels,
            rail_low=first.rail_low,
            rail_high=first.rail_high,
            simultaneous=first.simultaneous,
        )


def observe(ctx: Context) -> Observed:
    """What has been seen so far in this run."""
    return Observed(
        readings=tuple(ctx.readings),
        captures=Kept(ctx.captures),
        part=ctx.part,
        holder=ctx.holder,
        bench=ctx.bench.file,
        header=ctx.header,
    )


def evaluate_so_far(ctx: Context) -> Evaluated:
    """The figures of what has been seen so far."""
    return evaluate(observe(ctx))


def wiring(ctx: Context) -> list[Reason]:
    """Voltage on the part, or a pin map that does not fit, as far as it was read."""
    return wiring_reasons(Inspection(evaluate_so_far(ctx)))


def live(ctx: Context) -> list[Reason]:
    """Voltage on the part, as far as it was read."""
    return live_circuit(ctx.readings, PairTable(()))


def may_be_driven(ctx: Context) -> list[Reason]:
    """Why the excitation coil must not be driven, after the last DC step: what was not read allows nothing."""
    return forbids_excitation(evaluate_so_far(ctx))


def _repeats(ctx: Context) -> int:
    return sum(len(ctx.captures.get(name, ())) > 0 for name in (*SWEEPS_AGAIN, *TURNINGS_AGAIN))


def evaluated_passes(ctx: Context) -> Evaluated:
    """The figures once the passes in hand were made. Worked out once for each pair of passes."""
    known: dict[int, Evaluated] = ctx.facts.setdefault(PASSES, {})
    passes = _repeats(ctx)
    if passes not in known:
        known[passes] = evaluate_so_far(ctx)
    return known[passes]


def has_slipped(ctx: Context) -> bool:
    """Whether the turn in hand does not close although the axis kept its count. Asked once for each pair of passes."""
    passes = _repeats(ctx)
    known: dict[int, bool] = ctx.facts.setdefault(SLIPPED, {})
    if passes not in known:
        obs = observe(ctx)
        slip = evaluated_passes(ctx).slip
        off = index_off_steps(obs)
        counted = off is None or abs(off) <= index_tolerance_steps(obs)
        known[passes] = slip is not None and slip.is_slip and counted
    return known[passes]


def first_passes_slipped(ctx: Context) -> bool:
    """Whether the repeat of both passes is due, or under way."""
    known: dict[int, bool] = ctx.facts.get(SLIPPED, {})
    return can_turn(ctx) and (known[0] if 0 in known else has_slipped(ctx))


def mark_is_asked(ctx: Context) -> bool:
    """Whether a retest slipped again and nobody has said yet whether the mark across rotor and spindle moved."""
    return bool(ctx.header.get("retest_of")) and can_turn(ctx) and has_slipped(ctx) and not mark_answer(observe(ctx))


def excitation(ctx: Context) -> list[Reason]:
    """The reason for which the ramp switched off again, if it did."""
    fact = ctx.facts.get(NO_EXCITATION)
    if fact is None:
        return []
    return [reason(fact.code, Evidence(figures=fact.figures, text=fact.text, next=fact.next))]
