"""What became of a fitted unit is entered in the book: cured, or came back with why. It prints nothing."""

from __future__ import annotations

from rig.errors import UsageError
from rig.records.book.jobs import Book
from rig.records.book.lot_entries import FittingOutcome
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.review.units.outcomes import CAME_BACK, CURED, experience_of, fitted_units


def record_outcome(store: Store, run: StoredRun, outcome: str, *, why: str, who: str) -> tuple[FittingOutcome, str]:
    """The entry, and what is now known of units like this one. A newer entry of a unit takes the place of an older.

    Raises UsageError for a word that is none, a unit that came back without a reason, or nobody's name.
    """
    if outcome not in (CURED, CAME_BACK):
        raise UsageError("neither cured nor came back.", next_action="Give --cured or --came-back.")
    if not who.strip() or (outcome == CAME_BACK and not why.strip()):
        raise UsageError(
            f"{run.header.serial} {outcome}: a name is needed, and of one that came back with what.",
            next_action="Give --by and --why.",
        )
    part = str(run.header.part.get("number", ""))
    entry = FittingOutcome(
        part=part,
        serial=run.header.serial,
        outcome=outcome,
        why=why.strip(),
        job=run.header.job,
        run=run.id,
        who=who.strip(),
    )
    entry = Book(store).add("outcome", entry, "at_utc")
    alike = [one.is_cured for one in fitted_units(store, part) if one.run.outcome == run.outcome]
    return entry, str(experience_of(alike, f"{part}, {run.outcome}") or "")
