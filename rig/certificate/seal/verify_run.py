"""Is a kept run what it was? Journal, raw file, record, reports and database rows against their hashes and each other.

    verify_run(store, stored) -> places that differ, in words; [] when everything fits

Hashes of journal and raw file stand in run.json; that of run.json and of every face in the register of reports; the
database's rows are found from the folder again (rig/records/index/audit.py). It changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

from rig.certificate.seal.register import Register
from rig.certificate.seal.verify import Verification, verify
from rig.errors import RecordError
from rig.records.files import sha256_of
from rig.records.index.audit import altered_rows
from rig.records.retention import deleted_files
from rig.records.run.stored import JOURNAL, StoredRun
from rig.records.run.suspect import suspect_words
from rig.records.store import Store


def verify_run(store: Store, stored: StoredRun) -> list[str]:
    """Everything that is missing, altered or at odds. Raises RecordError when run.json can't be read at all."""
    register = Register(store.home)
    gone = deleted_files(stored.path)
    altered = [name for name in stored.altered_files() if not _was_deleted(stored, name, gone, stored.hashes.get(name))]
    found = [_file(stored, name, _why(stored, name)) for name in altered]
    found += _faces(stored, register)
    found += [f"register: {fault}" for fault in register.faults]
    if found:
        return found  # what the database would be compared with is itself in doubt
    store.index.refresh()
    return [f"database, {row}" for row in altered_rows(store, stored.id)]


def _why(stored: StoredRun, name: str) -> str:
    """What speaks against a file; of a journal the line, for each has a checksum of its own."""
    try:
        return "run.json says otherwise" if name != JOURNAL or stored.journal.lines else "no line is left"
    except RecordError as fault:
        return fault.message.rpartition("/")[2].removesuffix(".")


def _file(stored: StoredRun, name: str, why: str) -> str:
    return f"{name}: altered ({why})" if (stored.path / name).exists() else f"{name}: missing"


def _was_deleted(stored: StoredRun, name: str, gone: Mapping[str, str], held: str | None) -> bool:
    """Whether a file was let go by the shop's rule, its stub holding the hash that is expected."""
    return not (stored.path / name).exists() and gone.get(name) is not None and gone[name] == held


def _faces(stored: StoredRun, register: Register) -> list[str]:
    found = []
    gone = deleted_files(stored.path)
    entries = [*register.of_run(stored.id), *(entry for entry, _ in register.entries_elsewhere(stored.id))]
    for entry in entries:
        record = stored.path / "run.json"
        if entry.record and record.exists() and sha256_of(record) != entry.record:
            found.append(f"run.json: altered since report {entry.number}")
        for name, held in entry.faces.items():
            path = stored.path / name
            if _was_deleted(stored, name, gone, held):
                continue
            if not path.exists() or sha256_of(path) != held:
                found.append(_file(stored, name, f"not as report {entry.number} was issued"))
    known = {name for entry in entries for name in entry.faces}
    stray = sorted(path.name for path in stored.path.glob("certificate*") if path.name not in known)
    for file in sorted(stored.path.glob("proof*.json")):
        found += [f"{file.name}: {place}" for place in verify(file, register.home).where]
    return found + [f"{name}: no report in the register has it" for name in stray]


def run_verification(store: Store, stored: StoredRun) -> Verification:
    """A stored run as `verify` reports a file: unchanged or altered, with its newest report."""
    where = tuple(verify_run(store, stored))
    register = Register(store.home)
    reports = [*register.of_run(stored.id), *(entry for entry, _ in register.entries_elsewhere(stored.id))]
    state = register.state(reports[-1].number) if reports else "no report issued"
    return Verification(
        file=str(stored.path),
        kind="run",
        number=reports[-1].number if reports else "",
        state="altered" if where else "unchanged",
        where=where,
        signature="signed" if reports and reports[-1].signed else "unsigned",
        simulated=stored.header.simulated,
        register="; ".join(filter(None, (state, suspect_words(stored.path)))),
        broken=register.faults,
    )
