"""An invented run of an invented part, with plausible figures: what the tests of the certificate room look at."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from rig.answer import Curves
from rig.certificate.content.report import Content
from rig.certificate.faces import build_report
from rig.certificate.page.fonts import TEMPLATES, compiler
from rig.certificate.page.pdf import template_data
from rig.measurands import measurand
from rig.quantity import Limit, Reading
from rig.records.run.record import RunHeader
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Finding, Judged, Judgement, Reason, Result
from rig.uncertainty.budget import BudgetLine, combine
from rig.uncertainty.conformity import Verdict, verdict_of

ISSUED = "2026-11-25T11:02:00Z"
POLE_PAIRS = 4
PART: Mapping[str, Any] = {
    "schema": "anglewright part 1",
    "number": "QS4-0093",
    "revision": "B",
    "title": "Variable-reluctance resolver, four pole pairs",
    "pole_pairs": POLE_PAIRS,
    "teeth": 16,
    "positive_rotation": "counter-clockwise seen from the connector side",
    "pins": {
        "exc_hi": "1",
        "exc_lo": "2",
        "sin_hi": "3",
        "sin_lo": "4",
        "cos_hi": "5",
        "cos_lo": "6",
        "thermistor_hi": "7",
        "thermistor_lo": "8",
    },
    "excitation": {"level_v_rms": 7.0, "frequency_hz": 10000.0, "ceiling_v_rms": 8.0, "ceiling_a_rms": 0.15},
    "thermistor": {"kind": "ntc", "r25_ohm": 10000.0, "beta_k": 3435.0},
    "decision": {"rule": "guard band", "r": 1.0},
}
# measurand: estimate, u, lower, upper, origin
LINES: Mapping[str, tuple[float, float, float | None, float | None, str]] = {
    "r20_exc": (9.0134, 0.0118, 8.1, 9.9, "customer"),
    "r20_sin": (15.062, 0.0191, 13.5, 16.5, "customer"),
    "r20_cos": (15.021, 0.0191, 13.5, 16.5, "customer"),
    "r20_match": (0.00273, 0.00041, -0.03, 0.03, "shop fall-back"),
    "thermistor_ohm": (11190.0, 2.3, None, None, ""),
    "thermistor_degc": (22.21, 0.11, None, None, ""),
    "thermistor_minus_coil_degc": (0.18, 0.26, -5.0, 5.0, "shop fall-back"),
    "leak_exc_core": (1.21e9, 1.2e7, 20e6, None, "shop fall-back"),
    "leak_sin_core": (1.21e9, 1.2e7, 20e6, None, "shop fall-back"),
    "leak_cos_core": (1.21e9, 1.2e7, 20e6, None, "shop fall-back"),
    "leak_exc_sin": (1.21e9, 1.2e7, 20e6, None, "shop fall-back"),
    "leak_exc_cos": (1.21e9, 1.2e7, 20e6, None, "shop fall-back"),
    "leak_sin_cos": (1.21e9, 1.2e7, 20e6, None, "shop fall-back"),
    "v_exc_rms": (7.0021, 0.0031, None, None, ""),
    "i_exc_rms": (0.04816, 0.00006, None, None, ""),
    "f_exc_hz": (10000.04, 0.22, None, None, ""),
    "thd_exc": (0.00212, 0.00012, None, None, ""),
    "z_exc_mod": (145.39, 0.19, None, None, ""),
    "z_exc_phase_deg": (81.62, 0.08, None, None, ""),
    "l_exc": (0.0022892, 0.0000031, None, None, ""),
    "q_exc": (6.79, 0.07, None, None, ""),
    "tr_sin": (0.28613, 0.00021, 0.265, 0.335, "customer"),
    "tr_cos": (0.28588, 0.00021, 0.265, 0.335, "customer"),
    "tr_imbalance": (0.00087, 0.00031, -0.015, 0.015, "shop fall-back"),
    "phase_sin_deg": (8.412, 0.041, 0.0, 20.0, "customer"),
    "phase_cos_deg": (8.397, 0.041, 0.0, 20.0, "customer"),
    "phase_difference_deg": (0.015, 0.021, -2.0, 2.0, "shop fall-back"),
    "null_total_sin_v": (0.0218, 0.0011, None, 0.060, "customer"),
    "null_total_cos_v": (0.0187, 0.0011, None, 0.060, "customer"),
    "null_fund_sin_v": (0.0121, 0.0006, None, None, ""),
    "null_fund_cos_v": (0.0098, 0.0006, None, None, ""),
    "quadrature_sin": (0.0061, 0.0003, None, None, ""),
    "pole_pairs": (4.0, 0.0, 4.0, 4.0, "customer"),
    "orthogonality_elec_deg": (0.083, 0.022, -0.6, 0.6, "shop fall-back"),
    "error_max_elec_arcmin": (38.4, 3.4, None, 75.0, "customer"),
    "error_max_mech_arcmin": (9.6, 0.85, None, None, ""),
    "error_span_elec_arcmin": (71.9, 4.4, None, None, ""),
    "error_rms_elec_arcmin": (17.2, 1.1, None, None, ""),
    "order_4_mech_arcmin": (4.61, 0.61, None, None, ""),
    "order_8_mech_arcmin": (2.02, 0.33, None, None, ""),
    "hysteresis_mech_arcmin": (0.7, 0.2, None, None, ""),
    "closure_mech_arcmin": (0.2, 0.3, None, None, ""),
    "drift_elec_arcmin": (0.31, 0.2, None, None, ""),
}


def an_instrument(role: str, n: int, *, simulated: bool, current: bool = False) -> dict[str, Any]:
    return {
        "role": role,
        "name": role,
        "maker": "Invented",
        "model": f"MX-{n}00",
        "serial": f"SIM{n:05d}" if simulated else f"{n:05d}",
        "firmware": "1.0",
        "asset": f"A-{n:03d}",
        "calibrated": "2026-03-02" if current else None,
        "due": "2027-03-02" if current else None,
        "certificate": f"C-26-{n:04d}" if current else "",
        "laboratory": "Ferry Quay Calibration (invented)" if current else "",
        "accreditation": "invented no. 0000" if current else "",
    }


def a_header(*, simulated: bool = True, current: bool = False, **changes: Any) -> RunHeader:
    roles = ("multimeter", "generator", "sampler", "axis", "switch", "interlock", "climate")
    told: dict[str, Any] = {
        "sequence": "full_test",
        "sequence_version": "1",
        "started_utc": "2026-11-25T10:15:00Z",
        "serial": "93-00417",
        "part": PART,
        "holder": {"name": "adapter_8", "title": "Expanding spigot with adapter lead AL-08 (invented)"},
        "bench": {"name": "b1", "title": "Bench 1", "shop": "Tallow Street Motors (invented); 4 Tallow Street"},
        "instruments": {
            r: an_instrument(r, n, simulated=simulated, current=current) for n, r in enumerate(roles, start=1)
        },
        "job": "TS-1180",
        "customer": "Order desk (invented)",
        "condition": "dry, pins clean, no rub marks",
        "operator": "bench 1, evening",
        "clamping": "1",
        "simulated": simulated,
        "software": "anglewright 0.1.0",
        "decision": {"rule": "guard band", "r": 1.0},
    }
    return RunHeader(**(told | changes))


def a_result(id_: str, estimate: float, u: float) -> Result:
    unit = measurand(id_).unit
    lines = tuple(
        BudgetLine(influence=name, u=u * part, unit=unit, sensitivity=1.0, kind=kind, dof=dof)
        for name, part, kind, dof in (
            ("instrument's specification", 0.80, "B", math.inf),
            ("coil temperature", 0.50, "B", math.inf),
            ("repeats", 0.31, "A", 9.0),
            ("lead and contact", 0.12, "B", math.inf),
        )
        if u
    )
    combined = combine(lines) if lines else None
    conditions: dict[str, Any] = {}
    if id_ in ("r20_exc", "r20_sin", "r20_cos"):
        conditions = {"as_measured_ohm": estimate * 1.0083, "coil_degc": 22.1, "wires": 4}
    return Result(
        measurand=id_,
        estimate=estimate,
        unit=unit,
        u=combined.u if combined else 0.0,
        k=combined.k if combined else 2.0,
        dof=combined.dof if combined else math.inf,
        qualifier=">" if id_.startswith("leak") else "",
        conditions=conditions,
        budget=lines,
    )


def a_line(id_: str, estimate: float | None = None) -> Judged:
    given, u, lower, upper, origin = LINES[id_]
    y = given if estimate is None else estimate
    result = a_result(id_, y, u)
    limit = Limit(measurand=id_, lower=lower, upper=upper, origin=origin) if origin else None
    verdict = verdict_of(
        y, result.U, lower, upper, 1.0, qualifier=result.qualifier, nonnegative=measurand(id_).nonnegative
    )
    return Judged(measurand=id_, result=result, limit=limit, verdict=verdict)


def curves(points: int = 320, scale: float = 1.0) -> dict[str, Any]:
    """A turn's curves with the keys of rig/evaluation/angle/error.py."""
    x = np.arange(points) * 360.0 / points
    theta, rng = np.radians(x), np.random.default_rng(7)
    orders = {1: 0.9, 2: 0.4, 3: 0.15, 4: 4.61, 8: 2.02, 12: 1.34, 16: 0.71, 20: 0.2, 24: 0.12}
    error = scale * POLE_PAIRS * sum(a * np.cos(n * theta + 0.7 * n) for n, a in orders.items())
    noise = rng.normal(0.0, 0.5, (2, points))
    elec = POLE_PAIRS * theta + np.radians(error / 60.0)
    return {
        "angle_mech_deg": x.tolist(),
        "error_ccw_elec_arcmin": (error + 1.4 + noise[0]).tolist(),
        "error_cw_elec_arcmin": [None, *(error - 1.4 + noise[1]).tolist()[1:]],
        "error_mean_elec_arcmin": (error + noise.mean(axis=0)).tolist(),
        "error_model_elec_arcmin": error.tolist(),
        "error_band_elec_arcmin": 6.8,
        "orders": list(orders),
        "orders_mech_arcmin": [scale * a for a in orders.values()],
        "envelope_angle_mech_deg": x.tolist(),
        "envelope_sine": (0.2861 * np.sin(elec)).tolist(),
        "envelope_cosine": (0.2859 * np.cos(elec)).tolist(),
    }


def good() -> Judgement:
    lines = [a_line(id_) for id_ in LINES]
    lines.insert(
        13,
        Judged(
            measurand="leak_thermistor",
            result=None,
            limit=Limit(measurand="leak_thermistor", lower=20e6, upper=None, origin="shop fall-back", required=False),
            verdict=Verdict.NOT_TESTED,
            note="no terminal of the thermistor on this holder",
        ),
    )
    return Judgement(
        outcome="within limits",
        judged=tuple(lines),
        reasons=(),
        findings=(),
        curves=Curves.from_dict(curves()),
        notes=("Two raised points were measured again.",),
    )


def bad() -> Judgement:
    changed = {"r20_sin": 13.21, "tr_sin": 0.2512, "tr_imbalance": -0.1213, "error_max_elec_arcmin": 412.0}
    lines = tuple(a_line(id_, changed.get(id_)) for id_ in LINES)
    finding = Finding(
        code="shorted-turns",
        probability=0.86,
        evidence="r20_sin and tr_sin are 12 % low, r20_cos and tr_cos are nominal; orders 1 and 2 are raised",
        against="no leak to the core",
        next_test="Repeat the sine resistance warm; look at the sine coil's varnish.",
        text="shorted turns in an output coil (sine)",
    )
    return Judgement(
        outcome="outside limits",
        judged=lines,
        reasons=(),
        findings=(finding,),
        curves=Curves.from_dict(curves(scale=9.0)),
    )


def unsound() -> Judgement:
    reason = Reason(
        code="seat-off-centre",
        text="The part is clamped off centre.",
        evidence="order 1 of the error is 31′ mechanical and turns with the clamping; the coil resistances match",
        next="Re-seat the part and run the test again.",
        spoils=("error_max_elec_arcmin", "orthogonality_elec_deg"),
        witness="coil resistances, loopback",
    )
    lines = tuple(
        Judged(measurand=id_, result=a_result(id_, *LINES[id_][:2]), limit=None, verdict=Verdict.NO_LIMIT)
        for id_ in LINES
    )
    return Judgement(
        outcome="unsound measurement", judged=lines, reasons=(reason,), findings=(), curves=Curves.from_dict(curves())
    )


def a_reading(quantity: str, value: Any, unit: str, **conditions: Any) -> Reading:
    return Reading(
        step="first looks",
        quantity=quantity,
        value=value,
        unit=unit,
        instrument="operator",
        bench_time_s=0.0,
        time_utc="2026-11-25T10:16:00Z",
        conditions=conditions,
    )


def stored(home: Path, judgement: Judgement, header: RunHeader | None = None) -> StoredRun:
    """A closed run in a store under `home`."""
    store = Store(home)
    run = store.begin(header or a_header())
    for reading in (
        a_reading("ambient_temperature", 22.0, "degC", phase="before"),
        a_reading("ambient_temperature", 22.4, "degC", phase="after"),
        a_reading("humidity", 44.0, "%", phase="before"),
        a_reading("manual", "no rub marks, pins clean", "", name="visual", instrument="", qualifier="", caution=""),
        a_reading(
            "manual",
            550.0,
            "MΩ",
            name="insulation exc to core",
            instrument="IT-3",
            qualifier=">",
            caution="own station only",
        ),
    ):
        run.journal.append("reading", reading.to_dict())
    return store.finish(run, judgement=judgement, ended_utc="2026-11-25T10:41:00Z")


def faces(run: StoredRun, *, issued_utc: str = "") -> list[tuple[str, str, bytes]]:
    """Every face of the first report of a judged run, or of the next one: (kind, file name, bytes)."""
    issue = 1 + len(list(run.path.glob("certificate*.pdf")))
    return list(build_report(run, issued_utc=issued_utc, issue=issue).faces)


def png_pages(content: Content, *, ppi: float) -> list[bytes]:
    """Every page of a report as PNG, for the eye; without attachments."""
    inputs = {"content": json.dumps(template_data(content), ensure_ascii=False), "data": "", "xml": ""}
    made = compiler().compile(input=str(TEMPLATES / "report.typ"), format="png", sys_inputs=inputs, ppi=ppi)
    return [page for page in (made if isinstance(made, list) else [made]) if page is not None]
