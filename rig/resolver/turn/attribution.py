"""Which fault of the envelopes makes which order of the error: error and radius together.

It must never judge. Two-sided model: z = v + j u = sum_k a_k e^{j k theta}, theta electrical, so that
z e^{-j theta} / a_1 - 1 = radius + j error (to first order) holds at electrical order n the pair k = 1 + n and
k = 1 - n. Error alone can't tell the two; radius and error together can. A positioner's error turns the angle and
leaves the radius: both members of its pair are equally large. Orders that are no multiple of the pole pairs are not
electrical: seat, teeth, rotor or positioner. Theory: rig/resolver/README.md, 2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.resolver.turn.error_curve import deviation

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
ARCMIN_PER_RAD = 180.0 * 60.0 / math.pi
BALANCED = 0.25  # radius over error below which the pair is as a positioner makes it
STEPPER = (50, 100, 200)


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One order a mechanical turn. plus, minus: a_(1+n) and a_(1-n) over a_1, n = order / pole pairs, against the
    electrical angle whose zero is the mean of the indicated one; error_elec_rad, radius: amplitudes at this order;
    u: standard uncertainty of either amplitude from the scatter."""

    order_mech: int
    plus: complex
    minus: complex
    error_elec_rad: float
    radius: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A cause with its own size: ratio (imbalance, offset, harmonics) or electrical deg, and the error it makes.

    code: imbalance, orthogonality, offset, harmonic-2, harmonic-3, ... (of the windings), seat-or-rotor, positioner,
    stepper, amplitude (a change of amplitude without an error). error_elec_arcmin: peak.
    """

    code: str
    order_mech: int
    size: float
    unit: str
    error_elec_arcmin: float
    text: str


def components(
    theta_mech_rad: Floats, u: Floats, v: Floats, pole_pairs: int, direction: int, orders_mech: Sequence[int]
) -> tuple[Component, ...]:
    """Error and radius of each order, split into the members of its pair.

    theta_mech_rad, u, v: (n,), one turn, n above twice the number of orders. Raises UsageError when the points can't
    tell the orders apart.
    """
    wanted = tuple(sorted({int(n) for n in orders_mech if n > 0}))
    theta = np.asarray(theta_mech_rad, dtype=np.float64)
    z = np.asarray(v) + 1j * np.asarray(u)
    _, offset = deviation(np.angle(z), theta, pole_pairs, direction)
    turned = direction * theta + offset / pole_pairs
    still = z * np.exp(-1j * pole_pairs * turned)
    columns = [np.ones_like(still)]
    for n in wanted:
        columns += [np.exp(1j * n * turned), np.exp(-1j * n * turned)]
    rows = np.column_stack(columns)
    if not wanted or rows.shape[0] <= rows.shape[1] or np.linalg.matrix_rank(rows, tol=1e-6 * len(rows)) < len(columns):
        raise UsageError(
            f"{theta.size} points can't tell the orders {wanted} apart.", next_action="Sweep more positions."
        )
    solution: Complexes = np.linalg.lstsq(rows, still, rcond=None)[0]
    left = still - rows @ solution
    size = abs(solution[0])
    spread = float(np.sqrt(np.sum(np.abs(left) ** 2) / 2 / (theta.size - rows.shape[1])))
    noise = spread * math.sqrt(2 / theta.size) / size
    found = []
    for i, n in enumerate(wanted):
        plus, minus = complex(solution[1 + 2 * i] / solution[0]), complex(solution[2 + 2 * i] / solution[0])
        radius, error = abs(plus + minus.conjugate()), abs(plus - minus.conjugate())
        found.append(
            Component(order_mech=n, plus=plus, minus=minus, error_elec_rad=error, radius=radius, u=float(noise))
        )
    return tuple(found)


def attribute(
    theta_mech_rad: Floats,
    u: Floats,
    v: Floats,
    pole_pairs: int,
    direction: int,
    orders_mech: Sequence[int],
    *,
    least_elec_arcmin: float = 1.0,
) -> tuple[Cause, ...]:
    """Causes of the error, the one that makes most of it first.

    least_elec_arcmin: what makes less, or less than four times its own scatter, is not named. Order 2 p of the error
    has several causes: imbalance and orthogonality are named from the pair's lower member, which positions don't
    make alone; where radius is missing the positioner is named.
    """
    found: list[Cause] = []
    for component in components(theta_mech_rad, u, v, pole_pairs, direction, orders_mech):
        least = max(least_elec_arcmin / ARCMIN_PER_RAD, 4 * component.u)
        if max(component.error_elec_rad, component.radius) >= least:
            found += [cause for cause in _causes(component, pole_pairs, least) if cause.size > 0]
    return tuple(sorted(found, key=lambda cause: -cause.error_elec_arcmin))


def _causes(c: Component, p: int, least: float) -> list[Cause]:
    whole, rest = divmod(c.order_mech, p)
    if c.error_elec_rad < BALANCED * c.radius:
        text = f"the amplitude changes {_times(c.order_mech)} a turn, the angle hardly"
        return [_cause("amplitude", c, c.radius, "ratio", c.error_elec_rad, text)]
    if c.order_mech in STEPPER and c.radius < BALANCED * c.error_elec_rad:
        text = f"order {c.order_mech}: the stepper motor's own, or the part's"
        return [_cause("stepper", c, c.error_elec_rad, "rad", c.error_elec_rad, text)]
    if c.radius < BALANCED * c.error_elec_rad:
        text = f"the angle moves {_times(c.order_mech)} a turn and the amplitude stays: positioner or coupling"
        return [_cause("positioner", c, c.error_elec_rad, "rad", c.error_elec_rad, text)]
    if rest:
        text = f"order {c.order_mech} is no multiple of {p} pole pairs: seat, rotor or teeth"
        return [_cause("seat-or-rotor", c, c.error_elec_rad, "rad", c.error_elec_rad, text)]
    causes = _electrical(c, whole)
    return [cause for cause in causes if cause.error_elec_arcmin >= least * ARCMIN_PER_RAD]


def _electrical(c: Component, n: int) -> list[Cause]:
    """Causes at electrical order n: the pair's members by name."""
    lower, upper = abs(c.minus), abs(c.plus)
    if n == 1:
        text = f"a part of {100 * lower:.2f} % that doesn't move with the rotor (in phase)"
        return [
            _cause("offset", c, lower, "ratio", lower, text),
            _cause("harmonic-2", c, upper, "ratio", upper, f"second harmonic of the windings, {100 * upper:.2f} %"),
        ]
    if n == 2:
        real, imaginary = c.minus.real, c.minus.imag
        alpha = -2 * real / (1 + real)
        beta = math.degrees(2 * imaginary)
        return [
            _cause("imbalance", c, abs(alpha), "ratio", abs(real), f"sine {100 * alpha:+.2f} % against cosine"),
            _cause(
                "orthogonality",
                c,
                abs(beta),
                "deg elec",
                abs(imaginary),
                f"sine and cosine {abs(beta):.2f} deg el off a right angle, or crosstalk of "
                f"{100 * abs(imaginary):.2f} %",
            ),
            _cause("harmonic-3", c, upper, "ratio", upper, f"third harmonic of one sign in both, {100 * upper:.2f} %"),
        ]
    names = (f"harmonic-{n - 1}", f"harmonic-{n + 1}")
    return [
        _cause(name, c, size, "ratio", size, f"harmonic {k} of the windings, {100 * size:.2f} %")
        for name, k, size in zip(names, (n - 1, n + 1), (lower, upper), strict=True)
    ]


def _cause(code: str, c: Component, size: float, unit: str, error_rad: float, text: str) -> Cause:
    return Cause(
        code=code,
        order_mech=c.order_mech,
        size=float(size),
        unit=unit,
        error_elec_arcmin=float(error_rad * ARCMIN_PER_RAD),
        text=text,
    )


def _times(n: int) -> str:
    return {1: "once", 2: "twice"}.get(n, f"{n} times")
