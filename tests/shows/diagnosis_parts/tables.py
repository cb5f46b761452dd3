"""Tables of the blind trial as text, and the calibration of the findings' probabilities as a figure (SVG).

It judges nothing: rows come from tests/shows/diagnosis.py, which prints these lines and keeps them in a file.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import Any

from diagnosis_parts.further import KINDS
from diagnosis_parts.worlds import PART_FAULTS, RIG_FAULTS, UNSEEN

Row = dict[str, Any]
SIZE, EDGE = 320, 40  # px


def detection_limits() -> list[str]:
    """The severity from which each fault has to be seen, and the findings that count as one."""
    told = ["Detection limits: the severity from which a fault has to be seen; classes: what counts as one answer"]
    told += ["| fault | from | to | unit | class |", "|---|---|---|---|---|"]
    every = (*PART_FAULTS, *RIG_FAULTS, *(fault for _, fault in KINDS))
    told += [f"| {f.kind} | {f.least} | {f.most} | {f.unit} | {', '.join(f.right)} |" for f in every]
    return told + [f"| {kind} | not seen | | {why} | |" for kind, why in UNSEEN]


def confusion(rows: Sequence[Row], seed: int) -> list[str]:
    """What the world had against what was said first."""
    table: dict[str, Counter[str]] = defaultdict(Counter)
    for r in rows:
        hints = r["findings"] and r["outcome"] != "unsound measurement"
        said = r["findings"][0][0] if hints else ", ".join(r["reasons"][:2])
        table[f"{r['group']}: {r['kind']}"][f"{r['outcome']}: {said}"] += 1
    told = [f"Confusion (seed {seed})", "| the world had | said first, how often |", "|---|---|"]
    for kind, said in sorted(table.items()):
        told.append(f"| {kind} | {'; '.join(f'{n} x {what}' for what, n in said.most_common())} |")
    return told


def bins(rows: Sequence[Row]) -> list[tuple[float, int, int]]:
    """(mean probability said, cases, right) of the first finding, by tenths; a class's probabilities add up."""
    tenths: dict[int, list[tuple[float, bool]]] = defaultdict(list)
    for r in rows:
        if not r["findings"] or r["group"] == "rig":
            continue
        right, (first, probability) = r["right"] or ["no-fault-found"], r["findings"][0]
        hit = first in right
        said = sum(p for code, p in r["findings"] if code in right) if hit else probability
        tenths[math.floor(10 * min(said, 0.999))].append((said, hit))
    return [
        (sum(s for s, _ in found) / len(found), len(found), sum(h for _, h in found))
        for _, found in sorted(tenths.items())
    ]


def reliability(rows: Sequence[Row]) -> list[str]:
    """How often the first finding was right against its probability, with the spread that chance alone gives."""
    told = ["Probability of the first finding against how often it was right", "| said | cases | right | 2 s |"]
    told.append("|---|---|---|---|")
    for said, n, hits in bins(rows):
        spread = 2.0 * math.sqrt(said * (1.0 - said) / n) if said < 1.0 else 0.0
        told.append(f"| {said:.2f} | {n} | {hits / n:.2f} | {spread:.2f} |")
    return told


def figure(rows: Sequence[Row], seed: int) -> str:
    """The reliability diagram: said across, right upwards, the diagonal is perfect; area of a dot: cases."""
    side = SIZE - 2 * EDGE

    def place(x: float, y: float) -> tuple[float, float]:
        return EDGE + side * x, SIZE - EDGE - side * y

    dots = []
    for said, n, hits in bins(rows):
        x, y = place(said, hits / n)
        dots.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{2.0 + math.sqrt(n):.1f}" fill="#446" fill-opacity="0.6"/>')
        dots.append(f'<text x="{x + 6:.1f}" y="{y - 6:.1f}">{hits} of {n}</text>')
    (x0, y0), (x1, y1) = place(0, 0), place(1, 1)
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{SIZE}" height="{SIZE}" font-size="10">',
            f"<title>Probability said against share right, seed {seed}</title>",
            f'<rect x="{x0}" y="{y1}" width="{side}" height="{side}" fill="none" stroke="#000"/>',
            f'<line x1="{x0}" y1="{y0}" x2="{x1}" y2="{y1}" stroke="#888"/>',
            *dots,
            f'<text x="{SIZE / 2}" y="{SIZE - 10}" text-anchor="middle">probability said (0 to 1)</text>',
            f'<text x="12" y="{SIZE / 2}" transform="rotate(-90 12 {SIZE / 2})" text-anchor="middle">right</text>',
            "</svg>",
        ]
    )
