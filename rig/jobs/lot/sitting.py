"""A sitting: one unit of a lot after the other, each scanned, clamped, armed and tested; it goes on by itself.

The acts of a unit are scan, guard, the interlock's reset and ARM. What is due to a unit is worked out anew from the
book and the runs before each, so that a cut of power, a second sitting or a second person repeats no unit. A serial
number that differs from the pick is put to the person; a unit that is missing or left out is entered with its
reason. Nothing here prints, arms or judges.
"""

from __future__ import annotations

import random
from pathlib import Path

from rig.jobs.lot.desk import Desk, NextUnit
from rig.jobs.lot.identity import OTHER, PICKED, STRANGER, identify
from rig.jobs.lot.opening import seen_before
from rig.jobs.lot.unit_runs import Asked, Sat, UnitRuns
from rig.records.book.lot_entries import LotEntry, LotSitting, LotUnit
from rig.records.run.retest import REPEATABLE
from rig.records.store import Store
from rig.review.lots.lot import SET_ASIDE, Lot, Unit
from rig.review.lots.plan import frozen

KEYS = {"m": "missing", "l": "leave it out", "k": "key the serial number in", "r": "retest", "e": "end the sitting"}


class Sitting:
    """One sitting over a lot."""

    def __init__(self, store: Store, name: str, desk: Desk, asked: Asked) -> None:
        self.store, self.name, self.desk, self.asked = store, name, desk, asked
        self._runs = UnitRuns(store, desk, asked)

    def sit(self) -> Sat:
        """Test units until nothing is left, the input ends or a person ends it. Raises UsageError before anything."""
        lot = self._frozen()
        number = 1 + max((one.sitting for one in lot.sittings), default=0)
        done = Sat(lot=self.name, sitting=number)
        if lot.next_unit() is None:
            done.ended = "every unit of the plan has been tested"
            return done
        standards = self._runs.standards(done, "first")
        self._enter_sitting(done, "begun", standards)
        try:
            while not done.ended:
                self._one(done)
        finally:
            last = self._runs.standards(done, "last") if done.units and done.ended and not done.faults else ("", "")
            self._enter_sitting(done, "ended", last)
        return done

    # ---- the plan -----------------------------------------------------------------------------------------------

    def _frozen(self) -> Lot:
        """The lot with its plan fixed; the first sitting fixes it, with a seed of its own where none is stated."""
        lot = Lot(self.store, self.name)
        if lot.frozen is None:
            with lot.book.turn():
                lot = Lot(self.store, self.name)
                if lot.frozen is None:
                    seed = lot.file.seed or random.SystemRandom().randrange(1, 1_000_000)
                    states = lot.severities()
                    lot.book.add(frozen(lot.file, lot.rows, lot.quantity, seed, states, self.asked.operator))
            lot = Lot(self.store, self.name)
        return lot

    def _enter(self, entry: LotEntry) -> None:
        book = Lot(self.store, self.name).book
        with book.turn():
            book.add(entry)

    def _enter_sitting(self, done: Sat, what: str, standards: tuple[str, str]) -> None:
        self._enter(
            LotSitting(
                lot=self.name,
                sitting=done.sitting,
                what=what,
                who=self.asked.operator,
                bench=self.asked.bench,
                standards=standards[0],
                outcome=standards[1],
            )
        )

    # ---- one unit -----------------------------------------------------------------------------------------------

    def _one(self, done: Sat) -> None:
        lot = Lot(self.store, self.name)
        unit = lot.next_unit()
        if unit is None or (self.asked.most is not None and len(done.units) >= self.asked.most):
            done.ended = "every unit of the plan has been tested" if unit is None else "as many as were asked for"
            return
        again = self._may_retest(lot, done)
        self.desk.show(self._next_unit(lot, unit, done, again))
        entry = self.desk.read()
        if entry.kind == "end":
            done.ended = "the input is over"
        elif entry.kind == "scan":
            self._scanned(done, lot, unit, entry.text)
        elif entry.text == "e":
            done.ended = "ended by the person"
        elif entry.text in ("m", "l"):
            self._set_aside(lot, unit, SET_ASIDE[entry.text == "m"])
        elif entry.text == "k":
            self._scanned(done, lot, unit, self.desk.line("Serial number as stamped:"))
        elif entry.text == "r" and again is not None:
            self._runs.test(done, lot, again, again.serial, retest=True)
            self._between(done, lot)
        else:
            self.desk.tell("Scan the unit, or one of: " + ", ".join(f"{key} {word}" for key, word in KEYS.items()))

    def _next_unit(self, lot: Lot, unit: Unit, done: Sat, again: Unit | None) -> NextUnit:
        needed = [one for one in lot.units if not one.aside and (one.runs or lot.needs(one))]
        return NextUnit(
            lot=self.name,
            label=unit.label,
            listed=unit.listed or unit.serial,
            box=unit.box,
            position=unit.place,
            place=(sum(1 for one in needed if not lot.needs(one)) + 1, len(needed)),
            test=lot.needs(unit),
            last=done.last,
            retest=again.label if again is not None else "",
        )

    def _may_retest(self, lot: Lot, done: Sat) -> Unit | None:
        """The unit before, where one re-seat and one retest are open to it and could change something."""
        if not done.last_label:
            return None
        unit = lot.unit(done.last_label)
        if not unit.runs or unit.runs[-1].outcome not in REPEATABLE or any(run.header.retest_of for run in unit.runs):
            return None
        return unit

    def _set_aside(self, lot: Lot, unit: Unit, what: str) -> None:
        why = self.desk.line(f"{unit.label} {what}: why?").strip()
        if not why:
            self.desk.tell("Not entered: a reason is needed.", trouble=True)
            return
        self._enter(LotUnit(lot=lot.name, label=unit.label, what=what, text=why, who=self.asked.operator))

    def _scanned(self, done: Sat, lot: Lot, pick: Unit, code: str) -> None:
        found = identify(lot, pick, code)
        unit = found.unit
        if found.kind != PICKED:
            done.swapped += 1
            keys = (
                {"t": f"test {found.serial} now, as {unit.label}"} if found.kind == OTHER and unit is not None else {}
            )
            keys |= {"x": "lay it aside, it is not of this lot"} if found.kind == STRANGER else {}
            said = self.desk.ask(found.words, {**keys, "s": f"scan again: fetch {pick.label}"})
            what = {"t": "other scan", "x": "not taken"}.get(said, "scanned again")
            self._enter(
                LotUnit(
                    lot=lot.name,
                    label=pick.label,
                    what=what,
                    serial=found.serial,
                    scanned=code,
                    text=found.words,
                    who=self.asked.operator,
                )
            )
            if said != "t" or unit is None:
                return
        if unit is None:
            return
        before = seen_before(self.store, lot.file.part, found.serial, besides=lot.name)
        if before and not any(entry.startswith("serial") for entry in unit.told):
            said = self.desk.ask(f"{found.serial} {before}.", {"t": "test it all the same", "s": "not now"})
            if said != "t":
                return
        if unit.serial != found.serial or before:
            text = before or "by the scan"
            self._enter(
                LotUnit(lot=lot.name, label=unit.label, what="serial", serial=found.serial, scanned=code, text=text)
            )
        self._look(lot, unit)
        self._runs.test(done, lot, unit, found.serial)
        self._between(done, lot)

    def _between(self, done: Sat, lot: Lot) -> None:
        """The check standards once more, each time that so many units have been tested."""
        if done.units and not done.ended and len(done.units) % lot.file.standards_every == 0:
            self._enter_sitting(done, "standards", self._runs.standards(done, "between"))

    def _look(self, lot: Lot, unit: Unit) -> None:
        """What is looked at, by single keys; a photo within it."""
        if not lot.file.look_at or unit.seen:
            return
        seen: dict[str, str] = {}
        for name in lot.file.look_at:
            while name not in seen:
                said = self.desk.ask(f"{unit.label}: {name}?", {"g": "good", "b": "bad", "p": "take the newest photo"})
                if said == "p":
                    self._photo(lot)
                elif said in ("g", "b"):
                    seen[name] = "good" if said == "g" else "bad"
                else:
                    return
        self._enter(LotUnit(lot=lot.name, label=unit.label, what="visual", data=seen, who=self.asked.operator))

    def _photo(self, lot: Lot) -> None:
        folder = Path(lot.file.photos) if lot.file.photos else None
        pictures = sorted(folder.glob("*.[jJpPwW]*"), key=lambda p: p.stat().st_mtime) if folder else []
        if not pictures:
            self.desk.tell("No photo: the lot file's `photos` names no folder with a picture.", trouble=True)
            return
        self._runs.photos.append(pictures[-1])
        self.desk.tell(f"photo {pictures[-1].name} goes with this unit")
