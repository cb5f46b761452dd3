"""What keeps a report of a real bench from being a certificate: found in the home, said under the verdict, unsealed.

    a sequence in a newer version than the shop has certified with, not yet validated (anglewright bench validate)
    a bench that was last proven by another version of the program (anglewright run prove)

Nothing is asked of a home that never certified with an older version, or of a bench that was never proven: then there
is nothing to compare with. Simulated runs are no certificates anyway. Pure but for reading the home.
"""

from __future__ import annotations

from collections.abc import Iterator

from rig.certificate.words.phrase import phrase
from rig.errors import RecordError
from rig.records.book.entries import read_entries
from rig.records.run.stored import StoredRun
from rig.records.store import Store

NOT_VALIDATED = (
    "Provisional: {sequence} {n} is not validated against {m}, which certified before. Until it is, this report is no "
    "certificate and carries no seal."
)
NOT_PROVEN = (
    "Provisional: the bench was last proven with {old}, this run was made with {new}. Until it is proven again, this "
    "report is no certificate and carries no seal."
)


def reasons_to_hold_back(store: Store, stored: StoredRun) -> tuple[str, ...]:
    """Sentences, () where nothing holds the report back."""
    if stored.header.simulated:
        return ()
    return (*_not_validated(store, stored), *_not_proven(store, stored))


def _not_validated(store: Store, stored: StoredRun) -> Iterator[str]:
    h = stored.header
    before = sorted({v for v in _certified_versions(store, h.sequence) if v != h.sequence_version}, key=_order)
    older = [v for v in before if _order(v) < _order(h.sequence_version)]
    if not older:
        return
    folder = store.home / "book"
    entries = read_entries(folder, "method-validation") if folder.is_dir() else []
    if not any((d.get("sequence"), d.get("version")) == (h.sequence, h.sequence_version) for _, d in entries):
        name = phrase(h.sequence.replace("_", " "))
        yield phrase(NOT_VALIDATED, sequence=name, n=h.sequence_version, m=older[-1])


def _certified_versions(store: Store, sequence: str) -> Iterator[str]:
    """Versions of a sequence by which sealed reports were issued."""
    from rig.certificate.seal.register import Register

    for entry in Register(store.home).entries:
        run = store.folder / entry.run
        if entry.sealed and run.is_dir():
            try:
                header = StoredRun(run).header
            except RecordError:
                continue
            if header.sequence == sequence and header.sequence_version:
                yield header.sequence_version


def _not_proven(store: Store, stored: StoredRun) -> Iterator[str]:
    health = (stored.header.calibration or {}).get("health")
    run = store.folder / str(health.get("run", "")) if isinstance(health, dict) else None
    if run is None or not run.is_dir() or run == store.folder:
        return
    try:
        old = StoredRun(run).header.software
    except RecordError:
        return
    if old and stored.header.software and old != stored.header.software:
        yield phrase(NOT_PROVEN, old=old, new=stored.header.software)


def _order(version: str) -> tuple[int, str]:
    return (int(version), "") if version.isdigit() else (0, version)
