"""The low-level AC test of three coils: each driven in turn, the other two watched over at least one electrical cycle.

It must never know pins' names beyond labels, nor instruments. From phasors: a mutual impedance for every two coils
and position (V of the watched over I of the driven). The two outputs hardly couple, each couples with the excitation
as a sinusoid of the rotor's angle; so the weakest link stands between the outputs and the third coil is the excitation.
Ratios don't tell (a reluctance part reads below one both ways). The outputs must be 90 deg electrical apart; both ways
must agree within 1 % (reciprocity). Source: design page "trade", 4.2 and 4.3.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.resolver.angle import electrical_angle, pole_pairs
from rig.resolver.ellipse import fit_ellipse
from rig.result import Reason, finite
from rig.signal.phasor import carrier_phase, signed_envelope

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
Ends = tuple[str, str]

LEAST_POINTS = 8
RECIPROCITY = 0.01
MOVES = 0.02  # of the driven coil's impedance: below, no rotor or none that turns
WEAKEST = 0.5  # the weakest link over the next
ORTHOGONAL_DEG, EQUAL_PEAKS = 10.0, 0.15
LEAST_PHASE_DEG = 8.0  # of an impedance: below, there is no winding in it
LARGEST_GAP_DEG = 75.0  # electrical, between neighbouring angles: above, less than a cycle was passed


@dataclass(frozen=True, slots=True, kw_only=True)
class Driven:
    """One coil driven. coil: its pins (high, low); watched: label -> (n,) phasors of the others (peak V); exc_v, exc_i:
    (n,) phasors at the driven coil (peak V, A); positions_mech_rad: (n,) rotor, or None when nobody knows."""

    coil: Ends
    exc_v: Complexes
    exc_i: Complexes
    watched: Mapping[Ends, Complexes]
    positions_mech_rad: Floats | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AcReport:
    """What the test says. Ends are (high, low) with the high end chosen so that the angle rises with positive rotation;
    sine, cosine: one of four labelings that do (they differ by a quarter turn of the zero). Angles in degrees
    electrical. links: label pair -> size of the coupling that moves with the rotor (ohm). None: not found."""

    excitation: Ends | None
    sine: Ends | None = None
    cosine: Ends | None = None
    orthogonality_elec_deg: float | None = None
    imbalance: float | None = None
    direction_as_named: int | None = None
    pole_pairs: int | None = None
    reciprocity: float | None = None
    links: Mapping[str, float] = field(default_factory=dict)
    impedance_ohm: Mapping[str, complex] = field(default_factory=dict)
    reasons: tuple[Reason, ...] = ()
    text: str = ""
    labelings: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return {
            "excitation": list(self.excitation) if self.excitation else None,
            "sine": list(self.sine) if self.sine else None,
            "cosine": list(self.cosine) if self.cosine else None,
            "orthogonality_elec_deg": finite(self.orthogonality_elec_deg),
            "imbalance": finite(self.imbalance),
            "direction_as_named": self.direction_as_named,
            "pole_pairs": self.pole_pairs,
            "reciprocity": finite(self.reciprocity),
            "links_ohm": dict(self.links),
            "impedance_ohm": {name: [z.real, z.imag] for name, z in self.impedance_ohm.items()},
            "labelings": self.labelings,
            "text": self.text,
        }


def name_of(coil: Ends) -> str:
    """As it is printed."""
    return "-".join(coil)


def evaluate_ac(tests: Sequence[Driven]) -> AcReport:
    """Excitation, outputs, orthogonality, relative signs and reciprocity from three driven coils.

    Raises UsageError for other than three coils, fewer than eight positions, or a coil that was not watched.
    """
    _checked(tests)
    coils = [test.coil for test in tests]
    impedance = {name_of(t.coil): complex(np.mean(t.exc_v / t.exc_i)) for t in tests}
    mutual = {(t.coil, other): t.watched[other] / t.exc_i for t in tests for other in coils if other != t.coil}
    links = {pair: _moved(mutual[pair], mutual[pair[::-1]]) for pair in combinations(coils, 2)}
    shown = {f"{name_of(a)} and {name_of(b)}": size for (a, b), size in links.items()}
    base = AcReport(excitation=None, links=shown, impedance_ohm=impedance)
    if no_winding := [n for n, z in impedance.items() if _phase_deg(z) < LEAST_PHASE_DEG]:
        return _stopped(base, "physics-violated", *_no_winding(no_winding, impedance))
    if max(links.values()) < MOVES * _middle_z(impedance):
        return _stopped(base, "axis-not-turning", *_nothing_moves(shown))
    apart = _reciprocity(mutual, links)
    base = AcReport(excitation=None, links=shown, impedance_ohm=impedance, reciprocity=apart)
    if apart > RECIPROCITY:
        return _stopped(base, "physics-violated", *_not_reciprocal(apart))
    weakest, next_, _ = sorted(links, key=lambda pair: links[pair])
    if links[weakest] > WEAKEST * links[next_]:
        return _undecided(base, f"no link is clearly the weakest: {_links(shown)}")
    excitation = next(coil for coil in coils if coil not in weakest)
    test = next(t for t in tests if t.coil == excitation)
    return _outputs(base, test, weakest)


def _checked(tests: Sequence[Driven]) -> None:
    coils = {test.coil for test in tests}
    if len(coils) != 3 or len(tests) != 3:
        raise UsageError(
            f"the AC test needs three coils, each driven once; {len(coils)} were.", next_action="Run it again."
        )
    for test in tests:
        if set(test.watched) != coils - {test.coil}:
            raise UsageError(f"with coil {name_of(test.coil)} driven, the other two were not watched.")
        sizes = {test.exc_v.size, test.exc_i.size, *(v.size for v in test.watched.values())}
        if len(sizes) != 1 or min(sizes) < LEAST_POINTS:
            raise UsageError(
                f"coil {name_of(test.coil)}: {min(sizes)} positions; eight are needed, the same for all channels.",
                next_action="Take more positions over an electrical cycle.",
            )
        if np.any(test.exc_i == 0):
            raise UsageError(
                f"coil {name_of(test.coil)}: no current flowed.", next_action="Check relays and amplifier."
            )


def _phase_deg(z: complex) -> float:
    return abs(math.degrees(math.atan2(z.imag, z.real)))


def _middle_z(impedance: Mapping[str, complex]) -> float:
    """The middle modulus of the three impedances (ohm)."""
    return sorted(abs(z) for z in impedance.values())[1]


def _moved(there: Complexes, back: Complexes) -> float:
    """Amplitude (ohm) of the part of a mutual impedance that moves with the rotor, mean of both ways."""
    both = [math.sqrt(2.0) * float(np.std(np.asarray(z))) for z in (there, back)]
    return (both[0] + both[1]) / 2.0


def _reciprocity(mutual: Mapping[tuple[Ends, Ends], Complexes], links: Mapping[tuple[Ends, Ends], float]) -> float:
    """Largest difference between both ways of the two strong links, over the link's own size."""
    strong = sorted(links, key=lambda pair: links[pair])[1:]
    apart = []
    for pair in strong:
        there, back = mutual[pair], mutual[pair[::-1]]
        if there.size == back.size:
            apart.append(float(np.sqrt(np.mean(np.abs(there - back) ** 2))) * math.sqrt(2.0) / links[pair])
    return max(apart, default=0.0)


def _outputs(base: AcReport, test: Driven, pair: tuple[Ends, Ends]) -> AcReport:
    """With the excitation known: are the other two its outputs, and which labels make the angle rise?"""
    a, b = pair
    u, v = (_envelope(test.watched[coil] / test.exc_v) for coil in pair)
    try:
        ellipse = fit_ellipse(u, v)
    except UsageError as fault:
        return _undecided(base, f"coil {name_of(test.coil)} couples with both others, but {fault.message}", test.coil)
    orthogonality = math.degrees(ellipse.orthogonality_rad)
    angle = electrical_angle((u - ellipse.centre_u) / ellipse.amplitude_u, (v - ellipse.centre_v) / ellipse.amplitude_v)
    evidence = (
        f"driven {name_of(test.coil)}: peaks {ellipse.amplitude_u:.3f} and {ellipse.amplitude_v:.3f} of it, "
        f"{90 + orthogonality:.1f} deg electrical apart"
    )
    if abs(orthogonality) > ORTHOGONAL_DEG or abs(ellipse.imbalance) > EQUAL_PEAKS:
        return _undecided(base, f"{evidence}: these are no two equal outputs a quarter cycle apart", test.coil)
    if _largest_gap_deg(angle) > LARGEST_GAP_DEG:
        return _undecided(base, f"{evidence}; less than an electrical cycle was passed", test.coil)
    direction, pairs = _turned(angle, test.positions_mech_rad)
    sine, cosine = (a, b) if direction >= 0 else (b, a)
    return AcReport(
        excitation=test.coil,
        sine=sine,
        cosine=cosine,
        orthogonality_elec_deg=orthogonality if direction >= 0 else -orthogonality,
        imbalance=ellipse.imbalance if direction >= 0 else 1.0 / (1.0 + ellipse.imbalance) - 1.0,
        direction_as_named=direction or None,
        pole_pairs=pairs,
        reciprocity=base.reciprocity,
        links=base.links,
        impedance_ohm=base.impedance_ohm,
        labelings=4 if direction else 8,
        text=f"{evidence}. "
        + (
            f"{name_of(sine)} as sine and {name_of(cosine)} as cosine make the angle rise with positive rotation."
            if direction
            else "The direction is not known: positions were not told."
        ),
    )


def _envelope(ratios: Complexes) -> Floats:
    return signed_envelope(ratios, carrier_phase(ratios).phase_rad)[0]


def _largest_gap_deg(angle_elec_rad: Floats) -> float:
    """Largest gap between neighbouring angles on the circle, degrees electrical."""
    around = np.sort(np.mod(angle_elec_rad, 2 * np.pi))
    return math.degrees(float(np.max(np.diff(np.append(around, around[0] + 2 * np.pi)))))


def _turned(angle_elec_rad: Floats, positions_mech_rad: Floats | None) -> tuple[int, int | None]:
    """Direction (+1, -1; 0 unknown) and pole pairs, where the positions tell them."""
    if positions_mech_rad is None:
        return 0, None
    span = float(np.ptp(positions_mech_rad))
    found = pole_pairs(angle_elec_rad, positions_mech_rad)
    if span >= 2 * np.pi * (1 - 1.5 / angle_elec_rad.size) and not found.ambiguous:
        return found.direction, found.value
    steps = np.diff(np.unwrap(angle_elec_rad)) * np.sign(np.diff(positions_mech_rad))
    rising = float(np.sum(steps))
    return (1 if rising > 0 else -1), None


def _links(shown: Mapping[str, float]) -> str:
    return ", ".join(f"{name} {size:.3g} ohm" for name, size in shown.items())


def _no_winding(names: Sequence[str], impedance: Mapping[str, complex]) -> tuple[str, str, str]:
    told = ", ".join(
        f"{name} {abs(impedance[name]):.3g} ohm at {_phase_deg(impedance[name]):.1f} deg" for name in names
    )
    return (
        "A circuit that was taken for a coil has no inductance: it may be a cold PTC.",
        told,
        "Keep the excitation off these pins; warm the part by hand and read the resistance again.",
    )


def _nothing_moves(shown: Mapping[str, float]) -> tuple[str, str, str]:
    return (
        "No coupling moves with the rotor: none is fitted, or the axis does not turn.",
        _links(shown),
        "Fit the rotor and let the axis turn it; without one, the coils can't be told apart by AC.",
    )


def _not_reciprocal(apart: float) -> tuple[str, str, str]:
    return (
        "The coils couple differently both ways, which no passive part does.",
        f"{100 * apart:.1f} % apart, at most {100 * RECIPROCITY:.0f} % was expected",
        "Check relays and channels with the loopback, then lower the level and run the AC test again.",
    )


def _stopped(base: AcReport, code: str, text: str, evidence: str, next_: str) -> AcReport:
    reason = Reason(code=code, text=text, evidence=evidence, next=next_)
    return AcReport(
        excitation=None,
        links=base.links,
        impedance_ohm=base.impedance_ohm,
        reciprocity=base.reciprocity,
        reasons=(reason,),
        text=text,
    )


def _undecided(base: AcReport, text: str, excitation: Ends | None = None) -> AcReport:
    return AcReport(
        excitation=excitation,
        links=base.links,
        impedance_ohm=base.impedance_ohm,
        reciprocity=base.reciprocity,
        text=text,
    )
