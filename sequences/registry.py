"""Sequences by name, ours and the shop's own (own.py). It must never know what they do."""

from __future__ import annotations

import difflib
from collections.abc import Mapping

from rig.control.sequencer import StepSequence
from rig.errors import UsageError
from sequences import (
    check_standard,
    continuous_sweep,
    full_test,
    full_test_next,
    hand_sweep,
    hand_test,
    hand_turned,
    index,
    pins,
    prove,
    quick_screen,
    reclock,
    remount,
    retake_standard,
)
from sequences.own import own_names, own_sequence

SEQUENCES: Mapping[str, StepSequence] = {
    module.SEQUENCE.name: module.SEQUENCE
    for module in (
        full_test,
        quick_screen,
        continuous_sweep,
        hand_turned,
        hand_sweep,
        hand_test,
        pins,
        reclock,
        remount,
        check_standard,
        retake_standard,
        prove,
        index,
    )
}

NEXT: Mapping[str, StepSequence] = {"full_test_next": full_test_next.SEQUENCE}
"""Next versions, beside the ones in force until a shop has validated them; their runs carry the sequence's own name."""


def find_sequence(name: str) -> StepSequence:
    """The sequence of a name. Raises UsageError with the nearest known name, or with what is wrong with the shop's."""
    if (ours := SEQUENCES.get(name) or NEXT.get(name)) is not None:
        return ours
    if (found := own_sequence(name, SEQUENCES)) is not None:
        return found
    known = [*SEQUENCES, *NEXT, *own_names()]
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
    hint = f"Did you mean {near[0]}?" if near else f"Known: {', '.join(known)}."
    raise UsageError(f"no sequence called {name!r}.", next_action=hint)


def every_sequence() -> dict[str, StepSequence]:
    """Ours and the shop's own by name. Raises UsageError for a file of the shop that is wrong."""
    return {**SEQUENCES, **{name: find_sequence(name) for name in own_names() if name not in SEQUENCES}}
