"""The morning page: what happened in a night, gravest first, each sentence with its figures. Read from what is kept.

It measures nothing and judges nothing anew: verdicts are those of the runs, drop-outs those of the pieces.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rig.certificate.words.phrase import join_texts, phrase
from rig.errors import RecordError, UsageError
from rig.jobs.night.checks.deciding import TAKERS
from rig.jobs.night.checks.sentence import Sentence, count_of
from rig.jobs.night.checks.telling import needs_a_person, notice_sentences, standards_out, standards_sentences
from rig.jobs.night.folder import NightFolder
from rig.jobs.night.hunting import copper_sentences, drop_outs, lost_sentences, temperatures
from rig.records.run.stored import StoredRun
from rig.records.store import Store

SCHEMA = "anglewright morning 1"
PERSON = "needs a person"


@dataclass(frozen=True, slots=True, kw_only=True)
class Morning:
    """headline, then sentences in the order of the page. looks: rows of the table."""

    night: str
    headline: str
    sentences: tuple[Sentence, ...]
    looks: tuple[Mapping[str, Any], ...]
    lost: tuple[Mapping[str, Any], ...] = field(default_factory=tuple)
    simulated: bool = False
    subject: str = ""

    def document(self) -> dict[str, Any]:
        """The --json document."""
        return {
            "schema": SCHEMA,
            "night": self.night,
            "simulated": self.simulated,
            "headline": self.headline,
            "sentences": [{"part": s.part, "text": s.text, "of": list(s.of)} for s in self.sentences],
            "looks": [dict(one) for one in self.looks],
            "drop_outs": [dict(one) for one in self.lost],
        }


def morning(folder: NightFolder, store: Store | None = None) -> Morning:
    """The page of a night, over all its sittings. Raises RecordError where its journal is damaged."""
    store = store or Store()
    plan, events = folder.plan, folder.events()
    ended = {int(one["look"]): one for one in events if one["what"] == "look ended"}
    pieces = [one for one in events if one["what"] == "piece"]
    lost = drop_outs(pieces)
    runs = {look: run for look, one in ended.items() if (run := _run(store, str(one.get("run", "")))) is not None}
    looks = tuple(_row(one, ended.get(int(one["look"]))) for one in plan["looks"])
    asked = [one["request"] for one in plan["looks"]]
    first: Mapping[str, Any] = next((one for one in asked if one["sequence"] not in TAKERS), asked[0] if asked else {})
    sentences = [
        *_person(looks, lost, events),
        *_sentences_of_looks(looks, events),
        *_before_after(runs),
        *copper_sentences(pieces),
        *lost_sentences(lost),
        *standards_sentences(events),
        *_bench(events, runs),
        *notice_sentences(events),
        Sentence(part="files", text=phrase("plan, journals and runs: {a}", a=str(folder.path))),
    ]
    return Morning(
        night=folder.id,
        headline=_headline(looks, lost, events, runs),
        sentences=tuple(sentences),
        looks=looks,
        lost=tuple(lost),
        simulated=any(run.header.simulated for run in runs.values()),
        subject=f"{first.get('part', '')} serial {first.get('serial', '')}",
    )


def _run(store: Store, run: str) -> StoredRun | None:
    try:
        return store.find(run) if run else None
    except (RecordError, UsageError):
        return None


def _row(planned: Mapping[str, Any], ended: Mapping[str, Any] | None) -> dict[str, Any]:
    request = planned["request"]
    row = {"look": planned["look"], "leg": planned["leg"], "sequence": request["sequence"], "serial": request["serial"]}
    if ended is None:
        return {**row, "outcome": "not begun", "run": "", "reason": ""}
    return {**row, "outcome": ended["outcome"], "run": ended["run"], "reason": ended["reason"]}


def _headline(
    looks: Sequence[Mapping[str, Any]],
    lost: Sequence[Mapping[str, Any]],
    events: Sequence[Mapping[str, Any]],
    runs: Mapping[int, StoredRun],
) -> str:
    unsafe = [run.id for run in runs.values() if run.record is not None and "not_safe" in run.record.note]
    if unsafe:
        return phrase("Not made safe: look at the bench before anything else (run {run}).", run=unsafe[0])
    if out := standards_out(events):
        look, name = out[0]
        return phrase(
            "Check standard {name} is out of control since look {n}; the night was stopped there.",
            name=name,
            n=str(look),
        )
    if lost:
        coils = " and ".join(sorted({str(one["coil"]) for one in lost}))
        return count_of(
            len(lost),
            "The {a} coil lost contact once, {where}.",
            "The {a} coil lost contact {n} times, {where}.",
            a=coils,
            where=temperatures(lost),
        )
    bad = [one for one in looks if one["outcome"] == "outside limits"]
    if bad:
        return phrase(
            "{n} of {nb} looks are outside limits, the first is look {nc}.",
            n=str(len(bad)),
            nb=str(len(looks)),
            nc=str(bad[0]["look"]),
        )
    odd = [one for one in looks if one["outcome"] not in ("within limits", "measured, no limits", "not begun")]
    if odd:
        return phrase(
            "{n} of {nb} looks can't be judged: {why} (look {nc}).",
            n=str(len(odd)),
            nb=str(len(looks)),
            why=str(odd[0]["outcome"]),
            nc=str(odd[0]["look"]),
        )
    left = [one for one in looks if one["outcome"] == "not begun"]
    if left:
        why = next((str(one["why"]) for one in reversed(events) if one["what"] == "ended"), "it was cut")
        return phrase("{n} of {nb} looks were not begun: {a}.", n=str(len(left)), nb=str(len(looks)), a=_short(why))
    return phrase("Nothing happened: {n} looks, all alike in outcome.", n=str(len(looks)))


def _short(why: str) -> str:
    """Why a night ended without the figures, which stand beside what they belong to."""
    return why.partition(": ")[0].rstrip(".")


def _person(
    looks: Sequence[Mapping[str, Any]], lost: Sequence[Mapping[str, Any]], events: Sequence[Mapping[str, Any]]
) -> list[Sentence]:
    found = needs_a_person(events)
    if lost:
        text = phrase("A contact that opens has to be found by hand: `anglewright run watch`, while the lead is bent.")
        found.append(Sentence(part=PERSON, text=text, of=tuple(dict.fromkeys(str(o["run"]) for o in lost))))
    for one in looks:
        if one["outcome"] not in ("within limits", "measured, no limits", "not begun"):
            text = phrase(
                "look {n} ({sequence}): {outcome}. {reason}",
                n=str(one["look"]),
                sequence=str(one["sequence"]),
                outcome=str(one["outcome"]),
                reason=str(one["reason"]),
            )
            found.append(Sentence(part=PERSON, text=text, of=(str(one["run"]),) if one["run"] else ()))
    return found or [Sentence(part=PERSON, text=phrase("nothing"))]


def _sentences_of_looks(looks: Sequence[Mapping[str, Any]], events: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    done = sum(one["outcome"] != "not begun" for one in looks)
    sittings = max((int(one["sitting"]) for one in events), default=0)
    ends = [one for one in events if one["what"] == "ended"]
    cut = sittings - len(ends)
    figures = {"n": str(done), "nb": str(len(looks)), "nc": str(len(looks) - done)}
    text = phrase("{n} of {nb} looks done, {nc} not begun", **figures)
    in_sittings = count_of(sittings, "in one sitting", "in {n} sittings")
    why = phrase("ended because {a}", a=_short(str(ends[-1]["why"]))) if ends else phrase("never ended in order")
    found = [Sentence(part="done", text=join_texts("; ", [join_texts(", ", [text, in_sittings]), why]))]
    if cut > 0:
        text = count_of(
            cut,
            "one sitting was cut short (controller or machine gone)",
            "{n} sittings were cut short (controller or machine gone)",
        )
        found.append(Sentence(part="done", text=text))
    return found


def _before_after(runs: Mapping[int, StoredRun]) -> list[Sentence]:
    """Lines that moved by more than U of the difference between the first and the last look of a certified sequence."""
    kept = [run for _, run in sorted(runs.items()) if run.header.kind.certified and run.judgement is not None]
    if len(kept) < 2:
        return [Sentence(part="before against after", text=phrase("no two full tests to compare"))]
    first, last = kept[0], kept[-1]
    before = {line.measurand: line for line in first.judgement.judged} if first.judgement else {}
    moved, compared = [], 0
    for line in last.judgement.judged if last.judgement else ():
        old = before.get(line.measurand)
        if old is None or old.result is None or line.result is None:
            continue
        a, b = old.result, line.result
        if a.estimate is None or b.estimate is None or a.U is None or b.U is None:
            continue
        compared += 1
        u = math.hypot(a.U, b.U)
        if abs(b.estimate - a.estimate) > u:
            change = b.estimate - a.estimate
            moved.append(
                phrase(
                    "{line} {change} {unit} (U of the difference {u})",
                    line=line.measurand,
                    change=f"{change:+.4g}",
                    unit=b.unit,
                    u=f"{u:.2g}",
                )
            )
    told = join_texts("; ", moved) or phrase("none moved by more than U of the difference")
    text = phrase("{n} lines: {told}", n=str(compared), told=told)
    return [Sentence(part="before against after", text=text, of=(first.id, last.id))]


def _bench(events: Sequence[Mapping[str, Any]], runs: Mapping[int, StoredRun]) -> list[Sentence]:
    repeated = sum(one.get("name") in ("step repeated", "said again") for run in runs.values() for one in run.events)
    again = sum(one["what"] == "look begun" and int(one["attempt"]) > 1 for one in events)
    armed = [one for one in events if one["what"] == "ended" and one.get("by")]
    by = phrase("armed by {a}", a=str(armed[-1]["by"])) if armed else phrase("no arming was needed")
    texts = [
        by,
        count_of(again, "one look begun again", "{n} looks begun again"),
        count_of(
            repeated,
            "one answer or step taken again after a fault of the wire",
            "{n} answers or steps taken again after a fault of the wire",
        ),
    ]
    offsets = sorted({str(one["local"])[-6:] for one in events if one["what"] == "begun"})
    return [
        Sentence(part="bench", text=join_texts("; ", texts)),
        Sentence(part="clock", text=_clock(offsets)),
    ]


def _clock(offsets: Sequence[str]) -> str:
    """Whether the hour changed between two sittings. Looks and holds run on time since boot: only labels move."""
    if len(offsets) < 2:
        return phrase("local time is UTC {a}; the hour did not change", a="".join(offsets) or "not known")
    return phrase("the hour changed: UTC {a}; only labels moved", a=", then ".join(offsets))
