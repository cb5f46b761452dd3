"""What a confirmed suspect spoils when its run is judged again: the lines that the entry names, and no other.

An entry that nobody settled, or that was cleared, spoils nothing. One by an instrument names no lines: it spoils all.
"""

from __future__ import annotations

from rig.records.run.stored import StoredRun
from rig.records.run.suspect import CONFIRMED, cause_words, suspect_entries
from rig.result import Reason

STANDARD_OUT, INSTRUMENT_OUT = "check-standard-out", "instrument-out-of-tolerance"
EVERY_LINE = "*"


def confirmed_reasons(run: StoredRun) -> list[Reason]:
    """A reason for each entry beside a run that a person confirmed."""
    found = []
    for one in suspect_entries(run.path):
        end = one["settled"]
        if end is None or end["decision"] != CONFIRMED:
            continue
        by_standard = "standard" in one
        found.append(
            Reason(
                code=STANDARD_OUT if by_standard else INSTRUMENT_OUT,
                text=(
                    "A check standard of the bench was out of control when this was measured."
                    if by_standard
                    else "An instrument that was used was out of tolerance."
                ),
                evidence=f"{cause_words(one)}; confirmed by {end['who']}: {end['why']}",
                next="Measure these lines again on a bench whose standards are in control.",
                spoils=tuple(one["lines"]) if by_standard else (EVERY_LINE,),
                witness=f"{one['standard']}" if by_standard else f"{one['instrument']}",
            )
        )
    return found
