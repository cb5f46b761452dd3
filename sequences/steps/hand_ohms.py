"""All DC readings by a person with two meter leads: the fewest changes, each proved by a reading before it counts.

It must never judge the part. The order is rig/pins/by_hand/hand_walk.py's. A reading between two circuits is held
back until both its leads were proved by a loop; a loop that does not read what the part file says is asked for again,
lead by lead, and only what two placements agree on, or both ends of an open coil proved pin by pin, is taken for the
part's own. Every voltage is written at once, and a live pin ends the walk before ohms are measured there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

from drivers.roles import LEADS, MeterReading
from rig.control.guarded import GuardedHands
from rig.control.step import Context
from rig.errors import UsageError
from rig.pins.by_hand.hand_walk import fewest_changes, walk
from rig.pins.by_hand.probing import Settling
from rig.pins.thresholds import COIL_OHM, SENSOR_OHM
from rig.resolver.part import COILS
from sequences import gates
from sequences.steps import first_looks, ohms, wiring
from sequences.steps.hand_circuits import SHORT_OHM, THERMISTOR, Circuit, FourWire, agree, circuits_of, largest_alike
from sequences.steps.hand_readings import put_down_between, put_down_coil, put_down_loop, put_down_open

HI, LO = LEADS
PLACINGS = 8  # of one circuit, before a person is told to stop and look
ACTS = "acts before"  # fact: acts of the hand before this run's first


class Lost(Exception):
    """A pin is live: the walk ends, the gate says why."""


@dataclass(slots=True)
class Walk:
    """One walk over the part. on: where each lead was last put."""

    ctx: Context
    hands: GuardedHands
    circuits: dict[str, Circuit]
    on: dict[str, str] = field(default_factory=dict)
    seen_volts: set[frozenset[str]] = field(default_factory=set)
    four_wire: dict[str, list[FourWire]] = field(default_factory=dict)
    again: int = 0
    last: str = HI

    # ---- one act, one reading

    def put(self, lead: str, place: str, *, again: bool = False, conducts: bool = False) -> None:
        """Ask for one change. again: it was asked for before, and its reading did not prove it. conducts: a reading
        that stands says that it is done; else the person says so."""
        self.again += again
        self.ctx.event("hand", act=f"{lead} to {place}", again=again)
        told = "once more: " if again else ""
        self.ctx.progress(f"{told}{lead.replace('_', ' ').upper()} to {place}", self.hands.acts)
        self.hands.put(lead, place, self._stands() if conducts else None)
        self.on[lead] = place
        self.last = lead

    def _stands(self) -> Callable[[], bool]:
        """Whether a value has come and stood still since it was asked for."""
        settling = Settling()
        settling.begin()

        def stands() -> bool:
            got = ohms.take(self.ctx, four_wire=False, range_ohm=ohms.WIDE_RANGE_OHM, nplc=ohms.NPLC_MAP)
            return got.value is not None and settling.feed(got.value) is not None

        return stands

    def read(self) -> tuple[float, MeterReading, float]:
        """(ohm, infinite when open; the reading; its range) of the pair that the leads are on, two-wire."""
        self._volts()
        range_ohm = ohms.FIRST_RANGE_OHM
        got = ohms.take(self.ctx, four_wire=False, range_ohm=range_ohm, nplc=ohms.NPLC_MAP)
        if got.overload:
            range_ohm = ohms.LEAK_RANGE_OHM
            got = ohms.take(self.ctx, four_wire=False, range_ohm=range_ohm, nplc=ohms.NPLC_MAP)
            if got.value is not None and (fit := ohms.fitting(abs(got.value), 10e3)) < range_ohm:
                range_ohm = fit
                got = ohms.take(self.ctx, four_wire=False, range_ohm=range_ohm, nplc=ohms.NPLC_MAP)
        return math.inf if got.value is None else got.value, got, range_ohm

    def _volts(self) -> None:
        """Voltage between the leads, once for each pair of places, before any ohms; a live pin ends the walk."""
        pair = frozenset(self.on.values())
        if len(self.on) < 2 or len(pair) < 2 or pair in self.seen_volts:
            return
        self.seen_volts.add(pair)
        a, b = self.on[HI], self.on[LO]
        meter = self.ctx.bench.multimeter
        got = meter.dc_volts(range_v=first_looks.DC_RANGE_V, nplc=1.0)
        self.ctx.read_meter("pin_voltage_dc", got, pin_a=a, pin_b=b)
        got = meter.ac_volts_rms(range_v=first_looks.AC_RANGE_V, bandwidth_hz=first_looks.AC_BAND_HZ)
        self.ctx.read_meter("pin_voltage_ac", got, pin_a=a, pin_b=b)
        if gates.live(self.ctx):
            raise Lost

    # ---- from loop to loop

    def begin(self, name: str) -> None:
        """Both leads on the first circuit, proved."""
        circuit = self.circuits[name]
        self._place_both(circuit, again=False)
        ohm, got, range_ohm = self._loop(circuit)
        if not circuit.shows_loop(ohm):
            ohm, got, range_ohm = self._settle(circuit, ohm)
        self._put_down_loop(circuit, got, range_ohm)

    def go(self, from_: str, to: str, depth: int = 0) -> None:
        """One edge: the reading between two circuits, and the loop of the second that proves it."""
        here, there = self.circuits[from_], self.circuits[to]
        first, second = LEADS if there.visits % 2 == 0 else LEADS[::-1]
        goal = self._ends(there)
        self.put(first, goal[first])
        between = self._between()
        self.put(second, goal[second], conducts=True)
        ohm, got, range_ohm = self._loop(there)
        stands = True
        if not there.shows_loop(ohm):
            self.put(second, goal[second], again=True)
            ohm, got, range_ohm = self._loop(there)
            if not there.shows_loop(ohm):  # the lead that the reading between rested on may be the wrong one
                stands = False
                ohm, got, range_ohm = self._settle(there, ohm)
        self._put_down_loop(there, got, range_ohm)
        if stands:
            put_down_between(self.ctx, here, there, *between)
        elif depth < PLACINGS:  # nothing proved the reading between: back and forth once more
            self.go(to, from_, depth + 1)
            if to != self.at:
                self.go(from_, to, depth + 1)

    @property
    def at(self) -> str:
        """The circuit that both leads are on."""
        return next((c.name for c in self.circuits.values() if set(self.on.values()) <= set(c.places)), "")

    def _ends(self, circuit: Circuit) -> dict[str, str]:
        """Lead -> place: both polarities in turn; an open coil's leads both on its first pin."""
        a, b = circuit.places
        if circuit.open:
            return {HI: a, LO: a}
        return {HI: a, LO: b} if circuit.visits % 2 == 0 else {HI: b, LO: a}

    def _place_both(self, circuit: Circuit, *, again: bool) -> None:
        for lead, place in self._ends(circuit).items():
            self.put(lead, place, again=again)

    def _loop(self, circuit: Circuit) -> tuple[float, MeterReading, float]:
        """The reading of a circuit with both leads on it. A short looks the same on the core and on any one pin: there
        the lead that came last is put to another place of it, and the short has to stay."""
        ohm, got, range_ohm = self.read()
        if (circuit.name == wiring.CORE or circuit.open) and circuit.shows_loop(ohm):
            self.put(self.last, self.on[self.last])
            ohm, got, range_ohm = self.read()
        return ohm, got, range_ohm

    def _between(self) -> tuple[MeterReading, float, str, str]:
        """The reading between two circuits; one that conducts counts when further placements agree: two where it reads
        like a coil (a lead on the wrong pin does), else one."""
        lead = self.last
        ohm, got, range_ohm = self.read()
        found: list[float] = []
        for _ in range(PLACINGS):
            if ohm >= SENSOR_OHM or sum(agree(ohm, one) for one in found) >= (2 if ohm < COIL_OHM else 1):
                break
            found.append(ohm)
            self.put(lead, self.on[lead], again=True)
            ohm, got, range_ohm = self.read()
        return got, range_ohm, self.on[HI], self.on[LO]

    def _settle(self, circuit: Circuit, ohm: float) -> tuple[float, MeterReading, float]:
        """Place both leads until the loop reads as expected, or until two placements agree on something else."""
        found = [ohm]
        for _ in range(PLACINGS):
            self._place_both(circuit, again=True)
            ohm, got, range_ohm = self._loop(circuit)
            if circuit.shows_loop(ohm):
                return ohm, got, range_ohm
            if math.isinf(ohm) and circuit.name in (*COILS, THERMISTOR):
                if (opened := self._open(circuit)) is not None:
                    return opened
            elif ohm < SENSOR_OHM and sum(agree(ohm, other) for other in found) >= (1 if ohm >= SHORT_OHM else 2):
                circuit.own = ohm
                return ohm, got, range_ohm
            found.append(ohm)
        raise UsageError(
            f"the meter's leads could not be proved on {circuit.name}, pins {' and '.join(circuit.places)}.",
            next_action="Check leads, pin map and part number; clean the pins; then start again.",
        )

    def _open(self, circuit: Circuit) -> tuple[float, MeterReading, float] | None:
        """Proof that a coil is open: both leads on one pin, one to the other pin (the reading), then both there.

        None when a placement did not prove itself, or the coil conducts after all.
        """
        a, b = circuit.places
        self.put(HI, a, again=True)
        self.put(LO, a, again=True)
        if self.read()[0] >= SHORT_OHM:
            return None
        self.put(LO, b, again=True)
        ohm, got, range_ohm = self.read()
        if not math.isinf(ohm):
            return (ohm, got, range_ohm) if circuit.shows_loop(ohm) else None
        self.put(HI, b, again=True)
        if self.read()[0] >= SHORT_OHM:
            return None
        put_down_open(self.ctx, circuit, got, range_ohm)
        circuit.open, circuit.places = True, (b, a)
        return 0.0, got, range_ohm

    # ---- what counts

    def _put_down_loop(self, circuit: Circuit, got: MeterReading, range_ohm: float) -> None:
        reading = put_down_loop(self.ctx, circuit, self.on, got, range_ohm)
        if reading is not None:
            self.four_wire.setdefault(circuit.name, []).append(reading)

    def put_down_coils(self) -> None:
        """Four-wire readings of each coil, where two visits agree; where none do, it is visited once more."""
        for name, taken in self.four_wire.items():
            for _ in range(PLACINGS):
                if (good := largest_alike(taken)) or self.circuits[name].own is not None:
                    break
                self._place_both(self.circuits[name], again=True)
                ohm, got, range_ohm = self.read()
                if not self.circuits[name].shows_loop(ohm):
                    ohm, got, range_ohm = self._settle(self.circuits[name], ohm)
                self._put_down_loop(self.circuits[name], got, range_ohm)
            for repeat, one in enumerate(good or taken, start=1):
                put_down_coil(self.ctx, name, one, repeat)


def hands_of(ctx: Context) -> GuardedHands:
    """The person at the bench. Raises UsageError for a bench that has relays instead."""
    if ctx.bench.hands is None:
        raise UsageError(
            f"bench {ctx.bench.file.name} switches by relays; nobody is guided there.",
            next_action="Run full_test, quick_screen or hand_turned, or name a bench whose switch is a hand.",
        )
    return ctx.bench.hands


def walk_of_ohms(ctx: Context) -> None:
    """Leads, pin map, coils, thermistor and leaks by two leads, then both lifted."""
    hands = hands_of(ctx)
    wiring.output_off(ctx)
    ctx.facts[ACTS] = hands.acts
    made = Walk(ctx, hands, circuits_of(ctx))
    order = walk(list(made.circuits))
    try:
        made.begin(order[0])
        for from_, to in pairwise(order):
            made.go(from_, to)
            ctx.check_stop()
        made.put_down_coils()
    except Lost:
        pass
    changes = hands.acts - ctx.facts[ACTS]
    fewest = fewest_changes(len(made.circuits))
    ctx.read("hand_changes", changes, "1", "operator", fewest=fewest, again=made.again, of="ohms")
    hands.lift()
