"""A draft part file from what was found of the pins: TOML text that no run excites by until a person confirms it.

It must never know a file. What is not known is written as a question beside a harmless value: low-level excitation,
one pole pair, sine and cosine as they come. `confirmed = false` keeps runs from it (`load_part`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable

from rig.errors import UsageError
from rig.pins.pin_map import BY_AC, AcReport, Ends, PinMap
from rig.resolver.part import COILS

LEVEL_V_RMS, FREQUENCY_HZ, CEILING_A_RMS = 1.0, 10_000.0, 0.05
TOLERANCE = 0.15


def draft_possible(found: PinMap) -> str:
    """Why no draft can be written; empty when one can."""
    if any(reason.code == "not-this-kind" for reason in found.reasons):
        return "this is not the kind of part that the bench tests"
    for reason in found.reasons:
        if reason.code not in ("pin-map-mismatch", "wrong-adapter"):
            return f"{reason.text[0].lower()}{reason.text[1:].rstrip('.')}"
    if found.assignment is None:
        return "the excitation coil is not known yet"
    for coil in found.coils:
        if coil.shared:
            return f"coils share pin {', '.join(coil.shared)}: a part file names two pins a coil of its own"
    return ""


def draft(found: PinMap, number: str, ac: AcReport | None = None) -> str:
    """TOML text of a draft part file. Raises UsageError when the pins don't carry one (`draft_possible`)."""
    if (why := draft_possible(found)) or found.assignment is None:
        raise UsageError(f"no draft part file: {why}.", next_action="See what is undecided, and what would settle it.")
    circuits = (found.assignment.excitation, *found.assignment.outputs)
    ends: list[Ends] = [circuit.pins for circuit in circuits]
    if ac is not None and found.assignment.by == BY_AC and ac.excitation and ac.sine and ac.cosine:
        ends = [ac.excitation, ac.sine, ac.cosine]
    lines = [
        "# DRAFT, made from resistances" + (" and a low-level AC test" if ac else "") + ". Not confirmed by anybody.",
        'schema = "anglewright part 1"',
        f"number = {_text(number)}",
        'revision = "draft"',
        f"pole_pairs = {_pole_pairs(ac)}",
        "confirmed = false # set to true only after the lines marked ? are checked a second time",
        f"empty_pins = {json.dumps(list(found.empty), ensure_ascii=False)}",
        f"notes = {_text('; '.join(_notes(found)))}",
        "",
        f"[pins] # {_certainty(found, ac)}",
    ]
    for role, (hi, lo) in zip(COILS, ends, strict=True):
        lines += [f"{role}_hi = {_text(hi)}", f"{role}_lo = {_text(lo)}"]
    pins, section = _thermistor(found)
    lines += [
        *pins,
        "",
        "[excitation] # ? low level, harmless for any coil; give the part's own level, frequency and ceilings",
        f"level_v_rms = {LEVEL_V_RMS}",
        f"frequency_hz = {FREQUENCY_HZ:g}",
        f"ceiling_v_rms = {LEVEL_V_RMS}",
        f"ceiling_a_rms = {CEILING_A_RMS}",
    ]
    for role, circuit in zip(COILS, circuits, strict=True):
        lines += ["", f"[coils.{role}] # as found, at room temperature", f"r20_ohm = {circuit.ohm:.6g}"]
        lines += [f"tolerance = {TOLERANCE}"]
    return "\n".join([*lines, *section]) + "\n"


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _certainty(found: PinMap, ac: AcReport | None) -> str:
    if found.matches_part:
        return "as the part file had them"
    if ac is None or found.assignment is None or found.assignment.by != BY_AC:
        return "? excitation by resistance; sine, cosine and signs are one of eight equivalent labelings"
    if ac.direction_as_named is None:
        return "? excitation proven by AC; sine, cosine and signs are one of eight labelings: no positions of the rotor"
    return "? excitation proven by AC; one of four labelings: the zero may be 90, 180 or 270 deg electrical off"


def _pole_pairs(ac: AcReport | None) -> str:
    if ac is not None and ac.pole_pairs is not None:
        return f"{ac.pole_pairs} # as counted in the AC test"
    return "1 # ? not known: count them over a whole turn"


def _notes(found: PinMap) -> Iterable[str]:
    yield "Draft from a resistance table."
    for sensor in found.sensors[1:]:
        yield f"second sensor on pins {sensor.circuit.name} ({' or '.join(sensor.kind.kinds)})"
    for group in found.joined:
        yield f"pins {'-'.join(group)} are joined"
    for pin in found.grounded:
        yield f"pin {pin} is ground"


def _thermistor(found: PinMap) -> tuple[list[str], list[str]]:
    """The lines of its pins and its section; none without a sensor on two pins of its own."""
    first = next((s for s in found.sensors if not s.circuit.shared), None)
    if first is None:
        return [], []
    hi, lo = first.circuit.pins
    nominal = f", r25_ohm = {first.kind.r25_ohm:g}" if first.kind.r25_ohm else ""
    seen = f"reads {first.circuit.ohm:.5g} ohm cold: {' or '.join(first.kind.kinds)}{nominal}"
    section = ["", "[thermistor]", f'kind = "none" # ? {seen}; fill in kind and curve with their source']
    return [f"thermistor_hi = {_text(hi)}", f"thermistor_lo = {_text(lo)}"], section
