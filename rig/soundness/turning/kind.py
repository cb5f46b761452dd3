"""Is this a resolver of one excitation, one sine and one cosine coil?

It must never guess the other kind. Places of the electrical turn are counted before anything is said of a shape.
"""

from __future__ import annotations

import math

from rig.errors import UsageError
from rig.evaluation.inspection import facts
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.thresholds import NOT_ONE_SPEED, NOT_RESOLVER_DEG
from rig.resolver.turn.commanded_positions import two_speeds
from rig.resolver.turn.ellipse import fit_ellipse
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, story
from rig.soundness.turning.places import hidden_places, positions


def not_this_kind(inspection: Inspection) -> list[Evidence]:
    """Outputs that are not a quarter of an electrical turn apart, or that hold two speeds side by side."""
    found = inspection.evaluated.turn
    if found is None or found.coarse or inspection.evaluated.angle_curve is None or hidden_places(inspection):
        return []
    u, _, v, _ = (side[found.inside] for side in found.envelopes())
    try:
        ellipse = fit_ellipse(u, v)
    except UsageError:
        return []
    off = math.degrees(ellipse.orthogonality_rad)
    if abs(off) > NOT_RESOLVER_DEG:
        figures = f"the outputs are {90 + off:.0f} deg el apart: three-wire transmitters have 120 or 60"
        return [Evidence(figures=figures)]
    if ellipse.residual_rms <= NOT_ONE_SPEED * max(ellipse.amplitude_u, ellipse.amplitude_v):
        return []
    speeds = two_speeds(found.theta_mech_rad[found.inside], u, v, positions(found))
    if not speeds:
        return []
    return [Evidence(figures=f"the outputs hold {speeds[0]} and {speeds[1]} cycles a turn side by side")]


RULES = story(
    Rule(
        code="not-this-kind",
        looks_at="the ellipse of both outputs, and the speeds that they hold",
        check=not_this_kind,
        text="These are not the outputs of a single-speed sine and cosine resolver.",
        next="Find out what the part is; this tool judges one excitation, one sine and one cosine coil.",
        spoils=scopes.everything,
        blocked_by=("rotor-missing", "axis-not-turning", "channel-saturated"),
    ),
    unless=(facts.no_angle, facts.excitation_open, facts.comes_and_goes, facts.rotor_of_another_part),
)
