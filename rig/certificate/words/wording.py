"""How a line is written for people: units in readable size, U to two digits, limits with their sign, verdict marks.

It knows no page and no file; the screen and every face of a certificate take their words from here. Figures are
rounded by rig/uncertainty/rounding.py so that print never contradicts the verdict; nothing is decided here.
Wording: the table of words in README.md; ILAC-G8:09/2019 for the four verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from rig.errors import UsageError
from rig.measurands import Measurand, measurand
from rig.quantity import Limit, Scalar
from rig.result import Judged, Result
from rig.uncertainty.conformity import Verdict, verdict_of
from rig.uncertainty.rounding import round_for_verdict, round_result

DASH = "–"
CONVERTED = ("arcmin", "degC", "K")
PERCENT = ("r20_match", "tr_imbalance", "thd_exc", "quadrature_sin", "quadrature_cos", "centre_sin", "centre_cos")
LADDERS: Mapping[str, tuple[tuple[float, str], ...]] = {  # factor to the shown unit, its name; first that gives >= 1
    "ohm": ((1e-9, "GΩ"), (1e-6, "MΩ"), (1e-3, "kΩ"), (1.0, "Ω")),
    "V": ((1.0, "V"), (1e3, "mV")),
    "A": ((1.0, "A"), (1e3, "mA")),
    "H": ((1.0, "H"), (1e3, "mH"), (1e6, "µH")),
    "Hz": ((1.0, "Hz"),),
}
PLAIN = {"degC": "°C", "degF": "°F", "K": "K", "deg": "°", "arcmin": "′", "mm": "mm", "ratio": "", "1": ""}
MARKS = {  # reads without colour: the word is always printed beside it
    "pass": "✓",
    "conditional pass": "✓?",
    "conditional fail": "✕?",
    "fail": "✕",
    "no limit": "",
    "not tested": "○",
    "not capable": "?",
}


@dataclass(frozen=True, slots=True)
class Scale:
    """shown = value * factor, in `unit`."""

    factor: float
    unit: str


@dataclass(frozen=True, slots=True)
class PrintedLine:
    """One line as it is printed. U and k are "" where there is none; limits is "" without a limit."""

    name: str
    estimate: str
    U: str
    unit: str
    limits: str
    origin: str
    verdict: str
    mark: str
    k: str
    note: str


COIL_WORDS = {"exc": "excitation", "sin": "sine", "cos": "cosine", "core": "core", "thermistor": "thermistor"}
SHORT = {  # id -> (beside its group's title, standing alone)
    "r20_match": ("Sine coil over cosine coil, less one", "Coil resistance, sine over cosine, less one"),
    "thermistor_ohm": ("Resistance as found", "Thermistor, resistance"),
    "thermistor_degc": ("Temperature by its curve", "Thermistor, temperature"),
    "thermistor_minus_coil_degc": ("Thermistor less coil temperature", "Thermistor less coil temperature"),
    "leak_thermistor": ("Thermistor to all", "Leak, thermistor to all"),
    "v_exc_rms": ("Voltage, rms", "Excitation voltage, rms"),
    "i_exc_rms": ("Current, rms", "Excitation current, rms"),
    "f_exc_hz": ("Frequency", "Excitation frequency"),
    "thd_exc": ("Total harmonic distortion", "Excitation, harmonic distortion"),
    "tr_imbalance": ("Sine over cosine, less one", "Ratio, sine over cosine, less one"),
    "phase_difference_deg": ("Phase shift, sine less cosine", "Phase shift, sine less cosine"),
    "orthogonality_elec_deg": ("Orthogonality: nulls' angle less 90°", "Orthogonality (electrical)"),
    "pole_pairs": ("Pole pairs", "Pole pairs"),
    "direction": ("Direction: +1 as the part file says", "Direction"),
    "zero_elec_deg": ("Electrical zero against the holder's datum", "Electrical zero against the datum"),
    "error_max_elec_arcmin": ("Largest error", "Largest angle error (electrical)"),
    "error_max_mech_arcmin": ("Largest error", "Largest angle error (mechanical)"),
    "error_span_elec_arcmin": ("Highest less lowest error", "Angle error, highest less lowest (electrical)"),
    "error_rms_elec_arcmin": ("Error, rms over the turn", "Angle error, rms (electrical)"),
    "hysteresis_mech_arcmin": ("Hysteresis, ccw less cw (mechanical)", "Hysteresis (mechanical)"),
    "closure_mech_arcmin": ("Closure after a whole turn (mechanical)", "Closure (mechanical)"),
    "drift_elec_arcmin": ("Drift over the sweep (electrical)", "Drift over the sweep (electrical)"),
    "seat_radial_mm": ("Radial seat in the holder", "Radial seat in the holder"),
    "background_turning_v": (
        "Output brought by turning, excitation off, peak",
        "Output brought by turning, excitation off, peak",
    ),
    "background_v": ("Output with the excitation off, rms", "Output with the excitation off, rms"),
}


def short_name(id_: str, *, alone: bool = False) -> str:
    """A line's name under its group's title, or standing alone; the measurand's own name where there is none."""
    if id_ in SHORT:
        return SHORT[id_][1 if alone else 0]
    made = _by_coil(id_.split("_"), alone)
    name = made or find_measurand(id_).name
    return name[:1].upper() + name[1:]


def _by_coil(words: list[str], alone: bool) -> str:
    kind, coil = words[0], COIL_WORDS.get(words[-1], "")
    middle = COIL_WORDS.get(words[1], "") if len(words) > 2 else ""
    if kind == "order":
        return f"angle error, order {words[1]} a turn" if alone else f"order {words[1]} a mechanical turn"
    if kind == "null":
        what = "total" if words[1] == "total" else "fundamental"
        which = COIL_WORDS.get(words[2], words[2])
        return f"null voltage, {which}, {what}" if alone else f"{which} output, {what}"
    made = {
        "r20": f"coil resistance, {coil}, at 20 °C" if alone else f"{coil} coil at 20 °C",
        "leak": f"leak, {middle} to {coil}" if alone else f"{middle} to {coil}",
        "tr": f"transformation ratio, {coil}" if alone else coil,
        "quadrature": f"quadrature, {coil}, of its maximum",
        "centre": f"rotor-independent part of the {coil} output",
        "phase": f"phase shift, {middle} (lead +)",
        "l": f"inductance, {coil} coil" if alone else f"{coil} coil, series inductance",
        "q": f"quality factor, {coil} coil" if alone else f"{coil} coil, quality factor",
        "z": f"{middle} coil, impedance, {'phase' if words[-1] == 'deg' else 'modulus'}",
    }
    return made.get(kind, "")


def find_measurand(id_: str) -> Measurand:
    """The measurand of an id; one that is not in the list is named by its id and belongs to no group."""
    try:
        return measurand(id_)
    except KeyError:
        return Measurand(id_, "", id_.replace("_", " "), "other")


def unit_of_line(line: Judged) -> Measurand:
    """The line's measurand in the unit in which the line is written (units.py)."""
    m = find_measurand(line.measurand)
    unit = line.result.unit if line.result is not None else m.unit
    return m if unit == m.unit or m.unit not in CONVERTED else replace(m, unit=unit)


def scale_of(m: Measurand, size: float | None) -> Scale:
    """The unit in which a value of this size (in the measurand's own unit) reads well."""
    if m.id in PERCENT:
        return Scale(100.0, "%")
    ladder = LADDERS.get(m.unit)
    if ladder is None:
        return Scale(1.0, PLAIN.get(m.unit, m.unit))
    if not size:
        return Scale(*ladder[-1] if m.unit == "ohm" else ladder[0])
    for factor, unit in ladder:
        if abs(size) * factor >= 0.9995:
            return Scale(factor, unit)
    return Scale(*ladder[-1])


def number(value: float, digits: int = 6) -> str:
    """A bare number without exponent, up to `digits` significant digits, with a real minus sign."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else DASH
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return minus(text.rstrip("0").rstrip(".") if "." in text else text)


def minus(text: str) -> str:
    """A hyphen in front of a number as a minus sign."""
    return text.replace("-", "\u2212")


def unit_suffix(unit: str) -> str:
    """A unit as it follows a number: minutes and degrees close up, others after a narrow space."""
    return unit if unit in ("", "′", "°") else f"\u202f{unit}"


def limit_text(limit: Limit | None, m: Measurand, scale: Scale) -> str:
    """'8.1 … 9.9', '≤ 60', '≥ 20 MΩ': in the line's unit; with a unit of its own when that reads better."""
    if limit is None:
        return ""
    ends = [end for end in (limit.lower, limit.upper) if end is not None]
    own = scale_of(m, max(abs(end) for end in ends))
    unit = f" {own.unit}" if own.unit != scale.unit else ""
    low, high = ("" if end is None else number(end * own.factor) for end in (limit.lower, limit.upper))
    if limit.lower is not None and limit.upper is not None:
        return f"= {low}{unit}" if low == high else f"{low} … {high}{unit}"
    return f"≥ {low}{unit}" if low else f"≤ {high}{unit}"


def figure_texts(
    result: Result | None, limit: Limit | None, m: Measurand, scale: Scale, guard: float
) -> tuple[str, str]:
    """(estimate, U) of a result in the shown unit; ("–", "") when there is none."""
    if result is None or result.estimate is None or not math.isfinite(result.estimate):
        return DASH, ""
    y, U, sign = result.estimate * scale.factor, result.U, f"{result.qualifier} " if result.qualifier else ""
    if not U or not math.isfinite(U):
        return sign + number(y, 5), ""
    U *= scale.factor
    if sign:
        return sign + number(y, 4), ""  # beyond the range: a U would belong to no figure
    if limit is None:
        texts = round_result(y, U)
    else:
        texts = round_for_verdict(y, U, _decision(limit, m, scale, guard, result.qualifier))
    return sign + minus(texts[0]), texts[1]


def _decision(
    limit: Limit, m: Measurand, scale: Scale, guard: float, qualifier: str
) -> Callable[[float, float], Verdict | None]:
    lower, upper = (None if end is None else end * scale.factor for end in (limit.lower, limit.upper))

    def verdict(estimate: float, U: float) -> Verdict | None:
        try:
            return verdict_of(estimate, U, lower, upper, guard, qualifier, m.nonnegative)
        except UsageError:
            return None

    return verdict


def k_text(result: Result | None) -> str:
    """'2.00', or "" where no uncertainty is stated."""
    return f"{result.k:.2f}" if result is not None and result.k and result.U else ""


def size_of(result: Result | None) -> float | None:
    """The size by which a result's unit is chosen: of the estimate, of U where that is zero; None for neither."""
    if result is None or result.estimate is None:
        return None
    return abs(result.estimate) or result.U


def display(line: Judged, guard: float = 1.0) -> PrintedLine:
    """A judged line as printed; a spoiled one without estimate, U and verdict. guard: w / U of the rule in force."""
    m, result = unit_of_line(line), line.result
    size = size_of(result)
    if size is None and line.limit is not None:
        size = max(abs(end) for end in (line.limit.lower, line.limit.upper) if end is not None)
    scale = scale_of(m, size)
    estimate, U = (DASH, "") if line.spoiled else figure_texts(result, line.limit, m, scale, guard)
    return PrintedLine(
        name=m.name,
        estimate=estimate,
        U=U,
        unit=scale.unit,
        limits=limit_text(line.limit, m, scale),
        origin=line.limit.origin if line.limit else "",
        verdict=line.verdict.value,
        mark=MARKS[line.verdict.value],
        k="" if line.spoiled else k_text(result),
        note=line.note or (result.note if result else ""),
    )


CONDITION_WORDS: Mapping[str, tuple[str, str]] = {  # condition key -> word, unit; others are not printed
    "as_measured_ohm": ("as found", "Ω"),
    "coil_degc": ("at", "°C"),
    "frequency_hz": ("at", "Hz"),
    "level_v_rms": ("excited with", "V rms"),
    "range_ohm": ("range", "Ω"),
    "load": ("outputs", ""),
    "bandwidth": ("bandwidth:", ""),
    "reference": ("angle reference:", ""),
}


def conditions_text(conditions: Mapping[str, Scalar], keys: tuple[str, ...]) -> str:
    """The named conditions as 'as found 9.073 Ω, at 22.1 °C'."""
    parts = []
    for key in keys:
        if (value := conditions.get(key)) is None:
            continue
        word, unit = CONDITION_WORDS[key]
        unit = unit if isinstance(value, int | float) else ""
        shown = number(value, 5) if isinstance(value, int | float) else str(value)
        parts.append(f"{word} {shown} {unit}".strip())
    return ", ".join(parts)
