"""What the schema of the DCC lets through: lengths, units, methods, conditions, languages, dates, numbers, conformity.

    faults(xml) -> [Fault("error", "list lengths", "line 210", "3 uncertainties for 4 values")]

Plain checks on the tree; no network, no Schematron processor, no schema needed. Source: the rules published with DCC
3.3.0 (dcc.sch) told anew, and the number traps of D-SI 2.2.1 (coverage factor without exponent, no infinity, no NaN).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from rig.certificate.dcc_words import COUNTRIES, LANGUAGES, unit_known
from rig.certificate.dcc_writer import DCC, SI
from rig.errors import RecordError

if TYPE_CHECKING:
    from lxml.etree import _Element

NS = {"dcc": DCC, "si": SI}
RELEASE = re.compile(r"[a-zA-Z] ?([0-9]{1,3}\.){0,3}[0-9]{1,3}")
NUMBER = re.compile(r"[-+]?((\d*\.\d+)|(\d+\.\d*)|(\d+))([Ee][-+]?\d+)?")
COVERAGE_FACTOR = re.compile(r"\+?([1-9]\d*(\.\d*)?)")
PROBABILITY = re.compile(r"\+?((0(\.\d*)?)|(1(\.0*)?))")
ONE_SPACE = re.compile(r"\S+( \S+)*")
_LISTS = (
    "valueXMLList unitXMLList labelXMLList dateTimeXMLList uncertaintyXMLList coverageFactorXMLList "
    "coverageProbabilityXMLList distributionXMLList valueExpandedMUXMLList valueStandardMUXMLList intervalMinXMLList "
    "intervalMaxXMLList conformityXMLList validXMLList"
)
LISTS = frozenset(_LISTS.split())
CONFORMITY = frozenset({"pass", "fail", "conditionalPass", "conditionalFail", "noPass", "noFail"})


@dataclass(frozen=True, slots=True)
class Fault:
    """severity: "error" or "warning"; where: line of the document and element."""

    severity: str
    rule: str
    where: str
    text: str


Found = Iterator[tuple["_Element", str]]


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


# ---- what must stand beside a quantity ----------------------------------------------------------------------------


def _quantities(root: _Element) -> list[_Element]:
    return [*root.iterfind(".//dcc:result/dcc:data/dcc:quantity", NS), *_listed(root)]


def _listed(root: _Element) -> Iterator[_Element]:
    for held in root.iterfind(".//dcc:measurementResults//dcc:list", NS):
        if not any(up.tag == f"{{{DCC}}}metaData" for up in held.iterancestors()):
            yield from held.iterfind("dcc:quantity", NS)


def _without(root: _Element, what: str) -> Found:
    """Quantities for which neither they, nor their list, nor their measurement result names `what`."""
    tag = f"{{{DCC}}}{what}"
    for quantity in _quantities(root):
        if quantity.find(tag) is None and not any(up.find(tag) is not None for up in quantity.iterancestors()):
            yield quantity, f"no {what} for this quantity, its list or its measurement result"


def methods(root: _Element) -> Found:
    """Each quantity has a method."""
    yield from _without(root, "usedMethods")


def conditions(root: _Element) -> Found:
    """Each quantity has its influence conditions."""
    yield from _without(root, "influenceConditions")


def software(root: _Element) -> Found:
    """Each quantity should name the software."""
    yield from _without(root, "usedSoftware")


def equipment_named(root: _Element) -> Found:
    """A metaData element says something: conformity or declaration."""
    for meta in root.iterfind(".//dcc:metaData", NS):
        if meta.find("dcc:declaration", NS) is None:
            yield meta, "has no declaration"


# ---- lists, numbers, units ----------------------------------------------------------------------------------------


def list_lengths(root: _Element) -> Found:
    """As many units and uncertainties as values, or one for all; columns of a list equally long."""
    for reals in root.iter(f"{{{SI}}}realListXMLList", f"{{{SI}}}complexListXMLList"):
        n = len(_tokens(reals.find("si:valueXMLList", NS)))
        for part in reals.iter():
            local = _local(part)
            if local in LISTS and local != "valueXMLList" and (held := len(_tokens(part))) not in (1, n):
                yield part, f"{held} entries in {local} for {n} values"
    for held_list in root.iter(f"{{{DCC}}}list"):
        lengths = {len(_tokens(v)) for v in held_list.iterfind("dcc:quantity/si:realListXMLList/si:valueXMLList", NS)}
        if len(lengths) > 1:
            yield held_list, f"its quantities have {', '.join(map(str, sorted(lengths)))} values"
    for quantity in root.iter(f"{{{DCC}}}quantity"):
        values = quantity.find("si:realListXMLList/si:valueXMLList", NS)
        for stated in quantity.iterfind("dcc:measurementMetaData/dcc:metaData/dcc:conformityXMLList", NS):
            if values is not None and len(_tokens(stated)) != len(_tokens(values)):
                yield stated, f"{len(_tokens(stated))} statements for {len(_tokens(values))} values"


def list_spaces(root: _Element) -> Found:
    """One space between entries, none at the ends."""
    for part in root.iter():
        if _local(part) in LISTS and not ONE_SPACE.fullmatch(part.text or ""):
            yield part, "entries are not parted by exactly one space"


def numbers(root: _Element) -> Found:
    """Values are finite decimals; factors have no exponent and start above zero; probabilities lie within 0 to 1."""
    patterns = {"coverageFactor": COVERAGE_FACTOR, "coverageProbability": PROBABILITY}
    for part in root.iter():
        local = _local(part).removesuffix("XMLList")
        number_like = local.startswith(("value", "interval", "uncertainty", "coverage", "standardUnc"))
        if not str(part.tag).startswith(f"{{{SI}}}") or len(part) or not number_like:
            continue
        for token in _tokens(part):
            if not patterns.get(local, NUMBER).fullmatch(token):
                yield part, f"{token!r} is no figure here"


def units(root: _Element) -> Found:
    """D-SI units only, without spaces."""
    for part in root.iter(f"{{{SI}}}unit", f"{{{SI}}}unitXMLList", f"{{{SI}}}unitPhase"):
        text = part.text or ""
        if _local(part) == "unit" and " " in text:
            yield part, f"a unit with a space: {text!r}"
            continue
        for token in text.split():
            if not unit_known(token):
                yield part, f"{token!r} is no D-SI unit"


def same_units(root: _Element) -> Found:
    """A list whose units are all the same says it once."""
    for part in root.iter(f"{{{SI}}}unitXMLList"):
        if len(tokens := _tokens(part)) > 1 and len(set(tokens)) == 1:
            yield part, f"{tokens[0]} is said {len(tokens)} times"


def relative_uncertainty(root: _Element) -> Found:
    """A relative uncertainty stands beside an expanded one and equals U / |y|."""
    for quantity in root.iter(f"{{{DCC}}}quantity"):
        relative = quantity.find("dcc:relativeUncertainty/dcc:relativeUncertaintySingle/si:value", NS)
        if relative is None:
            continue
        value, expanded = quantity.find("si:real/si:value", NS), quantity.find("si:real//si:valueExpandedMU", NS)
        if value is None or expanded is None:
            yield relative, "relative uncertainty without an expanded one"
            continue
        told, U, y = (float(element.text or 0) for element in (relative, expanded, value))
        if abs(told * abs(y) - U) > 1e-3 * U:
            yield relative, "relative uncertainty is not U over |y|"


# ---- languages, dates, names --------------------------------------------------------------------------------------


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
        for token in _tokens(element):
            if token not in CONFORMITY:
                yield element, f"{token!r} is no conformity statement"


def amended(root: _Element) -> Found:
    """A report that replaces another has a number of its own."""
    own = root.find(".//dcc:coreData/dcc:uniqueIdentifier", NS)
    for element in root.iterfind(".//dcc:reportAmendedSubstituted/dcc:replacedUniqueIdentifier", NS):
        if own is not None and element.text == own.text:
            yield element, "it replaces itself"


def _tokens(element: _Element | None) -> list[str]:
    return [] if element is None or not element.text else element.text.split()


def _local(element: _Element) -> str:
    return str(element.tag).rpartition("}")[2]


RULES: tuple[tuple[str, str, Callable[[_Element], Found]], ...] = (
    ("error", "methods", methods),
    ("error", "influence conditions", conditions),
    ("warning", "software named", software),
    ("error", "declaration", equipment_named),
    ("error", "list lengths", list_lengths),
    ("error", "list spaces", list_spaces),
    ("error", "numbers", numbers),
    ("error", "units", units),
    ("warning", "units said once", same_units),
    ("error", "relative uncertainty", relative_uncertainty),
    ("error", "languages", languages),
    ("error", "country", country),
    ("error", "dates", dates),
    ("error", "release", releases),
    ("error", "references", references),
    ("error", "non-SI units", non_si),
    ("error", "conformity", conformity),
    ("error", "amended", amended),
)
