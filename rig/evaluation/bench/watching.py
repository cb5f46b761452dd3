"""Minimum, maximum and drop-outs of a watched coil, reading by reading: the same on the screen and of a kept run.

It must never know a terminal. A drop-out is a reading over range, or one that leaves the median of the last good
readings by more than a share of it; the median follows warming and cooling, and stands still during a drop-out.
Times are the readings' own: a drop-out's length is known to one interval between readings. Definitions:
rig/evaluation/README.md.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from statistics import median

from rig.answer import DropOutSeen, WatchAnswer
from rig.observed import Observed
from rig.quantity import Reading
from rig.result import Judgement

QUANTITIES = ("watch_resistance", "watch_amplitude")
LAST = 21  # good readings that make the reference
OFF_OHM = 0.05  # share of the reference
OFF_AMPLITUDE = 0.20


@dataclass(slots=True, kw_only=True)
class DropOut:
    """From the first reading that was off to the last; worst: the farthest value, None over range."""

    begin_utc: str
    end_utc: str
    begin_s: float
    end_s: float
    worst: float | None
    open: bool = True
    coil: str = ""

    def summary(self, unit: str) -> DropOutSeen:
        """As it is kept."""
        return DropOutSeen(
            begin_utc=self.begin_utc,
            end_utc=self.end_utc,
            duration_s=self.end_s - self.begin_s,
            worst=self.worst,
            unit=unit,
            open_at_end=self.open,
            coil=self.coil,
        )


@dataclass(kw_only=True)
class Hold:
    """Fed with readings in their order; `now` None over range."""

    unit: str = ""
    count: int = 0
    now: float | None = None
    least: float | None = None
    most: float | None = None
    drop_outs: list[DropOut] = field(default_factory=list)
    first_s: float = 0.0
    last_s: float = 0.0
    coil: str = ""
    dwell_s: float = 0.0  # longest of one look
    blind_s: float = 0.0  # longest between two looks
    _good: deque[float] = field(default_factory=lambda: deque(maxlen=LAST))

    @property
    def reference(self) -> float | None:
        """Median of the last good readings; None before the first."""
        return median(self._good) if self._good else None

    @property
    def is_dropped(self) -> bool:
        """Whether the contact is lost just now."""
        return bool(self.drop_outs) and self.drop_outs[-1].open

    def add(self, reading: Reading) -> bool:
        """Take one reading in; True when a drop-out begins or ends with it."""
        before = self.is_dropped
        self.unit = reading.unit
        self.now = None if reading.overload or reading.value is None else reading.number()
        self.first_s = reading.bench_time_s if not self.count else self.first_s
        dwell = reading.conditions.get("dwell_s")
        dwell_s = float(dwell) if isinstance(dwell, int | float) else 0.0
        if self.count:
            self.blind_s = max(self.blind_s, reading.bench_time_s - self.last_s - dwell_s)
        self.dwell_s = max(self.dwell_s, dwell_s)
        self.last_s = reading.bench_time_s
        self.count += 1
        if self._off(reading.quantity):
            self._drop(reading)
        elif self.now is not None:
            self._good.append(self.now)
            self.least = self.now if self.least is None else min(self.least, self.now)
            self.most = self.now if self.most is None else max(self.most, self.now)
            if before:
                self.drop_outs[-1].open = False
        return self.is_dropped != before

    def _off(self, quantity: str) -> bool:
        if self.now is None:
            return True
        share = OFF_OHM if quantity == "watch_resistance" else OFF_AMPLITUDE
        return self.reference is not None and abs(self.now - self.reference) > share * abs(self.reference)

    def _drop(self, reading: Reading) -> None:
        if not self.is_dropped:
            at_s, utc = reading.bench_time_s, reading.time_utc
            self.drop_outs.append(
                DropOut(begin_utc=utc, end_utc=utc, begin_s=at_s, end_s=at_s, worst=self.now, coil=self.coil)
            )
            return
        last = self.drop_outs[-1]
        last.end_utc, last.end_s = reading.time_utc, reading.bench_time_s
        if last.worst is not None and self.reference is not None:
            farther = self.now is None or abs(self.now - self.reference) > abs(last.worst - self.reference)
            last.worst = self.now if farther else last.worst


def hold_of(readings: Iterable[Reading]) -> dict[str, Hold]:
    """All watched readings taken in; coil -> its hold, in the order in which the coils came."""
    holds: dict[str, Hold] = {}
    for reading in readings:
        if reading.quantity in QUANTITIES:
            add(holds, reading)
    return holds


def add(holds: dict[str, Hold], reading: Reading) -> bool:
    """Take one reading into the hold of its coil; True when a drop-out of that coil begins or ends with it."""
    coil = str(reading.conditions.get("coil", ""))
    return holds.setdefault(coil, Hold(coil=coil)).add(reading)


def answer(holds: Mapping[str, Hold], coil: str, mode: str) -> WatchAnswer:
    """What a watch found, as it is kept; min, max and reference only where one coil was watched."""
    first = next(iter(holds.values()), Hold())
    one = first if len(holds) == 1 else Hold(unit=first.unit)
    count = sum(hold.count for hold in holds.values())
    seconds = max((hold.last_s for hold in holds.values()), default=0.0) - first.first_s if holds else 0.0
    by_coil = first.count - 1
    lost = sorted((out for hold in holds.values() for out in hold.drop_outs), key=lambda out: out.begin_s)
    return WatchAnswer(
        coil=coil,
        mode=mode,
        unit=first.unit,
        readings=count,
        seconds=seconds,
        interval_s=seconds / by_coil if by_coil > 0 else None,
        min=one.least,
        max=one.most,
        reference=one.reference,
        drop_outs=tuple(out.summary(holds[out.coil].unit) for out in lost),
        dwell_s=max((hold.dwell_s for hold in holds.values()), default=None) or None,
        blind_s=max((hold.blind_s for hold in holds.values()), default=None),
    )


def watch_judgement(obs: Observed) -> Judgement:
    """A watch's own judgement: the holds as its answer, the drop-outs in words."""
    holds = hold_of(obs.readings)
    watch = obs.header["details"]["watch"]
    found = answer(holds, str(watch["coil"]), str(watch["mode"]))
    notes = [summary(hold, coil) for coil, hold in holds.items()] or [f"{watch['coil']} coil: nothing was read"]
    if len(holds) > 1 and found.blind_s is not None:
        notes.append(blind(found.dwell_s or 0.0, found.blind_s))
    notes += [
        drop_out_sentence(out, hold.unit, coil if len(holds) > 1 else "")
        for coil, hold in holds.items()
        for out in hold.drop_outs
    ]
    return Judgement(
        outcome="measured, no limits", judged=(), reasons=(), findings=(), answer=found, notes=tuple(notes)
    )


def blind(dwell_s: float, blind_s: float) -> str:
    """How long each look lasts and how long a coil goes unseen, in words."""
    return (
        f"each coil is looked at for {1e3 * dwell_s:.0f} ms and unseen for at most {1e3 * blind_s:.0f} ms: "
        "a shorter drop-out may pass unseen"
    )


def summary(hold: Hold, coil: str) -> str:
    """One line of a watch."""
    if hold.least is None or hold.most is None:
        return f"{coil} coil: {hold.count} readings, none in range"
    return (
        f"{coil} coil: {hold.count} readings in {hold.last_s - hold.first_s:.1f} s, "
        f"{hold.least:.5g} to {hold.most:.5g} {hold.unit} while in contact, {len(hold.drop_outs)} drop-outs"
    )


def drop_out_sentence(one: DropOut, unit: str, coil: str = "") -> str:
    """One drop-out in words."""
    worst = "over range" if one.worst is None else f"{one.worst:.5g} {unit}"
    still = ", still lost at the end" if one.open else ""
    which = f"{coil} coil: " if coil else ""
    return f"{which}drop-out {one.begin_utc} for {one.end_s - one.begin_s:.3f} s, {worst}{still}"
