"""Recordings of foreign parts as files: sampled sweeps (HDF5), phasors (CSV), a rotor turned by hand (waves CSV).

A recorder has no loopback, no shunt and no meter. Volts in a file are those at the coil and at the outputs, as whoever
recorded them converted them by the divider's nominal value. With a bench file beside it, the errors are drawn from what
that file states; without one nothing stands behind the channels and only the scatter can be stated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

from foreign.signals import BITS, ORDERS, Codes, Complexes, Drive, codes_of, connectors, quantised, through_channels
from foreign.world import Foreigner
from rig.description.places import find

Floats = NDArray[np.float64]
KINDS = ("sweep", "phasors", "waves")
POINTS = (144, 240, 320, 360)
LEVEL_V_RMS, FREQUENCY_HZ = 7.0, 10_000.0
SAMPLES = 755
HAND_RATE_HZ, HAND_S = 48_000.0, 2.5
FINE = 720  # places of a turn between which the moving rotor's phasors are interpolated
RECORDED = (0, 2, 3)  # excitation, sine, cosine of the four connectors


@dataclass(frozen=True, kw_only=True)
class Recording:
    """One file. bench: the bench file beside it, None where there is none; both: whether both passes were recorded."""

    kind: str
    path: Path
    bench: Path | None
    pole_pairs: int
    both: bool


def write_recording(
    world: Foreigner, kind: str, folder: Path, *, with_bench: bool, name: str = "recording", turn: int = 0
) -> Recording:
    """The world recorded as a file of this kind; the same world gives the same grid and passes every time.

    turn: number of the turn by hand; nobody turns a rotor twice in the same way.
    """
    folder.mkdir(parents=True, exist_ok=True)
    world = world.as_recorder()
    choice = np.random.default_rng((world.seed, KINDS.index(kind)))
    both = bool(choice.random() < 0.5)
    if kind == "waves":
        choice = np.random.default_rng((world.seed, KINDS.index(kind), turn))
        path = write_waves(world, folder / f"{name}.csv", choice)
    else:
        points = int(choice.choice([n for n in POINTS if n >= 24 * world.part.pole_pairs]))
        degrees, volts = turn_of(world, points, both)
        path = folder / (f"{name}.h5" if kind == "sweep" else f"{name}.csv")
        write = write_sweep if kind == "sweep" else write_phasors
        write(world, path, degrees, volts)
    return Recording(
        kind=kind,
        path=path,
        bench=_bench_beside(folder) if with_bench else None,
        pole_pairs=world.part.pole_pairs,
        both=both,
    )


def _bench_beside(folder: Path) -> Path:
    path = folder / "recorder.toml"
    path.write_text(find("bench", "simulated").read_text(encoding="utf-8"), encoding="utf-8")
    return path


def drive_of(world: Foreigner) -> Drive:
    """The source at its level."""
    one = Drive(coil="exc", emf_v_peak=1.0, frequency_hz=FREQUENCY_HZ, loaded=True)
    there = connectors(world.rig, world.coils, world.part.copper, one, np.zeros(1))
    volt = float(abs(there[0, 0, 0] / world.rig.sampler.divider))
    peak = math.sqrt(2.0) * LEVEL_V_RMS * (1.0 + world.rig.trim) / volt
    return Drive(coil="exc", emf_v_peak=peak, frequency_hz=FREQUENCY_HZ, loaded=True)


def turn_of(world: Foreigner, points: int, both: bool) -> tuple[Floats, Complexes]:
    """((n,) commanded degrees, (n, 4, orders) volts at the connectors behind the channels)."""
    axis = world.bench.axis
    per_turn = axis.steps_per_turn if axis else 3200
    forth = np.arange(points + 1) / points
    share = np.concatenate([forth, forth[::-1]]) if both else forth
    ccw = np.arange(share.size) <= points
    spindle = world.spindle_rad(share * per_turn, ccw, np.linspace(0.0, 1.0, share.size))
    volts = connectors(world.rig, world.coils, world.part.copper, drive_of(world), spindle)
    if both:
        later = connectors(world.rig, world.coils_after, world.part.copper, drive_of(world), spindle)
        volts = np.where(ccw[:, None, None], volts, later)
    return 360.0 * share, through_channels(world.rig, volts)


def records(world: Foreigner, volts: Complexes) -> Codes:
    """(n, 4, samples) codes of records taken one after the other."""
    hertz = FREQUENCY_HZ * (1.0 + world.rig.frequency_relative)
    return codes_of(
        world.rig,
        volts,
        2.0 * math.pi * hertz * 0.15 * np.arange(len(volts)),
        world.rng,
        frequency_hz=FREQUENCY_HZ,
        rate_hz=world.bench.sampler.sample_rate_hz,
        samples=SAMPLES,
        range_v=world.bench.sampler.range_v,
        noise=not world.quiet,
    )


def scales_v(world: Foreigner) -> Floats:
    """(3,) volts a code of the recorded channels, the excitation's at the coil by the divider's nominal value."""
    code_v = world.bench.sampler.range_v / 2 ** (BITS - 1)
    return code_v * np.array([1.0 / world.bench.sampler.exc_divider, 1.0, 1.0])


def write_sweep(world: Foreigner, path: Path, degrees: Floats, volts: Complexes) -> None:
    """A sampled sweep as HDF5: positions_deg, samples, sample_rate_hz, channels, scale_v."""
    with h5py.File(path, "w") as file:
        file["positions_deg"] = degrees
        file["samples"] = records(world, volts)[:, RECORDED, :]
        file["samples"].attrs["scale_v"] = scales_v(world)
        file.attrs["sample_rate_hz"] = world.bench.sampler.sample_rate_hz
        file.attrs["channels"] = "exc,sin,cos"


def write_phasors(world: Foreigner, path: Path, degrees: Floats, volts: Complexes) -> None:
    """Phasors as a lock-in gives them: the records projected onto sine and cosine at the true frequency."""
    sampler, codes = world.bench.sampler, records(world, volts)
    step = 2.0 * math.pi * FREQUENCY_HZ * (1.0 + world.rig.frequency_relative)
    step /= sampler.sample_rate_hz * (1.0 + world.rig.sampler.clock)
    centred = np.arange(SAMPLES) - (SAMPLES - 1) / 2.0
    columns = [np.ones(SAMPLES)]
    for order in (1, 2, 3, 5):
        columns += [np.cos(order * step * centred), -np.sin(order * step * centred)]
    projected = codes[:, RECORDED, :].astype(np.float64) @ np.linalg.pinv(np.stack(columns, axis=1)).T
    phasors = (projected[:, :, 1] + 1j * projected[:, :, 2]) * scales_v(world)
    turned = phasors * np.exp(-1j * np.angle(phasors[:, :1]))
    rows = np.column_stack([degrees, np.stack([turned.real, turned.imag], axis=2).reshape(len(degrees), 6)])
    header = "stepper_deg,exc_re,exc_im,sin_re,sin_im,cos_re,cos_im"
    np.savetxt(path, rows, fmt=["%.5f"] + ["%.7f"] * 6, delimiter=",", header=header, comments="")


def write_waves(world: Foreigner, path: Path, choice: np.random.Generator) -> Path:
    """One long record of a rotor turned by hand through more than a turn, unevenly."""
    count = round(HAND_RATE_HZ * HAND_S)
    t_s = np.arange(count) / HAND_RATE_HZ
    rate = 2.0 * math.pi * float(choice.uniform(1.2, 2.5)) / HAND_S
    angle = float(choice.uniform(0.0, 6.28)) + rate * t_s
    for ratio, phase in zip(choice.uniform(1.0, 5.0, 3), choice.uniform(0.0, 6.28, 3), strict=True):
        angle += 0.25 / ratio * np.sin(ratio * rate * t_s + phase)
    places = 2.0 * math.pi * np.arange(FINE) / FINE
    table = connectors(world.rig, world.coils, world.part.copper, drive_of(world), places)
    table = through_channels(world.rig, table)[:, RECORDED, :].reshape(FINE, -1)
    closed, at = np.append(places, 2.0 * math.pi), np.mod(angle, 2.0 * math.pi)
    between = np.stack([_along(at, closed, np.append(column, column[0])) for column in table.T], axis=1).reshape(
        count, len(RECORDED), len(ORDERS)
    )
    carrier = 2.0 * math.pi * FREQUENCY_HZ * (1.0 + world.rig.frequency_relative)
    phase = carrier * t_s / (1.0 + world.rig.sampler.clock)
    made = np.zeros((1, 4, count), dtype=np.float32)
    made[0, RECORDED, :] = np.einsum("nco,no->cn", between, np.exp(1j * np.outer(phase, ORDERS))).real
    codes = quantised(world.rig, made, world.rng, range_v=world.bench.sampler.range_v, noise=not world.quiet)
    volts = codes[0, RECORDED, :].T * scales_v(world)
    rows = np.column_stack([t_s, volts])
    np.savetxt(path, rows, fmt=["%.8f"] + ["%.6f"] * 3, delimiter=",", header="t_s,exc_v,sin_v,cos_v", comments="")
    return path


def _along(at: Floats, knots: Floats, values: Complexes) -> Complexes:
    found: Complexes = np.interp(at, knots, values.real) + 1j * np.interp(at, knots, values.imag)
    return found
