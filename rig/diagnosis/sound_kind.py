"""Is this a resolver of one excitation, one sine and one cosine coil, and do its positions show that?

It must never guess the other kind. Places of the electrical turn are counted before anything is said of a shape.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import angles, error_lines, turned
from rig.errors import UsageError
from rig.evaluation.angle_curve import AngleCurve
from rig.evaluation.turn import SILENT_RATIO, Turn
from rig.resolver.angle import electrical_angle
from rig.resolver.commanded import electrical_places, two_speeds
from rig.resolver.ellipse import LEAST_PLACES, fit_ellipse
from rig.result import Reason, Result

NOT_RESOLVER_DEG = 20.0  # of orthogonality
STANDING = 0.02  # movement over size below which nothing turns
NOT_ONE_SPEED = 0.15  # scatter about the ellipse, of the larger output


def kind_reasons(found: Turn) -> list[Reason]:
    """`not-this-kind` where the outputs are those of another kind of sensor."""
    if found.coarse:
        return []
    u, _, v, _ = (side[found.inside] for side in found.envelopes())
    try:
        ellipse = fit_ellipse(u, v)
    except UsageError:
        return []
    off = math.degrees(ellipse.orthogonality_rad)
    evidence = ""
    if abs(off) > NOT_RESOLVER_DEG:
        evidence = f"the outputs are {90 + off:.0f} deg el apart: three-wire transmitters have 120 or 60"
    elif ellipse.residual_rms > NOT_ONE_SPEED * max(ellipse.amplitude_u, ellipse.amplitude_v):
        speeds = two_speeds(found.theta_mech_rad[found.inside], u, v, _points(found))
        evidence = f"the outputs hold {speeds[0]} and {speeds[1]} cycles a turn side by side" if speeds else ""
    if not evidence:
        return []
    return [
        Reason(
            code="not-this-kind",
            text="These are not the outputs of a single-speed sine and cosine resolver.",
            evidence=evidence,
            next="Find out what the part is; this tool judges one excitation, one sine and one cosine coil.",
        )
    ]


def blind_reasons(found: Turn, curve: AngleCurve, results: Sequence[Result]) -> list[Reason]:
    """`grid-blind` where the positions hide what is looked for."""
    if found.coarse:
        return []
    u, _, v, _ = (side[found.inside] for side in found.envelopes())
    places, points, pairs = electrical_places(electrical_angle(u, v)), _points(found), curve.found
    spoils = error_lines(results)
    if places < LEAST_PLACES:
        evidence = f"{points} positions a turn show {places} places of the electrical turn; {LEAST_PLACES} at least"
        spoils = (*angles(results), "tr_imbalance", "centre_sin", "centre_cos")
    elif points < 4 * pairs.value + 1:
        evidence = f"{points} positions a turn don't show order {2 * pairs.value} (twice the pole pairs)"
    else:
        return []
    return [
        Reason(
            code="grid-blind",
            text="The positions hide what is looked for.",
            evidence=evidence,
            next="Sweep more positions: 12 a cycle of order 4 p, or a few uneven ones.",
            spoils=spoils,
        )
    ]


def _points(found: Turn) -> int:
    theta = np.mod(found.theta_mech_rad[found.inside] + 1e-7, 2.0 * math.pi)
    return len(np.unique(np.round(theta, 5)))


def unmoved_reasons(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """Why a sweep with a live excitation shows no turn at all: outputs that stand still, or that are not there."""
    evaluated = inspection.evaluated
    parts = [p for name in evaluated.swept_series if (p := evaluated.phasors(name)) is not None]
    if not parts or evaluated.turn is not None or inspection.observed.rotor == "none":
        return []
    sides = [
        np.concatenate([side / p.exc_v for side, p in zip(each, parts, strict=True)])
        for each in ([p.sine for p in parts], [p.cosine for p in parts])
    ]
    sizes, moves = ([float(measure(side)) for side in sides] for measure in (_largest, np.std))
    if max(sizes) < SILENT_RATIO:
        evidence = f"largest ratios {sizes[0]:.2g} and {sizes[1]:.2g} to the excitation"
        return [_silent("both outputs", evidence, results)]
    if max(moves) < STANDING * max(sizes):
        return [
            Reason(
                code="axis-not-turning",
                text="The rotor does not turn though the positions change.",
                evidence=f"both outputs stay within {100 * max(moves) / max(sizes):.2f} % over the sweep",
                next="Check coupling, motor current and enable; turn the shaft by hand to see the outputs follow.",
                spoils=turned(results),
            )
        ]
    dead = "sine" if moves[0] < moves[1] else "cosine"
    evidence = f"it moves by {min(moves):.2g} of the excitation, the other by {max(moves):.2g}"
    return [_silent(f"the {dead} output", evidence, results)]


def _largest(side: np.ndarray[tuple[int], np.dtype[np.complex128]]) -> float:
    return float(np.max(np.abs(side)))


def _silent(which: str, evidence: str, results: Sequence[Result]) -> Reason:
    return Reason(
        code="channel-silent",
        text=f"No signal on {which}.",
        evidence=evidence,
        next="Check the lead and the channel, then the coil's DC resistance.",
        spoils=turned(results),
    )
