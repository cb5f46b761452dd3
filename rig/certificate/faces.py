"""The faces of a report from one Content: JSON with every figure unrounded, XML (DCC), PDF/A-3b that carries both, CSV.

    build_report(stored, ...) -> Report(number, document, faces)     faces(stored) -> [(kind, file name, bytes)]

It writes no file and opens no run: the store does; issue.py decides which issue it is. Numbers are unrounded, null
never NaN; simulated runs say so first. A face that its own rules find faulty is never handed out.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Any

from rig.certificate.content.report import Amendment, Content, build_content
from rig.certificate.csv_table import curves_csv, results_csv
from rig.certificate.page.pdf import code_svg, pdf
from rig.certificate.seal.canonical import changes, with_check
from rig.certificate.shop import Shop, load_shop, shop_of
from rig.certificate.words.wording import find_measurand
from rig.errors import RecordError, UsageError
from rig.records.files import sha256_of, to_json
from rig.records.run.record import dump_judgement
from rig.records.run.stored import StoredRun
from rig.records.schema import plain
from rig.result import Judgement
from rig.uncertainty.sameness import same_figure

SCHEMA = "anglewright certificate 1"
IN_WORDS = (  # what stands in words in the JSON face, as it is printed in English
    "number",
    "run",
    "issue",
    "replaces",
    "amendment",
    "simulated",
    "title",
    "subtitle",
    "shop",
    "item",
    "job",
    "by_customer",
    "dates",
    "outcome",
    "sentence",
    "conditions",
    "manual",
    "remarks",
    "instruments",
    "traceable",
    "traceability",
    "decision",
    "risk",
    "equations",
    "positive",
    "pins",
    "pole_pairs",
    "excluded",
    "statements",
    "relearn",
    "software",
    "hashes",
)
NOT_COMPARED = ("check", "number", "issue", "replaces", "amendment", "dates.Issued", "curves", "hashes", "mark")


@dataclass(frozen=True, slots=True)
class Report:
    """One issue of a report. document: the JSON face as data. faces: (kind, file name, bytes)."""

    content: Content
    issued_utc: str
    document: Mapping[str, Any]
    faces: tuple[tuple[str, str, bytes], ...]

    @property
    def hash(self) -> str:
        """The hash over all parts of the JSON face."""
        return str(self.document["check"]["hash"])


def build_report(
    stored: StoredRun,
    *,
    issued_utc: str = "",
    issue: int = 1,
    shop: Shop | None = None,
    reason: str = "",
    corrections: Mapping[str, str] | None = None,
    previous: Mapping[str, Any] | None = None,
    remarks: Collection[str] | None = None,
    held_back: Sequence[str] = (),
) -> Report:
    """One issue of a judged run's report. Pure but for the run's files.

    issued_utc: ISO 8601, by default now (never before the run ended). reason, previous: why it stands in place of an
    earlier one, and that one's JSON face. remarks: files of those that it holds, by default every one. Raises
    UsageError for a run without a judgement, RecordError when it can't be read or set, or when a face breaks its own
    rules.
    """
    judgement = stored.judgement
    if judgement is None:
        raise UsageError(f"run {stored.id} was not judged.", next_action="Judge it first, or run the test again.")
    issued = issued_utc or issue_time(stored)
    shop = shop or load_shop() or shop_of(stored.header.bench)
    content = build_content(
        stored,
        judgement,
        issued_utc=issued,
        issue=issue,
        shop=shop,
        corrections=corrections,
        remarks=remarks,
        held_back=held_back,
    )
    hashes = list(content.hashes)
    if stored.record is not None:
        hashes.append(("run.json", sha256_of(stored.path / "run.json")))
    content = replace(content, hashes=tuple(hashes))
    if reason:
        changed = describe_changes(previous, json_face(content, judgement)) if previous else []
        content = replace(content, amendment=Amendment(content.replaces, reason, tuple(changed)))
    document = with_check(json_face(content, judgement))
    check = document["check"]["hash"]
    data = to_json(document)
    xml = _xml(content, stored, judgement, shop, issued, check, previous)
    qr = "" if content.simulated or content.awaits else code_svg(content.number, check)
    page = pdf(content, data, issued_utc=issued, xml=xml, shop=shop, check=check, qr=qr)
    made = [
        ("certificate", "certificate.pdf", page),
        ("data", "certificate.json", data),
        ("table", "certificate.csv", results_csv(content, judgement)),
    ]
    if xml:
        made.insert(2, ("xml", "certificate.xml", xml))
    if curves := curves_csv(content):
        made.append(("curves", "curves.csv", curves))
    return Report(content, issued, document, tuple(made))


def json_face(content: Content, judgement: Judgement) -> dict[str, Any]:
    """The JSON face without its check: what is content in words, and the judgement with every figure."""
    data = asdict(content)
    words: Mapping[str, Any] = {key: _objects(data[key]) for key in IN_WORDS}
    figures = dump_judgement(judgement)
    del figures["schema"]
    mark = "SIMULATED: no part was measured" if content.simulated else ""
    return {"schema": SCHEMA, "mark": mark, **words, **figures}


def describe_changes(
    was: Mapping[str, Any], now: Mapping[str, Any], most: int = 12, *, of: Collection[str] = ()
) -> list[str]:
    """What a later report says differently, in words: 'Customer: A -> B', 'Largest angle error: verdict ...'.

    of: only these parts of it, and of its head only what the earlier one said at all.
    """
    found: list[tuple[int, str]] = []
    after = {key: value for key, value in plain(now).items() if key not in NOT_COMPARED}
    before = {key: value for key, value in was.items() if key not in NOT_COMPARED}
    widths = _expanded_uncertainties(before)
    for path, old, new in changes(before, after):
        keys = path.split(".")
        if path in NOT_COMPARED or "budget" in keys or _same(old, new, keys, widths):
            continue
        if of and (keys[0] not in of or (keys[0] == "item" and old is None)):
            continue
        if keys[0] == "judged":
            keys = [find_measurand(keys[1]).name, *keys[2:]]
        elif keys[0] in ("item", "job", "dates", "conditions"):
            keys = keys[1:]
        weight = 0 if path == "outcome" else 1 if keys[-1] == "verdict" else 2
        found.append((weight, f"{' '.join(key for key in keys if key != 'result')}: {_short(old)} → {_short(new)}"))
    words = [text for _, text in sorted(found, key=lambda row: row[0])]
    return words[:most] + ([f"and {len(words) - most} more"] if len(words) > most else [])


def _expanded_uncertainties(face: Mapping[str, Any]) -> dict[str, float]:
    """Measurand -> its expanded uncertainty in a JSON face, where it has one."""
    results = {str(line["measurand"]): line.get("result") for line in face.get("judged", ())}
    return {id_: r["k"] * r["u"] for id_, r in results.items() if r and r.get("u") and r.get("k")}


def _same(old: Any, new: Any, keys: list[str], expanded: Mapping[str, float]) -> bool:
    """Whether two figures are the same (rig/uncertainty/sameness.py): a line's estimate in its U, others in themselves
    or, small beside it, in the U of their line."""
    if not isinstance(old, float) or not isinstance(new, float):
        return False
    in_U = same_figure(old, new, expanded.get(keys[1]) if keys[1:] else None)
    return in_U or (keys[-1] != "estimate" and same_figure(old, new))


def _short(value: Any) -> str:
    if value is None or value == "":
        return "nothing"
    text = f"{value:.6g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _xml(
    content: Content,
    stored: StoredRun,
    judgement: Judgement,
    shop: Shop,
    issued: str,
    check: str,
    previous: Mapping[str, Any] | None,
) -> bytes:
    """The DCC, b"" for a shop whose country is not known. Raises RecordError when it breaks a rule."""
    if not shop.country:
        return b""
    from rig.certificate.dcc.document import dcc
    from rig.certificate.dcc.rules import faults

    before = None
    if previous and isinstance(previous.get("check"), Mapping):
        before = (str(previous.get("number")), str(previous["check"].get("hash")))
    xml = dcc(content, stored, judgement, shop=shop, issued_utc=issued, check=check, previous=before)
    if wrong := [fault for fault in faults(xml) if fault.severity == "error"]:
        broken = "; ".join(f"{fault.rule}, {fault.where}: {fault.text}" for fault in wrong[:3])
        raise RecordError(
            f"report {content.number}: its XML breaks the rules ({broken}).",
            next_action="Report this; correct shop.toml when it names country or language.",
        )
    return xml


def _objects(value: Any) -> Any:
    """(name, value) pairs as an object."""
    if isinstance(value, tuple) and value and all(isinstance(item, tuple) and len(item) == 2 for item in value):
        return dict(value)
    return value


def issue_time(stored: StoredRun) -> str:
    """Now, but never before the run ended (the simulated bench's clock may be ahead)."""
    now = datetime.now(UTC)
    if stored.record is not None:
        now = max(now, datetime.fromisoformat(stored.record.ended_utc))
    return now.isoformat(timespec="seconds").replace("+00:00", "Z")
