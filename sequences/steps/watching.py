"""One coil watched as fast as the bench reads: four-wire ohms, or the amplitude at its input under excitation.

It must never hold a minimum or call a drop-out (rig/evaluation/bench/watching.py does). What to watch stands
in the header,
details `watch`: coil, mode "dc" or "ac", seconds of bench time. A stop by hand ends it like any run.
"""

from __future__ import annotations

import math

import numpy as np

from rig.control.step import Context
from rig.resolver.part import COILS
from rig.signal.waveform import Waveform
from sequences.steps import ohms, sampling, sweep, wiring

NPLC = 0.2
SPOTS = 8
ALL = "all"
CHANNEL = {"exc": 1, "sin": 2, "cos": 3}


def watch_request(ctx: Context) -> tuple[str, str, float]:
    """(coil, mode, seconds) of the run's header."""
    watch = ctx.header["details"]["watch"]
    return str(watch["coil"]), str(watch["mode"]), float(watch["seconds"])


def by_ohms(ctx: Context) -> bool:
    """Whether the resistance is watched."""
    return watch_request(ctx)[1] == "dc"


def by_amplitude(ctx: Context) -> bool:
    """Whether the amplitude is watched."""
    return watch_request(ctx)[1] == "ac"


def enter_ohms(ctx: Context) -> None:
    """From here on the guard may be opened: output off and axis released, both read back; only ohms are read."""
    ctx.bench.guard.enter_ohms()
    ctx.event("ohms", told="output off, axis released, both read back: the guard may be opened")


def resistance(ctx: Context) -> None:
    """Ohms on a fixed range, a reading after the other: of one coil four-wire, of all coils in turn the same."""
    coil, _, seconds = watch_request(ctx)
    if coil == ALL:
        _in_turn(ctx, seconds)
        return
    hi, lo = wiring.coil_pins(ctx, coil)
    nominal = ctx.part.coils.get(coil)
    range_ohm = ohms.fitting(2.0 * nominal.r20_ohm if nominal is not None else ohms.FIRST_RANGE_OHM)
    wiring.meter_on(ctx, [hi], [lo])
    begun_s = ctx.clock.now_s()
    while ctx.clock.now_s() - begun_s < seconds:
        got = ctx.bench.multimeter.resistance_ohm(
            four_wire=True, range_ohm=range_ohm, nplc=NPLC, offset_compensation=False
        )
        ctx.read_meter("watch_resistance", got, coil=coil, range_ohm=range_ohm)
    wiring.open_all(ctx)


def _in_turn(ctx: Context, seconds: float) -> None:
    """All coils, their low ends joined at the meter: one relay opens and one closes between two readings."""
    coils = [coil for coil in COILS if f"{coil}_hi" in ctx.part.pins]
    largest = max((2.0 * nominal.r20_ohm for nominal in ctx.part.coils.values()), default=ohms.FIRST_RANGE_OHM)
    range_ohm = ohms.fitting(largest)
    lows = [wiring.coil_pins(ctx, coil)[1] for coil in coils]
    begun_s = ctx.clock.now_s()
    while ctx.clock.now_s() - begun_s < seconds:
        for coil in coils:
            wiring.meter_on(ctx, [wiring.coil_pins(ctx, coil)[0]], lows)
            at_s = ctx.clock.now_s()
            got = ctx.bench.multimeter.resistance_ohm(
                four_wire=True, range_ohm=range_ohm, nplc=NPLC, offset_compensation=False
            )
            dwell_s = ctx.clock.now_s() - at_s
            ctx.read_meter("watch_resistance", got, coil=coil, range_ohm=range_ohm, wires=4, dwell_s=dwell_s)
    wiring.open_all(ctx)


def amplitude(ctx: Context) -> None:
    """Amplitude at one coil, rms at the carrier: an output's volts at its largest spot, the excitation's amperes."""
    coil, _, seconds = watch_request(ctx)
    coils = COILS if coil == ALL else (coil,)
    if coil not in ("exc", ALL):
        _largest(ctx, coil)
    begun_s = ctx.clock.now_s()
    while ctx.clock.now_s() - begun_s < seconds:
        waveform = sampling.take(ctx)
        level = sampling.measure_level(ctx, waveform)
        for one in coils:
            value, unit = (level.a_rms, "A") if one == "exc" else (_rms_v(ctx, waveform, one), "V")
            ctx.read("watch_amplitude", value, unit, ctx.bench.name("sampler"), coil=one, exc_v_rms=level.v_rms)


def _largest(ctx: Context, coil: str) -> None:
    """The rotor turned to where this output is largest, of eight spots of an electrical cycle."""
    axis, device = ctx.bench.axis, ctx.bench.file.axis
    if axis is None or device is None or not sweep.can_turn(ctx):
        return
    spots = [round(i * axis.steps_per_turn / ctx.part.pole_pairs / SPOTS) for i in range(SPOTS)]
    found = []
    for spot in spots:
        axis.move_to(spot)
        axis.wait_stopped(device.settle_s)
        found.append(_rms_v(ctx, sampling.take(ctx), coil))
        ctx.check_stop()
    axis.move_to(spots[int(np.argmax(found))])
    axis.wait_stopped(device.settle_s)


def _rms_v(ctx: Context, waveform: Waveform, coil: str) -> float:
    """Fundamental at the set frequency on the coil's channel, least squares."""
    volts = waveform.volts()[CHANNEL[coil]]
    t_s = np.arange(volts.size) / waveform.sample_rate_hz
    angle = 2.0 * np.pi * ctx.part.excitation.frequency_hz * (t_s - t_s.mean())
    basis = np.column_stack((np.ones_like(angle), np.cos(angle), np.sin(angle)))
    found, *_ = np.linalg.lstsq(basis, volts, rcond=None)
    return float(np.hypot(found[1], found[2]) / math.sqrt(2.0))
