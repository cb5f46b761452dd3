"""A check standard's takes in their order: dots, the frozen baseline's limits dashed, the EWMA as a line.

Below 20 takes there is no baseline: the dots stand alone. A take outside wears a ring. Picture only; the figures stand
beside it, and every point is in the interface (/api/v1/charts).
"""

from __future__ import annotations

from html import escape

from markupsafe import Markup

from rig.review.charts import Chart
from rig.statistics.control_chart import BASELINE

WIDE, HIGH, SIDE, MOST = 300.0, 76.0, 8.0, 60


def chart_picture(chart: Chart, words: str) -> Markup:
    """The newest takes as SVG. words: read out for it."""
    points = chart.points[-MOST:]
    values = [one.value for one in points]
    frozen = chart.frozen
    ends = [*values, *((frozen.lower, frozen.upper) if frozen is not None else ())]
    low, high = min(ends), max(ends)
    span = (high - low) or abs(high) * 1e-6 or 1.0

    def y(value: float) -> float:
        return HIGH - SIDE - (value - low) / span * (HIGH - 2 * SIDE) if high > low else HIGH / 2

    def x(place: int) -> float:
        return SIDE + place * (WIDE - 2 * SIDE) / max(len(points) - 1, 1) if len(points) > 1 else WIDE / 2

    parts = []
    if frozen is not None:
        top, bottom = y(frozen.upper), y(frozen.lower)
        parts.append(f'<rect class="zone" x="0" y="{top:.1f}" width="{WIDE:g}" height="{bottom - top:.1f}"/>')
        parts += [f'<path class="limit" d="M0 {edge:.1f}H{WIDE:g}"/>' for edge in (top, bottom)]
        parts.append(f'<path class="mean" d="M0 {y(frozen.mean):.1f}H{WIDE:g}"/>')
    parts.append(f'<path class="takes" d="{_line([(x(n), y(value)) for n, value in enumerate(values)])}"/>')
    first = max(BASELINE - (len(chart.points) - len(points)), 0)
    ewma = chart.ewma[-(len(points) - first) :] if len(points) > first else ()
    if len(ewma) > 1:
        parts.append(f'<path class="ewma" d="{_line([(x(first + n), y(one.z)) for n, one in enumerate(ewma)])}"/>')
    for n, one in enumerate(points):
        parts.append(f'<circle class="take" cx="{x(n):.1f}" cy="{y(one.value):.1f}" r="3"/>')
        if one.outside:
            parts.append(f'<circle class="out" cx="{x(n):.1f}" cy="{y(one.value):.1f}" r="6.5"/>')
    return Markup(
        f'<svg class="chart" role="img" aria-label="{escape(words)}" viewBox="0 0 {WIDE:g} {HIGH:g}">'
        f"{''.join(parts)}</svg>"
    )


def _line(places: list[tuple[float, float]]) -> str:
    return "".join(f"{'L' if n else 'M'}{x:.1f} {y:.1f}" for n, (x, y) in enumerate(places))
