"""Units as dots on one line's own scale, with limits as a band and those in force dashed."""

from __future__ import annotations

import math
from collections.abc import Sequence

from markupsafe import Markup

from rig.quantity import Limit

WIDE, HIGH = 280.0, 24.0


def strip_picture(values: Sequence[float], limit: Limit, before: Limit | None, *, log: bool) -> Markup:
    """The strip as SVG. values: of the units, in the limit's unit. log: places by logarithm (all values above zero)."""

    def place(value: float) -> float:
        return math.log(value) if log and value > 0 else value

    ends = [place(end) for one in (limit, before) if one for end in (one.lower, one.upper) if end is not None]
    spots = [place(value) for value in values if not log or value > 0]
    low, high = min(ends + spots), max(ends + spots)
    margin = 0.08 * (high - low) or 1.0

    def x(value: float) -> float:
        return (value - low + margin) / (high - low + 2 * margin) * WIDE

    start = 0.0 if limit.lower is None else x(place(limit.lower))
    end = WIDE if limit.upper is None else x(place(limit.upper))
    parts = [f'<rect class="accept" x="{start:.1f}" y="5" width="{max(end - start, 1.0):.1f}" height="14"/>']
    for edge in (before.lower, before.upper) if before is not None else ():
        if edge is not None:
            parts.append(
                f'<path class="stroke" d="M{x(place(edge)):.1f} 2v20" stroke-width="1.6" stroke-dasharray="3 2.4"/>'
            )
    parts += [
        f'<circle cx="{x(spot):.1f}" cy="12" r="4" fill="none" stroke="currentcolor" stroke-width="1.6"/>'
        for spot in spots
    ]
    words = f"{len(spots)} units"
    return Markup(
        f'<svg class="bar" style="width:17.5rem" role="img" aria-label="{words}" viewBox="0 0 {WIDE:g} {HIGH:g}">'
        f"{''.join(parts)}</svg>"
    )
