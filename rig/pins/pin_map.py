"""The result of the search for pins: circuits by function as far as they are proven and by what, what stays open.

Plain frozen data; it must never know how it was found. Pins are names; resistances in ohm, leads taken off where they
were known. `may_excite` allows only the low-level test that tells the coils apart, and only where every reading that
it rests on was made; a sensor's pins never get a signal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from rig.evaluation.inspection.lines import EVERYTHING
from rig.pins.readings import pin_list
from rig.pins.sensors import SensorKind
from rig.result import EXIT_STATUS, Finding, Reason, finite

BY_AC, BY_PART = "proven by AC", "by the part file"  # how the coils' functions are known; else "strong" or "fair"


Ends = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """One two-ended circuit. shared: pins of it that belong to another circuit too. one_way: polarity matters."""

    pins: tuple[str, str]
    ohm: float
    reversed_ohm: float | None = None
    shared: tuple[str, ...] = ()
    one_way: bool = False

    @property
    def name(self) -> str:
        """As it is printed: "3-5"."""
        return pin_list(self.pins)

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return {
            "pins": list(self.pins),
            "ohm": finite(self.ohm),
            "ohm_reversed": finite(self.reversed_ohm),
            "shared": list(self.shared),
            "one_way": self.one_way,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """A temperature sensor: its circuit and the kinds that fit."""

    circuit: Circuit
    kind: SensorKind

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        kind = self.kind
        more = {"kind": kind.kind, "kinds": list(kind.kinds), "note": kind.note, "r25_ohm": kind.r25_ohm}
        return self.circuit.to_dict() | more


@dataclass(frozen=True, slots=True, kw_only=True)
class Assignment:
    """Which coil does what, and what proves it. by: BY_AC, BY_PART, or how far the resistances speak for it ("strong",
    "fair"). evidence, against: for and against the excitation. Sine and cosine are in that order unless by resistance.
    """

    excitation: Circuit
    outputs: tuple[Circuit, Circuit]
    by: str
    evidence: str = ""
    against: str = ""

    @property
    def sine_is_known(self) -> bool:
        """Whether the outputs are told apart (up to the labelings that are left)."""
        return self.by in (BY_AC, BY_PART)

    def role(self, coil: Circuit) -> str:
        """What a coil is called."""
        if coil == self.excitation:
            return "excitation coil"
        if not self.sine_is_known or coil not in self.outputs:
            return "output coil"
        return ("sine coil", "cosine coil")[self.outputs.index(coil)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Undecided:
    """One thing that the data leave open: what, why, and what would settle it."""

    what: str
    why: str
    settled_by: str

    def to_dict(self) -> dict[str, str]:
        """As JSON-ready data."""
        return {"what": self.what, "why": self.why, "settled_by": self.settled_by}


@dataclass(frozen=True, slots=True, kw_only=True)
class PinMap:
    """outcome: as of a run. assignment: coils by function, None while open. labelings: how many ways to name the coil
    ends fit the data. missing: pairs still to be measured that could hide a circuit; unread: pairs still to be measured
    before anything may be driven. blocked_by: why nothing may be excited, "" when the low-level test may be made."""

    outcome: str
    reasons: tuple[Reason, ...] = ()
    findings: tuple[Finding, ...] = ()
    coils: tuple[Circuit, ...] = ()
    assignment: Assignment | None = None
    evidence: str = ""
    sensors: tuple[Sensor, ...] = ()
    joined: tuple[tuple[str, ...], ...] = ()
    grounded: tuple[str, ...] = ()
    empty: tuple[str, ...] = ()
    missing: tuple[tuple[str, str], ...] = ()
    unread: tuple[tuple[str, str], ...] = ()
    undecided: tuple[Undecided, ...] = ()
    labelings: int | None = None
    blocked_by: str = ""
    matches_part: bool | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def may_excite(self) -> bool:
        """Whether the low-level test is allowed."""
        return not self.blocked_by

    @property
    def excitation(self) -> Circuit | None:
        """The excitation coil, where it is known."""
        return None if self.assignment is None else self.assignment.excitation

    @property
    def outputs(self) -> tuple[Circuit, Circuit] | None:
        """The output coils, where they are known."""
        return None if self.assignment is None else self.assignment.outputs

    @property
    def confidence(self) -> str:
        """What proves the excitation, or how far the resistances speak for it."""
        return "" if self.assignment is None else self.assignment.by

    @property
    def exit_status(self) -> int:
        """Exit status of the outcome."""
        return EXIT_STATUS[self.outcome]

    @property
    def never_excite(self) -> tuple[str, ...]:
        """Pins that never get a signal: sensors, shields, grounds, empty pins; those shared with a coil left out."""
        coil = {pin for circuit in self.coils for pin in circuit.pins}
        others = [pin for sensor in self.sensors for pin in sensor.circuit.pins]
        others += [pin for group in self.joined for pin in group] + [*self.grounded, *self.empty]
        return tuple(dict.fromkeys(pin for pin in others if pin not in coil))

    def block(self, outcome: str, *reasons: Reason) -> PinMap:
        """The same with reasons for which nothing may be excited; a search judges no line, so each spoils all of it."""
        stops = (replace(reason, spoils=EVERYTHING) for reason in reasons)
        return replace(self, outcome=outcome, reasons=(*self.reasons, *stops), blocked_by=reasons[0].code)

    def suspect(self, finding: Finding, outcome: str = "undecided") -> PinMap:
        """The same with a finding for which nothing may be excited."""
        return replace(self, outcome=outcome, findings=(*self.findings, finding), blocked_by=finding.code)

    def bare(self, **changes: Any) -> PinMap:
        """The same without functions: the readings don't carry them."""
        return replace(self, assignment=None, evidence="", labelings=None, **changes)

    def to_dict(self) -> dict[str, Any]:
        """The object under `pins` in --json."""
        known = self.assignment
        return {
            "coils": [c.to_dict() for c in self.coils],
            "excitation": list(known.excitation.pins) if known else None,
            "outputs": [list(c.pins) for c in known.outputs] if known else None,
            "confidence": self.confidence,
            "evidence": known.evidence if known else self.evidence,
            "against": known.against if known else "",
            "sensors": [s.to_dict() for s in self.sensors],
            "joined": [list(group) for group in self.joined],
            "grounded": list(self.grounded),
            "empty": list(self.empty),
            "missing": [list(pair) for pair in self.missing],
            "unread": [list(pair) for pair in self.unread],
            "undecided": [item.to_dict() for item in self.undecided],
            "labelings": self.labelings,
            "may_excite": self.may_excite,
            "blocked_by": self.blocked_by,
            "never_excite": list(self.never_excite),
            "matches_part": self.matches_part,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class AcReport:
    """What the low-level AC test says. Ends are (high, low) with the high end chosen so that the angle rises with
    positive rotation; sine, cosine: one of four labelings that do (they differ by a quarter turn of the zero). Angles
    in degrees electrical. links: label pair -> size of the coupling that moves with the rotor (ohm). None: not found.
    """

    excitation: Ends | None = None
    sine: Ends | None = None
    cosine: Ends | None = None
    orthogonality_elec_deg: float | None = None
    imbalance: float | None = None
    direction_as_named: int | None = None
    pole_pairs: int | None = None
    reciprocity: float | None = None
    links: Mapping[str, float] = field(default_factory=dict)
    impedance_ohm: Mapping[str, complex] = field(default_factory=dict)
    reasons: tuple[Reason, ...] = ()
    text: str = ""
    labelings: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return {
            "excitation": list(self.excitation) if self.excitation else None,
            "sine": list(self.sine) if self.sine else None,
            "cosine": list(self.cosine) if self.cosine else None,
            "orthogonality_elec_deg": finite(self.orthogonality_elec_deg),
            "imbalance": finite(self.imbalance),
            "direction_as_named": self.direction_as_named,
            "pole_pairs": self.pole_pairs,
            "reciprocity": finite(self.reciprocity),
            "links_ohm": dict(self.links),
            "impedance_ohm": {name: [z.real, z.imag] for name, z in self.impedance_ohm.items()},
            "labelings": self.labelings,
            "text": self.text,
        }


def pair_names(pairs: Sequence[Sequence[str]], most: int = 12) -> str:
    """Pairs as they are printed: "1-3, 1-4 ..."."""
    return ", ".join(pin_list(pair) for pair in pairs[:most]) + (" ..." if len(pairs) > most else "")
