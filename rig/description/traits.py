"""What a sequence is, beside its steps: the one declaration that every room reads, from the run's header.

It must never know a sequence by name: each states its traits in sequences/, they are written into the header when a
run begins, and rooms that may not import sequences read them there.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Traits:
    """question: what the run answers in place of judging the part's lines; "" = it judges them. Questions: "pins",
    "witness", "seat", "watch", "standards" (the bench's own lines), "clamping", "index".

    certified: a finished run earns a report. draft_allowed: a part file that nobody confirmed may be used.
    whole_turns: whole mechanical turns measured in each direction. needs_rotor: nothing is left of it without a rotor.
    proves_bench: its outcome is kept as the bench's health record. minutes: bench time that it takes, about; 0: as long
    as hands take.
    """

    question: str = ""
    certified: bool = False
    draft_allowed: bool = False
    whole_turns: int = 0
    needs_rotor: bool = False
    proves_bench: bool = False
    minutes: float = 0.0

    @property
    def judges_part(self) -> bool:
        """Its results are held against the part's limits."""
        return not self.question
