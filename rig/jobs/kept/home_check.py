"""A home looked over: what of it is damaged, missing or left over, each in one line; the rest works.

It changes nothing. `drill` restores a backup into a temporary folder and looks that over too.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from rig.certificate.seal.foreign import damaged_registers
from rig.certificate.seal.register import Register
from rig.certificate.seal.verify_run import verify_run
from rig.certificate.shop import load_shop
from rig.errors import RigError
from rig.records.backup import differing_files, restore
from rig.records.book.entries import read_entry
from rig.records.names import FOLDER, MISSING, erased_tokens, read_name
from rig.records.run.stored import StoredRun
from rig.records.store import Store


def damages(home: Path) -> list[str]:
    """Everything that does not hold in a home, in words; [] for a sound one."""
    store = Store(home)
    found = [f"register: {fault}" for fault in Register(home).faults]
    found += [f"registers of other homes: {fault}" for fault in damaged_registers(home)]
    try:
        load_shop(home)
    except RigError as fault:
        found.append(f"shop.toml: {fault.message}")
    for file in sorted((home / "book").glob("*.json")) if (home / "book").is_dir() else ():
        try:
            read_entry(file)
        except RigError as fault:
            found.append(f"book: {fault.message}")
    found += _name_damages(home)
    known = set(store.ids())
    for entry in Register(home).entries:
        if entry.event != "withdrawn" and entry.run not in known:
            found.append(f"runs/{entry.run}: the folder of report {entry.number} is missing")
    for run in store.ids():
        found += _run_damages(store, StoredRun(store.folder / run))
    return found


def _name_damages(home: Path) -> list[str]:
    """Names that are not what records refer to, and files of names that an erasure left behind."""
    found, gone = [], erased_tokens(home)
    for file in sorted((home / FOLDER).glob("*.json")):
        try:
            read_name(file)
        except RigError as fault:
            found.append(f"names: {fault.message}")
        if file.stem in gone:
            found.append(f"names/{file.name}: was to be erased; any `anglewright job` command finishes it")
    return found


def drill(path: Path) -> tuple[int, list[str]]:
    """Restore a backup into a temporary folder and look it over; (files restored, what does not hold)."""
    with tempfile.TemporaryDirectory(prefix="anglewright-drill-") as folder:
        home = Path(folder) / "home"
        stated = restore(path, home)
        wrong = [f"{name}: is not what was backed up" for name in differing_files(home, stated)]
        return len(stated.files), [*wrong, *damages(home)]


def _run_damages(store: Store, run: StoredRun) -> list[str]:
    try:
        if run.record is None:
            return [] if run.journal.lines else [f"runs/{run.id}: no line of its journal is left"]
        missing = [f"runs/{run.id}: the customer's name is missing"] if run.header.customer == MISSING else []
        return [
            *missing,
            *(f"runs/{run.id}: {place}" for place in verify_run(store, run) if not place.startswith("register: ")),
        ]
    except RigError as fault:
        return [f"runs/{run.id}: {fault.message.replace(f'{store.home}/', '')}"]
