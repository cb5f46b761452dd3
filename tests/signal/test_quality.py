"""Quality of captures: every fault is seen on the channel that has it, and on no other."""

from dataclasses import replace

import numpy as np
import pytest

from rig.errors import UsageError
from rig.signal.quality import Expected, Quality, inspect
from rig.signal.sine_fit import fit_stack
from rig.signal.waveform import WaveformStack

RATE, HZ, N, M = 250e3, 9913.7, 60, 2500
NAMES = ("exc_v", "exc_i", "sin", "cos")
STEADY = Expected(steady=("exc_v",))


def clipped_channels(found: Quality) -> tuple[str, ...]:
    """Names of the channels that stand on a rail."""
    return tuple(channel.name for channel in found.channels if channel.is_clipped)


def volts(rng: np.random.Generator, exc: float = 5.0) -> np.ndarray:
    t = np.arange(M) / RATE
    phase = rng.uniform(0, 2 * np.pi, (N, 1, 1))
    elec = 4 * np.arange(N) * 2 * np.pi / N
    level = np.stack([np.full(N, exc), np.full(N, 0.5), 1.5 * np.sin(elec), 1.5 * np.cos(elec)], axis=1)
    return level[:, :, None] * np.cos(2 * np.pi * HZ * t + phase) + rng.normal(0, 5e-4, (N, 4, M))


def stack_of(x: np.ndarray) -> WaveformStack:
    codes = np.clip(np.round(x / 10 * 32768), -32768, 32767).astype(np.int16)
    return WaveformStack(
        codes=codes,
        scale_v=np.full(4, 10 / 32768),
        offset_v=np.zeros(4),
        sample_rate_hz=RATE,
        channels=NAMES,
        rail_low=-32768,
        rail_high=32767,
    )


def quality(stack: WaveformStack) -> Quality:
    return inspect(stack, fit_stack(stack, HZ), STEADY)


def test_good_captures_have_no_fault() -> None:
    """Nothing is said of good captures; figures come back as they were made."""
    found = quality(stack_of(volts(np.random.default_rng(0))))
    assert clipped_channels(found) == () and found.missing == ()
    for ch in found.channels:
        assert not (ch.silent or ch.constant or ch.lines or ch.drop_outs or ch.jump_records or ch.disturbed_records)
        assert ch.noise_v == pytest.approx(5e-4, rel=0.05)
    assert found["exc_v"].amplitude_v == pytest.approx(5.0, rel=1e-4)


def test_rails_that_count_from_zero() -> None:
    """Codes 0 to 255 about 128, as an eight-bit oscilloscope gives them: nothing clipped, the same level."""
    wide = stack_of(volts(np.random.default_rng(0)))
    codes = wide.codes // 256 + 128
    stack = replace(wide, codes=codes.astype(np.int16), scale_v=wide.scale_v * 256, rail_low=0, rail_high=255)
    found = quality(stack)
    assert found["exc_v"].amplitude_v == pytest.approx(5.0, rel=0.01)
    assert clipped_channels(found) == ()


@pytest.mark.parametrize("level", [0.999, 0.99, 0.9])
def test_clipping(level: float) -> None:
    """A peak over the range by a thousandth is seen."""
    found = quality(stack_of(volts(np.random.default_rng(1), 10 / level)))
    assert clipped_channels(found) == ("exc_v",)
    assert found["exc_v"].rail_samples >= 2
    assert found["sin"].rail_samples == 0


def test_silent_and_constant_channels() -> None:
    """A channel of noise is silent; one of a single code is constant too; both are missing."""
    x = volts(np.random.default_rng(2))
    x[:, 2] = np.random.default_rng(3).normal(0, 5e-4, (N, M))
    x[:, 3] = 0.0
    found = quality(stack_of(x))
    assert found.missing == ("sin", "cos")
    assert found["sin"].silent and not found["sin"].constant
    assert found["cos"].constant and len(found["cos"].constant_records) == N


def test_interference_line() -> None:
    """A tone of a thousandth near the carrier is found with its frequency and size, on its channel alone."""
    x = volts(np.random.default_rng(4))
    t = np.arange(M) / RATE
    x[:, 2] += 1.5e-3 * np.cos(2 * np.pi * 8000 * t + np.linspace(0, 50, N)[:, None])
    found = quality(stack_of(x))
    line = found["sin"].lines[0]
    assert line.hz == pytest.approx(8000, abs=10)
    assert line.amplitude_v == pytest.approx(1.5e-3, rel=0.05)
    assert line.relative == pytest.approx(1e-3, rel=0.05)
    assert found["cos"].lines == ()


def test_every_interference_line_is_named_once_the_strongest_first() -> None:
    """Four tones below, between and above the carrier and its harmonics, 1.5 to 4 mV: each once,
    with its own frequency and size; what is left beside the strongest is not counted again."""
    x = volts(np.random.default_rng(14))
    t = np.arange(M) / RATE
    tones = {8000.0: 0.004, 31_700.0: 0.003, 13_400.0: 0.002, 47_300.0: 0.0015}
    for i, (hz, size) in enumerate(tones.items()):
        x[:, 3] += size * np.cos(2 * np.pi * hz * t + np.linspace(0, 40 + i, N)[:, None])
    lines = quality(stack_of(x))["cos"].lines
    assert [round(line.hz, -2) for line in lines[:4]] == list(tones)
    for line, size in zip(lines[:4], tones.values(), strict=True):
        assert line.amplitude_v == pytest.approx(size, rel=0.1)
    assert all(line.amplitude_v < 0.02 * 0.004 for line in lines[4:])


def test_harmonics_are_no_interference() -> None:
    """Harmonics of the source, folded ones too, count as distortion and not as interference."""
    rng = np.random.default_rng(5)
    t = np.arange(M) / RATE
    turn = 2 * np.pi * HZ * t + rng.uniform(0, 6, (N, 1))
    x = volts(rng)
    x[:, 0] = 5 * np.cos(turn) + sum(0.02 * np.cos(h * turn) for h in (2, 3, 7, 15, 24))
    found = quality(stack_of(x))
    assert found["exc_v"].lines == ()
    assert found["exc_v"].thd == pytest.approx(0.02 * np.sqrt(2) / 5, rel=0.01)


def test_drop_out() -> None:
    """A stretch of one code in the middle of a record is found where it is."""
    stack = stack_of(volts(np.random.default_rng(6)))
    stack.codes[20, 3, 700:760] = stack.codes[20, 3, 700]
    found = quality(stack)
    (gap,) = found["cos"].drop_outs
    assert (gap.record, gap.start, gap.length) == (20, pytest.approx(700, abs=1), pytest.approx(60, abs=1))
    assert 20 in found["cos"].disturbed_records


def test_a_drop_out_that_reaches_the_end_is_told_with_its_length() -> None:
    """The last 60 samples of one record."""
    stack = stack_of(volts(np.random.default_rng(6)))
    stack.codes[20, 3, M - 60 :] = stack.codes[20, 3, M - 60]
    (gap,) = quality(stack)["cos"].drop_outs
    assert (gap.record, gap.start, gap.length) == (20, M - 60, 60)


def test_jump_of_a_steady_channel() -> None:
    """A record whose level leaves the others' is named, on a channel that should keep its level."""
    for share, records in ((0.98, (33,)), (1.007, (33,)), (0.997, ())):
        x = volts(np.random.default_rng(7))
        x[33, 0] *= share
        found = quality(stack_of(x))
        assert found["exc_v"].jump_records == records, share
    assert found["sin"].jump_records == ()


def test_wrong_fit_and_unknown_channel_are_refused() -> None:
    """A fit of another stack and an unknown channel name are refused."""
    stack = stack_of(volts(np.random.default_rng(9)))
    with pytest.raises(UsageError):
        inspect(stack, fit_stack(WaveformStack(**{**fields(stack), "codes": stack.codes[:5]}), HZ))
    with pytest.raises(UsageError):
        quality(stack)["tan"]


def fields(stack: WaveformStack) -> dict[str, object]:
    return {name: getattr(stack, name) for name in WaveformStack.__dataclass_fields__}
