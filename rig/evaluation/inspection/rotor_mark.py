"""The mark across rotor and spindle: what tells a loose clamping from a loose rotor once a turn did not close.

A first run that slips asks for the mark. In the retest after it, an operator says whether the mark moved: where it did
not and the turn still does not close, the rotor moves within itself (or the stator in its holder), and it is the part.
It must never know how large the slip was.
"""

from __future__ import annotations

from rig.observed import Observed

MARK = "rotor mark"  # name of the manual entry
UNMOVED, MOVED = "unmoved", "moved"
QUESTION = "The turn does not close again. Is the mark across rotor and spindle unmoved?"


def mark_answer(obs: Observed) -> str:
    """What the operator said of the mark: UNMOVED, MOVED, another word, or "" where nobody said anything."""
    said = obs.select("manual", name=MARK)
    return str(said[-1].value).strip().lower() if said else ""


def stays_through_reclamping(obs: Observed) -> bool:
    """Whether this run repeats another after a re-clamping and its mark did not move."""
    return bool(obs.header.get("retest_of")) and mark_answer(obs) == UNMOVED
