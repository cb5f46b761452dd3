"""A customer's name erased for a stated reason: name, contact and whoever fetched the units, out of everything that the
home can change.

Records hold references (rig/records/names.py), so that every hash, the register and its proofs stay as they are. An
entry of the book decides it; then the reports that print the name are deleted with stubs that keep their hashes, the
index loses it, and the file of the name goes last: a kill in between is finished at the next start. What this home
can't reach is said: runs kept before references, backups, job files, reports in other hands.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from rig.certificate.seal.register import Register
from rig.errors import RecordError, UsageError
from rig.records.book.jobs import Book
from rig.records.book.laboratory import Erasure
from rig.records.files import read_json, utc_now
from rig.records.names import FOLDER, TOKEN, erased_text, read_name, tokens_of
from rig.records.retention import Due, delete_due
from rig.records.run.stored import JOURNAL, RECORD, StoredRun
from rig.records.store import Store

RULE = "a customer's name was erased"
FACES = ("certificate*", "curves*.csv")


@dataclass(frozen=True, slots=True, kw_only=True)
class Erased:
    """What followed. names: how many texts; runs: those that referred to them; reports: files deleted; before: runs
    that hold the name in what is hashed, where it stays."""

    names: int
    runs: tuple[str, ...]
    reports: int
    before: tuple[str, ...]


def erase_customer(store: Store, name: str, *, why: str, who: str, keep_reports: bool = False) -> Erased:
    """Erase a customer. Raises UsageError for a name that is not kept here, or without a reason or a name of who."""
    name = name.strip()
    if not why.strip() or not who.strip():
        raise UsageError("an erasure needs a reason and a name.", next_action="Give --why and --by.")
    if name and name.casefold() in f"{why} {who}".casefold():
        raise UsageError("the reason names the customer.", next_action="Give a reason without the name.")
    settle_erasures(store)
    tokens, before = set(tokens_of(store.home, name)), _runs_before(store, name)
    if not tokens:
        raise _unknown(name, before)
    tokens |= _beside(store, tokens)
    amended = {
        e.run for e in Register(store.home).entries if tokens & set(TOKEN.findall(" ".join(e.corrections.values())))
    }
    runs = tuple(run for run, kept in _kept_headers(store) if run in amended or tokens & set(TOKEN.findall(kept)))
    entry = Erasure(tokens=tuple(sorted(tokens)), runs=runs, why=why, who=who, keep_reports=keep_reports)
    Book(store).add("erasure", entry, "at_utc")
    reports = _finish(store, entry)
    return Erased(names=len(tokens), runs=runs, reports=reports, before=before)


def settle_erasures(store: Store) -> None:
    """Finish erasures that a kill cut short; costs one look when there is nothing. Raises RecordError."""
    if not (store.home / FOLDER).is_dir():
        return
    there = {file.stem for file in (store.home / FOLDER).glob("*.json")}
    for data in Book(store).of("erasure"):
        if there & set(data["tokens"]):
            known = {name: data[name] for name in ("why", "who", "keep_reports", "at_utc")}
            _finish(store, Erasure(tokens=tuple(data["tokens"]), runs=tuple(data["runs"]), **known))


def _finish(store: Store, entry: Erasure) -> int:
    """Everything that an erasure's entry asks for; how many report files went. Safe to repeat."""
    count = 0
    at_utc = entry.at_utc or utc_now()
    for run in entry.runs if not entry.keep_reports else ():
        files = sorted({file.name for face in FACES for file in (store.folder / run).glob(face)})
        if files:
            count += len(files)
            delete_due(store.folder, Due(run=run, files=tuple(files), rule=RULE), who=entry.who, at_utc=at_utc)
    texts = list(_texts(store, entry.tokens))
    store.index.erase_names(entry.runs, texts, erased_text(at_utc[:10]))
    for token in entry.tokens:
        (store.home / FOLDER / f"{token}.json").unlink(missing_ok=True)
    return count


def _texts(store: Store, tokens: Iterable[str]) -> Iterator[str]:
    for token in tokens:
        if (file := store.home / FOLDER / f"{token}.json").exists():
            yield read_name(file)


def _beside(store: Store, tokens: set[str]) -> set[str]:
    """Tokens of the contact of a customer's jobs, and of whoever fetched their units."""
    found: set[str] = set()
    jobs: set[str] = set()
    for file in sorted(Book(store).folder.glob("*-job-*.json")):
        data = read_json(file)["data"]
        if tokens & set(TOKEN.findall(str(data.get("customer", "")))):
            jobs.add(str(data["job"]))
    for kind, names in (("job", ("contact",)), ("return", ("handed_to",))):
        for file in sorted(Book(store).folder.glob(f"*-{kind}-*.json")):
            data = read_json(file)["data"]
            if str(data["job"]) in jobs:
                found |= {token for name in names for token in TOKEN.findall(str(data.get(name, "")))}
    return found


def _kept_headers(store: Store) -> Iterator[tuple[str, str]]:
    """Run, and the text of its header and corrections as they are kept."""
    for run in store.ids():
        folder = store.folder / run
        file = folder / RECORD
        kept = [file.read_bytes() if file.exists() else _first_line(StoredRun(folder))]
        kept += [one.read_bytes() for one in folder.glob("correction*.json")]
        yield run, b"\n".join(kept).decode("utf-8", "replace")


def _first_line(run: StoredRun) -> bytes:
    try:
        with (run.path / JOURNAL).open("rb") as journal:
            return journal.readline()
    except FileNotFoundError:
        return b""


def _runs_before(store: Store, name: str) -> tuple[str, ...]:
    """Runs whose header holds the name itself."""
    found = []
    for run in store.ids():
        try:
            header = StoredRun(store.folder / run).header_as_kept
        except RecordError:
            continue
        if name and name in (header.customer, header.details.get("customer_contact")):
            found.append(run)
    return tuple(found)


def _unknown(name: str, before: tuple[str, ...]) -> UsageError:
    if before:
        return UsageError(
            f"{name!r} stands in {len(before)} runs that were kept before names were kept apart; it is part of what is "
            f"hashed there and can't be erased (the first is {before[0]}).",
            next_action="Delete these runs' folders by the shop's own decision; nothing of them can then be verified.",
        )
    return UsageError(
        f"no customer {name!r} is kept here.", next_action="Give the name exactly as `anglewright job show` prints it."
    )
