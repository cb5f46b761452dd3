"""The part's plug and the loopback plug on a harness that leads to all four inputs, pushed home by a person.

It must never judge the part. A plug is proved at a level that harms no coil: the loopback plug by one signal on all
inputs; the part's by a current that lags and by outputs that are in line with the excitation or near a null. An output
that stays silent over three plugs is taken as the part's (an open coil looks so; its DC reading tells).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rig.control.step import Context
from rig.errors import UsageError
from rig.signal.waveform import Waveform
from sequences.steps import excitation, sampling, wiring
from sequences.steps.hand_driven import IN_LINE_DEG, LAG_DEG, LIKE
from sequences.steps.hand_ohms import ACTS, hands_of

PROBE_SHARE = 0.2  # of the nominal level
TRIES = 6
SILENT_TRIES = 3
AGAIN = "plugs again"  # fact: plugs asked for once more
Complexes = NDArray[np.complex128]


def loopback(ctx: Context) -> None:
    """The loopback plug, then the loopback as any bench takes it."""
    _prove(ctx, "loopback", _one_signal)
    excitation.loopback(ctx)


def push_part(ctx: Context) -> None:
    """The part's plug, proved."""
    _prove(ctx, "part", _part_answers)
    hands = hands_of(ctx)
    ctx.read("hand_changes", hands.acts - ctx.facts[ACTS], "1", "operator", again=ctx.facts.get(AGAIN, 0), of="run")


def _prove(ctx: Context, what: str, proof: Callable[[Context, Complexes, int], bool]) -> None:
    hands = hands_of(ctx)
    wiring.output_off(ctx)
    ctx.facts[AGAIN] = ctx.facts.get(AGAIN, 0)
    for attempt in range(TRIES):
        hands.plug(what)
        ctx.event("hand", act=f"plug {what}", again=attempt > 0)
        ctx.facts[AGAIN] += attempt > 0
        if proof(ctx, _probe(ctx, one_range=what == "loopback"), attempt):
            return
    raise UsageError(
        f"the {what} plug could not be proved on the harness.",
        next_action="Look at plug, harness and cables to the sampler; then start again.",
    )


def _probe(ctx: Context, *, one_range: bool) -> Complexes:
    """(4,) peak phasors at a low level, volts at the sampler; output off again. Below two codes: 0."""
    excitation.share_range(ctx, one_range)
    wanted_v = min(PROBE_SHARE * ctx.part.excitation.level_v_rms, excitation.harmless_v(ctx, "exc"))
    _, waveform = excitation.switch_on(ctx, wanted_v)
    ctx.bench.guard.check_measured(wanted_v, 0.0)
    wiring.output_off(ctx)
    excitation.share_range(ctx, False)
    return _phasors(ctx, waveform)


def _phasors(ctx: Context, waveform: Waveform) -> Complexes:
    volts = waveform.volts()
    t_s = np.arange(volts.shape[1]) / waveform.sample_rate_hz
    turn = np.exp(-2j * np.pi * ctx.part.excitation.frequency_hz * t_s)
    found: Complexes = 2.0 * (volts - volts.mean(axis=1, keepdims=True)) @ turn / volts.shape[1]
    return np.where(np.abs(found) > sampling.CODES * waveform.scale_v / 4.0, found, 0.0)


def _one_signal(_ctx: Context, found: Complexes, _attempt: int) -> bool:
    return bool(found[0] != 0 and np.all(np.abs(found / found[0] - 1.0) < LIKE))


def _part_answers(_ctx: Context, found: Complexes, attempt: int) -> bool:
    v, i, *outputs = found
    if v == 0 or i == 0 or not LAG_DEG[0] < math.degrees(float(np.angle(v / i))) < LAG_DEG[1]:
        return attempt >= SILENT_TRIES and v != 0
    silent = sum(abs(out) == 0 for out in outputs)
    off = [abs(math.degrees(float(np.angle(out / v)))) for out in outputs if abs(out) > 0]
    in_line = all(min(one, 180.0 - one) < IN_LINE_DEG for one in off)
    return (silent < 1 and in_line) or attempt >= SILENT_TRIES
