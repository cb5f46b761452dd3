"""A wrong serial, part number or customer of a unit put right once, for a reason and by name; every book follows.

The runs get an entry beside them, the shop's book one of its own; lists, history, job and slips show what is right, and
each report that was issued gets an amended one. Headers and earlier reports stay as they were. An intake that never was
one is taken back in the same way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.certificate.issue import Issued, issue
from rig.certificate.seal.register import Register
from rig.errors import UsageError
from rig.records.book.entries import Job
from rig.records.book.jobs import Book
from rig.records.book.laboratory import Correction
from rig.records.files import utc_now
from rig.records.run.header_corrections import add_correction
from rig.records.schema import check_texts, dump
from rig.records.store import Store


@dataclass(frozen=True, slots=True)
class Corrected:
    """What followed: runs, intakes and returns that show what is right now; amended reports."""

    runs: tuple[str, ...]
    entries: int
    reports: tuple[Issued, ...]


def correct_unit(store: Store, wanted: Correction) -> Corrected:
    """Correct a unit of one job, or of all. Raises UsageError for an unknown unit, or without a reason or a name."""
    check_texts(dump(wanted))
    words = {"serial": wanted.new_serial, "part": wanted.new_part, "customer": wanted.new_customer}
    words = {name: text for name, text in words.items() if text}
    if not wanted.why.strip() or not wanted.who.strip():
        raise UsageError("a correction needs a reason and a name.", next_action="Give --reason and --by.")
    if not words and not wanted.taken_back:
        raise UsageError("nothing is corrected.", next_action="Give --new-serial, --new-part or --customer.")
    book = Book(store)
    came = [one for kind in ("intake", "return") for one in book.of(kind) if _is_of(wanted, one)]
    listed = store.list(part=wanted.part, serial=wanted.serial)
    runs = [row.run for row in listed if wanted.job in ("", row.job)]
    if not came and not runs:
        raise UsageError(
            f"no unit {wanted.part} {wanted.serial} is known.",
            next_action="Give part and serial as they are listed now.",
        )
    if wanted.taken_back and runs:
        raise UsageError(
            f"{wanted.part} {wanted.serial} has {len(runs)} runs: its intake can't be taken back.",
            next_action="Correct its serial or part instead.",
        )
    at_utc = utc_now()
    book.add("correction", wanted, "at_utc")
    for run in runs:
        store.index.mark_stale(run)
        add_correction(store.folder / run, words, why=wanted.why, who=wanted.who, at_utc=at_utc)
        store.index.mark_stale(run)
    if wanted.new_customer:
        for job in sorted({str(one["job"]) for one in came} | {row.job for row in listed if row.job}):
            book.open_job(Job(job=job, customer=wanted.new_customer))
    store.index.refresh()
    return Corrected(tuple(runs), len(came), tuple(_amend(store, runs, wanted)))


def _amend(store: Store, runs: Sequence[str], wanted: Correction) -> list[Issued]:
    """An amended report in place of each that is in force."""
    register = Register(store.home)
    made = []
    for run in runs:
        reports = register.of_run(run)
        if reports and register.state(reports[-1].number) == "in force":
            made.append(issue(store, store.find(run), reason=f"{wanted.why} (corrected by {wanted.who})"))
    return made


def _is_of(wanted: Correction, data: object) -> bool:
    words = {name: str(data[name]) for name in ("part", "serial", "job")} if isinstance(data, dict) else {}
    return bool(words) and wanted.fits(**words)
