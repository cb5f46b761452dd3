"""What the search for pins says: circuits by function as far as the data go, what stays open and what would settle it.

Plain frozen data; it must never know how it was found. Pins are names; resistances in ohm, leads taken off where they
were known. `may_excite` allows only the low-level test that tells the coils apart; a sensor's pins never get a signal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from rig.diagnosis.pins_circuits import Circuit
from rig.diagnosis.pins_sensors import SensorKind
from rig.result import EXIT_STATUS, Finding, Reason, finite


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
class Sensor:
    """A temperature sensor: its circuit and the kinds that fit."""

    circuit: Circuit
    kind: SensorKind


@dataclass(frozen=True, slots=True, kw_only=True)
class PinReport:
    """outcome: as of a run. excitation, outputs: coils by function, None while open. labelings: how many ways to name
    the coil ends fit the data. evidence, against: for the proposed excitation. missing: pairs still to be measured."""

    outcome: str
    reasons: tuple[Reason, ...] = ()
    findings: tuple[Finding, ...] = ()
    coils: tuple[Circuit, ...] = ()
    excitation: Circuit | None = None
    outputs: tuple[Circuit, Circuit] | None = None
    confidence: str = ""
    evidence: str = ""
    against: str = ""
    sensors: tuple[Sensor, ...] = ()
    joined: tuple[tuple[str, ...], ...] = ()
    grounded: tuple[str, ...] = ()
    empty: tuple[str, ...] = ()
    missing: tuple[tuple[str, str], ...] = ()
    undecided: tuple[Undecided, ...] = ()
    labelings: int | None = None
    may_excite: bool = False
    blocked_by: str = ""
    matches_part: bool | None = None
    notes: tuple[str, ...] = field(default=())

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

    def to_dict(self) -> dict[str, Any]:
        """The object under `pins` in --json."""
        return {
            "coils": [_circuit(c) for c in self.coils],
            "excitation": list(self.excitation.pins) if self.excitation else None,
            "outputs": [list(c.pins) for c in self.outputs] if self.outputs else None,
            "confidence": self.confidence,
            "evidence": self.evidence,
            "against": self.against,
            "sensors": [
                _circuit(s.circuit)
                | {"kind": s.kind.kind, "kinds": list(s.kind.kinds), "note": s.kind.note, "r25_ohm": s.kind.r25_ohm}
                for s in self.sensors
            ],
            "joined": [list(group) for group in self.joined],
            "grounded": list(self.grounded),
            "empty": list(self.empty),
            "missing": [list(pair) for pair in self.missing],
            "undecided": [item.to_dict() for item in self.undecided],
            "labelings": self.labelings,
            "may_excite": self.may_excite,
            "blocked_by": self.blocked_by,
            "never_excite": list(self.never_excite),
            "matches_part": self.matches_part,
        }


def _circuit(circuit: Circuit) -> dict[str, Any]:
    return {
        "pins": list(circuit.pins),
        "ohm": finite(circuit.ohm),
        "ohm_reversed": finite(circuit.reversed_ohm),
        "shared": list(circuit.shared),
        "one_way": circuit.one_way,
    }


def blocked(report: PinReport, reasons: Sequence[Reason], outcome: str) -> PinReport:
    """The report with reasons (at least one) for which nothing may be excited."""
    return replace(
        report,
        outcome=outcome,
        reasons=(*report.reasons, *reasons),
        may_excite=False,
        blocked_by=reasons[0].code,
    )
