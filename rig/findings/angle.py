"""Patterns in the driven and turned figures: shorted turns, gap and rotor, loose or wrong rotor.

It must never repeat what the DC figures say. A closed turn leaves a quadrature at the nulls and orders p, 2p; orders
that are no multiple of p are the rotor's or the positioner's; a leak between coils leaves a constant part.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.evaluation.angle.error import alike
from rig.evaluation.inspection import facts
from rig.evaluation.inspection.index_witness import index_off_steps, index_tolerance_steps
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import CHANNEL_NAMES, COIL_NAMES, R20, value
from rig.evaluation.inspection.magnetic import Magnetics
from rig.evaluation.inspection.rotor_mark import stays_through_reclamping
from rig.evaluation.inspection.thresholds import (
    BOTH_RATIOS,
    COIL_LEAK_OHM,
    INDUCTANCE_APART,
    LEAST_QUADRATURE,
    LEAST_TURNS_SHARE,
    PHASES_APART_DEG,
    POSITIONER_TIMES,
    QUADRATURE,
)
from rig.evaluation.turn.ratios import silent_output
from rig.findings.pattern import Pattern, Sign
from rig.observed import Absent
from rig.resolver.model import ECCENTRIC, HEALTHY, SHORTED
from rig.result import Result

Results = Sequence[Result]
SHORT = "turns on one tooth are shorted (which coil they belong to hardly shows: AC finds the tooth)"
LENS = "Look at that tooth under a lens; compare |Z| and Q with a known-good part."
PEAK = "Compare |Z| and Q with a known-good part; look where on the turn the quadrature peaks."


def _quadratures(results: Sequence[Result]) -> dict[str, float]:
    return {c: value(results, f"quadrature_{c}") or 0.0 for c in ("sin", "cos")}


def _leaky(results: Sequence[Result]) -> bool:
    pairs = ("exc_sin", "exc_cos", "sin_cos")
    seen = [value(results, f"leak_{pair}") for pair in pairs]
    return any(ohm is not None and ohm < COIL_LEAK_OHM for ohm in seen)


def shorted_turns(inspection: Inspection, results: Results) -> list[Sign]:
    """A quadrature at the nulls, or the magnetic model with one shorted tooth."""
    quadrature = _quadratures(results)
    worst = max(quadrature, key=lambda c: quadrature[c])
    found = inspection.magnetics if quadrature[worst] >= LEAST_QUADRATURE else None
    kind = "" if found is None else found.kind
    if kind == ECCENTRIC or (quadrature[worst] < QUADRATURE and kind != SHORTED):
        return []
    p = inspection.observed.part.pole_pairs
    orders = [value(results, f"order_{n}_mech_arcmin") for n in (p, 2 * p)]
    told = [
        f"quadrature {100 * q:.2f} % of the maximum at the {CHANNEL_NAMES[c]} output" for c, q in quadrature.items()
    ]
    told += [f"order {n} of the error {a:.1f}' mechanical" for n, a in zip((p, 2 * p), orders, strict=True) if a]
    difference = value(results, "phase_difference_deg")
    if difference is not None and abs(difference) > PHASES_APART_DEG:
        told.append(f"carrier phases {difference:+.2f} deg apart")
    told += _low_inductance(results)
    text, place = _which_tooth(found) if found is not None and kind == SHORTED else (SHORT, "")
    leaky = _leaky(results)
    return [
        Sign(
            weight=0.3 if leaky else 0.97 if place else min(0.9, 0.6 + 10.0 * quadrature[worst]),
            text=text,
            evidence="; ".join([place, *told] if place else told),
            against="a leak between coils leaves quadrature too, and one was read" if leaky else "",
            next_test=LENS if place else PEAK,
        )
    ]


def _which_tooth(found: Magnetics) -> tuple[str, str]:
    """(what is said, what speaks for it) of the tooth, the coil and the share of turns, as far as the turn tells."""
    fit = found.fit(SHORTED)
    at = ", ".join(f"{a:g}" for a in found.lobe_faces_mech_deg())
    share = fit.guess.share
    coil = f" of the {COIL_NAMES[fit.guess.missing]} coil" if fit.guess.missing and share > LEAST_TURNS_SHARE else ""
    many = f", about {100 * share:.0f} % of its turns there" if coil else ", few turns"
    like = len(found.lobe_faces_mech_deg())
    assumed = "" if found.teeth_known else f" ({found.design.teeth} teeth assumed: the part file does not say)"
    text = f"turns{coil} on one tooth are shorted{many}; turn the rotor to {at} deg mechanical from the index: a lobe "
    text += f"then faces the tooth (one of {like} that stand alike){assumed}"
    place = f"the reduced magnetic model with one shorted tooth leaves {100 * fit.residual:.2f} % of the maximum, a "
    return text, place + f"healthy part {100 * found.fit(HEALTHY).residual:.2f} %"


def _low_inductance(results: Sequence[Result]) -> list[str]:
    sine, cosine = value(results, "l_sin"), value(results, "l_cos")
    if sine is None or cosine is None or abs(sine / cosine - 1.0) < INDUCTANCE_APART:
        return []
    low = "sine" if sine < cosine else "cosine"
    return [f"inductance of the {low} coil {100 * abs(sine / cosine - 1.0):.1f} % below its sibling"]


def loose(inspection: Inspection, _results: Results) -> list[Sign]:
    """A turn that does not close through a re-clamping whose mark did not move; before that it is the clamping's."""
    slip = inspection.evaluated.slip
    if slip is None or not slip.is_slip or not stays_through_reclamping(inspection.observed):
        return []
    return [
        Sign(
            weight=0.95,
            evidence=f"a turn does not close through a re-clamping with the mark unmoved: {slip.figures()}",
            against="a stator that turns in its holder shows the same",
        )
    ]


def wrong_rotor(inspection: Inspection, results: Results) -> list[Sign]:
    """Outputs that follow another rotor, or other pole pairs with an index that clears the axis."""
    obs, pairs, found = inspection.observed, inspection.evaluated.pole_pairs, inspection.evaluated.turn
    if order := inspection.uncoupled_order:
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


def _other_rotor(evidence: str) -> Sign:
    against = "a wrong part file shows the same"
    return Sign(weight=0.9, evidence=f"{evidence}; coil resistances as they should be", against=against)


def gap_or_rotor(inspection: Inspection, results: Results) -> list[Sign]:
    """Orders that turn with the rotor, or both ratios off the same way."""
    return [*_rotor(inspection, results), *_gap(inspection, results)]


def _rotor(inspection: Inspection, results: Results) -> list[Sign]:
    """Orders that are no multiple of p, beyond what the positioner may add."""
    found, p = inspection.evaluated.turn, inspection.observed.part.pole_pairs
    if found is None or inspection.observed.lacks(Absent.POSITIONER):
        return []
    told = []
    for n in (1, 2):
        amplitude = value(results, f"order_{n}_mech_arcmin")
        width = inspection.evaluated.order_half_width_mech_arcmin(found.reference, n)
        if n % p and amplitude is not None and amplitude > POSITIONER_TIMES * width:
            told.append(f"order {n}: {amplitude:.1f}' mechanical, the positioner's own is at most {width:.1f}'")
    ripple = inspection.turns_with_rotor
    if ripple:
        told.insert(0, ripple)
    if not told:
        return []
    return [
        Sign(
            weight=0.92 if ripple else 0.7,
            text="the rotor runs out, or one of its lobes is chipped, bent or low: a turn shows both alike",
            evidence="; ".join(told),
            against="" if ripple else "a coupling off centre between axis and rotor shows the same",
            next_test="Clock the rotor by 72 deg on its spindle and sweep again: a rotor's error moves along; "
            "gauge the lobes' heights.",
        )
    ]


def _gap(inspection: Inspection, results: Results) -> list[Sign]:
    """Both ratios off the same way, or the error at p and 2p without any quadrature."""
    part = inspection.observed.part
    out = []
    for c in ("sin", "cos"):
        limit, tr = part.limit(f"tr_{c}"), value(results, f"tr_{c}")
        if limit is None or tr is None:
            continue
        if limit.lower is not None and tr < limit.lower:
            out.append(-1)
        elif limit.upper is not None and tr > limit.upper:
            out.append(1)
    error, limit = value(results, "error_max_elec_arcmin"), part.limit("error_max_elec_arcmin")
    beyond = limit is not None and limit.upper is not None and error is not None and error > limit.upper
    quiet = max(_quadratures(results).values()) < QUADRATURE
    if not (abs(sum(out)) == BOTH_RATIOS or (beyond and quiet)):
        return []
    both = "both ratios off the same way" if abs(sum(out)) == BOTH_RATIOS else ""
    curve = f"error {error:.0f}' electrical without quadrature" if beyond and quiet and error else ""
    return [
        Sign(
            weight=0.6,
            evidence="; ".join(one for one in (both, curve) if one),
            against="the seat in the holder does the same: re-seat first",
        )
    ]


UNASKED = (facts.excitation_open, facts.an_output_open, facts.not_turned, facts.comes_and_goes)
PATTERNS = (
    Pattern(
        code="wrong-rotor",
        prior=0.03,
        looks_at="pole pairs measured, and what outputs without coupling follow",
        check=wrong_rotor,
        text="the rotor belongs to another part",
        next_test="Count the lobes; compare the numbers stamped on stator and rotor.",
        unless=UNASKED,
    ),
    Pattern(
        code="loose-rotor",
        prior=0.03,
        looks_at="the closing points, through a re-clamping with the mark across rotor and spindle unmoved",
        check=loose,
        text="the rotor moves on its hub",
        next_test="Hold the hub and twist the lobes by hand; fit another rotor and run the test again.",
        blocked_by=("wrong-rotor",),
        unless=UNASKED,
    ),
    Pattern(
        code="shorted-turns",
        prior=0.08,
        looks_at="the quadrature at the nulls, and the magnetic model with one shorted tooth",
        check=shorted_turns,
        text=SHORT,
        next_test=PEAK,
        blocked_by=("wrong-rotor",),
        unless=UNASKED,
        asks=("error_max_elec_arcmin", *R20),
    ),
    Pattern(
        code="gap-or-rotor",
        prior=0.08,
        looks_at="orders that are no multiple of the pole pairs, ripple with the rotor, both ratios, error without "
        "quadrature",
        check=gap_or_rotor,
        text="gap, axial position or rotor: these data can't split them",
        next_test="Re-seat and sweep again; slide the rotor by half a millimetre and look for the ratio's peak.",
        blocked_by=("wrong-rotor", "loose-rotor"),
        unless=UNASKED,
        asks=("tr_sin", "tr_cos"),
    ),
)
