"""Is the measurement sound? Reasons that put the rig, the wiring or the set-up at fault, each with its evidence.

It must never say what is wrong with the part (rig/findings/findings.py does). A disagreement is the rig's until an
independent witness pins it on the part: DC resistance, loopback, index, encoder, the other channel. Each reason names
the lines it spoils; the others keep their verdict. The rules are rows of one table, in order of cause: the first
reason is the cause. What spoils everything leaves nothing for the rest to look at.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import EVERYTHING
from rig.result import Reason
from rig.soundness import dc as sound_dc
from rig.soundness import records as sound_records
from rig.soundness.rule import Evidence, Rule, ask, in_order_of_cause, story
from rig.soundness.sampler import channels as sound_channels
from rig.soundness.sampler import excitation as sound_excitation
from rig.soundness.sampler import foreign as sound_foreign
from rig.soundness.sampler import signal as sound_signal
from rig.soundness.turning import axis as sound_axis
from rig.soundness.turning import kind as sound_kind
from rig.soundness.turning import points as sound_points
from rig.soundness.turning import seat as sound_seat
from rig.soundness.turning import turn as sound_turn

WIRING = ("live-circuit", "pin-map-mismatch", "wrong-adapter")
"""Codes of rig/pins, whose rows stand before these: it reads the wiring for every door."""
BASIC = ("record-out-of-order", "record-overwritten", *WIRING)
RULES = in_order_of_cause(
    (
        *sound_records.RULES,
        *sound_dc.RULES,
        *sound_channels.CALIBRATION,
        *story(
            *sound_excitation.RULES,
            *sound_signal.RULES,
            *sound_foreign.RULES,
            *sound_channels.RULES,
            *sound_signal.PHASE,
            *sound_axis.STANDING_RULES,
            *sound_kind.RULES,
            *sound_axis.RULES,
            *sound_points.RULES,
            *sound_points.DISTURBED,
            *sound_turn.RULES,
            *sound_seat.RULES,
            needs_sound=EVERYTHING,
        ),
    )
)
"""Every rule of a run, each after what causes it; of what was driven nothing is looked at once all is spoiled."""

BY_CODE: Mapping[str, Rule] = {rule.code: rule for rule in RULES}
ORDER = tuple(dict.fromkeys((*BASIC, "adapter-fault", "excitation-forbidden", *BY_CODE)))


def soundness(inspection: Inspection, wiring: Sequence[Reason]) -> list[Reason]:
    """Every reason that this run's data give, the cause first. Empty: nothing speaks against the measurement.

    wiring: what the search for pins says of the run (rig/pins/isolation.py); it stands before every rule.
    """
    return cause_first(ask(RULES, inspection, inspection.evaluated.results, standing=wiring))


def reason(code: str, found: Evidence) -> Reason:
    """The reason that a step's own evidence gives, in the words of its row. Raises KeyError for an unknown code."""
    return BY_CODE[code].reason(found)


def cause_first(reasons: Iterable[Reason]) -> list[Reason]:
    """The reasons in the order of the table; codes of other rooms after them, in the order given."""
    rank = {code: i for i, code in enumerate(ORDER)}
    return sorted(reasons, key=lambda one: rank.get(one.code, len(rank)))


def codes(rules: Sequence[Rule] = RULES) -> tuple[str, ...]:
    """Every code of the table, in order of cause."""
    return tuple(rule.code for rule in rules)
