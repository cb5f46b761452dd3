"""Reduced magnetic model of a variable-reluctance resolver, to try faults against readings.

It must never know the simulated part (drivers/simulated) nor a limit. One permeance a tooth, in units of the mean:
P_k = 1 + m cos p(theta - a_k); off centre by e of the mean gap its gap share G becomes G / (1 - e G cos(a_k - psi)).
Excitation turns alternate from tooth to tooth, output turns follow sin and cos of p a_k
(rig/resolver/README.md, 6); the rotor's
potential floats: M_ab = sum a b P - sum(a P) sum(b P) / sum P. Then S = g M_es / (r + j M_ee), r = R / omega L. A loop
of n turns round tooth t takes M_at M_bt / (M_tt - j rho) off each, rho its resistance over n^2 mean reactances; turns
that left their coil are a share of the tooth's. Ratios complex, on any common scale. Theory: rig/resolver/README.md, 6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
IN_PHASE = 0.004  # of the maximum: what turns rounding and gap scatter of a healthy part leave unmodelled
QUADRATURE = 0.0006
LEAKAGE = 0.15  # of the mean tooth permeance: flux that does not cross the rotor's gap, not moved by an offset
LEAST_RHO, MOST_RHO = 0.02, 300.0
HEALTHY, SHORTED, ECCENTRIC = "healthy", "shorted", "eccentric"


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """pole_pairs p, teeth Z (even), r: R / omega L of the excitation coil."""

    pole_pairs: int
    teeth: int
    r: float

    def classes(self) -> list[int]:
        """One tooth (from 0) for each electrical position; teeth that stand alike can't be told apart by the turn."""
        seen: dict[int, int] = {}
        for tooth in range(self.teeth):
            seen.setdefault(tooth * self.pole_pairs % self.teeth, tooth)
        return list(seen.values())

    def alike(self, tooth: int) -> tuple[int, ...]:
        """Every tooth (from 0) at the same electrical position as this one, and of the same polarity."""
        place = tooth * self.pole_pairs % self.teeth
        return tuple(k for k in range(self.teeth) if k * self.pole_pairs % self.teeth == place)


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """What is tried: modulation m, electrical zero (rad), and a fault's own figures.

    tooth from 0; rho: resistance of the closed turn over its reactance; missing: coil ("exc", "sin", "cos", "") that
    lost the turns and their share of the tooth's; offset: eccentricity over the mean gap, and where (mechanical rad).
    """

    modulation: float = 0.5
    zero_rad: float = 0.0
    tooth: int = 0
    rho: float = math.inf
    missing: str = ""
    share: float = 0.0
    offset: float = 0.0
    toward_mech_rad: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelFit:
    """A hypothesis against the readings: misfit is the sum of squared, weighted residuals; residual its rms, of the
    maximum; parameters: how many were free."""

    kind: str
    guess: Guess
    misfit: float
    residual: float
    parameters: int
    points: int

    @property
    def criterion(self) -> float:
        """Misfit with a penalty for each free figure (Bayesian information criterion, up to a constant)."""
        return self.misfit + self.parameters * math.log(max(self.points, 2))


def ratios(design: Design, theta_mech_rad: Floats, guess: Guess) -> tuple[Complexes, Complexes]:
    """(sine, cosine) ratios by the model, scaled to about one at the maximum; theta: (n,) mechanical rad."""
    tooth = np.arange(design.teeth)
    at = 2.0 * math.pi * tooth / design.teeth
    p = design.pole_pairs
    sign = np.where(tooth % 2 == 0, 1.0, -1.0)
    exc, sine, cosine = sign.copy(), sign * np.sin(p * at), sign * np.cos(p * at)
    for name, turns in (("exc", exc), ("sin", sine), ("cos", cosine)):
        if guess.missing == name:
            turns[guess.tooth] *= 1.0 - guess.share
    angle = p * theta_mech_rad - guess.zero_rad
    permeance: Complexes = (1.0 + guess.modulation * np.cos(angle[:, None] - p * at)).astype(np.complex128)
    if guess.offset:
        gap = permeance * (1.0 + LEAKAGE) - LEAKAGE
        gap = gap / (1.0 - guess.offset * gap.real * np.cos(at - guess.toward_mech_rad))
        permeance = (gap + LEAKAGE) / (1.0 + LEAKAGE)
    linked_exc, linked_sine, linked_cosine = (_flux_linkage(permeance, exc, turns) for turns in (exc, sine, cosine))
    if math.isfinite(guess.rho):
        loop = np.zeros(design.teeth)
        loop[guess.tooth] = 1.0
        with_exc = _flux_linkage(permeance, loop, exc)
        current = with_exc / (_flux_linkage(permeance, loop, loop) - 1j * guess.rho)
        linked_exc = linked_exc - current * with_exc
        linked_sine = linked_sine - current * _flux_linkage(permeance, loop, sine)
        linked_cosine = linked_cosine - current * _flux_linkage(permeance, loop, cosine)
    drop = design.r + 1j * linked_exc / design.teeth
    scale = 2j / (design.teeth * guess.modulation)
    return scale * linked_sine / drop, scale * linked_cosine / drop


def _flux_linkage(permeance: Complexes, a: Floats, b: Floats) -> Complexes:
    """Flux of winding a through winding b at each position; the rotor's own potential floats between the teeth."""
    out: Complexes = permeance @ (a * b) - (permeance @ a) * (permeance @ b) / permeance.sum(axis=1)
    return out


def fold(theta_mech_rad: Floats, values: Complexes, pole_pairs: int, bins: int = 48) -> tuple[Floats, Complexes]:
    """A turn laid over one electrical cycle: (mechanical rad in the first cycle (m,), means of the bins (m,)).

    What belongs to the stator repeats every cycle; what does not, averages out.
    """
    cycle = 2.0 * math.pi / pole_pairs
    place = np.floor(np.mod(theta_mech_rad, cycle) / cycle * bins).astype(np.int64) % bins
    counts = np.bincount(place, minlength=bins)
    full = counts > 0
    where = np.bincount(place, np.mod(theta_mech_rad, cycle), bins)[full] / counts[full]
    real = np.bincount(place, values.real, bins)[full] / counts[full]
    imaginary = np.bincount(place, values.imag, bins)[full] / counts[full]
    return where, real + 1j * imaginary


@dataclass(frozen=True, slots=True)
class _Data:
    theta_mech_rad: Floats
    sine: Complexes
    cosine: Complexes
    size: float


def fit_faults(
    design: Design,
    theta_mech_rad: Floats,
    sine: Complexes,
    cosine: Complexes,
    kinds: Sequence[str] = (HEALTHY, SHORTED, ECCENTRIC),
) -> list[ModelFit]:
    """Each hypothesis at its best, the best first; theta (n,) mechanical rad in the part's positive sense.

    Ratios (n,) complex, of one turn. Residuals are weighted by what a healthy part leaves unmodelled, in phase
    (`IN_PHASE`) and in quadrature (`QUADRATURE`). Raises UsageError for fewer than 24 points.
    """
    if theta_mech_rad.size < 24:
        raise UsageError(
            f"{theta_mech_rad.size} points of a turn are too few to try faults on; 24 at least are needed.",
            next_action="Sweep more positions.",
        )
    where, folded_sine = fold(theta_mech_rad, sine, design.pole_pairs)
    _, folded_cosine = fold(theta_mech_rad, cosine, design.pole_pairs)
    size = float(np.sqrt(np.mean(np.abs(folded_sine) ** 2 + np.abs(folded_cosine) ** 2)))
    data = _Data(where, folded_sine / size, folded_cosine / size, size)
    zero = _zero(design, data)
    tries: list[ModelFit] = []
    if HEALTHY in kinds:
        tries.append(_solve(design, data, HEALTHY, Guess(zero_rad=zero), ("zero_rad",)))
    if SHORTED in kinds:
        tries.append(_best_short(design, data, zero))
    if ECCENTRIC in kinds:
        tries.append(_best_offset(design, data, zero))
    return sorted(tries, key=lambda fit: fit.criterion)


def _zero(design: Design, data: _Data) -> float:
    """Electrical zero of the turn from its first order."""
    turn = np.exp(-1j * design.pole_pairs * data.theta_mech_rad)
    both = np.real(data.cosine * np.conj(_carrier(data))) + 1j * np.real(data.sine * np.conj(_carrier(data)))
    return -float(np.angle(np.sum(both * turn)))


def _carrier(data: _Data) -> complex:
    squares = complex(np.sum(data.sine**2 + data.cosine**2))
    phase = 0.5 * math.atan2(squares.imag, squares.real)
    return complex(math.cos(phase), math.sin(phase))


def _best_short(design: Design, data: _Data, zero: float) -> ModelFit:
    free = ("zero_rad", "modulation", "rho")
    fits = []
    for tooth in design.classes():
        for rho in (0.5, 8.0):
            fits.append(_solve(design, data, SHORTED, Guess(zero_rad=zero, tooth=tooth, rho=rho), free))
    best = min(fits, key=lambda fit: fit.misfit)
    for coil in ("exc", "sin", "cos"):
        start = replace(best.guess, missing=coil, share=0.05)
        more = _solve(design, data, SHORTED, start, (*free, "share"))
        best = more if more.criterion < best.criterion else best
    return best


def _best_offset(design: Design, data: _Data, zero: float) -> ModelFit:
    free = ("zero_rad", "modulation", "offset", "toward_mech_rad")
    starts = [
        Guess(zero_rad=zero, offset=size, toward_mech_rad=math.radians(at))
        for size in (0.1, 0.35)
        for at in (10.0, 55.0, 100.0, 145.0)
    ]
    return min((_solve(design, data, ECCENTRIC, start, free) for start in starts), key=lambda fit: fit.misfit)


BOUNDS = {
    "zero_rad": (-20.0, 20.0),
    "modulation": (0.3, 0.7),
    "rho": (math.log(LEAST_RHO), math.log(MOST_RHO)),
    "share": (0.0, 1.0),
    "offset": (0.0, 0.5),
    "toward_mech_rad": (-10.0, 10.0),
}


def _solve(design: Design, data: _Data, kind: str, start: Guess, free: Sequence[str]) -> ModelFit:
    """The free figures by weighted least squares, the common complex gain solved within."""
    from scipy.optimize import least_squares

    first = [math.log(start.rho) if name == "rho" else float(getattr(start, name)) for name in free]
    low, high = zip(*(BOUNDS[name] for name in free), strict=True)
    inside = np.clip(first, np.array(low) + 1e-6, np.array(high) - 1e-6)

    def apart(x: Floats) -> Floats:
        return _residuals(design, data, _move_guess(start, free, x))

    found = least_squares(apart, inside, bounds=(low, high))
    residuals = found.fun
    half = residuals.size // 2
    rms = math.sqrt(float(np.mean((residuals[:half] * IN_PHASE) ** 2) + np.mean((residuals[half:] * QUADRATURE) ** 2)))
    return ModelFit(
        kind=kind,
        guess=_move_guess(start, free, found.x),
        misfit=float(np.sum(residuals**2)),
        residual=rms,
        parameters=len(free) + 2 + (kind == SHORTED),
        points=residuals.size,
    )


def _move_guess(start: Guess, free: Sequence[str], x: Sequence[float] | Floats) -> Guess:
    figures = dict(zip(free, (float(v) for v in x), strict=True))
    if "rho" in figures:
        figures["rho"] = math.exp(figures["rho"])
    return replace(start, **figures)  # type: ignore[arg-type]


def _residuals(design: Design, data: _Data, guess: Guess) -> Floats:
    sine, cosine = ratios(design, data.theta_mech_rad, guess)
    model = np.concatenate([sine, cosine])
    seen = np.concatenate([data.sine, data.cosine])
    gain = np.vdot(model, seen) / np.vdot(model, model)
    apart = (seen - gain * model) * np.conj(gain) / abs(gain)
    out: Floats = np.concatenate([apart.real / IN_PHASE, apart.imag / QUADRATURE])
    return out
