"""What an operator says of the mark across rotor and spindle, asked in a retest whose turn does not close again.

It must never decide what it means (rig/evaluation/inspection/rotor_mark.py). The output is off by then; nobody
has to reach into
the guard to see the mark.
"""

from __future__ import annotations

from rig.control.step import Context
from rig.evaluation.inspection.rotor_mark import MARK, MOVED, QUESTION, UNMOVED


def rotor_mark(ctx: Context) -> None:
    """Ask, and put the answer down as a manual entry; without an answer nothing is put down."""
    answer = ctx.ask(QUESTION, (UNMOVED, MOVED))
    if answer in (UNMOVED, MOVED):
        ctx.read("manual", answer, "", "operator", name=MARK, instrument="", qualifier="", caution="")
