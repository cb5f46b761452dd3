"""The low-level AC test of three coils: each driven in turn, the other two watched over at least one electrical cycle.

It must never know instruments, and of pins no more than their names. From phasors: a mutual impedance for every two
coils and position (V of the watched over I of the driven). The two outputs hardly couple, each couples with the
excitation as a sinusoid of the rotor's angle; so the weakest link stands between the outputs and the third coil is the
excitation. Ratios don't tell (a reluctance part reads below one both ways). The outputs must be 90 deg electrical
apart; both ways must agree within 1 % (reciprocity of a passive two-port).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.evaluated import Evaluated
from rig.evaluation.sampler.phasors import SeriesPhasors
from rig.pins.pin_map import BY_AC, AcReport, Assignment, Ends, PinMap, Undecided
from rig.pins.thresholds import (
    EQUAL_PEAKS,
    LARGEST_GAP_ELEC_DEG,
    LEAST_PHASE_DEG,
    LEAST_POINTS,
    MOVES,
    ORTHOGONAL_ELEC_DEG,
    RECIPROCITY,
    WEAKEST,
)
from rig.resolver.turn.angle import electrical_angle, pole_pairs
from rig.resolver.turn.ellipse import fit_ellipse
from rig.signal.phasor import carrier_phase, signed_envelope
from rig.soundness.rule import Evidence
from rig.soundness.soundness import reason

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

SERIES = ("identify_1", "identify_2", "identify_3")
AC_TEST = "Run the low-level AC test: drive each coil in turn over an electrical cycle and watch the other two."
KNOWN_GOOD = (
    "A known-good part of the same number on the same fixture and clock position, or a wiring diagram; "
    "wire colours are evidence only."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Driven:
    """One coil driven. coil: its pins (high, low); watched: label -> (n,) phasors of the others (peak V); exc_v, exc_i:
    (n,) phasors at the driven coil (peak V, A); positions_mech_rad: (n,) rotor, or None when nobody knows."""

    coil: Ends
    exc_v: Complexes
    exc_i: Complexes
    watched: Mapping[Ends, Complexes]
    positions_mech_rad: Floats | None = None


def name_of(coil: Ends) -> str:
    """As it is printed."""
    return "-".join(coil)


def evaluate_ac(tests: Sequence[Driven]) -> AcReport:
    """Excitation, outputs, orthogonality, relative signs and reciprocity from three driven coils.

    Raises UsageError for other than three coils, fewer than eight positions, or a coil that was not watched.
    """
    _check(tests)
    coils = [test.coil for test in tests]
    impedance = {name_of(t.coil): complex(np.mean(t.exc_v / t.exc_i)) for t in tests}
    mutual = {(t.coil, other): t.watched[other] / t.exc_i for t in tests for other in coils if other != t.coil}
    links = {pair: _moving_part_ohm(mutual[pair], mutual[pair[::-1]]) for pair in combinations(coils, 2)}
    shown = {f"{name_of(a)} and {name_of(b)}": size for (a, b), size in links.items()}
    base = AcReport(links=shown, impedance_ohm=impedance)
    flat = [name for name, z in impedance.items() if _phase_deg(z) < LEAST_PHASE_DEG]
    if flat:
        text = "A circuit that was taken for a coil has no inductance: it may be a cold PTC."
        seen = ", ".join(f"{n} {abs(impedance[n]):.3g} ohm at {_phase_deg(impedance[n]):.1f} deg" for n in flat)
        next_step = "Keep the excitation off these pins; warm the part by hand and read the resistance again."
        return _stop_report(base, "physics-violated", text, seen, next_step)
    if max(links.values()) < MOVES * sorted(abs(z) for z in impedance.values())[1]:
        text = "No coupling moves with the rotor: none is fitted, or the axis does not turn."
        next_step = "Fit the rotor and let the axis turn it; without one, the coils can't be told apart by AC."
        return _stop_report(base, "axis-not-turning", text, _links(shown), next_step)
    apart = _reciprocity(mutual, links)
    base = replace(base, reciprocity=apart)
    if apart > RECIPROCITY:
        text = "The coils couple differently both ways, which no passive part does."
        seen = f"{100 * apart:.1f} % apart, at most {100 * RECIPROCITY:.0f} % was expected"
        next_step = "Check relays and channels with the loopback, then lower the level and run the test again."
        return _stop_report(base, "physics-violated", text, seen, next_step)
    weakest, next_, _ = sorted(links, key=lambda pair: links[pair])
    if links[weakest] > WEAKEST * links[next_]:
        return replace(base, text=f"no link is clearly the weakest: {_links(shown)}")
    excitation = next(coil for coil in coils if coil not in weakest)
    test = next(t for t in tests if t.coil == excitation)
    return _outputs(base, test, weakest)


def _check(tests: Sequence[Driven]) -> None:
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


def _moving_part_ohm(there: Complexes, back: Complexes) -> float:
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
    base = replace(base, excitation=test.coil)
    u, v = (_envelope(test.watched[coil] / test.exc_v) for coil in pair)
    try:
        ellipse = fit_ellipse(u, v)
    except UsageError as fault:
        return replace(base, text=f"coil {name_of(test.coil)} couples with both others, but {fault.message}")
    orthogonality_deg = math.degrees(ellipse.orthogonality_rad)
    angle = electrical_angle((u - ellipse.centre_u) / ellipse.amplitude_u, (v - ellipse.centre_v) / ellipse.amplitude_v)
    evidence = (
        f"driven {name_of(test.coil)}: peaks {ellipse.amplitude_u:.3f} and {ellipse.amplitude_v:.3f} of it, "
        f"{90 + orthogonality_deg:.1f} deg electrical apart"
    )
    if abs(orthogonality_deg) > ORTHOGONAL_ELEC_DEG or abs(ellipse.imbalance) > EQUAL_PEAKS:
        return replace(base, text=f"{evidence}: these are no two equal outputs a quarter cycle apart")
    if _largest_gap_deg(angle) > LARGEST_GAP_ELEC_DEG:
        return replace(base, text=f"{evidence}; less than an electrical cycle was passed")
    direction, pairs = _turned(angle, test.positions_mech_rad)
    rising = direction >= 0
    sine, cosine = (a, b) if rising else (b, a)
    says = f"{name_of(sine)} as sine and {name_of(cosine)} as cosine make the angle rise with positive rotation."
    return replace(
        base,
        sine=sine,
        cosine=cosine,
        orthogonality_elec_deg=orthogonality_deg if rising else -orthogonality_deg,
        imbalance=ellipse.imbalance if rising else 1.0 / (1.0 + ellipse.imbalance) - 1.0,
        direction_as_named=direction or None,
        pole_pairs=pairs,
        labelings=4 if direction else 8,
        text=f"{evidence}. {says if direction else 'The direction is not known: no positions of the rotor.'}",
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


def _stop_report(base: AcReport, code: str, text: str, evidence: str, next_: str) -> AcReport:
    return replace(base, reasons=(reason(code, Evidence(figures=evidence, text=text, next=next_)),), text=text)


# ---- what the test makes of a pin map -----------------------------------------------------------------------------


def with_ac(found: PinMap, ac: AcReport) -> PinMap:
    """The pin map with what the AC test proved; nothing that it settled or failed to settle asks for it again."""
    if ac.reasons:
        return found.block("unsound measurement", *ac.reasons)
    others = tuple(item for item in found.undecided if not item.settled_by.startswith(AC_TEST))
    coil = next((c for c in found.coils if ac.excitation and set(c.pins) == set(ac.excitation)), None)
    outputs = [c for c in found.coils if c is not coil]
    if coil is None or len(outputs) != 2 or ac.sine is None:
        item = Undecided(
            what="which coil is the excitation" if coil is None else "whether the other two coils are its outputs",
            why=f"the AC test was made and does not tell: {ac.text}",
            settled_by="Drive the coils again over a whole turn of a rotor that fits; compare a known-good part.",
        )
        return replace(found, outcome="undecided", undecided=(item, *others))
    disagree = found.excitation not in (None, coil)
    sine = set(ac.sine)
    first, second = sorted(outputs, key=lambda c: set(c.pins) != sine)
    return replace(
        found,
        outcome="measured, no limits",
        assignment=Assignment(
            excitation=coil,
            outputs=(first, second),
            by=BY_AC,
            evidence=f"{ac.text} Resistances: {found.evidence}",
            against="the resistances alone spoke for another coil" if disagree else "nothing",
        ),
        labelings=ac.labelings,
        undecided=(*others, _open_labelings(ac)),
    )


def _open_labelings(ac: AcReport) -> Undecided:
    why = "four labelings are left: they differ by a quarter turn (electrical) of the zero"
    settled_by = KNOWN_GOOD
    if ac.direction_as_named is None:
        why = "eight labelings are left: nobody knows which way the rotor turned"
        settled_by = f"Positions of the rotor, from an axis that turns it, leave four. {KNOWN_GOOD}"
    return Undecided(what="which output is the sine, and the sign of each", why=why, settled_by=settled_by)


# ---- from a run ---------------------------------------------------------------------------------------------------


def driven_coils(evaluated: Evaluated) -> list[Driven]:
    """The coils that a run drove in turn: series `identify_1` to `identify_3` with conditions driven_hi, driven_lo,
    a_hi, a_lo (on the sine input), b_hi, b_lo (on the cosine input), and position_steps where an axis turned the rotor.
    A series that is absent, dead or without its conditions is left out."""
    made = []
    for series in SERIES:
        if (phasors := evaluated.phasors(series)) is None:
            continue
        coil, a, b = (_ends(phasors, name) for name in ("driven", "a", "b"))
        if coil and a and b:
            watched = {a: phasors.sine, b: phasors.cosine}
            where = _positions(evaluated, phasors)
            made.append(
                Driven(coil=coil, exc_v=phasors.exc_v, exc_i=phasors.exc_i, watched=watched, positions_mech_rad=where)
            )
    return made


def _ends(phasors: SeriesPhasors, name: str) -> Ends | None:
    first = phasors.conditions[0]
    hi, lo = first.get(f"{name}_hi"), first.get(f"{name}_lo")
    return (hi, lo) if isinstance(hi, str) and isinstance(lo, str) else None


def _positions(evaluated: Evaluated, phasors: SeriesPhasors) -> Floats | None:
    axis, steps = evaluated.observed.bench.axis, phasors.numbers("position_steps")
    return None if axis is None or np.any(np.isnan(steps)) else 2 * np.pi * steps / axis.steps_per_turn
