"""The driven witnesses: the dummy part's eight angles, and the outputs exchanged between their two inputs.

It must never judge. Relays, those of the dummy's lines among them, move only with the output off; the level is taken
up in two stages, measured at the coil within 200 ms of switching on. Series: `dummy`, `straight`, `crossed`.
"""

from __future__ import annotations

from rig.control.step import Context
from rig.errors import UsageError
from rig.quantity import Scalar
from rig.resolver.dummy import SETTINGS, DummySetting
from sequences.steps import sampling, sweep, wiring

SETTLE_S = 0.02
FIRST_STAGE = 0.3
MISSING = 0.3
CAPTURES = 2
SPOTS = 8


def dummy(ctx: Context) -> None:
    """Every setting of the dummy, excitation off between them."""
    lines = ctx.bench.file.switch.dummy_lines
    if lines is None:
        raise UsageError(
            f"bench {ctx.bench.file.name} does not drive the dummy's lines.",
            next_action="Write switch.dummy_lines (A, B, S, C) into the bench file, or take another witness.",
        )
    for done, setting in enumerate(SETTINGS, start=1):
        wiring.output_off(ctx)
        closed = [line for line, on in zip(lines, setting.lines, strict=True) if on]
        wiring.part_connected(ctx, besides=closed)
        _setting(ctx, setting)
        ctx.progress(f"dummy at {setting.nominal_elec_deg} deg elec", done, len(SETTINGS))
    wiring.output_off(ctx)
    wiring.open_all(ctx)


def _setting(ctx: Context, setting: DummySetting) -> None:
    stated = _energise(ctx)
    for _ in range(CAPTURES):
        ctx.capture("dummy", sampling.take(ctx), **stated, nominal_elec_deg=setting.nominal_elec_deg)
    ctx.bench.generator.output(False)


def _energise(ctx: Context) -> dict[str, Scalar]:
    """Output on at the part's level, in two stages; what its captures state."""
    wanted_v = ctx.part.excitation.level_v_rms
    generator_v = wanted_v / ctx.bench.file.generator.amplifier_gain
    sampling.ready(ctx)
    ctx.bench.generator.prepare_sine(
        frequency_hz=ctx.part.excitation.frequency_hz, level_v_rms=FIRST_STAGE * generator_v
    )
    ctx.bench.sampler.arm()
    ctx.bench.generator.output(True)
    ctx.clock.sleep(SETTLE_S)
    found = sampling.measure_level(ctx, sampling.fetch_triggered(ctx))
    if found.v_rms > MISSING * FIRST_STAGE * wanted_v:  # the level is found, as in any run; what was told is written
        generator_v *= FIRST_STAGE * wanted_v / found.v_rms
    ctx.bench.generator.level_v_rms(generator_v)
    ctx.clock.sleep(SETTLE_S)
    sampling.measure_level(ctx, sampling.take(ctx))
    return sampling.conditions(ctx, wanted_v, generator_v)


def straight(ctx: Context) -> None:
    """Spots of one electrical cycle, each output on its own input."""
    _spots(ctx, "straight", crossed=False)


def cross_outputs(ctx: Context) -> None:
    """The same spots with the outputs exchanged."""
    _spots(ctx, "crossed", crossed=True)


def _spots(ctx: Context, series: str, *, crossed: bool) -> None:
    wiring.output_off(ctx)
    wiring.part_connected(ctx, crossed=crossed)
    stated = _energise(ctx)
    axis, device = ctx.bench.axis, ctx.bench.file.axis
    turned = axis is not None and device is not None and sweep.can_turn(ctx)
    for i in range(SPOTS):
        where: dict[str, Scalar] = {"spot": i}
        if axis is not None and device is not None and turned:
            where["position_steps"] = round(i * axis.steps_per_turn / ctx.part.pole_pairs / SPOTS)
            axis.move_to(int(str(where["position_steps"])))
            axis.wait_stopped(device.settle_s)
        waveform = sampling.take(ctx)
        ctx.capture(series, waveform, **stated, **where)
        sampling.measure_level(ctx, waveform)
        ctx.progress(f"{series} {i + 1} of {SPOTS}", i + 1, SPOTS)
    wiring.output_off(ctx)
    wiring.open_all(ctx)
