"""A draft part file from what was found of the pins: TOML text that no run excites by until a person confirms it.

It must never know a file. What is not known is written as a question beside a harmless value: low-level excitation,
one pole pair, sine and cosine as they come. `confirmed = false` keeps runs from it (`load_part`).
"""

from __future__ import annotations

import json

from rig.diagnosis.pins_ac import AcReport
from rig.diagnosis.pins_circuits import Circuit
from rig.diagnosis.pins_report import PinReport
from rig.errors import UsageError

LEVEL_V_RMS, FREQUENCY_HZ, CEILING_A_RMS = 1.0, 10_000.0, 0.05
Ends = tuple[str, str]


def draft_possible(report: PinReport, ac: AcReport | None = None) -> str:
    """Why no draft can be written; empty when one can."""
    if any(reason.code == "not-this-kind" for reason in report.reasons):
        return "this is not the kind of part that the bench tests"
    if standing := [r for r in report.reasons if r.code not in ("pin-map-mismatch", "wrong-adapter")]:
        return f"{standing[0].text[0].lower()}{standing[0].text[1:].rstrip('.')}"
    if report.excitation is None and (ac is None or ac.excitation is None):
        return "the excitation coil is not known yet"
    shared = [c for c in report.coils if c.shared]
    if shared:
        return f"coils share pin {', '.join(shared[0].shared)}: a part file names two pins a coil of its own"
    return ""


def draft(report: PinReport, number: str, ac: AcReport | None = None) -> str:
    """TOML text of a draft part file. Raises UsageError when the pins don't carry one (`draft_possible`)."""
    if why := draft_possible(report, ac):
        raise UsageError(f"no draft part file: {why}.", next_action="See what is undecided, and what would settle it.")
    exc, sin, cos = _roles(report, ac)
    by_pins = {frozenset(c.pins): c for c in report.coils}
    ends = {"exc": exc, "sin": sin, "cos": cos}
    lines = [
        "# DRAFT, made from resistances" + (" and a low-level AC test" if ac else "") + ". Not confirmed by anybody.",
        'schema = "anglewright part 1"',
        f"number = {json.dumps(number, ensure_ascii=False)}",
        'revision = "draft"',
        f"pole_pairs = {_pole_pairs(ac)}",
        "confirmed = false # set to true only after the lines marked ? are checked a second time",
        f"empty_pins = {json.dumps(list(report.empty), ensure_ascii=False)}",
        f"notes = {json.dumps(_notes(report), ensure_ascii=False)}",
        "",
        "[pins] # " + _certainty(report, ac),
    ]
    for role, (hi, lo) in ends.items():
        lines += [f"{role}_hi = {json.dumps(hi)}", f"{role}_lo = {json.dumps(lo)}"]
    lines += _thermistor_pins(report)
    lines += [
        "",
        "[excitation] # ? low level, harmless for any coil; give the part's own level, frequency and ceilings",
        f"level_v_rms = {LEVEL_V_RMS}",
        f"frequency_hz = {FREQUENCY_HZ:g}",
        f"ceiling_v_rms = {LEVEL_V_RMS}",
        f"ceiling_a_rms = {CEILING_A_RMS}",
    ]
    for role, pins in ends.items():
        coil = by_pins[frozenset(pins)]
        lines += [
            "",
            f"[coils.{role}] # as found, at room temperature",
            f"r20_ohm = {coil.ohm:.6g}",
            "tolerance = 0.15",
        ]
    return "\n".join([*lines, *_thermistor(report)]) + "\n"


def _roles(report: PinReport, ac: AcReport | None) -> tuple[Ends, Ends, Ends]:
    if ac is not None and ac.excitation is not None and ac.sine is not None and ac.cosine is not None:
        return ac.excitation, ac.sine, ac.cosine
    exc, outputs = report.excitation, report.outputs
    if exc is None or outputs is None:
        raise UsageError("no draft part file: the coils' functions are not known.", next_action="Run the AC test.")
    return exc.pins, outputs[0].pins, outputs[1].pins


def _certainty(report: PinReport, ac: AcReport | None) -> str:
    if report.matches_part:
        return "as the part file had them"
    if ac is not None and ac.sine is not None:
        return "? excitation proven by AC; one of four labelings: the zero may be 90, 180 or 270 deg electrical off"
    return "? excitation by resistance; sine, cosine and signs are one of eight equivalent labelings"


def _pole_pairs(ac: AcReport | None) -> str:
    if ac is not None and ac.pole_pairs is not None:
        return f"{ac.pole_pairs} # as counted in the AC test"
    return "1 # ? not known: count it in the AC test"


def _notes(report: PinReport) -> str:
    extra = [f"second sensor on pins {s.circuit.name} ({' or '.join(s.kind.kinds)})" for s in report.sensors[1:]]
    extra += [f"pins {'-'.join(group)} are joined" for group in report.joined]
    extra += [f"pin {pin} is ground" for pin in report.grounded]
    return "; ".join(["Draft from a resistance table.", *extra])


def _own(circuit: Circuit) -> bool:
    return not circuit.shared


def _thermistor_pins(report: PinReport) -> list[str]:
    first = next((s for s in report.sensors if _own(s.circuit)), None)
    if first is None:
        return []
    hi, lo = first.circuit.pins
    return [f"thermistor_hi = {json.dumps(hi)}", f"thermistor_lo = {json.dumps(lo)}"]


def _thermistor(report: PinReport) -> list[str]:
    first = next((s for s in report.sensors if _own(s.circuit)), None)
    if first is None:
        return []
    nominal = f", r25_ohm = {first.kind.r25_ohm:g}" if first.kind.r25_ohm else ""
    return [
        "",
        "[thermistor]",
        f'kind = "none" # ? reads {first.circuit.ohm:.5g} ohm cold: {" or ".join(first.kind.kinds)}{nominal}; fill in '
        "kind and curve with their source",
    ]
