"""An XML report as one reading of it: what a signature could leave open is refused before anything is read.

A document type, an entity, a comment, a processing instruction or an object inside a signature can make two readers
see two documents. No report of this program holds one. Source: XML 1.0 (2008) 2.5, 2.6, 2.8; XML Signature (2008) 8.1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rig.certificate.dcc.writer import local_name

if TYPE_CHECKING:
    from lxml.etree import _Element

DS = "{http://www.w3.org/2000/09/xmldsig#}"


class XmlReport:
    """root: None when the bytes are no XML. faults: why it can't be taken for a report as issued."""

    def __init__(self, data: bytes) -> None:
        from lxml import etree

        self.root: _Element | None = None
        self.faults: list[str] = []
        parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
        try:
            self.root = etree.fromstring(data, parser)
        except (etree.XMLSyntaxError, ValueError) as fault:
            self.faults.append(f"is no whole XML ({fault})")
            return
        if self.root.getroottree().docinfo.internalDTD is not None:
            self.faults.append("a document type, which no report has")
        for element in self.root.getroottree().iter():
            if not isinstance(element.tag, str):
                self.faults.append(f"line {element.sourceline}: a comment, entity or instruction, which no report has")
        signatures = list(self.root.iter(f"{DS}Signature"))
        if len(signatures) > 1 or any(signature.getparent() is not self.root for signature in signatures):
            self.faults.append("a signature that is not the last element of the report")
        if next(self.root.iter(f"{DS}Object"), None) is not None:
            self.faults.append("an object inside the signature, which no report has")


def xml_differences(was: Any, now: Any) -> list[str]:
    """Elements whose text or attributes differ, with both; [] when either is missing."""
    if was is None or now is None:
        return []
    old, new = list(was.iter()), list(now.iter())
    found = [f"{len(new)} elements where {len(old)} were issued"] if len(old) != len(new) else []
    for a, b in zip(old, new, strict=False):
        if (a.tag, (a.text or "").strip(), dict(a.attrib)) != (b.tag, (b.text or "").strip(), dict(b.attrib)):
            above = [up.get("refType") for up in (b, *b.iterancestors()) if up.get("refType")]
            place = next((ref for ref in above if ref.startswith("anglewright")), above[0] if above else "")
            name = f"{local_name(b)} of {place}" if place else local_name(b)
            found.append(f"line {b.sourceline}, {name}: {a.text!r} is now {b.text!r}")
    return found
