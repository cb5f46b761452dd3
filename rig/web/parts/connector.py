"""A connector's face drawn from a part's pin map, as looked into and mirrored as from the wires.

Excitation ink, sine petrol, cosine rust with a dashed rim, thermistor and empty pins plain: green is for a pass alone.
Where a part file is a draft, the ends of a winding have no proven sign: they are 1 and 2, not high and low.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from markupsafe import Markup

STEP, RIM = 64.0, 22.0
LETTERS = {"exc": "E", "sin": "S", "cos": "C", "thermistor": "T"}
KINDS = {"exc": "pin-exc", "sin": "pin-sin", "cos": "pin-cos"}


def connector_picture(
    pins: Mapping[str, str], empty: tuple[str, ...] = (), *, mirrored: bool, proven: bool = True, words: str = ""
) -> Markup:
    """The face as SVG. pins: terminal -> pin. proven: whether each winding's sense is known. words: read out for it."""
    by_pin = {pin: terminal for terminal, pin in pins.items()}
    names = sorted({*by_pin, *empty}, key=lambda name: (len(name), name))
    half = (len(names) + 1) // 2
    rows = [names[:half], names[half:]]
    wide, high = STEP * half + 48, 2 * 78.0 + 40
    parts = [
        f'<rect x="2" y="12" width="{wide - 4:g}" height="{high - 14:g}" rx="44" class="face"/>',
        f'<path d="M{wide / 2 - 18:g} 12v-9h36v9" class="face"/>',
    ]
    for line, row in enumerate(rows):
        for place, name in enumerate(row):
            across = half - 1 - place if mirrored else place
            x, y = 24 + STEP * (across + 0.5), 58 + 82.0 * line
            terminal = by_pin.get(name, "")
            coil, _, end = terminal.rpartition("_")
            letter = LETTERS.get(coil, "")
            end_number = {"hi": "1", "lo": "2"}.get(end, "")
            below = f"{letter}{end_number}" if not proven else f"{letter}{'+' if end == 'hi' else '−' if end else ''}"
            kind = KINDS.get(coil, "pin-plain")
            parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="{RIM:g}" class="{kind}"/>')
            parts.append(f'<text x="{x:g}" y="{y + 6:g}" class="{kind}-name">{escape(name)}</text>')
            parts.append(f'<text x="{x:g}" y="{y + 40:g}" class="pin-below">{escape(below)}</text>')
    return Markup(
        f'<svg class="connector" role="img" aria-label="{escape(words)}" viewBox="0 0 {wide:g} {high:g}">'
        f"{''.join(parts)}</svg>"
    )
