"""The fixed sentences of a report and the rules that choose them: outcome, decision rule, risk, scope, traceability.

No accreditation word or mark stands here, and traceability is only said where calibrations are recorded and current.
Pure: figures and dates in, sentences out. Content list: ISO/IEC 17025:2017 7.8 as far as it applies.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from rig.certificate.words.phrase import join_texts, phrase
from rig.result import Judged, Judgement
from rig.uncertainty.conformity import Verdict, worst_specific_risk

TITLE = "Measurement report"
SUBTITLE = "calibration-style"
PROVISIONAL = "provisional"
NON_ACCREDITED = "Issued by a non-accredited workshop. The layout follows the content list of ISO/IEC 17025 clause 7.8."
ITEM_ONLY = "The results relate only to the item tested, as received and as clamped, at the time of the test."
IN_FULL = "This report may not be reproduced except in full."
STATED_BY_CUSTOMER = "Entries marked c were told by the customer and not checked here."
LIMITS_OF_CUSTOMER = "Limits set by the customer are used as given; whether they suit the purpose was not judged."
RELEARN = (
    "After fitting, the electrical zero must be re-learned: re-learn on the vehicle by the maker's procedure required. "
    "Nothing in this report is an offset for a vehicle."
)
EXCLUDED = (
    "at running speed",
    "under the inverter's or the vehicle's electromagnetic interference",
    "under mechanical load or vibration",
    "over temperature, unless stated",
    "insulation at high voltage, unless entered from a separate station",
    "remaining life",
)
UNSOUND = (
    "Rig, wiring or set-up are at fault: nothing is said about the part. The figures are stated as read, without a "
    "verdict. See the next action below."
)
AWAITS = (
    "Awaits a witness: {title}. Nothing within the run tells the rig from the part. Taken, the witness confirms this "
    "outcome or withdraws it; until then this report is no certificate and carries no seal."
)
FITTED_AS = {
    "own": "own rotor, as received with the stator",
    "shop master": "shop master rotor: the rotor that belongs to this stator was not judged",
    "none": "no rotor: transformation ratio and angle error were not tested",
}
HEADLINES = {
    "within limits": ("Within limits", "pass"),
    "outside limits": ("Outside limits", "fail"),
    "measured, no limits": ("Measured, no limits", "plain"),
    "unsound measurement": ("Unsound measurement", "open"),
    "undecided": ("Undecided", "open"),
    "not this kind": ("Not this kind", "open"),
    "incomplete": ("Incomplete", "open"),
}
MEASURING_ROLES = ("multimeter", "sampler", "climate")
ROLE_WORDS = {
    "multimeter": "Multimeter",
    "generator": "Generator",
    "sampler": "Sampler, divider and shunt",
    "axis": "Rotary axis",
    "encoder": "Angle encoder",
    "switch": "Relay matrix",
    "interlock": "Interlock inputs",
    "climate": "Climate probe",
}
FINDING_WORDS = {
    "open-coil": "Open coil",
    "intermittent-coil": "Intermittent coil",
    "shorted-turns": "Shorted turns",
    "leak-coil-coil": "Leak between coils",
    "leak-coil-core": "Leak to the core",
    "contact-resistance": "Contact resistance",
    "gap-or-rotor": "Air gap or rotor (axial, gap, weak lobe: the data can't split them)",
    "wrong-rotor": "Wrong rotor",
    "damaged-lobe": "Damaged lobe",
    "loose-rotor": "Loose rotor",
    "magnetised": "Magnetised",
    "moisture": "Moisture",
    "thermistor-open": "Thermistor open",
    "thermistor-short": "Thermistor shorted",
    "thermistor-drift": "Thermistor has drifted",
    "wiring-swapped": "Wiring swapped",
    "wiring-reversed": "Wiring reversed",
    "no-fault-found": "No fault found",
}


def finding_name(code: str) -> str:
    """A finding's label on paper."""
    return FINDING_WORDS.get(code, code.replace("-", " ").capitalize())


def verdict_sentence(judgement: Judgement, guard: float) -> str:
    """One sentence under the outcome, which says what it rests on."""
    counted = [line for line in judgement.judged if line.limit is not None]
    bad = [line for line in counted if line.verdict is Verdict.FAIL]
    rule = phrase("with a guard band of {n} U", n=f"{guard:g}") if guard else phrase("by simple acceptance")
    if judgement.outcome == "within limits":
        tested = sum(line.verdict is not Verdict.NOT_TESTED for line in counted)
        left = len(counted) - tested
        all_within = "All {n} tested lines with a limit lie within it, {rule}"
        if not left:
            return phrase(f"{all_within}.", n=str(tested), rule=rule)
        rest = f"; {{nb}} not required {'was' if left == 1 else 'were'} not tested."
        return phrase(all_within + rest, n=str(tested), rule=rule, nb=str(left))
    if judgement.outcome == "outside limits":
        lies = "lies" if len(bad) == 1 else "lie"
        sentence = f"{{n}} of the {{nb}} lines with a limit {lies} outside it, {{rule}}."
        return phrase(sentence, n=str(len(bad)), nb=str(len(counted)), rule=rule)
    if judgement.outcome == "measured, no limits":
        return "No line has a limit: the figures are stated, nothing is judged."
    if judgement.outcome == "unsound measurement":
        return UNSOUND
    if judgement.outcome == "undecided":
        return phrase("{open}: neither within nor outside limits can be said.", open=_open_lines(counted))
    if judgement.outcome == "not this kind":
        return "What is clamped does not behave like a variable-reluctance resolver of this part number."
    return "The run was cut short; what was read until then is kept."


def statements(judged: Sequence[Judged], stated_by_customer: bool) -> tuple[str, ...]:
    """The standing sentences, and those about what the customer gave."""
    given = any(line.limit is not None and line.limit.origin == "customer" for line in judged)
    return (
        ITEM_ONLY,
        IN_FULL,
        NON_ACCREDITED,
        *((STATED_BY_CUSTOMER,) if stated_by_customer else ()),
        *((LIMITS_OF_CUSTOMER,) if given else ()),
    )


def _open_lines(counted: Sequence[Judged]) -> str:
    words = (Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.NOT_CAPABLE, Verdict.NOT_TESTED)
    counts = [(word.value, sum(line.verdict is word for line in counted)) for word in words]
    return join_texts(", ", (count(n, word) for word, n in counts if n)) or phrase("The roll-up stays open")


def count(n: int, verdict: str) -> str:
    """'3 pass'."""
    return phrase(f"{{n}} {verdict}", n=str(n))


def decision_text(name: str, guard: float) -> str:
    """The decision rule in words."""
    if guard == 0:
        return (
            "Simple acceptance (w = 0), fixed before the first reading: a line passes when its estimate lies within "
            "the limit; conditional fail lies beyond it by less than U."
        )
    return phrase(
        "{rule} w = {n} U, fixed before the first reading (non-binary statement after "
        "ILAC-G8:09/2019): pass lies at least w inside the limit, conditional pass inside by less, conditional fail "
        "outside by up to w, fail beyond. Not capable: U leaves no acceptance zone. Decisions use unrounded figures.",
        rule=phrase(name.capitalize()),
        n=f"{guard:g}",
    )


def risk_text(judged: Sequence[Judged], guard: float) -> str:
    """The largest risk that a line which passes is in truth outside, for the k and degrees of freedom in use."""
    if guard == 0:
        return "Risk of a wrong pass at the limit itself: up to 50 %."
    sound = [line.result for line in judged if line.limit is not None and not line.spoiled]
    used = [result for result in sound if result is not None and result.U]
    if not used:
        return "No line with a limit has an uncertainty: no risk can be stated."
    if guard == 1.0:
        risk = max((1.0 - result.coverage) / 2.0 for result in used)
    else:
        pairs = {(round(r.k or 2.0, 6), r.dof or float("inf")) for r in used}
        risk = max(worst_specific_risk(guard, k, dof) for k, dof in pairs)
    return phrase(
        "A line that passes exactly at the edge of its acceptance zone lies in truth beyond that limit with a "
        "probability of {n} %; anywhere else in the zone with less.",
        n=f"{100 * risk:.2g}",
    )


@dataclass(frozen=True, slots=True)
class InstrumentStatement:
    """One row of the instrument table; status: "current", "overdue", "not recorded", "laboratory not recorded",
    "simulated". by: who calibrated it, and on which accreditation or other basis."""

    role: str
    who: str
    asset: str
    serial: str
    calibrated: str
    due: str
    certificate: str
    by: str
    status: str
    matters: bool


def instrument_rows(
    instruments: Mapping[str, Mapping[str, Any]], *, on: date, simulated: bool
) -> tuple[InstrumentStatement, ...]:
    """The instruments with their calibration status on the day of the test."""
    reference = "encoder" if "encoder" in instruments else "axis"
    rows = []
    order, noted = list(ROLE_WORDS), ("asset", "serial", "calibrated", "due", "certificate")
    for role, facts in sorted(instruments.items(), key=lambda i: order.index(i[0]) if i[0] in order else len(order)):
        rows.append(
            InstrumentStatement(
                role=ROLE_WORDS.get(role, role),
                who=f"{facts.get('maker', '')} {facts.get('model', '')}".strip(),
                **{name: str(facts.get(name) or "") for name in noted},
                by=", ".join(str(facts[name]) for name in ("laboratory", "accreditation") if facts.get(name)),
                status=_status(facts, on, simulated),
                matters=role in MEASURING_ROLES or role == reference,
            )
        )
    return tuple(rows)


def _status(facts: Mapping[str, Any], on: date, simulated: bool) -> str:
    if simulated or str(facts.get("serial", "")).upper().startswith("SIM"):
        return "simulated"
    if not (facts.get("calibrated") and facts.get("due") and facts.get("certificate")):
        return "not recorded"
    made, due = date.fromisoformat(str(facts["calibrated"])), date.fromisoformat(str(facts["due"]))
    if not made <= on <= due:
        return "overdue"
    return "current" if facts.get("laboratory") and facts.get("accreditation") else "laboratory not recorded"


def traceability_text(rows: Sequence[InstrumentStatement]) -> tuple[bool, str]:
    """(established, sentence): only when every instrument that a result rests on is within its calibration, and it is
    recorded by which laboratory and on which accreditation, or other basis, that was made (ILAC P10, in its sense)."""
    needed = [row for row in rows if row.matters]
    lacking = [row for row in needed if row.status != "current"]
    if needed and not lacking:
        return True, (
            "Traceable to the calibrations listed, by the laboratories and on the bases named there: each instrument "
            "that a result rests on was within its calibration period on the day of the test."
        )
    if needed and all(row.status == "simulated" for row in needed):
        return False, "Traceability not established: every instrument that a result rests on is simulated."
    roles = (phrase(f"{{role}}: {row.status}", role=row.role.lower()) for row in lacking)
    why = join_texts("; ", roles) or "no measuring instrument is recorded"
    return False, phrase("Traceability not established ({why}).", why=why)
