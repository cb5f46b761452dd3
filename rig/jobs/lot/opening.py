"""A lot is opened, delivered and listed; everything doubtful is said by its row, nothing is taken silently.

Nothing is planned or tested here. It prints nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.description.lots import LotFile, load_lot
from rig.description.parts import load_part
from rig.errors import UsageError
from rig.records.book.lot_entries import LotDelivery, LotFrozen, LotOpened
from rig.records.book.lots import LotBook
from rig.records.book.serial_list import SerialList, read_serial_list
from rig.records.files import sha256_of
from rig.records.store import Store
from rig.review.lots.lot import Lot


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A lot as it was entered. told: what a person has to know of it, one sentence each."""

    lot: Lot
    told: tuple[str, ...]


def open_lot(store: Store, file: LotFile, *, who: str, base: Path | None = None) -> Opened:
    """Open a lot with its first delivery. base: where its list of serials is looked for.

    Raises UsageError for a lot whose plan is frozen, or a part file that is not known.
    """
    load_part(file.part)
    book = LotBook(store)
    listed = _list_of(store, file, base, [])
    with book.turn():
        if any(isinstance(one, LotFrozen) for one in book.entries(file.lot)):
            raise UsageError(
                f"lot {file.lot} was opened and its plan is frozen.",
                next_action="A later delivery is a lot of its own: give it a name of its own, with the same order.",
            )
        if book.entries(file.lot):
            raise UsageError(
                f"lot {file.lot} is open already.", next_action="Add to it with `anglewright lot open LOT --deliver N`."
            )
        data = file.model_dump(mode="json", by_alias=True)
        book.add(LotOpened(lot=file.lot, supplier=file.supplier, part=file.part, file=data, who=who))
        book.add(_delivery(file.lot, file.quantity, file.serials, listed, base))
    return Opened(lot=Lot(store, file.lot), told=_sentences(file, file.quantity, listed))


def deliver(store: Store, name: str, quantity: int, serials: str, base: Path | None = None) -> Opened:
    """A further delivery of a lot whose plan is not frozen. Raises UsageError."""
    lot = Lot(store, name)
    if lot.frozen is not None:
        raise UsageError(
            f"lot {name}: the plan is frozen since its first reading.",
            next_action="Open the new delivery as a lot of its own, with the same order.",
        )
    if quantity < 1:
        raise UsageError("a delivery without a unit.", next_action="Say how many came.")
    file = lot.file.model_copy(update={"serials": serials})
    listed = _list_of(store, file, base, [str(row["serial"]) for row in lot.rows])
    with lot.book.turn():
        lot.book.add(_delivery(name, quantity, serials, listed, base))
    return Opened(lot=Lot(store, name), told=_sentences(file, lot.quantity + quantity, listed, len(lot.rows)))


def lot_file(words: Mapping[str, Any]) -> tuple[LotFile, Path | None]:
    """The lot file of a command's words: one that is named, or one made of the options. Raises UsageError."""
    given = Path(str(words["lot"]))
    if given.suffix == ".toml":
        file = load_lot(given)
        stated = {key: words[key] for key in ("supplier", "part", "order", "quantity") if words.get(key)}
        if stated:
            raise UsageError(
                f"{given} states the lot; {', '.join(stated)} would say it twice.", next_action="Leave the options out."
            )
        return file, given.parent
    missing = [name for name in ("supplier", "part", "quantity") if not words.get(name)]
    if missing:
        raise UsageError(
            f"lot {given}: {', '.join('--' + name for name in missing)} missing.",
            next_action="Give them, or a lot file (.toml): see fixtures/README.md.",
        )
    keys = ("lot", "supplier", "part", "order", "quantity", "told", "serials", "rotor", "resubmitted")
    data = {key: words[key] for key in keys if words.get(key)}
    try:
        return LotFile.model_validate({"schema": "anglewright lot 1", **data}), None
    except ValueError as fault:
        raise UsageError(f"lot {given}: {_first(fault)}.", next_action="Correct the option.") from fault


def _first(fault: ValueError) -> str:
    errors = getattr(fault, "errors", None)
    if errors is None:
        return str(fault)
    one = errors()[0]
    return f"{'.'.join(map(str, one['loc']))}: {one['msg']}"


def _list_of(store: Store, file: LotFile, base: Path | None, others: Sequence[str]) -> SerialList | None:
    if not file.serials:
        return None
    return read_serial_list(
        _path(file.serials, base),
        serial_of=file.label.serial,
        seen_before=lambda serial: seen_before(store, file.part, serial, besides=file.lot),
        others=others,
    )


def _path(name: str, base: Path | None) -> Path:
    path = Path(name)
    return path if path.is_absolute() or base is None else base / path


def seen_before(store: Store, part: str, serial: str, *, besides: str = "") -> str:
    """'was tested before, in lot L-0045 on 2026-11-02: outside limits'; "" for a serial that was never seen."""
    rows = [row for row in store.list(part=part, serial=serial) if row.job != besides]
    if not rows:
        return ""
    where = f", under {rows[0].job}" if rows[0].job else ""
    return f"was tested before{where} on {rows[0].started_utc[:10]}: {rows[0].outcome}"


def _delivery(lot: str, quantity: int, source: str, listed: SerialList | None, base: Path | None) -> LotDelivery:
    if listed is None:
        return LotDelivery(lot=lot, quantity=quantity)
    return LotDelivery(
        lot=lot,
        quantity=quantity,
        rows=listed.rows(),
        faults=listed.faults,
        source=source,
        sha256=sha256_of(_path(source, base)),
        coding=listed.coding,
    )


def _sentences(file: LotFile, quantity: int, listed: SerialList | None, before: int = 0) -> tuple[str, ...]:
    told = list(listed.faults) if listed else []
    if listed is not None and len(listed.units) + before > quantity:
        extra = listed.units[max(quantity - before, 0) :]
        rows = ", ".join(str(unit.row) for unit in extra[:5]) + (" ..." if len(extra) > 5 else "")
        told.append(f"the list has {len(listed.units) + before} units, {quantity} were delivered: rows {rows} are over")
    elif listed is not None and len(listed.units) + before < quantity:
        short = len(listed.units) + before
        told.append(f"the list has {short} units, {quantity} were delivered: the others are picked by place")
    if file.told is not None and file.told != quantity:
        told.append(f"{quantity} delivered, {file.told} on the papers")
    return tuple(told)
