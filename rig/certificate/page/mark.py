"""The word across the pages of a simulated run as strokes, not as text: that would stand amid the text copied out.

stroke_svg("SIMULATED") -> SVG      letters A to Z on a grid 4 wide and 6 high, round strokes, else a gap.
"""

from __future__ import annotations

STROKES = {  # polylines of grid points "xy xy ...", y downwards; "|" lifts the pen
    "A": "06 20 46|14 34",
    "B": "06 00 30 41 42 33 03|33 44 45 36 06",
    "C": "41 30 10 01 05 16 36 45",
    "D": "06 00 30 41 45 36 06",
    "E": "40 00 06 46|03 33",
    "F": "40 00 06|03 33",
    "G": "41 30 10 01 05 16 36 45 43 23",
    "H": "00 06|40 46|03 43",
    "I": "20 26",
    "J": "40 45 36 16 05",
    "K": "00 06|40 03 46",
    "L": "00 06 46",
    "M": "06 00 23 40 46",
    "N": "06 00 46 40",
    "O": "10 30 41 45 36 16 05 01 10",
    "P": "06 00 30 41 42 33 03",
    "Q": "10 30 41 45 36 16 05 01 10|24 46",
    "R": "06 00 30 41 42 33 03|23 46",
    "S": "41 30 10 01 02 13 33 44 45 36 16 05",
    "T": "00 40|20 26",
    "U": "00 05 16 36 45 40",
    "V": "00 26 40",
    "W": "00 16 23 36 40",
    "X": "00 46|40 06",
    "Y": "00 23 40|23 26",
    "Z": "00 40 06 46",
}
ADVANCE, MARGIN, WIDTH = 5.6, 0.6, 0.95
COLOUR, OPACITY = "#9c2f21", 0.10


def stroke_svg(word: str) -> str:
    """The word as SVG."""
    paths = []
    for n, letter in enumerate(word.upper()):
        for line in STROKES.get(letter, "").split("|"):
            points = [f"{MARGIN + n * ADVANCE + int(p[0]):g},{MARGIN + int(p[1]):g}" for p in line.split()]
            if points:
                paths.append(f"M{' L'.join(points)}")
    wide, high = len(word) * ADVANCE - 1.6 + 2 * MARGIN, 6 + 2 * MARGIN
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" width="{wide:g}" height="{high:g}">'
        f'<path d="{" ".join(paths)}" fill="none" stroke="{COLOUR}" stroke-opacity="{OPACITY:g}" '
        f'stroke-width="{WIDTH:g}" stroke-linecap="round" stroke-linejoin="round"/></svg>'
    )
