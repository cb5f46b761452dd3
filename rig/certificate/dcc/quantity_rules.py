"""What the rules of the DCC ask of quantities: methods, conditions, list lengths, numbers, units, uncertainties.

Each rule takes the root and yields (element, what is wrong). Who wrote the file makes no difference. Source: the rules
published with DCC 3.3.0 (dcc.sch), in own words, and D-SI 2.2.1 on numbers (coverage factor without exponent, no
infinity, no NaN).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from rig.certificate.dcc.vocabulary import is_unit
from rig.certificate.dcc.writer import DCC, NS, SI, Found, local_name, tokens

if TYPE_CHECKING:
    from lxml.etree import _Element

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


def _quantities(root: _Element) -> list[_Element]:
    return [*root.iterfind(".//dcc:result/dcc:data/dcc:quantity", NS), *_list_elements(root)]


def _list_elements(root: _Element) -> Iterator[_Element]:
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
        n = len(tokens(reals.find("si:valueXMLList", NS)))
        for part in reals.iter():
            local = local_name(part)
            if local in LISTS and local != "valueXMLList" and (held := len(tokens(part))) not in (1, n):
                yield part, f"{held} entries in {local} for {n} values"
    for held_list in root.iter(f"{{{DCC}}}list"):
        lengths = {len(tokens(v)) for v in held_list.iterfind("dcc:quantity/si:realListXMLList/si:valueXMLList", NS)}
        if len(lengths) > 1:
            yield held_list, f"its quantities have {', '.join(map(str, sorted(lengths)))} values"
    for quantity in root.iter(f"{{{DCC}}}quantity"):
        values = quantity.find("si:realListXMLList/si:valueXMLList", NS)
        for stated in quantity.iterfind("dcc:measurementMetaData/dcc:metaData/dcc:conformityXMLList", NS):
            if values is not None and len(tokens(stated)) != len(tokens(values)):
                yield stated, f"{len(tokens(stated))} statements for {len(tokens(values))} values"


def list_spaces(root: _Element) -> Found:
    """One space between entries, none at the ends."""
    for part in root.iter():
        if local_name(part) in LISTS and not ONE_SPACE.fullmatch(part.text or ""):
            yield part, "entries are not parted by exactly one space"


def numbers(root: _Element) -> Found:
    """Values are finite decimals; factors have no exponent and start above zero; probabilities lie within 0 to 1."""
    patterns = {"coverageFactor": COVERAGE_FACTOR, "coverageProbability": PROBABILITY}
    for part in root.iter():
        local = local_name(part).removesuffix("XMLList")
        number_like = local.startswith(("value", "interval", "uncertainty", "coverage", "standardUnc"))
        if not str(part.tag).startswith(f"{{{SI}}}") or len(part) or not number_like:
            continue
        for token in tokens(part):
            if not patterns.get(local, NUMBER).fullmatch(token):
                yield part, f"{token!r} is no figure here"


def units(root: _Element) -> Found:
    """D-SI units only, without spaces."""
    for part in root.iter(f"{{{SI}}}unit", f"{{{SI}}}unitXMLList", f"{{{SI}}}unitPhase"):
        text = part.text or ""
        if local_name(part) == "unit" and " " in text:
            yield part, f"a unit with a space: {text!r}"
            continue
        for token in text.split():
            if not is_unit(token):
                yield part, f"{token!r} is no D-SI unit"


def same_units(root: _Element) -> Found:
    """A list whose units are all the same says it once."""
    for part in root.iter(f"{{{SI}}}unitXMLList"):
        if len(names := tokens(part)) > 1 and len(set(names)) == 1:
            yield part, f"{names[0]} stands {len(names)} times"


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
        u_relative, U, y = (float(element.text or 0) for element in (relative, expanded, value))
        if abs(u_relative * abs(y) - U) > 1e-3 * U:
            yield relative, "relative uncertainty is not U over |y|"
