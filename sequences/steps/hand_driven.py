"""The driven part on two channels of a sampler, its cables and the part's plug moved by a person, each change proved.

It must never judge the part. Four states of two cables: both on EXC V without a part (the channels against each other),
EXC V and EXC I (the coil, rising to its level), EXC V and SINE, SINE and COSINE, the last two while the rotor is turned
by hand. What proves a state is what only it shows: equal channels; a current that lags; an output in line with the
excitation that moves with the rotor; two outputs that follow each other as the rotor turns counter-clockwise. Each
change is asked for with the output off and read back. Captures hold four rows (sampling.four_rows).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from drivers.roles import CABLES
from rig.control.step import Context
from rig.errors import UsageError
from rig.signal.waveform import Waveform
from sequences.steps import excitation, sampling, wiring
from sequences.steps.hand_ohms import ACTS, hands_of

CH1, CH2 = CABLES
Floats = NDArray[np.float64]
OUTPUT, PAIR = "hand_output", "hand_pair"
TURN_S = 6.0
TURN_RATE_HZ = 100e3
WINDOW_S = 1e-3
PROBE_V_RMS = 1.0  # at the coil, while a state is proved
LIKE = 0.1  # both channels on one socket agree within
LAG_DEG = (15.0, 89.5)  # of a coil's current behind its voltage
IN_LINE_DEG = 30.0  # an output against the excitation, either way round
MOVES = 0.3  # of the largest: an output's least envelope over the turn is below
TRIES = 6
AGAIN = "cables again"  # fact: cables and plugs asked for once more


def compare_channels(ctx: Context) -> None:
    """Both cables on EXC V, no part: the same signal on both channels."""
    sampling.check_channels(ctx, 2)
    ctx.facts[AGAIN] = 0
    wiring.output_off(ctx)
    _state(ctx, ("exc_v", "sin"), _alike, (CH1, "exc_v"), (CH2, "exc_v"))
    wanted_v = min(_range_level(ctx), ctx.part.excitation.level_v_rms)
    generator_v, waveform = excitation.switch_on(ctx, wanted_v)
    sampling.measure_level(ctx, waveform)
    for i in range(excitation.REPEATS):
        stated = sampling.conditions(ctx, wanted_v, generator_v)
        del stated["channels"]  # both signals stand in every row
        ctx.capture("loopback", _both(sampling.take(ctx)), **stated)
        ctx.progress("both channels on EXC V", i + 1, excitation.REPEATS)
    wiring.output_off(ctx)


def _range_level(ctx: Context) -> float:
    device = ctx.bench.file.sampler
    return 0.7 * device.range_v / math.sqrt(2.0) / device.exc_divider


def _both(waveform: Waveform) -> Waveform:
    """Rows as the channels are used later: 1 for excitation and cosine, 2 for current and sine."""
    rows = [0, 2, 2, 0]
    return replace(
        waveform, codes=waveform.codes[rows], scale_v=waveform.scale_v[rows], offset_v=waveform.offset_v[rows]
    )


def excite(ctx: Context) -> None:
    """The part on its harness, the current on channel 2; up to the level in stages, as with relays."""
    hands = hands_of(ctx)
    hands.plug("part")
    _state(ctx, ("exc_v", "exc_i"), _lags, (CH2, "exc_i"), plug=True)
    if excitation.ramp(ctx):
        wanted_v = ctx.part.excitation.level_v_rms
        sampling.several(ctx, "excitation", excitation.REPEATS, wanted_v, ctx.facts["generator_v_rms"])
        excitation.down(ctx, ctx.facts["generator_v_rms"])
    wiring.output_off(ctx)


def turn_outputs(ctx: Context) -> None:
    """Excitation and sine, then sine and cosine, each over a turn by hand; both anew where they turn the wrong way."""
    for attempt in range(TRIES):
        first = attempt == 0
        _state(ctx, ("exc_v", "sin"), _in_line, *(((CH2, "sin"),) if first else ((CH2, "sin"), (CH1, "exc_v"))))
        sine = _turn(ctx)
        if not _turns(sine, (0, 2)):
            ctx.facts[AGAIN] += 1
            hands_of(ctx).plug("part")
            continue
        ratio = _largest(sine, 2) / _largest(sine, 0) * ctx.bench.file.sampler.exc_divider
        ctx.facts[sampling.PHASORS] = (ratio, _amperes_a_volt(ctx))
        _state(ctx, ("cos", "sin"), _both_live, (CH1, "cos"))
        pair = _turn(ctx)
        direction = _direction(ctx, pair)
        if direction > 0 or (attempt >= 2 and direction < 0):
            _put_down(ctx, OUTPUT, sine)
            _put_down(ctx, PAIR, pair)
            break
        ctx.facts[AGAIN] += 2
        ctx.progress("sine and cosine are not told apart: check both cables, turn counter-clockwise")
    else:
        raise UsageError(
            "the outputs could not be proved on their sockets.",
            next_action="Check plug and cables, turn the rotor a whole turn counter-clockwise, and start again.",
        )
    hands = hands_of(ctx)
    ctx.read("hand_changes", hands.acts - ctx.facts[ACTS], "1", "operator", again=ctx.facts[AGAIN], of="run")


def _put_down(ctx: Context, series: str, waveform: Waveform) -> None:
    wanted_v, generator_v = ctx.part.excitation.level_v_rms, ctx.facts["generator_v_rms"]
    ctx.capture(series, waveform, **sampling.conditions(ctx, wanted_v, generator_v), turned="by hand")


# ---- one state of the cables


def _state(
    ctx: Context,
    on: tuple[str, str],
    proof: Callable[[Context, Waveform], bool],
    *changes: tuple[str, str],
    plug: bool = False,
) -> None:
    """Ask for the changes, then for each again until a low level shows what only this state shows."""
    hands = hands_of(ctx)
    for channel, socket in changes:
        hands.cable(channel, socket)
        ctx.event("hand", act=f"{channel} to {socket}", again=False)
    ctx.facts[sampling.CONNECTED] = on
    ctx.facts["sampler set up"] = False
    again: list[Callable[[], None]] = [partial(hands.cable, *change) for change in changes]
    if plug:
        again.append(partial(hands.plug, "part"))
    for attempt in range(TRIES * len(again)):
        if proof(ctx, _probe(ctx)):
            return
        again[attempt % len(again)]()
        ctx.facts[AGAIN] += 1
        ctx.event("hand", act="asked for again", again=True)
    raise UsageError(
        f"the sampler's cables could not be proved on {' and '.join(on)}.",
        next_action="Check cables, plug and sockets at the harness; then start again.",
    )


def _probe(ctx: Context) -> Waveform:
    """A capture at a low level that harms no coil, output off again. Nothing of it is kept, and what it shows is no
    measure of the coil before the state is proved."""
    wanted_v = min(PROBE_V_RMS, excitation.harmless_v(ctx, "exc"), ctx.part.excitation.level_v_rms / 5.0)
    _, waveform = excitation.switch_on(ctx, wanted_v)
    ctx.bench.guard.check_measured(wanted_v, 0.0)
    wiring.output_off(ctx)
    return waveform


def _phasors(ctx: Context, waveform: Waveform, rows: tuple[int, int]) -> tuple[complex, complex]:
    """Peak phasors of two rows at the set frequency, volts at the sockets."""
    volts = waveform.volts()[list(rows)]
    t_s = np.arange(volts.shape[1]) / waveform.sample_rate_hz
    turn = np.exp(-2j * np.pi * ctx.part.excitation.frequency_hz * t_s)
    found = 2.0 * (volts - volts.mean(axis=1, keepdims=True)) @ turn / volts.shape[1]
    return complex(found[0]), complex(found[1])


def _alike(ctx: Context, waveform: Waveform) -> bool:
    a, b = _phasors(ctx, waveform, (0, 2))
    return abs(a) > 4.0 * waveform.scale_v[0] and abs(b / a - 1.0) < LIKE


def _lags(ctx: Context, waveform: Waveform) -> bool:
    v, i = _phasors(ctx, waveform, (0, 1))
    if abs(v) < 4.0 * waveform.scale_v[0] or abs(i) < sampling.CODES * waveform.scale_v[1]:
        return False
    return LAG_DEG[0] < math.degrees(float(np.angle(v / i))) < LAG_DEG[1]


def _in_line(ctx: Context, waveform: Waveform) -> bool:
    v, out = _phasors(ctx, waveform, (0, 2))
    if abs(v) < 4.0 * waveform.scale_v[0]:
        return False
    if abs(out) < sampling.CODES * waveform.scale_v[2]:
        return True  # near a null; the turn shows whether it is an output at all
    off = abs(math.degrees(float(np.angle(out / v))))
    return min(off, 180.0 - off) < IN_LINE_DEG


def _both_live(ctx: Context, waveform: Waveform) -> bool:
    sine, cosine = _phasors(ctx, waveform, (2, 3))
    return math.hypot(abs(sine), abs(cosine)) > sampling.CODES * float(waveform.scale_v[2])


# ---- the turn by hand


def _turn(ctx: Context) -> Waveform:
    """Up to the level, the long capture while a person turns, down and off."""
    ctx.facts["sampler set up"] = False
    excitation.rise_again(ctx)
    channels = sampling.connected_inputs(ctx)
    ctx.bench.sampler.configure(
        ranges_v=sampling.ranges_v(ctx, channels),
        sample_rate_hz=TURN_RATE_HZ,
        samples=round(TURN_S * TURN_RATE_HZ),
        channels=channels,
    )
    ctx.facts["sampler set up"] = False
    ctx.progress(f"turn the rotor counter-clockwise, one whole turn and more within {TURN_S:.0f} s", 0, 1)
    ctx.bench.sampler.arm()
    waveform = sampling.fetch_triggered(ctx)
    ctx.check_stop()
    excitation.down(ctx, ctx.facts["generator_v_rms"])
    return waveform


def _envelopes(waveform: Waveform, row: int) -> Floats:
    """(w,) rms of a row over windows of a millisecond, volts."""
    size = round(WINDOW_S * waveform.sample_rate_hz)
    codes = waveform.codes[row]
    windows = codes[: codes.size // size * size].reshape(-1, size).astype(np.float64)
    rms: Floats = windows.std(axis=1) * float(waveform.scale_v[row])
    return rms


def _largest(waveform: Waveform, row: int) -> float:
    return float(np.quantile(_envelopes(waveform, row), 0.99))


def _turns(waveform: Waveform, rows: tuple[int, int]) -> bool:
    """Whether the second row's envelope rises and falls while the first one stands."""
    still, moving = (_envelopes(waveform, row) for row in rows)
    return bool(
        still.min() > MOVES * still.max()
        and moving.min() < MOVES * moving.max()
        and moving.max() > sampling.CODES * float(waveform.scale_v[rows[1]])
    )


def _direction(ctx: Context, waveform: Waveform) -> int:
    """+1 where cosine and sine follow each other as counter-clockwise turning makes them, -1 the other way round.

    0 where no turn is seen or both rows show one output.
    """
    size = round(WINDOW_S * waveform.sample_rate_hz)
    count = waveform.codes.shape[1] // size
    t_s = np.arange(count * size) / waveform.sample_rate_hz
    turn = np.exp(-2j * np.pi * ctx.part.excitation.frequency_hz * t_s).reshape(count, size)
    rows = waveform.codes[2:4, : count * size].reshape(2, count, size) * waveform.scale_v[2:4, None, None]
    sine, cosine = np.einsum("rcs,cs->rc", rows - rows.mean(axis=2, keepdims=True), turn)
    common = 0.5 * np.unwrap(np.angle(sine**2 + cosine**2))
    u, v = (sine * np.exp(-1j * common)).real, (cosine * np.exp(-1j * common)).real
    followed = np.unwrap(np.arctan2(u, v))
    turned = float(followed[-1] - followed[0])
    spread = min(float(np.std(u)), float(np.std(v))) / max(float(np.std(u)), float(np.std(v)), 1e-12)
    if abs(turned) < math.pi or spread < MOVES:
        return 0
    return 1 if turned > 0 else -1


def _amperes_a_volt(ctx: Context) -> float:
    """Current a volt of the excitation coil, by the ramp's last captures."""
    captures = ctx.captures.get("excitation", [])
    if not captures:
        return 0.0
    device = ctx.bench.file.sampler
    v, i = _phasors(ctx, captures[-1], (0, 1))
    return abs(i) / device.shunt_ohm / max(abs(v) / device.exc_divider, 1e-9)
