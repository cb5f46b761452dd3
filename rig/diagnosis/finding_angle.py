"""Hypotheses from the driven and turned figures: shorted turns, gap and rotor, loose or wrong rotor, wiring.

It must never repeat what the DC figures say. A closed turn leaves a quadrature at the nulls and orders p, 2p; orders
that are no multiple of p are the rotor's or the positioner's (trade.md 3.2); a leak between coils leaves a
constant part; swapped or reversed outputs turn the direction round.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.diagnosis.hypothesis import Hypothesis
from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import is_open, value
from rig.diagnosis.magnetic import Magnetics
from rig.diagnosis.rotor_mark import stays_through_reclamping
from rig.diagnosis.sound_axis import follows_without_coupling
from rig.diagnosis.sound_index import index_off_steps, index_tolerance_steps
from rig.evaluation.angle import alike
from rig.evaluation.turn import silent_output
from rig.observed import Absent, Observed
from rig.resolver.model import ECCENTRIC, HEALTHY, SHORTED
from rig.result import Result

QUADRATURE = 0.005
LEAST_QUADRATURE = 0.001  # below, the model is not asked
LEAST_SHARE = 0.02
SHORT = "turns on one tooth are shorted (which coil they belong to hardly shows: AC finds the tooth)"
COIL_NAMES = {"exc": "excitation", "sin": "sine", "cos": "cosine"}
NAMES = {"sin": "sine", "cos": "cosine"}
EVEN, LIKELIER = 0.5, 0.7  # weights of wirings that a turn alone can't tell apart


def angle_hypotheses(inspection: Inspection, results: Sequence[Result]) -> list[Hypothesis]:
    """What the turn supports; nothing where an open coil already says why there is none."""
    if any(is_open(inspection.evaluated, name) for name in ("exc", "sin", "cos")) or inspection.evaluated.turn is None:
        return []
    if any(one.opens for one in inspection.loose_contacts.values()):
        return []  # what comes and goes looks like slip and like orders that aren't there
    if wrong := _wrong_rotor(inspection, results):
        return wrong
    if loose := _loose(inspection):
        return [*loose, *_shorted(inspection, results)]
    return [
        *_shorted(inspection, results),
        *_wiring(results),
        *_rotor(inspection, results),
        *_gap(inspection.observed, results),
    ]


def _quadratures(results: Sequence[Result]) -> dict[str, float]:
    return {c: value(results, f"quadrature_{c}") or 0.0 for c in ("sin", "cos")}


def _leaky(results: Sequence[Result]) -> bool:
    pairs = ("exc_sin", "exc_cos", "sin_cos")
    seen = [value(results, f"leak_{pair}") for pair in pairs]
    return any(ohm is not None and ohm < 1e6 for ohm in seen)


def _shorted(inspection: Inspection, results: Sequence[Result]) -> list[Hypothesis]:
    quadrature = _quadratures(results)
    worst = max(quadrature, key=lambda c: quadrature[c])
    found = inspection.magnetics if quadrature[worst] >= LEAST_QUADRATURE else None
    kind = "" if found is None else found.kind
    if kind == ECCENTRIC or (quadrature[worst] < QUADRATURE and kind != SHORTED):
        return []
    p = inspection.observed.part.pole_pairs
    orders = [value(results, f"order_{n}_mech_arcmin") for n in (p, 2 * p)]
    told = [f"quadrature {100 * q:.2f} % of the maximum at the {NAMES[c]} output" for c, q in quadrature.items()]
    told += [f"order {n} of the error {a:.1f}' mechanical" for n, a in zip((p, 2 * p), orders, strict=True) if a]
    difference = value(results, "phase_difference_deg")
    if difference is not None and abs(difference) > 0.1:
        told.append(f"carrier phases {difference:+.2f} deg apart")
    told += _low_inductance(results)
    text, place = _which_tooth(found) if found is not None and kind == SHORTED else (SHORT, "")
    leaky = _leaky(results)
    return [
        Hypothesis(
            code="shorted-turns",
            weight=0.3 if leaky else 0.97 if place else min(0.9, 0.6 + 10.0 * quadrature[worst]),
            text=text,
            evidence="; ".join([place, *told] if place else told),
            against="a leak between coils leaves quadrature too, and one was read" if leaky else "",
            next_test="Look at that tooth under a lens; compare |Z| and Q with a known-good part."
            if place
            else "Compare |Z| and Q with a known-good part; look where on the turn the quadrature peaks.",
        )
    ]


def _which_tooth(found: Magnetics) -> tuple[str, str]:
    """(what is said, what speaks for it) of the tooth, the coil and the share of turns, as far as the turn tells."""
    fit = found.fit(SHORTED)
    at = ", ".join(f"{a:g}" for a in found.lobe_faces_mech_deg())
    share = fit.guess.share
    coil = f" of the {COIL_NAMES[fit.guess.missing]} coil" if fit.guess.missing and share > LEAST_SHARE else ""
    many = f", about {100 * share:.0f} % of its turns there" if coil else ", few turns"
    like = len(found.lobe_faces_mech_deg())
    assumed = "" if found.teeth_known else f" ({found.design.teeth} teeth assumed: the part file does not say)"
    text = f"turns{coil} on one tooth are shorted{many}; turn the rotor to {at} deg mechanical from the index: a lobe "
    text += f"then faces the tooth (one of {like} that stand alike){assumed}"
    place = f"the reduced magnetic model with one shorted tooth leaves {100 * fit.residual:.2f} % of the maximum, a "
    return text, place + f"healthy part {100 * found.fit(HEALTHY).residual:.2f} %"


def _low_inductance(results: Sequence[Result]) -> list[str]:
    sine, cosine = value(results, "l_sin"), value(results, "l_cos")
    if sine is None or cosine is None or abs(sine / cosine - 1.0) < 0.003:
        return []
    low = "sine" if sine < cosine else "cosine"
    return [f"inductance of the {low} coil {100 * abs(sine / cosine - 1.0):.1f} % below its sibling"]


def _loose(inspection: Inspection) -> list[Hypothesis]:
    """A turn that does not close through a re-clamping whose mark did not move; before that it is the clamping's."""
    slip = inspection.evaluated.slip
    if slip is None or not slip.found or not stays_through_reclamping(inspection.observed):
        return []
    return [
        Hypothesis(
            code="loose-rotor",
            weight=0.95,
            text="the rotor moves on its hub",
            evidence=f"a turn does not close through a re-clamping with the mark unmoved: {slip.figures()}",
            against="a stator that turns in its holder shows the same",
            next_test="Hold the hub and twist the lobes by hand; fit another rotor and run the test again.",
        )
    ]


def _wiring(results: Sequence[Result]) -> list[Hypothesis]:
    """The class of wirings that turn the direction round; a zero that is known makes one likelier, none certain."""
    direction, zero = value(results, "direction"), value(results, "zero_elec_deg")
    if direction is None or direction > 0:
        return []
    evidence = "the electrical angle falls while the rotor turns in the positive sense; ratios are normal"
    swapped = reversed_ = EVEN
    if zero is not None:
        evidence += f"; {zero:.1f} deg electrical at the datum"
        quarter = round(zero / 90.0) % 2 == 1
        swapped, reversed_ = (LIKELIER, EVEN) if quarter else (EVEN, LIKELIER)
    against = (
        "sine and cosine swapped (zero at 90 or 270), one output pair reversed (zero at 0 or 180) and positions "
        "counted the other way round all do this; the excitation pair reversed moves the zero by 180. Without a zero "
        "that is known to be the part's they can't be told apart"
    )
    test = "Compare with a known-good part on the same holder; check the harness pin by pin, and the side looked from."
    rows = (
        ("wiring-swapped", swapped, "sine and cosine are swapped, or another of its class"),
        ("wiring-reversed", reversed_, "one output is reversed, or another of its class"),
    )
    return [
        Hypothesis(code=code, weight=weight, text=text, evidence=evidence, against=against, next_test=test)
        for code, weight, text in rows
    ]


def _wrong_rotor(inspection: Inspection, results: Sequence[Result]) -> list[Hypothesis]:
    obs = inspection.observed
    pairs, found = inspection.evaluated.pole_pairs, inspection.evaluated.turn
    if found is not None and (order := follows_without_coupling(found)):
        return [_other_rotor(f"the outputs carry next to nothing, and follow the rotor at order {order} a turn")]
    if found is None or silent_output(found) or pairs is None or obs.part.pole_pairs in pairs.values():
        return []
    if not pairs.ambiguous and value(results, "pole_pairs") is None:
        return []  # a fault of the rig spoiled the count
    off = index_off_steps(obs)
    if off is not None and abs(off) > index_tolerance_steps(obs):
        return []
    measured = alike(pairs) if pairs.ambiguous else f"{pairs.value} pole pairs"
    return [_other_rotor(f"{measured} measured (score {pairs.score:.2f}), {obs.part.pole_pairs} by the part file")]


def _other_rotor(told: str) -> Hypothesis:
    return Hypothesis(
        code="wrong-rotor",
        weight=0.9,
        text="the rotor belongs to another part",
        evidence=f"{told}; coil resistances as they should be",
        against="a wrong part file shows the same",
        next_test="Count the lobes; compare the numbers stamped on stator and rotor.",
    )


def _rotor(inspection: Inspection, results: Sequence[Result]) -> list[Hypothesis]:
    """Orders that are no multiple of p, beyond what the positioner may add."""
    found, p = inspection.evaluated.turn, inspection.observed.part.pole_pairs
    if found is None or inspection.observed.lacks(Absent.POSITIONER):
        return []
    told = []
    for n in (1, 2):
        amplitude = value(results, f"order_{n}_mech_arcmin")
        width = inspection.evaluated.order_half_width_mech_arcmin(found.reference, n)
        if n % p and amplitude is not None and amplitude > 1.5 * width:
            told.append(f"order {n}: {amplitude:.1f}' mechanical, the positioner's own is at most {width:.1f}'")
    ripple = inspection.turns_with_rotor
    if ripple:
        told.insert(0, ripple)
    if not told:
        return []
    return [
        Hypothesis(
            code="gap-or-rotor",
            weight=0.92 if ripple else 0.7,
            text="the rotor runs out, or one of its lobes is chipped, bent or low: a turn shows both alike",
            evidence="; ".join(told),
            against="" if ripple else "a coupling off centre between axis and rotor shows the same",
            next_test="Clock the rotor by 72 deg on its spindle and sweep again: a rotor's error moves along; "
            "gauge the lobes' heights.",
        )
    ]


def _gap(obs: Observed, results: Sequence[Result]) -> list[Hypothesis]:
    """Both ratios off the same way, or the error at p and 2p without any quadrature."""
    out = []
    for c in ("sin", "cos"):
        limit, tr = obs.part.limit(f"tr_{c}"), value(results, f"tr_{c}")
        if limit is None or tr is None:
            continue
        if limit.lower is not None and tr < limit.lower:
            out.append(-1)
        elif limit.upper is not None and tr > limit.upper:
            out.append(1)
    error, limit = value(results, "error_max_elec_arcmin"), obs.part.limit("error_max_elec_arcmin")
    beyond = limit is not None and limit.upper is not None and error is not None and error > limit.upper
    quiet = max(_quadratures(results).values()) < QUADRATURE
    if not (abs(sum(out)) == 2 or (beyond and quiet)):
        return []
    both = "both ratios off the same way" if abs(sum(out)) == 2 else ""
    curve = f"error {error:.0f}' electrical without quadrature" if beyond and quiet and error else ""
    return [
        Hypothesis(
            code="gap-or-rotor",
            weight=0.6,
            text="gap, axial position or rotor: these data can't split them",
            evidence="; ".join(part for part in (both, curve) if part),
            against="the seat in the holder does the same: re-seat first",
            next_test="Re-seat and sweep again; slide the rotor by half a millimetre and look for the ratio's peak.",
        )
    ]
