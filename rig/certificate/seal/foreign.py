"""Registers of other homes, as far as they came with jobs: kept as they came, asked after the home's own register.

    <home>/registers/<log>-<root>.json     an extract each (extract.py); the newest of a log says how a report stands

The first certificate that came with a log is the one that is believed of it afterwards; a later extract has to be
signed with the same key, to continue each earlier one, and to hold its lines unchanged. It judges no report.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.certificate.seal.entry import RegisterEntry
from rig.certificate.seal.extract import Extract, load_extract
from rig.certificate.seal.signatures import fingerprint
from rig.errors import RecordError
from rig.records.exchange.manifest import REGISTERS
from rig.records.files import read_json


@dataclass(frozen=True, slots=True)
class ForeignRegister:
    """What is known of one log: its extracts, oldest first."""

    log: str
    extracts: tuple[Extract, ...]

    @property
    def entries(self) -> list[RegisterEntry]:
        """Every line that came, in the register's order, each once."""
        lines = {one.index: one for extract in self.extracts for one in extract.lines}
        newest = self.extracts[-1]
        whole = Extract(shop=newest.shop, head=newest.head, lines=tuple(lines.values()))
        return whole.entries

    @property
    def words(self) -> str:
        """Whose register it is, when it was carried, and what vouches for it."""
        newest = self.extracts[-1]
        name = f"by the register of {newest.shop} as carried on {newest.made_utc[:10]}"
        if not newest.certificate:
            return f"({name}, not signed: as good as whoever handed it over)"
        return f"({name}, signed with key {fingerprint(newest.certificate.encode())[:16]})"


def foreign_registers(home: Path) -> tuple[ForeignRegister, ...]:
    """The registers that came with jobs. A damaged file is left out: `damaged_registers` names it."""
    logs: dict[str, list[Extract]] = {}
    for file in _files(home):
        try:
            extract = load_extract(read_json(file), str(file))
        except RecordError:
            continue
        logs.setdefault(extract.head.log, []).append(extract)
    return tuple(ForeignRegister(log, tuple(sorted(every, key=_age))) for log, every in sorted(logs.items()))


def damaged_registers(home: Path) -> list[str]:
    """Files among them that can't be read or don't prove what they say, in words."""
    found = []
    for file in _files(home):
        try:
            load_extract(read_json(file), file.name)
        except RecordError as fault:
            found.append(fault.message)
    return found


def check_carried(extract: Extract, known: Sequence[ForeignRegister], own_lines: Sequence[bytes], where: str) -> None:
    """Raises RecordError when an extract contradicts what this home knows of its log (or is of this home's own log)."""
    own = extract.head.log == _log(own_lines)
    for one in extract.lines:
        if own and (one.index >= len(own_lines) or own_lines[one.index] != one.line.encode()):
            raise _contradicts(where, f"its line {one.index + 1} is not the one that this home's own register holds")
    for before in next((one.extracts for one in known if one.log == extract.head.log), ()):
        if before.certificate and extract.certificate != before.certificate:
            raise _contradicts(
                where,
                f"it is not signed with key {fingerprint(before.certificate.encode())[:16]}, as what came before",
            )
        held = {one.index: one.line for one in before.lines}
        if changed := [one.index for one in extract.lines if held.get(one.index, one.line) != one.line]:
            raise _contradicts(where, f"its line {changed[0] + 1} differs from the one that came before")
        if not (_follows(extract, before) or _follows(before, extract)):
            raise _contradicts(
                where, f"it does not show that it continues the {before.head.size} lines that came before"
            )


def _follows(later: Extract, earlier: Extract) -> bool:
    states = {(one.size, one.root) for one in later.before} | {(later.head.size, later.head.root)}
    return (earlier.head.size, earlier.head.root) in states


def _age(extract: Extract) -> tuple[int, str]:
    return extract.head.size, extract.made_utc


def _log(lines: Sequence[bytes]) -> str:
    from rig.certificate.seal.merkle import leaf_hash

    return leaf_hash(lines[0]).hex() if lines else ""


def _files(home: Path) -> list[Path]:
    return sorted((home / REGISTERS).glob("*.json"))


def _contradicts(where: str, what: str) -> RecordError:
    return RecordError(f"{where}: {what}.", next_action="Ask the shop that issued it; nothing of the job was taken in.")
