"""A bench run without some of its witnesses: what a file of its captures alone would tell.

It must never change a sample. It exists so that one answer can be proven: a run's captures written out as a recording
and read back give what the same run gives without the witnesses that a file lacks.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np

from rig.observed import Absent, Observed
from rig.quantity import Reading
from rig.records.elsewhere.placeholders import bench_of_recording, no_holder, unknown_part
from rig.records.elsewhere.recording import STEP_DEG
from rig.signal.waveform import HeldCaptures, WaveformStack

CARRIED_BY: Mapping[Absent, tuple[str, ...]] = {
    Absent.LOOPBACK: ("loopback",),
    Absent.BACKGROUND: ("background",),
    Absent.CURRENT: ("impedance_",),
    Absent.SETTING: ("excitation", "ramp"),
    Absent.INDEX: ("index_found", "encoder_angle"),
    Absent.DC: ("coil_", "thermistor_", "leak_", "pair_", "lead_zero", "check_", "ambient_"),
}
"""Witness -> beginnings of the names of the readings and series that carry it."""


def strip_witnesses(observed: Observed, witnesses: Collection[Absent]) -> Observed:
    """The same run without these witnesses; its captures are the same samples."""
    gone = frozenset(witnesses)
    names = tuple(name for witness in gone for name in CARRIED_BY.get(witness, ()))
    kept = {s: _stack(observed, s, gone) for s in observed.captures.series() if not (names and s.startswith(names))}
    readings = [r for r in observed.readings if not (names and r.quantity.startswith(names))]
    nominal = None if Absent.POLE_PAIRS in gone else observed.part.pole_pairs
    bench = None if Absent.RECORDER in gone else observed.bench
    if bench is not None and Absent.POSITIONER in gone:
        bench = bench.model_copy(update={"axis": None})
    return Observed(
        readings=tuple(_reading(observed, r, i, gone) for i, r in enumerate(readings)),
        captures=HeldCaptures(kept),
        part=unknown_part(nominal) if Absent.PART in gone else observed.part,
        holder=no_holder(),
        bench=bench_of_recording(bench),
        header={"rotor": observed.rotor},
        absent=observed.absent | gone,
    )


def _stack(observed: Observed, series: str, gone: frozenset[Absent]) -> WaveformStack:
    """Volts at the coil, as a recorder there would have them; no current where that witness is gone."""
    stack, sampler = observed.captures.stack(series), observed.bench.sampler
    scale, offset = stack.scale_v.copy(), stack.offset_v.copy()
    scale[0], offset[0] = scale[0] / sampler.exc_divider, offset[0] / sampler.exc_divider
    scale[1], offset[1] = scale[1] / sampler.shunt_ohm, offset[1] / sampler.shunt_ohm
    codes = stack.codes
    if Absent.CURRENT in gone:
        codes = codes.copy()
        codes[:, 1] = 0
        scale[1], offset[1] = 1.0, 0.0
    if Absent.RAILS in gone:
        wide = int(np.iinfo(np.int32).max)
        return replace(
            stack, codes=codes.astype(np.int32), scale_v=scale, offset_v=offset, rail_low=-wide, rail_high=wide
        )
    return replace(stack, codes=codes, scale_v=scale, offset_v=offset)


def _reading(observed: Observed, reading: Reading, i: int, gone: frozenset[Absent]) -> Reading:
    """Positions in fine steps; without what was set and without times where those are gone."""
    conditions = dict(reading.conditions)
    axis = observed.bench.axis
    steps = conditions.get("position_steps")
    if isinstance(steps, int | float) and axis is not None:
        conditions["position_steps"] = steps * (360.0 / axis.steps_per_turn) / STEP_DEG
    if Absent.SETTING in gone:
        conditions = {key: value for key, value in conditions.items() if key not in ("frequency_hz", "set_v_rms")}
    if Absent.TIMES in gone:
        return replace(reading, conditions=conditions, bench_time_s=float(i), time_utc="")
    return replace(reading, conditions=conditions)
