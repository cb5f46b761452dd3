"""What is looked at before a run opens anything: texts that a record or a page can't hold, who may use the method, and
what the book knows of the unit (date of receipt, customer, contact), which the header then carries.

It opens no instrument. A text that no font here can print is refused now, not when the run is done.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from rig.certificate.page.fonts import check_printable, texts_in
from rig.certificate.shop import load_shop
from rig.jobs.kept.laboratory import check_person
from rig.records.book.entries import load_data, read_entries
from rig.records.schema import check_texts
from rig.records.store import Store


def check_stated(stated: Mapping[str, Any]) -> None:
    """Raises UsageError for a text that a record can't hold or that no font here can print, with the character."""
    check_texts(dict(stated))
    check_printable(texts_in(dict(stated)))


def look_before(store: Store, method: str, stated: Mapping[str, Any], printed: Mapping[str, Any]) -> dict[str, Any]:
    """stated: what a person said of this run (serial, job, customer, condition, operator, part); printed: what else the
    report shows (titles). {customer, received, customer_contact} as far as the book knows them.

    Raises UsageError for a character that can't be kept or printed, or a person who is not authorised.
    """
    known = book_facts(store, str(stated.get("part", "")), str(stated["serial"]), str(stated.get("job", "")))
    check_texts(dict(stated))
    shop = load_shop(store.home)
    lines = {"shop.toml": list(shop.lines)} if shop is not None else {}
    check_printable(texts_in({**dict(stated), **dict(printed), **known, **lines}))
    check_person(store, method, str(stated.get("operator", "")), datetime.now(UTC).date())
    return known


def book_facts(store: Store, part: str, serial: str, job: str) -> dict[str, str]:
    """What the book says of a unit of a job: the newest intake's day, the job's customer and contact."""
    folder = store.home / "book"
    if not job or not folder.is_dir():
        return {}
    jobs = [load_data("job", data, str(path)) for path, data in read_entries(folder, "job") if data.get("job") == job]
    came = [
        str(data.get("received_utc", ""))
        for _, data in read_entries(folder, "intake")
        if (data.get("job"), data.get("part"), data.get("serial")) == (job, part, serial)
    ]
    facts = {
        "received": came[-1][:10] if came else "",
        "customer": next((one.customer for one in reversed(jobs) if one.customer), ""),
        "customer_contact": next((one.contact for one in reversed(jobs) if one.contact), ""),
    }
    return {name: text for name, text in facts.items() if text}
