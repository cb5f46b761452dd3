"""Patterns in the direction of the turn: swapped outputs, one output pair reversed.

It must never say which wiring it is for certain: several turn the direction round, and a turn alone can't tell them
apart. Ratios and errors stay as they are.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import value
from rig.findings.angle import UNASKED
from rig.findings.pattern import Pattern, Sign
from rig.result import Result

Results = Sequence[Result]
BACKWARDS = "the electrical angle falls while the rotor turns in the positive sense; ratios are normal"
CLASS = (
    "sine and cosine swapped (zero at 90 or 270), one output pair reversed (zero at 0 or 180) and positions counted "
    "the other way round all do this; the excitation pair reversed moves the zero by 180. Without a zero that is known "
    "to be the part's they can't be told apart"
)
EVEN, LIKELIER = 0.5, 0.7  # weights of wirings that a turn alone can't tell apart


def _backwards(results: Results, quarter: bool) -> list[Sign]:
    """The class of wirings that turn the direction round; a zero that is known makes one likelier, none certain.

    quarter: whether this one leaves the zero at 90 or 270 deg electrical.
    """
    zero = value(results, "zero_elec_deg")
    if (value(results, "direction") or 1.0) > 0:
        return []
    likelier = zero is not None and (round(zero / 90.0) % 2 == 1) == quarter
    at = "" if zero is None else f"; {zero:.1f} deg electrical at the datum"
    return [Sign(weight=LIKELIER if likelier else EVEN, evidence=BACKWARDS + at, against=CLASS)]


def swapped_outputs(_inspection: Inspection, results: Results) -> list[Sign]:
    """The direction is turned round: by swapped outputs."""
    return _backwards(results, quarter=True)


def reversed_output(_inspection: Inspection, results: Results) -> list[Sign]:
    """The direction is turned round: by one reversed output."""
    return _backwards(results, quarter=False)


PIN_BY_PIN = (
    "Compare with a known-good part on the same holder; check the harness pin by pin, and the side looked from."
)
PATTERNS = (
    Pattern(
        code="wiring-swapped",
        prior=0.02,
        looks_at="the direction",
        check=swapped_outputs,
        text="sine and cosine are swapped, or another of its class",
        next_test=PIN_BY_PIN,
        blocked_by=("wrong-rotor", "loose-rotor"),
        unless=UNASKED,
        asks=("direction",),
    ),
    Pattern(
        code="wiring-reversed",
        prior=0.02,
        looks_at="the direction",
        check=reversed_output,
        text="one output is reversed, or another of its class",
        next_test=PIN_BY_PIN,
        blocked_by=("wrong-rotor", "loose-rotor"),
        unless=UNASKED,
        asks=("direction",),
    ),
)
