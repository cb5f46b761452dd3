"""The morning page: what happened in a night, gravest first, each sentence with its figures. Read from what is kept.

It measures nothing and judges nothing anew: verdicts are those of the runs, drop-outs those of the pieces.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rig.errors import RecordError, UsageError
from rig.jobs.night.folder import NightFolder
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.resolver.winding import COPPER_CONSTANT_DEGC
from rig.review.charts import NOT_COVERED
from rig.statistics.control_chart import IN_CONTROL
from rig.statistics.control_chart import OUT_OF_CONTROL as OUT

SCHEMA = "anglewright morning 1"
COPPER_PCT_K = 100.0 / (COPPER_CONSTANT_DEGC + 20.0)  # of the resistance at 20 degC, a kelvin
GROUP_K = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """part: of the page it belongs to; text; of: runs that it counts."""

    part: str
    text: str
    of: tuple[str, ...] = ()


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
    first: Mapping[str, Any] = plan["looks"][0]["request"] if plan["looks"] else {}
    sentences = [
        *_person(looks, lost),
        *_sentences_of_looks(looks, events),
        *_before_after(runs),
        *_copper(pieces),
        *_lost(lost),
        *_standards(events),
        *_bench(events, runs),
        *_notices(events),
        Sentence(part="files", text=f"plan, journals and runs: {folder.path}"),
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


def drop_outs(pieces: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Drop-outs over all pieces of a hunt; one that a piece ends in and the next begins with is one."""
    found: list[dict[str, Any]] = []
    still: dict[str, dict[str, Any]] = {}
    for piece in pieces:
        carried, still = still, {}
        for out in piece["lost"]:
            one = carried.pop(str(out["coil"]), None)
            if one is None:
                one = {**out, "run": piece["run"], "leg": piece["leg"]}
                found.append(one)
            else:
                one.update(s=one["s"] + out["s"], end_degc=out["end_degc"], open_at_end=out["open_at_end"])
            if out["open_at_end"]:
                still[str(out["coil"])] = one
    return found


def count_of(n: int, what: str) -> str:
    """'1 look', '2 looks'."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


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


def _temperatures(lost: Sequence[Mapping[str, Any]]) -> str:
    known = [float(one["degc"]) for one in lost if one.get("degc") is not None]
    ends = [float(one["end_degc"]) for one in lost if one.get("end_degc") is not None]
    if not known:
        return "at a temperature that is not known"
    low, high = min([*known, *ends]), max(known)
    return f"at {high:.1f} degC" if high - low < 0.05 else f"between {low:.1f} and {high:.1f} degC"


def _headline(
    looks: Sequence[Mapping[str, Any]],
    lost: Sequence[Mapping[str, Any]],
    events: Sequence[Mapping[str, Any]],
    runs: Mapping[int, StoredRun],
) -> str:
    unsafe = [run.id for run in runs.values() if run.record is not None and "not_safe" in run.record.note]
    if unsafe:
        return f"Not made safe: look at the bench before anything else (run {unsafe[0]})."
    out = [(one, row) for one in events if one["what"] == "standards" for row in one["rows"] if row["said"] == OUT]
    if out:
        look, row = out[0][0]["look"], out[0][1]
        return f"Check standard {row['standard']} is out of control since look {look}; the night was stopped there."
    if lost:
        coils = sorted({str(one["coil"]) for one in lost})
        times = "once" if len(lost) == 1 else f"{len(lost)} times"
        return f"The {' and '.join(coils)} coil lost contact {times}, {_temperatures(lost)}."
    bad = [one for one in looks if one["outcome"] == "outside limits"]
    if bad:
        return f"{len(bad)} of {len(looks)} looks are outside limits, the first is look {bad[0]['look']}."
    odd = [one for one in looks if one["outcome"] not in ("within limits", "measured, no limits", "not begun")]
    if odd:
        return f"{len(odd)} of {len(looks)} looks can't be judged: {odd[0]['outcome']} (look {odd[0]['look']})."
    left = [one for one in looks if one["outcome"] == "not begun"]
    if left:
        why = next((str(one["why"]) for one in reversed(events) if one["what"] == "ended"), "it was cut")
        return f"{len(left)} of {len(looks)} looks were not begun: {why}."
    return f"Nothing happened: {len(looks)} looks, all alike in outcome."


def _person(looks: Sequence[Mapping[str, Any]], lost: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    found = []
    if lost:
        text = "A contact that opens has to be found by hand: `anglewright run watch`, while the lead is bent."
        found.append(Sentence(part="needs a person", text=text, of=tuple(dict.fromkeys(str(o["run"]) for o in lost))))
    for one in looks:
        if one["outcome"] not in ("within limits", "measured, no limits", "not begun"):
            text = f"look {one['look']} ({one['sequence']}): {one['outcome']}. {one['reason']}".strip()
            found.append(Sentence(part="needs a person", text=text, of=(str(one["run"]),) if one["run"] else ()))
    return found or [Sentence(part="needs a person", text="nothing")]


def _sentences_of_looks(looks: Sequence[Mapping[str, Any]], events: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    done = sum(one["outcome"] != "not begun" for one in looks)
    sittings = max((int(one["sitting"]) for one in events), default=0)
    ends = [one for one in events if one["what"] == "ended"]
    cut = sittings - len(ends)
    why = f"ended because {ends[-1]['why']}" if ends else "never ended in order"
    text = f"{done} of {len(looks)} looks done, {len(looks) - done} not begun, in {sittings} sittings; {why}."
    if cut > 0:
        text += f" {cut} sittings were cut short (controller or machine gone)."
    return [Sentence(part="done", text=text)]


def _before_after(runs: Mapping[int, StoredRun]) -> list[Sentence]:
    """Lines that moved by more than U of the difference between the first and the last look of a certified sequence."""
    kept = [run for _, run in sorted(runs.items()) if run.header.kind.certified and run.judgement is not None]
    if len(kept) < 2:
        return [Sentence(part="before against after", text="no two full tests to compare")]
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
            moved.append(f"{line.measurand} {change:+.4g} {b.unit} (U of the difference {u:.2g})")
    told = "; ".join(moved) if moved else "none moved by more than U of the difference"
    return [Sentence(part="before against after", text=f"{compared} lines: {told}", of=(first.id, last.id))]


def _copper(pieces: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    """Slope of each coil's resistance, % of its value at 20 degC a kelvin; U from the scatter of the line."""
    points: dict[str, list[tuple[float, float]]] = {}
    for piece in pieces:
        for degc, ohms in piece["points"]:
            for coil, ohm in ohms.items():
                points.setdefault(coil, []).append((float(degc), float(ohm)))
    found = []
    for coil, pairs in points.items():
        fitted = _line(pairs)
        if fitted is not None:
            slope, u = fitted
            told = f"{coil} coil {slope:.4f} %/K, U {2.0 * u:.4f} (copper {COPPER_PCT_K:.3f}), {len(pairs)} points"
            found.append(Sentence(part="copper", text=told))
    return found


def _line(pairs: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    n = len(pairs)
    mean_t = math.fsum(t for t, _ in pairs) / n if n else 0.0
    spread = math.fsum((t - mean_t) ** 2 for t, _ in pairs)
    if n < 3 or spread < 25.0:
        return None
    mean_r = math.fsum(r for _, r in pairs) / n
    slope = math.fsum((t - mean_t) * (r - mean_r) for t, r in pairs) / spread
    residual = math.fsum((r - mean_r - slope * (t - mean_t)) ** 2 for t, r in pairs)
    r20 = mean_r + slope * (20.0 - mean_t)
    return 100.0 * slope / r20, 100.0 * math.sqrt(residual / (n - 2) / spread) / r20


def _lost(lost: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    found = []
    for coil in sorted({str(one["coil"]) for one in lost}):
        own = [one for one in lost if one["coil"] == coil]
        total_s = sum(float(one["s"]) for one in own)
        text = (
            f"{coil} coil: {len(own)} drop-outs, {total_s:.1f} s in all, {_temperatures(own)}, "
            f"first {own[0]['utc']}, last {own[-1]['utc']}"
        )
        found.append(Sentence(part="drop-outs", text=text, of=tuple(dict.fromkeys(str(o["run"]) for o in own))))
    return found


def _standards(events: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    """n in control of n, first and last take of each standard, what is in question, and what none of them covered."""
    takes = [one for one in events if one["what"] == "standards"]
    found = []
    names = dict.fromkeys(str(row["standard"]) for take in takes for row in take["rows"])
    rows_of = {name: [row for take in takes for row in take["rows"] if row["standard"] == name] for name in names}
    quiet = [name for name in names if {row["said"] for row in rows_of[name]} == {IN_CONTROL}]
    if takes:
        text = (
            f"{count_of(len(takes), 'take')} of {count_of(len(names), 'standard')}: {len(quiet)} in control throughout"
        )
        found.append(Sentence(part="standards", text=text, of=tuple(str(take["run"]) for take in takes)))
    for name, rows_ in rows_of.items():
        for row in rows_:
            if row["said"] != IN_CONTROL:
                found.append(Sentence(part="standards", text=_words_of_standard(row), of=tuple(row["runs"])))
        if len(rows_) > 1 and name in quiet:
            first, last = rows_[0]["values"][0], rows_[-1]["values"][-1]
            figures = f"first {first:.7g}, last {last:.7g} {rows_[0]['unit']}".replace(" 1,", ",").rstrip(" 1")
            found.append(Sentence(part="standards", text=f"{name}: {figures}, against {rows_[-1]['against']}"))
        if any(row["ewma_warns"] for row in rows_):
            text = f"the EWMA of {name} warns: a slow shift; nothing was stopped (anglewright night chart {name})"
            found.append(Sentence(part="standards", text=text))
    marked = tuple(dict.fromkeys(run for rows_ in rows_of.values() for row in rows_ for run in row["marked"]))
    if takes:
        verb = "is" if len(marked) == 1 else "are"
        text = f"{count_of(len(marked), 'run')} {verb} suspect by them" if marked else "no run is suspect by them"
        found.append(Sentence(part="standards", text=text, of=marked))
    else:
        found.append(Sentence(part="standards", text="none was taken"))
    return [*found, Sentence(part="standards", text=f"no standard covered {NOT_COVERED}")]


def _words_of_standard(row: Mapping[str, Any]) -> str:
    figures = ", ".join(f"{value:.7g}" for value in row["values"])
    zero = "" if row["zero_can_be_taken"] else "; no new lead zero could be taken without a hand"
    return f"{row['standard']} {row['said']}: {figures} {row['unit']}, against {row['against']}{zero}"


def _bench(events: Sequence[Mapping[str, Any]], runs: Mapping[int, StoredRun]) -> list[Sentence]:
    repeated = sum(one.get("name") in ("step repeated", "said again") for run in runs.values() for one in run.events)
    again = sum(one["what"] == "look begun" and int(one["attempt"]) > 1 for one in events)
    armed = [one for one in events if one["what"] == "ended" and one.get("by")]
    by = f"armed by {armed[-1]['by']}" if armed else "no arming was needed"
    text = f"{by}; {again} looks begun again; {repeated} answers or steps taken again after a fault of the wire"
    offsets = sorted({str(one["local"])[-6:] for one in events if one["what"] == "begun"})
    return [Sentence(part="bench", text=text), Sentence(part="clock", text=f"local offsets {', '.join(offsets)}")]


def _notices(events: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    sent = [one for one in events if one["what"] == "notice"]
    refused = [f"{one['about']}: {why}" for one in sent for why in one["refused"]]
    return [Sentence(part="notices", text=f"not delivered, {text}") for text in refused]
