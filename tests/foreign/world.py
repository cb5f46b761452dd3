"""One foreign world, a drawn part on a drawn bench; in-process runs, recordings and wires share it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from foreign.magnetics import Inductances
from foreign.part import Foreign, draw_part, part_data
from foreign.rig_errors import RigErrors, draw_rig, sum_of_waves
from foreign.truths import truths
from rig.description.benches import BenchFile, load_bench
from rig.description.loading import from_data
from rig.description.parts import PartFile

Floats = NDArray[np.float64]
NEVER_COMPARED = 5e-3  # standard, relative and rad
ARCMIN_RAD = math.pi / 10_800.0
STREAM = 9701  # of every draw, so that no other trial repeats them


@dataclass(frozen=True, kw_only=True)
class Foreigner:
    """World number `seed`. coils: before a knock, coils_after: after it; rng: for noise, apart from the draws;
    quiet: without any noise."""

    seed: int
    bench: BenchFile
    part: Foreign
    part_file: PartFile
    rig: RigErrors
    coils: Inductances
    coils_after: Inductances
    rng: np.random.Generator = field(repr=False)
    quiet: bool = False

    def again(self, repeat: int, *, quiet: bool = False) -> Foreigner:
        """The same world with other noise; quiet: with none at all (no scatter of the positions either)."""
        return replace(self, rng=np.random.default_rng((STREAM, self.seed, 1, repeat)), quiet=quiet)

    def replaced(self, clock_deg: float, number: int, *, seat_mm: float = 0.0, knock_mm: float = 0.0) -> Foreigner:
        """The rotor loosened on the spindle and turned on by clock_deg (mechanical), the stator untouched but knocked.

        number: of the place, which draws the rotor's new seat (normal, a component) and the way of the knock; noise
        and index are drawn anew.
        """
        rng = np.random.default_rng((STREAM, self.seed, 3, number))
        own = self.part.mount
        x, y = seat_mm * rng.standard_normal(2)
        way = np.exp(2j * math.pi * rng.random())
        mount = replace(
            own,
            clock_rad=own.clock_rad + math.radians(clock_deg),
            rotor_mm=own.rotor_mm + complex(x, y),
            stator_mm=own.stator_mm + knock_mm * complex(way),
        )
        coils = Inductances(self.part.stator, self.part.rotor, mount)
        noise = np.random.default_rng((STREAM, self.seed, 4, number))
        part = replace(self.part, mount=mount, after=mount)
        return replace(self, part=part, coils=coils, coils_after=coils, rng=noise)

    def as_recorder(self) -> Foreigner:
        """The same world with channels that nobody ever compared: gain and phase of each output's channel normal with
        the standard uncertainty that evaluation takes for such channels."""
        rng = np.random.default_rng((STREAM, self.seed, 2))
        apart = NEVER_COMPARED * (rng.standard_normal(4) + 1j * rng.standard_normal(4))
        gain = self.rig.sampler.gain_at_loopback[0] * np.array([1.0, *(1.0 + apart[1:])])
        return replace(self, rig=replace(self.rig, sampler=replace(self.rig.sampler, gain=gain)))

    def _scatter(self, size: int, arcmin: float) -> Floats:
        if self.quiet:
            return np.zeros(size)
        found: Floats = arcmin * ARCMIN_RAD * self.rng.standard_normal(size)
        return found

    def truths(self) -> dict[str, float]:
        """Every true value, by measurand id."""
        return truths(self.part, self.coils, self.rig)

    def spindle_rad(self, steps: Floats, ccw: Floats, progress: Floats) -> Floats:
        """Where the spindle stands, mechanical rad; ccw: mask; progress: 0 to 1 through both passes."""
        axis, stated = self.rig.axis, self.bench.axis
        per_turn = stated.steps_per_turn if stated else 3200
        commanded = 2.0 * math.pi * steps / per_turn
        half_play = 0.5 * axis.play_arcmin * ARCMIN_RAD
        jitter = self._scatter(len(steps), axis.jitter_arcmin)
        drift = axis.drift_arcmin * ARCMIN_RAD * progress
        where: Floats = commanded + sum_of_waves(axis.waves, commanded) + np.where(ccw, -half_play, half_play)
        return where + jitter + drift

    def encoder_deg(self, spindle_rad: Floats) -> Floats | None:
        """What the spindle's encoder shows, degrees 0 to 360; None without one."""
        axis = self.rig.axis
        if axis.encoder is None:
            return None
        noise = self._scatter(len(spindle_rad), axis.encoder_noise_arcmin)
        shown: Floats = np.degrees(spindle_rad + sum_of_waves(axis.encoder, spindle_rad) + noise) % 360.0
        return shown


def foreign_world(
    seed: int,
    *,
    bench: BenchFile | None = None,
    pole_pairs: int | None = None,
    teeth: int | None = None,
    knock_mm: float = 0.0,
) -> Foreigner:
    """Everything drawn from the seed; noise comes from a stream of its own (`again` repeats the world with another)."""
    file = bench or load_bench("simulated")
    rng = np.random.default_rng((STREAM, seed))
    part = draw_part(rng, pole_pairs=pole_pairs, teeth=teeth, knock_mm=knock_mm)
    rig = draw_rig(rng, file, part.pole_pairs, part.teeth)
    coils = Inductances(part.stator, part.rotor, part.mount)
    after = coils if part.after == part.mount else Inductances(part.stator, part.rotor, part.after)
    return Foreigner(
        seed=seed,
        bench=file,
        part=part,
        part_file=from_data(PartFile, part_data(part), f"foreign part {seed}"),
        rig=rig,
        coils=coils,
        coils_after=after,
        rng=np.random.default_rng((STREAM, seed, 1)),
    )
