"""Traits of runs whose header has none, by the name of their sequence: the one migration table, used on reading only.

It holds what the sequences were when headers began to carry traits, and is never extended: later runs carry their own.
"""

from __future__ import annotations

from collections.abc import Mapping

from rig.description.traits import Traits

OLD_TRAITS: Mapping[str, Traits] = {
    "full_test": Traits(certified=True, whole_turns=1),
    "continuous_sweep": Traits(whole_turns=2),
    "quick_screen": Traits(),
    "hand_turned": Traits(),
    "pins": Traits(question="pins", draft_allowed=True),
    "witness": Traits(question="witness"),
    "seat": Traits(question="seat"),
    "watch": Traits(question="watch"),
    "check_standard": Traits(question="standards"),
    "prove": Traits(question="standards", proves_bench=True),
    "remount": Traits(question="clamping", whole_turns=1),
    "index": Traits(question="index"),
}
