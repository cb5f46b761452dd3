"""Everything that is driven: loopback, ratio standard, background, ramp up with both eyes open, ramp down, impedances.

It must never judge; where going on makes no sense it switches off and leaves a fact for the gate. Relays switch
only with the output off. The ramp starts low, measures voltage and current at the coil at every stage (within 200 ms of
switching on, or twice the sampler's own latency at a level that harms no coil) and comes down slowly at the end, which
demagnetises the iron after the DC ohms.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from rig.control.step import Context
from rig.signal.waveform import Waveform
from sequences.steps import sampling, wiring

STAGES = 5
SETTLE_S = 0.02
MISSING = 0.3  # of the wanted voltage
STEADY = 0.1  # how far the ratio may be off before the next stage is corrected
TRIMMED = 0.005
TRIMS = 5
REPEATS = 8
FIRST_SHARE = 0.02  # of the nominal level, where a slow sampler is to see a coil of unknown resistance
NO_EXCITATION = "no excitation"  # fact: a NoExcitation
BESIDES = "relays besides"  # fact: what closed with the part's relays


@dataclass(frozen=True, slots=True, kw_only=True)
class NoExcitation:
    """Why the ramp switched off again: a reason's code, its figures; text, next: where the row's own do not fit."""

    code: str
    figures: str
    text: str = ""
    next: str = ""


def _gain(ctx: Context) -> float:
    return ctx.bench.file.generator.amplifier_gain


def switch_on(ctx: Context, at_coil_v_rms: float) -> tuple[float, Waveform]:
    """Output on at a level, nominal at the coil: the generator's level (V rms) and the capture taken at once."""
    generator_v = at_coil_v_rms / _gain(ctx)
    sampling.time_latency(ctx)
    ctx.bench.generator.prepare_sine(frequency_hz=ctx.part.excitation.frequency_hz, level_v_rms=generator_v)
    ctx.bench.sampler.arm()
    ctx.bench.generator.output(True)
    ctx.clock.sleep(SETTLE_S)
    return generator_v, sampling.fetch_triggered(ctx)


def harmless_v(ctx: Context, coil: str) -> float:
    """Most volts rms on a coil that was not measured yet: any where the sampler is quick; behind a slow one what drives
    no more than the current's ceiling through the coil's DC resistance, the least that its impedance can be."""
    if not sampling.time_latency(ctx):
        return math.inf
    found = [r.number() for r in ctx.select("coil_resistance", coil=coil) if isinstance(r.value, float)]
    if not found:
        return FIRST_SHARE * ctx.part.excitation.level_v_rms
    return min(found) * ctx.part.excitation.ceiling_a_rms


# ---- standards of the bench


def has_loopback(ctx: Context) -> bool:
    """Whether the bench can loop back."""
    return ctx.bench.file.switch.loopback is not None


def loopback_due(ctx: Context) -> bool:
    """Whether the bench can loop back and no loopback in force is young enough."""
    if not has_loopback(ctx):
        return False
    taken = (ctx.calibration or {}).get("made_utc")
    if not isinstance(taken, str):
        return True
    age = datetime.fromisoformat(ctx.clock.utc()) - datetime.fromisoformat(taken)
    return not 0 <= age.total_seconds() <= 86400 * ctx.bench.file.sampler.loopback_days


def loopback(ctx: Context) -> None:
    """The same signal into all four inputs, on the range used and at the part's frequency."""
    range_v = ctx.bench.file.sampler.range_v
    ceiling_v = ctx.bench.guard.ceilings.v_rms if ctx.bench.guard.ceilings is not None else 0.0
    wanted_v = min(0.7 * range_v / math.sqrt(2.0), ceiling_v, ctx.part.excitation.level_v_rms)
    _standard(ctx, "loopback", "loopback", wanted_v)


def has_ratio_standard(ctx: Context) -> bool:
    """Whether the bench has one."""
    return ctx.bench.file.switch.ratio_standard is not None


def ratio_standard(ctx: Context) -> None:
    """A resistive divider of known ratio in place of the part."""
    _standard(ctx, "ratio_standard", "ratio_standard", ctx.part.excitation.level_v_rms)


def _standard(ctx: Context, relay: str, series: str, wanted_v: float) -> None:
    wiring.output_off(ctx)
    wiring.special(ctx, relay)
    share_range(ctx, relay == "loopback")
    generator_v, waveform = switch_on(ctx, wanted_v)
    bus_v = sampling.level(ctx, waveform).total_v_rms
    if relay == "loopback":  # the divider is bypassed
        bus_v *= ctx.bench.file.sampler.exc_divider
    ctx.bench.guard.check_measured(bus_v, 0.0)
    sampling.several(ctx, series, REPEATS, wanted_v, generator_v)
    wiring.output_off(ctx)
    wiring.open_all(ctx)
    share_range(ctx, False)


def share_range(ctx: Context, wanted: bool) -> None:
    """All inputs on one range, or the current's on its own again; only where the bench has one for it."""
    if ctx.bench.file.sampler.current_range_v is not None and bool(ctx.facts.get(sampling.ONE_RANGE)) != wanted:
        ctx.facts[sampling.ONE_RANGE] = wanted
        ctx.facts["sampler set up"] = False


# ---- the part


def background(ctx: Context) -> None:
    """What the inputs pick up with everything connected and the excitation off."""
    wiring.output_off(ctx)
    wiring.part_connected(ctx)
    sampling.several(ctx, "background", 4, 0.0, 0.0)


def excite(ctx: Context, besides: Iterable[int] = ()) -> None:
    """Bring the coil to its nominal level in stages, trim it to within 1 %, and take the level's captures.

    besides: relays that close with the part's.
    """
    wiring.output_off(ctx)
    ctx.facts[BESIDES] = tuple(besides)
    wiring.part_connected(ctx, besides=ctx.facts[BESIDES])
    if not ramp(ctx):
        wiring.output_off(ctx)
        return
    wanted_v = ctx.part.excitation.level_v_rms
    sampling.several(ctx, "excitation", REPEATS, wanted_v, ctx.facts["generator_v_rms"])


def ramp(ctx: Context) -> bool:
    """True when the level stands; else a fact says why the excitation went off again."""
    nominal_v = ctx.part.excitation.level_v_rms
    stage_s = ctx.bench.file.generator.ramp_s / STAGES
    correction = 1.0
    for stage in range(1, STAGES + TRIMS + 1):
        trimming = stage > STAGES
        wanted_v = nominal_v * min(1.0, stage / STAGES)
        generator_v = _limit_to_ceiling(ctx, wanted_v * correction) / _gain(ctx)
        begun_s = ctx.clock.now_s()
        if stage == 1:
            wanted_v = min(wanted_v, harmless_v(ctx, "exc"))
            generator_v, waveform = switch_on(ctx, wanted_v)
        else:
            ctx.bench.generator.level_v_rms(generator_v)
            ctx.clock.sleep(SETTLE_S)
            waveform = sampling.take(ctx)
        found = sampling.measure_level(ctx, waveform)
        ctx.capture("ramp", waveform, **sampling.conditions(ctx, wanted_v, generator_v))
        ctx.progress(
            "excitation, ramp up",
            min(stage, STAGES),
            STAGES,
            {"voltage": f"{found.v_rms:.3f} V", "current": f"{1e3 * found.a_rms:.1f} mA"},
        )
        if _hopeless(ctx, stage, wanted_v, found):
            return False
        ratio = found.v_rms / wanted_v
        ctx.facts["generator_v_rms"] = generator_v
        if trimming or stage == STAGES:
            if abs(ratio - 1.0) <= TRIMMED:
                return True
            correction /= ratio
        elif abs(ratio - 1.0) > STEADY and ratio >= MISSING:
            correction /= ratio
        ctx.clock.sleep(stage_s - (ctx.clock.now_s() - begun_s) if not trimming else 0.0)
    return True


def at_level_again(ctx: Context) -> None:
    """Before a repeat that wants the coil driven: up in stages to the level that stood; nothing is put down.

    Each stage is measured, so that the guard sees it. Without a level that stood the output stays off.
    """
    wiring.output_off(ctx)
    ctx.facts["sampler set up"] = False
    if not ctx.facts.get("generator_v_rms", 0.0):
        return
    wiring.part_connected(ctx, besides=ctx.facts.get(BESIDES, ()))
    rise_again(ctx)


def rise_again(ctx: Context) -> None:
    """Up in stages to the level that stood, each measured, so that the guard sees it."""
    found_v = ctx.facts.get("generator_v_rms", 0.0)
    for stage in range(1, STAGES + 1):
        begun_s = ctx.clock.now_s()
        if stage == 1:
            _, waveform = switch_on(ctx, min(found_v * _gain(ctx) / STAGES, harmless_v(ctx, "exc")))
        else:
            ctx.bench.generator.level_v_rms(found_v * stage / STAGES)
            ctx.clock.sleep(SETTLE_S)
            waveform = sampling.take(ctx)
        sampling.measure_level(ctx, waveform)
        ctx.check_stop()
        ctx.clock.sleep(ctx.bench.file.generator.ramp_s / STAGES - (ctx.clock.now_s() - begun_s))


def nothing_connected(ctx: Context) -> None:
    """Before a repeat that makes its own connections: output off, no relay closed, the sampler to be set up anew."""
    wiring.output_off(ctx)
    wiring.open_all(ctx)
    ctx.facts["sampler set up"] = False


def _limit_to_ceiling(ctx: Context, at_coil_v: float) -> float:
    """Never above the ceiling, whatever the trim would like."""
    ceilings = ctx.bench.guard.ceilings
    return min(at_coil_v, ceilings.v_rms) if ceilings is not None else at_coil_v


def _hopeless(ctx: Context, stage: int, wanted_v: float, found: sampling.Level) -> bool:
    """Voltage that does not come, or a current that would pass the ceiling at the nominal level."""
    nominal = ctx.part.excitation
    if stage >= 2 and found.v_rms < MISSING * wanted_v:
        _give_up(
            ctx,
            "excitation-missing",
            f"{found.v_rms:.3g} V rms found at the coil where {wanted_v:.3g} V was wanted.",
        )
        return True
    expected_a = found.a_rms * nominal.level_v_rms / max(found.v_rms, 1e-9)
    if found.v_rms >= MISSING * wanted_v and found.resolves_current and expected_a > nominal.ceiling_a_rms:
        _give_up(
            ctx,
            "excitation-level",
            f"{1e3 * found.a_rms:.1f} mA at {found.v_rms:.3g} V rms makes {1e3 * expected_a:.0f} mA at "
            f"{nominal.level_v_rms:.3g} V; the ceiling is {1e3 * nominal.ceiling_a_rms:.0f} mA.",
            text="The coil would draw more than its ceiling at the nominal level.",
            next="Look for shorted turns in the excitation coil, a missing rotor or a wrong pin map.",
        )
        return True
    return False


def _give_up(ctx: Context, code: str, figures: str, *, text: str = "", next: str = "") -> None:
    ctx.facts[NO_EXCITATION] = NoExcitation(code=code, figures=figures, text=text, next=next)


def ramp_down(ctx: Context) -> None:
    """Down in stages, then off and read back."""
    down(ctx, ctx.facts.get("generator_v_rms", 0.0))
    wiring.open_all(ctx)


def down(ctx: Context, from_v: float) -> None:
    stage_s = ctx.bench.file.generator.ramp_s / STAGES
    for stage in range(STAGES - 1, 0, -1):
        ctx.bench.generator.level_v_rms(from_v * stage / STAGES)
        ctx.clock.sleep(stage_s)
        ctx.check_stop()
    ctx.bench.generator.level_v_rms(from_v * 0.02)
    ctx.clock.sleep(stage_s)
    wiring.output_off(ctx)


# ---- impedances
