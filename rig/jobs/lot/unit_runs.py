"""The runs of a sitting: the check standards, a unit's test and its one retest, and what became of each.

It takes no scan and enters nothing but what a run brings with it: photos, and the hold tag of a unit that does not
simply conform. Nothing here prints or judges.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

from rig.certificate.sheets.slips import hold_tag
from rig.errors import Cancelled, RecordError, RigError, SafetyStop, UsageError
from rig.jobs.kept.kept_run import Finished
from rig.jobs.lot.desk import Desk
from rig.jobs.run_job import Request
from rig.records.store import Store
from rig.review.lots.counting import CONFORMS
from rig.review.lots.lot import SCREEN, WHOLE, Lot, Unit
from sequences import check_standard, full_test, quick_screen

MOST_FAULTS = 3
SEQUENCES = {WHOLE: full_test.SEQUENCE.name, SCREEN: quick_screen.SEQUENCE.name}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a sitting is asked for. worlds: of a simulated bench, a folder with a world file a serial number; most:
    units at most; standards: False leaves the check standards out, which is entered."""

    bench: str = "simulated"
    holder: str | None = None
    world: str | None = None
    worlds: Path | None = None
    operator: str = ""
    speed: str = "fast"
    most: int | None = None
    standards: bool = True


@dataclass(kw_only=True)
class Sat:
    """What a sitting came to. ended: why, in words; faults: of the bench, in a row."""

    lot: str
    sitting: int
    units: list[str] = field(default_factory=list)
    swapped: int = 0
    ended: str = ""
    faults: int = 0
    last: str = ""
    last_label: str = ""


class UnitRuns:
    """Runs units of one lot for a sitting."""

    def __init__(self, store: Store, desk: Desk, asked: Asked) -> None:
        self.store, self.desk, self.asked = store, desk, asked
        self.photos: list[Path] = []

    def standards(self, done: Sat, when: str) -> tuple[str, str]:
        """(run, what it said) of the check standards; ("", why not) where none could be taken."""
        if not self.asked.standards:
            return "", "left out by the person"
        lot = Lot(self.store, done.lot)
        details: dict[str, object] = {"label": "", "sitting": done.sitting, "standards": when}
        request = self._request(lot, check_standard.SEQUENCE.name, "standards")
        try:
            finished = self.desk.run(request, details)
        except Cancelled as fault:
            done.ended = str(fault)
            return "", str(fault)
        except RigError as fault:
            self.desk.tell(f"No check standards: {fault}", trouble=True)
            return "", str(fault)
        reasons = ", ".join(reason.code for reason in finished.judgement.reasons)
        if reasons:
            self.desk.tell(f"Check standards: {reasons}. Look at the bench before the next unit.", trouble=True)
        return finished.stored.id, reasons or "in order"

    def _request(self, lot: Lot, sequence: str, serial: str) -> Request:
        world = self.asked.world
        if self.asked.worlds is not None and (own := self.asked.worlds / f"{serial}.toml").is_file():
            world = str(own)
        return Request(
            sequence=sequence,
            part=lot.file.part,
            serial=serial,
            bench=self.asked.bench,
            world=world,
            holder=self.asked.holder,
            job=lot.name,
            customer="",
            operator=self.asked.operator,
            rotor=lot.file.rotor,
            speed=self.asked.speed,
        )

    def test(self, done: Sat, lot: Lot, unit: Unit, serial: str, *, retest: bool = False) -> None:
        sequence = unit.runs[-1].header.sequence if retest else SEQUENCES[lot.needs(unit)]
        details: dict[str, object] = {"label": unit.label, "sitting": done.sitting}
        request = self._request(lot, sequence, serial)
        if retest:
            request = replace(request, retest_of=unit.runs[-1].id)
        try:
            finished = self.desk.run(request, details)
        except Cancelled as fault:
            done.ended = str(fault)
            return
        except (UsageError, RecordError):
            raise
        except RigError as fault:
            self._fault(done, unit, fault)
            return
        done.faults = 0
        self._note_tested(done, unit, finished)

    def _fault(self, done: Sat, unit: Unit, fault: RigError) -> None:
        done.faults += not isinstance(fault, SafetyStop)
        done.last, done.last_label = f"{unit.label} was not tested: {fault}", ""
        self.desk.tell(done.last, trouble=True)
        if done.faults >= MOST_FAULTS:
            done.ended = f"{MOST_FAULTS} faults of the bench in a row"

    def _note_tested(self, done: Sat, unit: Unit, finished: Finished) -> None:
        for photo in self.photos:
            self.store.add_remark(finished.stored.id, "photo", author=self.asked.operator or "bench", photo=photo)
        self.photos = []
        lot = Lot(self.store, done.lot)
        here = lot.unit(unit.label)
        counted = {check.name: lot.count_of(check, here) for check in lot.checks if here in lot.sample(check)}
        odd = [
            f"{name}: {', '.join([*one.bad, *one.open_][:3])}" for name, one in counted.items() if one.state != CONFORMS
        ]
        done.last = f"{unit.label} {finished.judgement.outcome}" + (f" ({'; '.join(odd)})" if odd else "")
        done.last_label = unit.label
        done.units.append(unit.label)
        self.desk.tell(done.last, trouble=bool(odd))
        if odd:
            self._hold_tag(lot, here)

    def _hold_tag(self, lot: Lot, unit: Unit) -> None:
        """The tag of a unit that does not simply conform, as a text file beside the lot's papers."""
        folder = self.store.home / "lots" / lot.name
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{unit.label}-hold.txt").write_text(hold_tag(lot, unit), encoding="utf-8")
