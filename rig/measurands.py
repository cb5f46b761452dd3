"""What can be measured: every line's id, unit and printed name. Everyone may import this file.

It knows no file, no instrument and no formula. Ids, signs and units: DEVELOPERS.md, "Conventions".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Measurand:
    """What is measured: id, unit, printed name, group on paper; `about` is "part" or "rig" (facts, never verdicts).

    nonnegative: can't be below zero, so a lower limit of zero means nothing. angle: "elec", "mech" or "".
    """

    id: str
    unit: str
    name: str
    group: str
    about: str = "part"
    nonnegative: bool = False
    angle: str = ""


def _rows() -> tuple[Measurand, ...]:
    m = Measurand
    coil = {"exc": "excitation", "sin": "sine", "cos": "cosine"}
    rows = [
        m(f"r20_{c}", "ohm", f"DC resistance of the {n} coil at 20 degC", "coils", nonnegative=True)
        for c, n in coil.items()
    ]
    rows += [m("r20_match", "ratio", "sine over cosine coil resistance, less one", "coils")]
    rows += [
        m("thermistor_ohm", "ohm", "thermistor resistance as found", "thermistor", nonnegative=True),
        m("thermistor_degc", "degC", "temperature by the thermistor's curve", "thermistor"),
        m("thermistor_minus_coil_degc", "K", "thermistor temperature less coil temperature", "thermistor"),
    ]
    pairs = ("exc_core", "sin_core", "cos_core", "exc_sin", "exc_cos", "sin_cos")
    rows += [
        m(f"leak_{p}", "ohm", f"low-voltage leak resistance, {p.replace('_', ' to ')}", "leak", nonnegative=True)
        for p in pairs
    ]
    rows += [m("leak_thermistor", "ohm", "low-voltage leak resistance, thermistor to all", "leak", nonnegative=True)]
    rows += [
        m("v_exc_rms", "V", "excitation at the coil, rms", "excitation", "rig", nonnegative=True),
        m("i_exc_rms", "A", "excitation current, rms", "excitation", nonnegative=True),
        m("f_exc_hz", "Hz", "excitation frequency", "excitation", "rig", nonnegative=True),
        m("thd_exc", "ratio", "total harmonic distortion of the excitation", "excitation", "rig", nonnegative=True),
    ]
    for c, n in coil.items():
        rows += [
            m(f"z_{c}_mod", "ohm", f"impedance of the {n} coil, modulus", "impedance", nonnegative=True),
            m(f"z_{c}_phase_deg", "deg", f"impedance of the {n} coil, phase", "impedance"),
            m(f"l_{c}", "H", f"series inductance of the {n} coil", "impedance"),
            m(f"q_{c}", "1", f"quality factor of the {n} coil", "impedance"),
        ]
    rows += [
        m("tr_sin", "ratio", "transformation ratio, sine", "ratio", nonnegative=True),
        m("tr_cos", "ratio", "transformation ratio, cosine", "ratio", nonnegative=True),
        m("tr_imbalance", "ratio", "sine over cosine transformation ratio, less one", "ratio"),
        m("phase_sin_deg", "deg", "phase shift of the sine output, lead +", "ratio"),
        m("phase_cos_deg", "deg", "phase shift of the cosine output, lead +", "ratio"),
        m("phase_difference_deg", "deg", "phase shift, sine less cosine", "ratio"),
        m("null_total_sin_v", "V", "largest null voltage of the sine output, total, rms", "null", nonnegative=True),
        m("null_total_cos_v", "V", "largest null voltage of the cosine output, total, rms", "null", nonnegative=True),
        m(
            "null_fund_sin_v",
            "V",
            "largest null voltage of the sine output, fundamental, rms",
            "null",
            nonnegative=True,
        ),
        m(
            "null_fund_cos_v",
            "V",
            "largest null voltage of the cosine output, fundamental, rms",
            "null",
            nonnegative=True,
        ),
        m(
            "quadrature_sin",
            "ratio",
            "largest quadrature of the sine output over its maximum",
            "null",
            nonnegative=True,
        ),
        m(
            "quadrature_cos",
            "ratio",
            "largest quadrature of the cosine output over its maximum",
            "null",
            nonnegative=True,
        ),
        m(
            "orthogonality_elec_deg",
            "deg",
            "angle between the sine and the cosine null, less 90 deg (electrical)",
            "angle",
            angle="elec",
        ),
        m("centre_sin", "ratio", "rotor-independent part of the sine output over its maximum", "ratio"),
        m("centre_cos", "ratio", "rotor-independent part of the cosine output over its maximum", "ratio"),
        m("pole_pairs", "1", "pole pairs", "angle"),
        m("direction", "1", "direction: +1 as the part file says, -1 reversed", "angle"),
        m("zero_elec_deg", "deg", "electrical zero against the holder's datum (electrical)", "angle", angle="elec"),
        m(
            "error_max_elec_arcmin",
            "arcmin",
            "largest angle error (electrical)",
            "angle",
            nonnegative=True,
            angle="elec",
        ),
        m(
            "error_max_mech_arcmin",
            "arcmin",
            "largest angle error (mechanical)",
            "angle",
            nonnegative=True,
            angle="mech",
        ),
        m(
            "error_span_elec_arcmin",
            "arcmin",
            "angle error, highest less lowest (electrical)",
            "angle",
            nonnegative=True,
            angle="elec",
        ),
        m(
            "error_rms_elec_arcmin",
            "arcmin",
            "angle error, rms over the turn (electrical)",
            "angle",
            nonnegative=True,
            angle="elec",
        ),
        *(
            m(f"amplitude_{c}_v", "V", f"{n} at one position, peak", "position", nonnegative=True)
            for c, n in coil.items()
        ),
        m("ratio_sin", "ratio", "sine over excitation at one position", "position", nonnegative=True),
        m("ratio_cos", "ratio", "cosine over excitation at one position", "position", nonnegative=True),
        m("ratio_both", "ratio", "both outputs over excitation at one position", "position", nonnegative=True),
        m("angle_elec_deg", "deg", "indicated angle at one position (electrical)", "position", angle="elec"),
        m("background_v", "V", "output voltage with the excitation off, rms", "null", "rig", nonnegative=True),
        m(
            "background_turning_v",
            "V",
            "output voltage that turning brings, excitation off, peak",
            "null",
            nonnegative=True,
        ),
        m(
            "hysteresis_mech_arcmin",
            "arcmin",
            "counter-clockwise less clockwise pass (mechanical)",
            "rig",
            "rig",
            angle="mech",
        ),
        m(
            "closure_mech_arcmin",
            "arcmin",
            "reading after a whole turn less the first (mechanical)",
            "rig",
            "rig",
            angle="mech",
        ),
        m("drift_elec_arcmin", "arcmin", "drift over the sweep (electrical)", "rig", "rig", angle="elec"),
        m("seat_radial_mm", "mm", "radial seat of the part in the holder", "rig", "rig", nonnegative=True),
    ]
    return tuple(rows)


MEASURANDS: Mapping[str, Measurand] = {row.id: row for row in _rows()}


BENCH = "bench_"  # how the ids of the bench's own lines begin


def _bench_rows() -> tuple[Measurand, ...]:
    rows = [("lead_zero_2w", "ohm", "leads shorted at the adapter, two-wire")]
    rows += [("lead_zero_4w", "ohm", "leads shorted at the adapter, four-wire")]
    rows += [("check_resistor", "ohm", "check resistor, four-wire")]
    for id_, name in (("exc_i", "current"), ("sin", "sine"), ("cos", "cosine")):
        rows += [(f"gain_{id_}", "1", f"gain of the {name} channel against the excitation's")]
        rows += [(f"phase_{id_}", "deg", f"phase of the {name} channel against the excitation's")]
    for id_, name in (("sin", "sine"), ("cos", "cosine")):
        rows += [(f"ratio_{id_}", "1", f"ratio standard, {name} over excitation")]
        rows += [(f"ratio_phase_{id_}", "deg", f"ratio standard, phase of {name} (lead +)")]
    rows += [("ratio_match", "1", "ratio standard, sine over cosine")]
    rows += [("generator_level", "1", "excitation found over excitation set")]
    rows += [("index_mech_arcmin", "arcmin", "index after one turn and back (mechanical)")]
    return tuple(Measurand(f"{BENCH}{id_}", unit, name, "bench", "rig") for id_, unit, name in rows)


BENCH_LINES: Mapping[str, Measurand] = {row.id: row for row in _bench_rows()}
"""What a bench is held against by its own standards; never a line of a part."""


def measurand(id_: str) -> Measurand:
    """The measurand of an id; `order_N_mech_arcmin` is made for any whole N. Raises KeyError for an unknown id."""
    if (row := MEASURANDS.get(id_) or BENCH_LINES.get(id_)) is not None:
        return row
    parts = id_.split("_")
    if len(parts) == 4 and parts[0] == "order" and parts[1].isdigit() and parts[2:] == ["mech", "arcmin"]:
        name = f"angle error, amplitude of order {parts[1]} a turn (mechanical angle)"
        return Measurand(id_, "arcmin", name, "angle", nonnegative=True, angle="mech")
    raise KeyError(id_)
