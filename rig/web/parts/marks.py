"""The drawn marks of verdicts and outcomes, as on paper (style.typ): shape first, colour second, a word always beside.

An outcome's mark is its verdict's where there is one; unsound is a circle that does not close, undecided a half
diamond, not this kind a crossed square outline, incomplete a dashed ring, suspect a dashed open circle.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from markupsafe import Markup

TONES: Mapping[str, str] = {
    "pass": "pass",
    "within limits": "pass",
    "fail": "fail",
    "outside limits": "fail",
    "conditional pass": "open",
    "conditional fail": "open",
    "not capable": "open",
    "unsound measurement": "open",
    "undecided": "open",
    "not this kind": "open",
    "suspect": "open",
}
_LINE = 'fill="none" stroke="var(--sheet)" stroke-width="3" stroke-linecap="round" stroke-linejoin="round"'
_CHECK = f'<path d="M5.8 12.5l4.5 4.5 8-9.6" {_LINE}/>'
_CROSS = f'<path d="M7 7l10 10M17 7L7 17" {_LINE}/>'
_RING = 'fill="none" stroke="currentcolor" stroke-width="2.6"'
_OPEN = f'<circle cx="12" cy="12" r="10" {_RING}/>'
_SQUARE = f'<rect x="2" y="2" width="20" height="20" {_RING}/>'
SHAPES: Mapping[str, str] = {
    "pass": f'<circle cx="12" cy="12" r="11" fill="currentcolor"/>{_CHECK}',
    "fail": f'<rect x="1" y="1" width="22" height="22" fill="currentcolor"/>{_CROSS}',
    "conditional pass": _OPEN + '<path d="M2 12a10 10 0 0 0 20 0z" fill="currentcolor"/>',
    "conditional fail": _SQUARE + '<path d="M2 2v20h20z" fill="currentcolor"/>',
    "not capable": f'<path d="M12 2l10 10-10 10L2 12z" {_RING}/>',
    "not tested": _OPEN,
    "unsound measurement": f'<path d="M19.8 17.4a9.6 9.6 0 1 1 0-10.8" {_RING} stroke-linecap="round"/>'
    '<circle cx="12" cy="12" r="2.7" fill="currentcolor"/>',
    "undecided": f'<path d="M12 2l10 10-10 10L2 12z" {_RING}/><path d="M12 2v20L2 12z" fill="currentcolor"/>',
    "not this kind": _SQUARE + f'<path d="M5 19L19 5" {_RING}/>',
    "incomplete": f'<circle cx="12" cy="12" r="10" {_RING} stroke-dasharray="4 3.5"/>',
    "suspect": f'<circle cx="12" cy="12" r="10" {_RING} stroke-dasharray="2.2 3" />',
}
_SAME = {"within limits": "pass", "outside limits": "fail"}
_DASH = '<path d="M3 12h18" fill="none" stroke="currentcolor" stroke-width="2.6"/>'


def tone(word: str) -> str:
    """The tone of a verdict or an outcome: pass, fail, open or plain."""
    return TONES.get(word, "plain")


def mark(word: str, size_rem: float = 1.0) -> Markup:
    """The mark of a verdict or an outcome as SVG; it says nothing by itself (hidden from readers of the screen)."""
    shape = SHAPES.get(_SAME.get(word, word), _DASH)
    size = f"{size_rem:g}rem"
    return Markup(
        f'<svg class="mark tone-{escape(tone(word))}" aria-hidden="true" viewBox="0 0 24 24" '
        f'width="{size}" height="{size}" style="width:{size};height:{size}">{shape}</svg>'
    )
