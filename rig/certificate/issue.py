"""Issuing, amending, withdrawing: which report it is, what it replaces, its files beside the run, its register line.

    issue(store, stored) ; issue(store, stored, reason="customer's name was wrong", corrections={"customer": "..."})

The first report of a run needs no reason; each later one does, has a number of its own and names the one it replaces.
It is put down whole, then the register gets its line, then the files take their places (pending.py). Written again
without a reason, a report must come out as it was. Simulated runs, and reports that await a witness, are never sealed
and never signed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.certificate import pending
from rig.certificate.content.held_back import reasons_to_hold_back
from rig.certificate.content.report import CORRECTABLE
from rig.certificate.faces import Report, build_report, describe_changes, issue_time
from rig.certificate.seal.entry import RegisterEntry
from rig.certificate.seal.register import Register
from rig.certificate.seal.signatures import Key, key_of, sign_pdf, sign_xml
from rig.certificate.shop import Shop, load_shop, shop_for
from rig.errors import UsageError
from rig.records.files import read_json
from rig.records.names import refer_in, resolve_in
from rig.records.retention import deleted_files
from rig.records.run.header_corrections import NAMED, correct_words
from rig.records.run.stored import NAMED_DETAILS, StoredRun
from rig.records.schema import check_texts
from rig.records.store import Store

RESULTS = ("outcome", "simulated", "judged", "reasons", "findings", "item", "shop")
"""What a report written again is compared in: another version of the program may word the rest otherwise."""


@dataclass(frozen=True, slots=True)
class Issued:
    """files: kind -> path in the run's folder. again: it had been issued before and came out the same."""

    number: str
    files: Mapping[str, str]
    again: bool = False


def issue(store: Store, stored: StoredRun, *, reason: str = "", corrections: Mapping[str, str] | None = None) -> Issued:
    """Write the next report of a judged run into its folder and the register.

    corrections: header words as they should have been (`CORRECTABLE`). Raises UsageError for an unjudged run, a
    correction without a reason, or a report that would now say something else and has no reason given.
    """
    with pending.turn(store.home):
        return _issue(store, stored, reason, corrections or {})


def _issue(store: Store, stored: StoredRun, reason: str, corrections: Mapping[str, str]) -> Issued:
    register, shop = Register(store.home), shop_for(store.home, stored.header.bench)
    before = register.of_run(stored.id)
    _check_home(register, stored, before)
    _check_request(corrections, reason, bool(before))
    if before and not reason:
        return _reissue(stored, shop, before[-1], register)
    earlier = resolve_in(store.home, before[-1].corrections, NAMED) if before else {}
    corrections = {**earlier, **correct_words(stored.path), **corrections}
    made = build_report(
        stored,
        issued_utc=issue_time(stored),
        issue=1 + max((entry.issue for entry in before), default=0),
        shop=shop,
        reason=reason,
        corrections=corrections,
        previous=_json_face(stored, before[-1]) if before else None,
        held_back=reasons_to_hold_back(store, stored),
    )
    sealed = not (made.content.simulated or made.content.awaits)
    key = key_of(shop) if sealed else None
    faces = sign_faces(made, key)
    taken = {name for entry in before for name in entry.faces} | set(deleted_files(stored.path))
    names = {kind: _free_name(stored, name, taken) for kind, name, _ in faces}
    spoken = {*corrections.values(), *earlier.values(), stored.header.customer, *_contacts(stored)}
    entry = RegisterEntry(
        event="amended" if reason else "issued",
        number=made.content.number,
        run=stored.id,
        issue=made.content.issue,
        at_utc=made.issued_utc,
        replaces=made.content.replaces,
        reason=reason,
        changed=_without_names(made.content.amendment.changed, spoken) if made.content.amendment else (),
        corrections=refer_in(store.home, corrections, NAMED),
        part=corrections.get("part", str(stored.header.part.get("number", ""))),
        serial=corrections.get("serial", stored.header.serial),
        outcome=made.content.outcome,
        simulated=made.content.simulated,
        sealed=sealed,
        signed=key is not None,
        hash=made.hash,
        record=dict(made.content.hashes).get("run.json", ""),
        faces={names[kind]: hashlib.sha256(data).hexdigest() for kind, _, data in faces},
    )
    folder = pending.put_down(store.home, entry, {names[kind]: data for kind, _, data in faces})
    register.add(entry, key_of(shop))
    pending.take_places(store.home, folder, shop)
    return Issued(made.content.number, face_files(stored, entry))


def _free_name(stored: StoredRun, name: str, taken: Collection[str]) -> str:
    """A face's file name that no report of the run has or had, deleted ones included."""
    free = stored.path / name
    number = 1
    while free.exists() or free.name in taken:
        number += 1
        free = stored.path / f"{Path(name).stem}-{number}{Path(name).suffix}"
    return free.name


def _contacts(stored: StoredRun) -> list[str]:
    return [str(stored.header.details.get(key) or "") for key in NAMED_DETAILS]


def _without_names(changed: Sequence[str], names: Collection[str]) -> tuple[str, ...]:
    """What changed, as the register holds it: of a change that shows a customer only which one it was."""
    spoken = [name for name in names if name]
    return tuple(
        f"{text.partition(':')[0]}: as the reports say" if any(name in text for name in spoken) else text
        for text in changed
    )


def sign_faces(made: Report, key: Key | None) -> list[tuple[str, str, bytes]]:
    """The faces, PDF and XML signed with the shop's key. Raises UsageError for a simulated run: it can't be sealed."""
    if key is None:
        return list(made.faces)
    if made.content.simulated:
        raise UsageError(
            f"run {made.content.run} is simulated: its report can't be sealed.",
            next_action="Measure a part on a bench.",
        )
    signers = {"certificate": sign_pdf, "xml": sign_xml}
    return [(kind, name, signers[kind](data, key) if kind in signers else data) for kind, name, data in made.faces]


def withdraw(store: Store, number: str, reason: str) -> RegisterEntry:
    """Withdraw a report: it stays in its folder and in the register, marked. Raises UsageError."""
    with pending.turn(store.home):
        register = Register(store.home)
        issued = register.find(number) or (of_run[-1] if (of_run := register.of_run(number)) else None)
        at_utc = issue_time(store.find(issued.run)) if issued else ""
        key = key_of(load_shop(store.home) or Shop())
        return register.withdraw(issued.number if issued else number, reason, at_utc, key)


def face_files(stored: StoredRun, entry: RegisterEntry) -> dict[str, str]:
    """kind -> path of a report's faces in the run's folder."""
    kinds = {".pdf": "certificate", ".json": "data", ".xml": "xml", ".csv": "table"}
    paths = [stored.path / name for name in entry.faces]
    made = {"curves" if p.name.startswith("curves") else kinds.get(p.suffix, p.suffix): str(p) for p in paths}
    proof = stored.path / pending.proof_name(entry)
    return made | ({"proof": str(proof)} if proof.exists() else {})


def _reissue(stored: StoredRun, shop: Shop, entry: RegisterEntry, register: Register) -> Issued:
    earlier = register.of_run(stored.id)[:-1]
    issued = _json_face(stored, entry)
    made = build_report(
        stored,
        issued_utc=entry.at_utc,
        issue=entry.issue,
        shop=shop,
        reason=entry.reason,
        corrections=resolve_in(register.home, entry.corrections, NAMED),
        previous=_json_face(stored, earlier[-1]) if earlier else None,
        remarks=None if issued is None else [str(one.get("file")) for one in issued.get("remarks", ())],
    )
    if (
        made.hash != entry.hash
        and issued is not None
        and (changed := describe_changes(issued, made.document, of=RESULTS))
    ):
        raise UsageError(
            f"report {entry.number} was issued on {entry.at_utc[:10]} and would now say something else "
            f"({'; '.join(changed[:3])}).",
            next_action='Give --reason "..." to issue an amended report, or verify the run for altered files.',
        )
    return Issued(entry.number, face_files(stored, entry), again=True)


def _check_home(register: Register, stored: StoredRun, before: Sequence[RegisterEntry]) -> None:
    """Raises UsageError for a run whose reports another home's register holds: they are amended there."""
    if carried := register.entries_elsewhere(stored.id):
        entry, whose = carried[-1]
        raise UsageError(
            f"report {entry.number} of this run was issued elsewhere {whose.words}.",
            next_action="Amend or withdraw it there; here it can be verified.",
        )
    if not before and (stray := sorted(stored.path.glob("certificate*.pdf"))):
        raise UsageError(
            f"{stray[0]}: lies there and no register holds it.",
            next_action="Move it away (verify names it); then issue the report.",
        )


def _check_request(corrections: Mapping[str, str], reason: str, issued_before: bool) -> None:
    check_texts({"reason": reason, "corrections": corrections})
    if unknown := sorted(set(corrections) - set(CORRECTABLE)):
        raise UsageError(
            f"{', '.join(unknown)}: can't be corrected.", next_action=f"Only {', '.join(CORRECTABLE)} can."
        )
    if reason and not issued_before:
        raise UsageError("nothing was issued yet that could be amended.", next_action="Leave the reason out.")
    if corrections and not reason:
        raise UsageError("a correction needs a reason.", next_action='Give --reason "...".')


def _json_face(stored: StoredRun, entry: RegisterEntry) -> Mapping[str, Any] | None:
    """The JSON face that a register line names, None when it is gone."""
    name = next((n for n in entry.faces if n.endswith(".json")), "")
    path = stored.path / name
    return read_json(path) if name and path.exists() else None
