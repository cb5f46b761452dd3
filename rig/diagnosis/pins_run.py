"""The pins of a part on the bench: what a run's readings and captures say, through the same search as a table's.

It must never know an instrument. Readings: `pair_resistance` (both polarities), `lead_zero` (two wires); captures:
series `identify_1` to `identify_3`, one a driven coil, with conditions driven_hi, driven_lo, a_hi, a_lo (on the sine
input), b_hi, b_lo (on the cosine input) and position_steps where an axis turned the rotor; `leak_resistance` between
the coils that were found, named by their pins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rig.diagnosis.pins import identify
from rig.diagnosis.pins_ac import AcReport, Driven, Ends, evaluate_ac
from rig.diagnosis.pins_circuits import WET_PAIRS, WET_SHARE, Leak
from rig.diagnosis.pins_obstacles import moist, with_leaks
from rig.diagnosis.pins_report import PinReport, blocked
from rig.diagnosis.pins_table import OPEN_OHM, PairReading, PairTable
from rig.diagnosis.sound_dc import live_circuit
from rig.evaluation.evaluated import Evaluated
from rig.evaluation.phasors import SeriesPhasors
from rig.observed import Observed
from rig.resolver.part import Part
from rig.result import Judgement, Reason

SERIES = ("identify_1", "identify_2", "identify_3")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPins:
    """table: the pairs as read; report: what they say, with the AC test in it where one was made; ac: that test."""

    table: PairTable
    report: PinReport
    ac: AcReport | None = None

    def to_dict(self) -> dict[str, Any]:
        """The object under `pins` in --json."""
        return self.report.to_dict() | {"ac": self.ac.to_dict() if self.ac else None}

    def judgement(self) -> Judgement:
        """As a run's judgement: no line of the part is judged; the pins stand under `curves`."""
        return Judgement(
            outcome=self.report.outcome,
            judged=(),
            reasons=self.report.reasons,
            findings=self.report.findings,
            curves={"pins": self.to_dict()},
            notes=self.report.notes,
        )


def pair_table(obs: Observed) -> PairTable:
    """The run's pair readings with the meter's lead zero and the adapter's lead resistance to be taken off."""
    forward: dict[tuple[str, str], float] = {}
    back: dict[tuple[str, str], float] = {}
    for reading in obs.select("pair_resistance"):
        pair = (str(reading.conditions.get("pin_a")), str(reading.conditions.get("pin_b")))
        ohm = math.inf if reading.overload or reading.value is None else reading.number()
        (back if reading.conditions.get("polarity") == "-" else forward)[pair] = ohm
    zeros = obs.numbers("lead_zero", wires=2)
    lead = None if not zeros else zeros[-1] + obs.holder.lead_ohm
    readings = tuple(
        PairReading(pin_a=a, pin_b=b, ohm=v, reversed_ohm=back.get((a, b))) for (a, b), v in forward.items()
    )
    return PairTable(readings, lead, source="run")


def run_pins(evaluated: Evaluated, part: Part | None = None) -> RunPins:
    """The report of a run, blind or against a part's pin map. Voltage on a pin stops everything."""
    obs = evaluated.observed
    table = pair_table(obs)
    report = identify(table, part)
    if live := live_circuit(obs):
        return RunPins(table=table, report=blocked(report, live, "unsound measurement"))
    report = _with_leaks(obs, report)
    tests = [test for series in SERIES if (test := driven(evaluated, series)) is not None]
    if len(tests) < len(SERIES):
        return RunPins(table=table, report=report)
    ac = evaluate_ac(tests)
    return RunPins(table=table, report=with_ac(report, ac), ac=ac)


def _with_leaks(obs: Observed, report: PinReport) -> PinReport:
    """The leaks that were read on the high range with both ends of each coil joined."""
    readings = [r for r in obs.select("leak_resistance") if r.conditions.get("to") != "all"]
    leaks = [
        Leak(a=(str(r.conditions.get("from")),), b=(str(r.conditions.get("to")),), ohm=r.number())
        for r in readings
        if not r.overload and r.value is not None and r.number() < OPEN_OHM
    ]
    if not leaks:
        return report
    if len(leaks) >= WET_PAIRS and len(leaks) >= WET_SHARE * len(readings):
        lowest = min(leak.ohm for leak in leaks)
        told = f"{len(leaks)} of {len(readings)} leaks are below {OPEN_OHM / 1e6:g} Mohm, the lowest {lowest:.3g} ohm"
        return moist(report, told)
    return with_leaks(report, leaks)


def forbids_low_level(evaluated: Evaluated) -> list[Reason]:
    """Why the low-level test must not begin; empty when it may."""
    report = run_pins(evaluated).report
    if report.may_excite:
        return []
    if report.reasons:
        return list(report.reasons)
    text = report.findings[0].text if report.findings else "; ".join(item.why for item in report.undecided)
    return [
        Reason(
            code="excitation-forbidden",
            text="The circuits do not allow the low-level test.",
            evidence=text,
            next="See the report of the pins: what is undecided and what would settle it.",
            spoils=(),
        )
    ]


def with_ac(report: PinReport, ac: AcReport) -> PinReport:
    """The resistance report with what the AC test settled, and where the two contradict each other."""
    if ac.reasons:
        return blocked(report, ac.reasons, "unsound measurement")
    if ac.excitation is None:
        return replace(report, outcome="undecided", against=f"AC: {ac.text}")
    coil = next((c for c in report.coils if set(c.pins) == set(ac.excitation)), None)
    others = tuple(c for c in report.coils if c is not coil)
    if coil is None or len(others) != 2 or ac.sine is None:
        return replace(report, outcome="undecided", against=f"AC: {ac.text}")
    disagree = report.excitation is not None and report.excitation != coil
    sine_first = set(others[0].pins) == set(ac.sine)
    undecided = tuple(item for item in report.undecided if item.what != "which coil is the excitation")
    return replace(
        report,
        outcome="measured, no limits",
        excitation=coil,
        outputs=(others[0], others[1]) if sine_first else (others[1], others[0]),
        confidence="proven by AC",
        evidence=f"{ac.text} Resistances: {report.evidence}",
        against="the resistances alone spoke for another coil" if disagree else "nothing",
        labelings=ac.labelings,
        undecided=undecided,
    )


def driven(evaluated: Evaluated, series: str) -> Driven | None:
    """One driven coil as the AC test takes it; None when the series is absent, dead or without its conditions."""
    phasors = evaluated.phasors(series)
    if phasors is None:
        return None
    coil, a, b = (_ends(phasors, name) for name in ("driven", "a", "b"))
    if coil is None or a is None or b is None:
        return None
    return Driven(
        coil=coil,
        exc_v=phasors.exc_v,
        exc_i=phasors.exc_i,
        watched={a: phasors.sine, b: phasors.cosine},
        positions_mech_rad=_positions(evaluated.observed, phasors),
    )


def _ends(phasors: SeriesPhasors, name: str) -> Ends | None:
    first = phasors.conditions[0]
    hi, lo = first.get(f"{name}_hi"), first.get(f"{name}_lo")
    return (hi, lo) if isinstance(hi, str) and isinstance(lo, str) else None


def _positions(obs: Observed, phasors: SeriesPhasors) -> np.ndarray[Any, np.dtype[np.float64]] | None:
    steps = [c.get("position_steps") for c in phasors.conditions]
    if obs.bench.axis is None or not all(isinstance(s, int | float) for s in steps):
        return None
    return 2 * np.pi * np.array([float(s) for s in steps if isinstance(s, int | float)]) / obs.bench.axis.steps_per_turn
