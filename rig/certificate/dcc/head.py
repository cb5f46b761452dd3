"""The administrative part of the XML face: software, core data, item, shop, persons, customer, statements.

It takes its words from Content alone. What the shop does not know is content as "not stated", never made up.
Source: DCC 3.3.0, administrativeDataType and below.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from rig.certificate.content.report import Content
from rig.certificate.dcc.writer import Writer
from rig.certificate.shop import Shop
from rig.records.run.stored import StoredRun

if TYPE_CHECKING:
    from lxml.etree import _Element

SEAL_TYPE = "anglewright_seal"


def administrative(
    w: Writer,
    root: _Element,
    content: Content,
    stored: StoredRun,
    shop: Shop,
    issued_utc: str,
    check: str,
    previous: tuple[str, str] | None,
) -> None:
    h = stored.header
    admin = w.put(root, "administrativeData")
    software(w, w.put(admin, "dccSoftware"), content)
    core = w.put(admin, "coreData")
    w.put(core, "countryCodeISO3166_1", shop.country)
    for tag in ("usedLangCodeISO639_1", "mandatoryLangCodeISO639_1"):
        for code in shop.languages if tag.startswith("used") else shop.languages[:1]:
            w.put(core, tag, code)
    w.put(core, "uniqueIdentifier", content.number)
    if re.fullmatch(r"\d{4}-\d\d-\d\d", received := str(h.details.get("received", ""))):
        w.put(core, "receiptDate", received)
    ended = stored.record.ended_utc if stored.record else h.started_utc
    w.put(core, "beginPerformanceDate", h.started_utc[:10])
    w.put(core, "endPerformanceDate", max(ended[:10], h.started_utc[:10]))
    w.put(core, "performanceLocation", "laboratory")
    w.put(core, "issueDate", issued_utc[:10])
    if content.replaces:
        change = w.put(core, "reportAmendedSubstituted")
        w.put(change, "typeOfChange", "amended")
        w.put(change, "replacedUniqueIdentifier", content.replaces)
    if previous is not None:
        held = w.put(core, "previousReport")
        w.words(held, "referral", "Report that this one replaces")
        for tag, text in (("referralID", previous[0]), ("procedure", "SHA256"), ("value", previous[1])):
            w.put(held, tag, text)
    _item(w, admin, content)
    _contact(w, w.put(w.put(admin, "calibrationLaboratory"), "contact"), shop)
    person = w.put(w.put(w.put(admin, "respPersons"), "respPerson"), "person")
    w.verbatim(person, "name", shop.authorised_by or dict(content.job).get("Done by", ""))
    customer = w.put(admin, "customer")
    w.verbatim(customer, "name", dict(content.job).get("Customer", "").removesuffix(", as told"))
    w.words(w.put(customer, "location"), "further", "not stated")
    _statements(w, w.put(admin, "statements"), content, check)


def software(w: Writer, parent: _Element, content: Content) -> None:
    name, _, version = content.software.rpartition(" ")
    release = re.match(r"\d{1,3}(\.\d{1,3}){0,3}", version)
    software = w.put(parent, "software")
    w.verbatim(software, "name", name or content.software)
    w.put(software, "release", f"v{release[0]}" if release else "v0")


def _item(w: Writer, admin: _Element, content: Content) -> None:
    facts = dict(content.item)
    item = w.put(w.put(admin, "items"), "item")
    w.words(item, "name", facts["Item"])
    description = w.put(item, "description")
    for tongue in w.tongues:
        text = "; ".join(
            f"{tongue.say(name)}: {tongue.say(facts[name])}" for name in ("Condition", "Rotor", "Pole pairs")
        )
        w.put(description, "content", text, lang=tongue.code)
    ids = w.put(item, "identifications")
    for issuer, name, value in (
        ("manufacturer", "Serial", facts.get("Serial", "")),
        ("manufacturer", "Part number", facts.get("Part number", "")),
        ("calibrationLaboratory", "Job", dict(content.job).get("Job", "")),
    ):
        if value.strip():
            one = w.put(ids, "identification")
            w.put(one, "issuer", issuer)
            w.put(one, "value", " ".join(value.split()))
            w.words(one, "name", name)


def _contact(w: Writer, contact: _Element, shop: Shop) -> None:
    w.verbatim(contact, "name", shop.name)
    for tag, text in (("eMail", shop.mail), ("phone", shop.phone)):
        if text:
            w.put(contact, tag, text)
    location = w.put(contact, "location")
    if shop.city:
        w.put(location, "city", shop.city)
    w.put(location, "countryCode", shop.country)
    for line in shop.address:
        if line != shop.city:
            w.verbatim(location, "further", line)


def _statements(w: Writer, parent: _Element, content: Content, check: str) -> None:
    def say(text: str, **more: str) -> None:
        statement = w.put(parent, "statement")
        for tag, value in more.items():
            w.put(statement, tag, value)
        w.words(statement, "declaration", text)

    if content.simulated:
        say("SIMULATED: no part was measured")
    for text in content.statements:
        say(text)
    say(content.traceability, traceable="true" if content.traceable else "false")
    say(content.decision)
    say(content.risk)
    say(content.relearn)
    for text in content.excluded:
        statement = w.put(parent, "statement")
        w.words(statement, "name", "Not tested")
        w.words(statement, "declaration", text)
    if content.amendment is not None:
        statement = w.put(parent, "statement")
        w.words(statement, "name", "Reason")
        w.verbatim(statement, "declaration", "; ".join((content.amendment.reason, *content.amendment.changed)))
    if check:
        statement = w.put(parent, "statement", refType=SEAL_TYPE)
        w.words(statement, "name", "sha256 of this report's data")
        w.verbatim(statement, "declaration", check)
