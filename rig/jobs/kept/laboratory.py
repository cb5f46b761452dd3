"""Rules over what a laboratory writes down: proofs of the safety chain that are due, who may use a method, which method
is validated, which results an instrument makes suspect.

Nothing here changes a run: what became suspect is an entry beside it (suspect.json), read by the pages.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

from rig.description.benches import BenchFile
from rig.errors import SafetyStop, UsageError
from rig.records.book.entries import load_data, read_entries
from rig.records.book.jobs import Book
from rig.records.book.laboratory import Authorisation, FoundInstrument, MethodValidation, SafetyProof
from rig.records.files import read_json_quickly
from rig.records.index.rows import instrument_name
from rig.records.run.stored import StoredRun
from rig.records.run.suspect import put_suspect
from rig.records.store import Store
from rig.result import Judgement
from rig.uncertainty.sameness import exceeds

PROOF_DAYS = 31
DEVICES = ("emergency-stop", "enable-timer")
HOW = {
    "emergency-stop": "Press it with the bench idle, see both supplies drop, release it.",
    "enable-timer": "Stop its pulses with the bench idle, see both supplies drop.",
}


def entries_of(store: Store, kind: str) -> list[Any]:
    """All entries of a kind of this laboratory, oldest first."""
    found = read_entries(store.home / "book", kind) if (store.home / "book").is_dir() else []
    return [load_data(kind, data, str(path)) for path, data in found]


# ---- the safety chain -----------------------------------------------------------------------------------------------


def record_proof(store: Store, proof: SafetyProof) -> SafetyProof:
    """Put a proof down. Raises UsageError for another device."""
    if proof.device not in DEVICES:
        raise UsageError(f"{proof.device!r} is no device of the safety chain.", next_action=f"One of {DEVICES}.")
    return Book(store).add("safety-proof", proof, "at_utc")


def devices_of(bench: BenchFile) -> tuple[str, ...]:
    """The devices that this bench has: the enable timer only where its pulses are wired."""
    timed = getattr(bench.interlock, "enable_channel", None) is not None
    return DEVICES if timed else DEVICES[:1]


def proofs_due(store: Store, bench: BenchFile, today: date) -> list[tuple[str, str, bool]]:
    """(device, how it stands in words, whether it blocks) of every device that is not proven now."""
    newest: dict[str, SafetyProof] = {p.device: p for p in entries_of(store, "safety-proof") if p.bench == bench.name}
    rows = []
    for device in devices_of(bench):
        proof = newest.get(device)
        if proof is None:
            rows.append((device, "was never recorded as proven", False))
        elif not proof.passed:
            rows.append((device, f"did not cut off when it was tried on {proof.at_utc[:10]}", True))
        elif (age := (today - date.fromisoformat(proof.at_utc[:10])).days) > PROOF_DAYS:
            rows.append((device, f"was last proven {age} days ago, on {proof.at_utc[:10]}", True))
    return rows


def proof_lines(store: Store, bench: BenchFile) -> list[str]:
    """How every device of the safety chain stands today, and how one is tried whose proof is due."""
    due = {name: words for name, words, _ in proofs_due(store, bench, datetime.now(UTC).date())}
    lines = []
    for name in devices_of(bench):
        lines.append(f"{name}: {due.get(name, 'proven within the last month')}")
        lines += [f"  {HOW[name]}"] if name in due else []
    return lines


def check_proofs(store: Store, bench: BenchFile) -> list[str]:
    """What has to be said before arming. Raises SafetyStop for a proof that failed or is overdue."""
    said = []
    for device, words, blocks in proofs_due(store, bench, datetime.now(UTC).date()):
        name = device.replace("-", " ")
        advice = f"{HOW[device]} Then: anglewright bench safety {device} --bench {bench.name} --by WHO"
        if blocks:
            raise SafetyStop(
                f"bench {bench.name} can't be armed: its {name} {words}.", code="safety-proof-due", next_action=advice
            )
        said.append(f"The {name} of bench {bench.name} {words}. {advice}")
    return said


# ---- persons and methods --------------------------------------------------------------------------------------------


def check_person(store: Store, method: str, person: str, today: date) -> None:
    """Raises UsageError where the laboratory names who may use a method and this person is not among them."""
    newest: dict[str, Authorisation] = {a.person: a for a in entries_of(store, "authorisation") if a.method == method}
    may = sorted(
        name for name, a in newest.items() if not a.withdrawn and (not a.until or a.until >= today.isoformat())
    )
    if newest and person not in may:
        who = f"{person!r} is not" if person else "nobody is named, and only some are"
        raise UsageError(
            f"{who} authorised for {method}.",
            next_action=f"Authorised today: {', '.join(may) or 'nobody'} (--operator; anglewright bench authorise).",
        )


def authorise_person(store: Store, wanted: Authorisation) -> list[str]:
    """Put an authorisation down; who may use the method now, a line each. Raises UsageError for an unknown method."""
    from sequences.registry import find_sequence

    find_sequence(wanted.method)
    if wanted.until:
        parse_day(wanted.until)
    Book(store).add("authorisation", wanted, "at_utc")
    newest: dict[str, Authorisation] = {
        a.person: a for a in entries_of(store, "authorisation") if a.method == wanted.method
    }
    rows = [
        f"{name}: {wanted.method}{f' until {a.until}' if a.until else ''}"
        for name, a in newest.items()
        if not a.withdrawn
    ]
    return rows or [f"nobody is named for {wanted.method}: no run of it can be started"]


def parse_day(text: str) -> date:
    """A day as the book keeps it. Raises UsageError for any other spelling: entries are compared as texts."""
    try:
        day = date.fromisoformat(text)
    except ValueError as fault:
        raise UsageError(f"{text!r} is no day.", next_action="Write YYYY-MM-DD.") from fault
    if day.isoformat() != text:
        raise UsageError(f"{text!r} is no day as it is kept.", next_action="Write YYYY-MM-DD.")
    return day


def validate_method(store: Store, old: StoredRun, new: StoredRun, who: str) -> MethodValidation:
    """Compare two versions of a sequence on one unit, line by line, and put down that the newer one is validated.

    Raises UsageError when the runs can't be compared, or when a line differs by more than both U together.
    """
    a, b = old.header, new.header
    if a.sequence != b.sequence or a.sequence_version == b.sequence_version:
        raise UsageError(
            "these are not two versions of one sequence.", next_action="Give the older run, then the newer."
        )
    if (a.serial, a.part.get("number")) != (b.serial, b.part.get("number")):
        raise UsageError("these are not runs of one unit.", next_action="Run both versions on the same clamped unit.")
    if old.judgement is None or new.judgement is None:
        raise UsageError("one of the runs was not judged.", next_action="Judge it first.")
    worst, line = _largest_difference(old.judgement, new.judgement)
    if exceeds(worst, 1.0):
        raise UsageError(
            f"{line} differs by {worst:.2f} of the uncertainty of the difference: not validated.",
            next_action="Clamp once, run both versions again; find the cause before certifying with the new one.",
        )
    made = MethodValidation(
        sequence=b.sequence,
        version=b.sequence_version,
        against=a.sequence_version,
        runs=(old.id, new.id),
        worst=worst,
        line=line,
        who=who,
    )
    return Book(store).add("method-validation", made, "at_utc")


def _largest_difference(old: Judgement, new: Judgement) -> tuple[float, str]:
    worst, name = 0.0, ""
    for line in old.judged:
        other = new.line(line.measurand)
        before, after = line.result, other.result if other else None
        if before is None or after is None or None in (before.estimate, after.estimate, before.U, after.U):
            continue
        scale = ((before.U or 0.0) ** 2 + (after.U or 0.0) ** 2) ** 0.5
        ratio = abs((after.estimate or 0.0) - (before.estimate or 0.0)) / scale if scale else 0.0
        if not name or ratio > worst:
            worst, name = ratio, line.measurand
    if not name:
        raise UsageError("the runs have no line with an uncertainty in common.", next_action="Run whole tests.")
    return worst, name


# ---- instruments found out of tolerance -----------------------------------------------------------------------------


def note_found(store: Store, found: FoundInstrument) -> list[str]:
    """Put down how an instrument was found; out of tolerance, every run since its previous calibration becomes suspect.

    The ids of those runs. Raises UsageError for an instrument that no run has seen.
    """
    parse_day(found.on)
    rows = [(run, role) for run in _quick_runs(store) if (role := _role_of(run, found.instrument))]
    if not rows:
        raise UsageError(
            f"no run has seen instrument {found.instrument!r}.", next_action="Look: anglewright report calibration"
        )
    Book(store).add("found-instrument", found, "at_utc")
    if found.in_tolerance:
        return []
    since = _calibrated_before(rows, found)
    end = (date.fromisoformat(found.on) + timedelta(days=1)).isoformat()
    suspect = [(run, role) for run, role in rows if since <= run.header.started_utc[:10] < end]
    for run, role in suspect:
        words = {
            "instrument": found.instrument,
            "role": role,
            "since": since,
            "until": found.on,
            "certificate": found.certificate,
            "who": found.who,
            "remark": found.remark,
        }
        put_suspect(run.path, words)
        store.index.mark_stale(run.id)
    return [run.id for run, _ in suspect]


def _quick_runs(store: Store) -> Iterator[StoredRun]:
    return (StoredRun(store.folder / run, read=read_json_quickly) for run in store.ids())


def _role_of(run: StoredRun, instrument: str) -> str:
    if run.record is None:
        return ""
    named = ((role, instrument_name(facts)) for role, facts in run.header.instruments.items())
    return next((role for role, name in named if name == instrument), "")


def _calibrated_before(rows: Sequence[tuple[StoredRun, str]], found: FoundInstrument) -> str:
    """The day of the calibration before, as runs recorded it; "" (since ever) where none did."""
    days = {str(_facts(run, role).get("calibrated") or "") for run, role in rows}
    return max((day for day in days if day and day < found.on), default="")


def _facts(run: StoredRun, role: str) -> Mapping[str, Any]:
    return run.header.instruments[role]
