"""What the schema of the DCC lets through: quantities, languages, countries, dates, references, conformity.

    faults(xml) -> [Fault("error", "list lengths", "line 210", "3 uncertainties for 4 values")]

Plain checks on the tree; no network, no Schematron processor, no schema needed. The rules on quantities stand in
quantity_rules.py. Who wrote the file makes no difference. Source: the rules published
with DCC 3.3.0 (dcc.sch), in own words.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from rig.certificate.dcc import quantity_rules as quantities
from rig.certificate.dcc.vocabulary import COUNTRIES, LANGUAGES
from rig.certificate.dcc.writer import DCC, NS, Found, tokens
from rig.errors import RecordError

if TYPE_CHECKING:
    from lxml.etree import _Element

RELEASE = re.compile(r"[a-zA-Z] ?([0-9]{1,3}\.){0,3}[0-9]{1,3}")
CONFORMITY = frozenset({"pass", "fail", "conditionalPass", "conditionalFail", "noPass", "noFail"})


@dataclass(frozen=True, slots=True)
class Fault:
    """severity: "error" or "warning"; where: line of the document and element."""

    severity: str
    rule: str
    where: str
    text: str


def faults(xml: bytes) -> list[Fault]:
    """Every breach of the rules, in the rules' order. Raises RecordError when it is no XML or no DCC at all."""
    from lxml import etree

    try:
        root = etree.fromstring(xml, etree.XMLParser(resolve_entities=False, no_network=True))
    except etree.XMLSyntaxError as fault:
        raise RecordError(f"the certificate is not XML: {fault}.", next_action="Ask for the file again.") from fault
    if etree.QName(root).localname != "digitalCalibrationCertificate":
        raise RecordError("this XML is no digital calibration certificate.", next_action="Ask for the right file.")
    made = []
    for severity, rule, check in RULES:
        for element, text in check(root):
            name = etree.QName(element).localname
            made.append(Fault(severity, rule, f"line {element.sourceline}, {name}", text))
    return made


def languages(root: _Element) -> Found:
    """Languages are declared once, are real ones, and every text that names one has them all."""
    declared = [e.text or "" for e in root.iter(f"{{{DCC}}}usedLangCodeISO639_1")]
    for tag in ("usedLangCodeISO639_1", "mandatoryLangCodeISO639_1"):
        for element in root.iter(f"{{{DCC}}}{tag}"):
            if (element.text or "") not in LANGUAGES:
                yield element, f"{element.text!r} is no ISO 639-1 language"
            elif declared.count(element.text or "") != 1 and tag.startswith("used"):
                yield element, f"{element.text!r} is declared twice"
            elif (element.text or "") not in declared:
                yield element, f"{element.text!r} is not among the used languages"
    for parent in {content.getparent() for content in root.iter(f"{{{DCC}}}content")}:
        if parent is None:
            continue
        used = [c.get("lang") for c in parent.iterfind("dcc:content", NS) if c.get("lang")]
        if used and sorted(filter(None, used)) != sorted(declared):
            yield parent, f"says it in {', '.join(map(str, used))}, declared are {', '.join(declared)}"


def country(root: _Element) -> Found:
    """Countries are ISO 3166-1."""
    for element in root.iter(f"{{{DCC}}}countryCodeISO3166_1", f"{{{DCC}}}countryCode"):
        if (element.text or "") not in COUNTRIES:
            yield element, f"{element.text!r} is no ISO 3166-1 country"


def dates(root: _Element) -> Found:
    """Received, begun, ended and issued in that order."""
    core = root.find(".//dcc:coreData", NS)
    if core is None:
        return
    before: tuple[date, str] | None = None
    for name in ("receiptDate", "beginPerformanceDate", "endPerformanceDate", "issueDate"):
        element = core.find(f"dcc:{name}", NS)
        if element is None:
            continue
        try:
            day = date.fromisoformat(element.text or "")
        except ValueError:
            yield element, f"{element.text!r} is no date"
            continue
        if before is not None and day < before[0]:
            yield element, f"{day} lies before {before[1]} {before[0]}"
        before = (day, name)


def releases(root: _Element) -> Found:
    """A release is a letter and numbers: v1.2.3."""
    for element in root.iter(f"{{{DCC}}}release"):
        if not RELEASE.fullmatch(element.text or ""):
            yield element, f"{element.text!r} is not like v1.2.3"


def references(root: _Element) -> Found:
    """Every refId leads to an id."""
    ids = {element.get("id") for element in root.iter() if element.get("id")}
    for element in root.iter():
        for target in (element.get("refId") or "").split():
            if target not in ids:
                yield element, f"refId {target!r} leads nowhere"


def non_si(root: _Element) -> Found:
    """A non-SI unit is declared with its definition, and used only when declared."""
    known = {element.text for element in root.iter(f"{{{DCC}}}nonSIUnit")}
    for statement in root.iterfind(".//dcc:statement", NS):
        if (statement.find("dcc:nonSIUnit", NS) is None) != (statement.find("dcc:nonSIDefinition", NS) is None):
            yield statement, "a non-SI unit without its definition, or the other way round"
    for element in root.iterfind(".//si:hybrid/si:real/si:unit", NS):
        if (element.text or "").startswith("|") and element.text not in known:
            yield element, f"{element.text!r} is not declared"


def conformity(root: _Element) -> Found:
    """Only the six words, and only beside a limit or a text that says which."""
    for element in root.iter(f"{{{DCC}}}conformity", f"{{{DCC}}}conformityXMLList"):
        for token in tokens(element):
            if token not in CONFORMITY:
                yield element, f"{token!r} is no conformity statement"


def replacement(root: _Element) -> Found:
    """A report that replaces another has a number of its own."""
    own = root.find(".//dcc:coreData/dcc:uniqueIdentifier", NS)
    for element in root.iterfind(".//dcc:reportAmendedSubstituted/dcc:replacedUniqueIdentifier", NS):
        if own is not None and element.text == own.text:
            yield element, "it replaces itself"


RULES: tuple[tuple[str, str, Callable[[_Element], Found]], ...] = (
    ("error", "methods", quantities.methods),
    ("error", "influence conditions", quantities.conditions),
    ("warning", "software named", quantities.software),
    ("error", "declaration", quantities.equipment_named),
    ("error", "list lengths", quantities.list_lengths),
    ("error", "list spaces", quantities.list_spaces),
    ("error", "numbers", quantities.numbers),
    ("error", "units", quantities.units),
    ("warning", "units said once", quantities.same_units),
    ("error", "relative uncertainty", quantities.relative_uncertainty),
    ("error", "languages", languages),
    ("error", "country", country),
    ("error", "dates", dates),
    ("error", "release", releases),
    ("error", "references", references),
    ("error", "non-SI units", non_si),
    ("error", "conformity", conformity),
    ("error", "amended", replacement),
)
