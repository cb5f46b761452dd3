"""Phasors of a sweep: complex ratios, the carrier's own phase, the signed envelope.

It must never know what the channels mean to a resolver; it sees complex numbers that move along a line.
Theory: a ratio S_i = c + u_i e^{j phi} + noise; 2 phi = arg sum (S_i - mean)^2 (the constant c is taken off before
squaring, else it tilts the phase); u_i = Re(S_i e^{-j phi}) keeps the part of c in phase; quadrature is the imaginary
part.
Source: rig/signal/README.md, 3.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


class CarrierPhase(NamedTuple):
    """phase_rad: carrier phase against the reference, lead +; u_rad: its standard uncertainty from the scatter across
    the line (true quadrature counts as scatter); residual: the constant that doesn't move with the rotor (complex)."""

    phase_rad: float
    u_rad: float
    residual: complex


def ratio(fundamental: Complexes, reference: Complexes) -> Complexes:
    """fundamental / reference, element by element. Raises UsageError where the reference is zero."""
    if np.any(reference == 0):
        raise UsageError(
            "A ratio to a reference of zero was asked for: the excitation channel is dead in at least one record.",
            next_action="Check the excitation before the sweep is evaluated.",
        )
    result: Complexes = np.asarray(fundamental) / np.asarray(reference)
    return result


def u_ratio(ratios: Complexes, u_fundamental: Floats, reference: Complexes, u_reference: Floats) -> Floats:
    """Standard uncertainty of the real and of the imaginary part of a ratio, for noise that is independent between
    the channels: sqrt(u_f^2 + |r|^2 u_r^2) / |reference|."""
    u: Floats = np.sqrt(u_fundamental**2 + np.abs(ratios) ** 2 * u_reference**2) / np.abs(reference)
    return u


def carrier_phase(ratios: Complexes, sign_from: float = 0.0, constant: complex | None = None) -> CarrierPhase:
    """The phase of the line along which the ratios move.

    ratios: (n,), n >= 3, spread over a turn. sign_from: rad, the branch (of two, half a turn apart) nearest to it is
    taken; 0 means the one within +-90 deg of the reference. constant: the rotor-independent part when it is known
    better than as the mean (points missing). Raises UsageError when the ratios don't move.
    """
    values = np.asarray(ratios, dtype=np.complex128)
    if values.size < 3:
        raise UsageError(
            f"A carrier phase needs three points at least, {values.size} were given.",
            next_action="Sweep more positions.",
        )
    centre = complex(np.mean(values)) if constant is None else constant
    moved = values - centre
    turned = complex(np.sum(moved**2))
    if turned == 0:
        raise UsageError(
            "The carrier phase is undefined: the ratios don't move along a line.",
            next_action="Check that the axis turns and the channel is connected.",
        )
    phase = 0.5 * float(np.angle(turned))
    if np.cos(phase - sign_from) < 0:
        phase += np.pi if phase <= 0 else -np.pi
    along = moved * np.exp(-1j * phase)
    across = float(np.sqrt(np.mean(along.imag**2)))
    length = float(np.sqrt(np.mean(along.real**2)))
    u = across / (length * np.sqrt(values.size - 2)) if length > 0 else float("inf")
    return CarrierPhase(float(phase), float(u), centre)


def signed_envelope(ratios: Complexes, phase: float) -> tuple[Floats, Floats]:
    """(u, quadrature), (n,) each: the part of each ratio in phase with its own carrier, with its sign, and the part
    across it. ratios: (n,) complex; phase: of the carrier, rad, lead +."""
    turned = np.asarray(ratios, dtype=np.complex128) * np.exp(-1j * phase)
    return turned.real.copy(), turned.imag.copy()
