"""A line's bar: the zone between its limits, what the guard band leaves, the estimate with its U, to scale.

The geometry is the paper's (rig/certificate/content/key_lines): fractions of the width; here it only becomes SVG.
"""

from __future__ import annotations

from markupsafe import Markup

from rig.certificate.content.key_lines import Bar

WIDE, HIGH, THICK = 176.0, 24.0, 10.0


def bar_picture(bar: Bar | None) -> Markup:
    """The bar as SVG; "" where there is no limit or no estimate. The figures stand beside it, so it is not read out."""
    if bar is None:
        return Markup("")
    middle, top = HIGH / 2, (HIGH - THICK) / 2

    def box(kind: str, start: float, end: float) -> str:
        wide = max(end - start, 0.0) * WIDE
        return f'<rect class="{kind}" x="{start * WIDE:.1f}" y="{top:g}" width="{wide:.1f}" height="{THICK:g}"/>'

    parts = [box("outside", 0.0, 1.0), box("guard", *bar.zone)]
    if bar.accept is not None:
        parts.append(box("accept", *bar.accept))
    for place, words in zip(bar.zone, (bar.lower, bar.upper), strict=True):
        if words:
            limit = f"{place * WIDE:.1f}"
            parts.append(f'<path class="stroke" d="M{limit} {top - 3:g}V{top + THICK + 3:g}" stroke-width="1.6"/>')
    if bar.u_to > bar.u_from:
        a, b = bar.u_from * WIDE, bar.u_to * WIDE
        ends = "".join(f"M{x:.1f} {middle - 4:g}v8" for x, f in ((a, bar.u_from), (b, bar.u_to)) if 0.0 < f < 1.0)
        parts.append(f'<path class="stroke" d="M{a:.1f} {middle:g}H{b:.1f}{ends}" stroke-width="1.6" fill="none"/>')
    x = bar.estimate * WIDE
    if bar.beyond:
        step = -7.0 if bar.beyond == "right" else 7.0
        parts.append(f'<path class="ink" d="M{x + step:.1f} {middle - 5:g}L{x:.1f} {middle:g}l{step:.1f} 5z"/>')
    else:
        parts.append(f'<circle class="dot" cx="{x:.1f}" cy="{middle:g}" r="4" stroke-width="1.2"/>')
    return Markup(
        f'<svg class="bar" aria-hidden="true" viewBox="0 0 {WIDE:g} {HIGH:g}" preserveAspectRatio="none">'
        f"{''.join(parts)}</svg>"
    )
