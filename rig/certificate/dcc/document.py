"""The XML face: the same Content as a Digital Calibration Certificate 3.3.0 with D-SI 2.2 quantities.

    dcc(content, stored, judgement, shop=shop, issued_utc=...) -> bytes

Figures are those of the page, character by character, in D-SI units (angles in degrees). It decides nothing. The schema
itself is not shipped: tests validate against a folder by path; rules.py checks what the schema lets through.
Source: DCC 3.3.0 (dcc.xsd), D-SI 2.2.1; not-capable and untested lines carry a text, no conformity (D-SI has
no word for them).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rig.certificate.content.report import Content
from rig.certificate.content.rows import GROUPS
from rig.certificate.dcc.head import administrative, software
from rig.certificate.dcc.vocabulary import CONFORMITY, METHODS, UNITS
from rig.certificate.dcc.writer import DCC, SI, Writer, decimal
from rig.certificate.shop import Shop
from rig.certificate.words.units import Units, in_units
from rig.certificate.words.wording import DASH, display, find_measurand, limit_text, scale_of, short_name, unit_of_line
from rig.errors import UsageError
from rig.records.run.stored import StoredRun
from rig.result import Judged, Judgement

if TYPE_CHECKING:
    from lxml.etree import _Element

VERSION = "3.3.0"
INSI = Units("degC", "deg")


def dcc(
    content: Content,
    stored: StoredRun,
    judgement: Judgement,
    *,
    shop: Shop,
    issued_utc: str,
    check: str = "",
    previous: tuple[str, str] | None = None,
) -> bytes:
    """The document, UTF-8. check: hash of the JSON face. previous: (number, hash) of the report it replaces.

    Raises UsageError when the shop's country is not known: the DCC can't be without.
    """
    from lxml.etree import Element, tostring

    if not shop.country:
        raise UsageError(
            "the XML certificate needs the shop's country.",
            next_action='Add country = "GB" (ISO 3166-1) to shop.toml, or end the bench\'s shop line with "; GB".',
        )
    root = Element(f"{{{DCC}}}digitalCalibrationCertificate", {"schemaVersion": VERSION}, nsmap={"dcc": DCC, "si": SI})
    w = Writer(shop.languages)
    administrative(w, root, content, stored, shop, issued_utc, check, previous)
    results = w.put(root, "measurementResults")
    guard = content.guard
    lines = [in_units(line, INSI) for line in judgement.judged]
    for id_, title in (*GROUPS, ("rig", "Facts about the rig")):
        group = [line for line in lines if find_measurand(line.measurand).group == id_]
        if group:
            _measurement(w, results, content, stored, title, id_, group, guard)
    if len(results) == 0:
        _measurement(w, results, content, stored, "Other", "other", (), guard)
    made: bytes = tostring(root, xml_declaration=True, encoding="UTF-8", pretty_print=True)
    return made


# ---- results ------------------------------------------------------------------------------------------------------


def _measurement(
    w: Writer,
    parent: _Element,
    content: Content,
    stored: StoredRun,
    title: str,
    group: str,
    lines: Sequence[Judged],
    guard: float,
) -> None:
    one = w.put(parent, "measurementResult")
    w.words(one, "name", title)
    method = w.put(w.put(one, "usedMethods"), "usedMethod")
    w.words(method, "name", title)
    w.words(method, "description", METHODS[group])
    software(w, w.put(one, "usedSoftware"), content)
    _equipment(w, one, content)
    _influences(w, w.put(one, "influenceConditions"), stored, lines)
    result = w.put(w.put(one, "results"), "result")
    w.words(result, "name", title)
    data = w.put(result, "data")
    for line in lines:
        _quantity(w, data, line, guard, silent=content.silent)
    if group == "angle":
        _curve(w, data, content)
    if len(data) == 0:
        w.words(data, "text", "Nothing was judged in this run.")


def _equipment(w: Writer, one: _Element, content: Content) -> None:
    used = [i for i in content.instruments if i.matters]
    if not used:
        return
    held = w.put(one, "measuringEquipments")
    for i in used:
        equipment = w.put(held, "measuringEquipment")
        w.words(equipment, "name", i.role)
        calibration = f"{i.status}; {i.certificate or DASH}; {i.calibrated or DASH} to {i.due or DASH}"
        w.verbatim(equipment, "description", calibration)
        if i.who:
            w.put(equipment, "model", i.who)
        named = [(issuer, value) for issuer, value in (("manufacturer", i.serial), ("owner", i.asset)) if value]
        if named:
            ids = w.put(equipment, "identifications")
        for issuer, value in named:
            identification = w.put(ids, "identification")
            w.put(identification, "issuer", issuer)
            w.put(identification, "value", value)


def _influences(w: Writer, parent: _Element, stored: StoredRun, lines: Sequence[Judged]) -> None:
    def put(name: str, values: Sequence[float], unit: str, ref: str) -> None:
        condition = w.put(parent, "influenceCondition", refType=ref)
        w.words(condition, "name", name)
        quantity = w.put(w.put(condition, "data"), "quantity")
        _reals(w, quantity, values, unit)

    for quantity, name, unit, ref in (
        ("ambient_temperature", "Air at the part", r"\degreecelsius", "basic_temperature"),
        ("humidity", "Relative humidity", r"\percent", "basic_humidityRelative"),
    ):
        values = [r.number() for r in stored.readings if r.quantity == quantity and r.value is not None]
        if values:
            put(name, values, unit, ref)
    coil = [
        degc for line in lines if line.result and isinstance(degc := line.result.conditions.get("coil_degc"), float)
    ]
    if coil:
        put("Coil temperature", coil[:1], r"\degreecelsius", "basic_temperature")
    excitation = stored.header.part.get("excitation", {})
    put("Excitation frequency", [float(excitation.get("frequency_hz", 0.0))], r"\hertz", "basic_nominalValue")
    put("Excitation voltage, rms", [float(excitation.get("level_v_rms", 0.0))], r"\volt", "basic_nominalValue")


def _reals(w: Writer, quantity: _Element, values: Sequence[float], unit: str) -> None:
    if len(values) == 1:
        real = w.put(quantity, "si:real")
        w.put(real, "si:value", decimal(values[0]))
        w.put(real, "si:unit", unit)
    else:
        reals = w.put(quantity, "si:realListXMLList")
        w.put(reals, "si:valueXMLList", " ".join(decimal(value) for value in values))
        w.put(reals, "si:unitXMLList", unit)


def _quantity(w: Writer, data: _Element, line: Judged, guard: float, *, silent: bool) -> None:
    quantity = w.put(data, "quantity", refType=f"anglewright_{line.measurand}")
    w.words(quantity, "name", short_name(line.measurand, alone=True))
    shown = display(line, guard)
    value = shown.estimate.replace("\u2212", "-")
    if re.fullmatch(r"-?\d+(\.\d+)?", value):
        real = w.put(quantity, "si:real")
        w.put(real, "si:value", value)
        w.put(real, "si:unit", UNITS[shown.unit])
        if shown.U and line.result is not None:
            expanded = w.put(w.put(real, "si:measurementUncertaintyUnivariate"), "si:expandedMU")
            w.put(expanded, "si:valueExpandedMU", shown.U)
            w.put(expanded, "si:coverageFactor", shown.k)
            w.put(expanded, "si:coverageProbability", decimal(line.result.coverage))
            w.put(expanded, "si:distribution", "normal" if (line.result.dof or math.inf) > 100.0 else "t")
    elif shown.estimate == DASH:
        w.words(quantity, "noQuantity", "not tested")
    else:
        w.verbatim(quantity, "noQuantity", f"{shown.estimate} {shown.unit}".strip())
    meta = w.put(w.put(quantity, "measurementMetaData"), "metaData", refType="basic_conformity")
    if silent or line.limit is None:
        w.words(meta, "declaration", "no verdict" if silent else line.verdict.value)
        return
    _limit(w, meta, line, guard, shown.note)


def _limit(w: Writer, meta: _Element, line: Judged, guard: float, note: str) -> None:
    m = unit_of_line(line)
    limit = line.limit
    if limit is None:
        return
    scale = scale_of(m, max(abs(end) for end in (limit.lower, limit.upper) if end is not None))
    limits = f"{limit_text(limit, m, scale)} {scale.unit}".strip()
    conformity = CONFORMITY.get(line.verdict.value)
    declaration = w.put(meta, "declaration")
    for tongue in w.tongues:
        parts = [tongue.say(line.verdict.value)] if conformity is None else []
        parts += [
            f"{tongue.say('limit')} {tongue.figures(limits)}",
            tongue.say(limit.origin),
            f"w = {guard:g} U",
            limit.note,
        ]
        parts.append(note if conformity is None else "")
        w.put(declaration, "content", "; ".join(part for part in parts if part), lang=tongue.code)
    if conformity is not None:
        w.put(meta, "conformity", conformity)
    data = w.put(meta, "data")
    for name, end in (("lower limit", limit.lower), ("upper limit", limit.upper)):
        if end is not None:
            quantity = w.put(data, "quantity")
            w.words(quantity, "name", name)
            _reals(w, quantity, [end * scale.factor], UNITS[scale.unit])


def _curve(w: Writer, data: _Element, content: Content) -> None:
    """The error over the turn as a list of pairs; places where either is missing are left out."""
    curves: Mapping[str, Any] = content.curves
    key = next((k for k in ("error_model_elec_arcmin", "error_mean_elec_arcmin") if curves.get(k)), None)
    if key is None or not curves.get("angle_mech_deg"):
        return
    pairs = [(x, y / 60.0) for x, y in zip(curves["angle_mech_deg"], curves[key], strict=False) if _both(x, y)]
    if len(pairs) < 2:
        return
    held = w.put(data, "list", refType="anglewright_error_curve")
    w.words(held, "name", "Angle error over one turn")
    for name, ref, values in (
        ("Rotor angle (mechanical)", "basic_referenceValue", [x for x, _ in pairs]),
        ("Angle error (electrical)", "basic_measurementError", [y for _, y in pairs]),
    ):
        quantity = w.put(held, "quantity", refType=ref)
        w.words(quantity, "name", name)
        _reals(w, quantity, values, r"\degree")


def _both(x: float | None, y: float | None) -> bool:
    return x is not None and y is not None and math.isfinite(x) and math.isfinite(y)
