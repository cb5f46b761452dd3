"""What changed between two judgements of one run, as JSON-ready data: outcome, lines, reasons, findings. Pure.

A line is named when its verdict, its limit, its estimate or its U differ; figures by rig/uncertainty/sameness.py. It
judges nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from rig.quantity import LEARNED_ORIGINS
from rig.result import Judgement
from rig.uncertainty.sameness import same_figure

COMPARED = ("verdict", "estimate", "U", "limit")


def changes(before: Judgement | None, after: Judgement) -> dict[str, Any]:
    """{"outcome": [old, new], "lines": [{measurand, key: [old, new] ...}], "reasons", "findings": {"gone", "new"}}.

    before None: the run was never judged; its old outcome is "" and every line is new.
    """
    old = _by_line(before) if before else {}
    new = _by_line(after)
    lines = []
    for key in dict.fromkeys((*old, *new)):
        a, b = old.get(key, {}), new.get(key, {})
        U = min((line["U"] for line in (a, b) if line.get("U")), default=0.0)
        differing = {name: [a.get(name), b.get(name)] for name in COMPARED if not _same(a.get(name), b.get(name), U)}
        if differing:
            lines.append({"measurand": key[0], **differing})
    return {
        "outcome": [before.outcome if before else "", after.outcome],
        "lines": lines,
        "reasons": _gone_and_new((r.code for r in before.reasons) if before else (), (r.code for r in after.reasons)),
        "findings": _gone_and_new(
            (f.code for f in before.findings) if before else (), (f.code for f in after.findings)
        ),
    }


def in_words(value: Any) -> str:
    """One side of a change for people: a limit with its origin, anything else as it is; "none" for nothing."""
    if not isinstance(value, Mapping):
        return "none" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)
    ends = " … ".join("" if value[end] is None else f"{value[end]:.6g}" for end in ("lower", "upper"))
    return f"[{ends}] {value['origin']}" + (f" ({value['note']})" if value.get("note") else "")


def is_empty(told: Mapping[str, Any]) -> bool:
    """Nothing at all differs."""
    moved = [told[key][side] for key in ("reasons", "findings") for side in ("gone", "new")]
    return told["outcome"][0] == told["outcome"][1] and not told["lines"] and not any(moved)


def summary(told: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Over many runs (id -> changes): how many changed, which outcome became which, which lines' verdicts moved."""
    outcomes: Counter[str] = Counter()
    verdicts: Counter[str] = Counter()
    for change in told.values():
        if change["outcome"][0] != change["outcome"][1]:
            outcomes[" -> ".join(change["outcome"])] += 1
        for line in change["lines"]:
            if "verdict" in line:
                verdicts[f"{line['measurand']}: {line['verdict'][0]} -> {line['verdict'][1]}"] += 1
    return {
        "runs": len(told),
        "unchanged": sum(is_empty(change) for change in told.values()),
        "outcomes": dict(outcomes.most_common()),
        "verdicts": dict(verdicts.most_common()),
    }


def _by_line(judgement: Judgement) -> dict[tuple[str, int], dict[str, Any]]:
    """Lines by measurand and how many of that name came before."""
    seen: Counter[str] = Counter()
    found = {}
    for line in judgement.judged:
        data = line.to_dict()
        if data["limit"]:
            # of learned ones the note says which version, and from how many parts
            named = ("note",) if data["limit"]["origin"] in LEARNED_ORIGINS else ()
            data["limit"] = {key: data["limit"][key] for key in ("lower", "upper", "origin", *named)}
        found[(line.measurand, seen[line.measurand])] = data
        seen[line.measurand] += 1
    return found


def _same(a: Any, b: Any, U: float) -> bool:
    if isinstance(a, float) and isinstance(b, float):
        return same_figure(a, b, U)
    return bool(a == b)


def _gone_and_new(old: Iterable[str], new: Iterable[str]) -> dict[str, list[str]]:
    was, now = Counter(old), Counter(new)
    return {"gone": sorted((was - now).elements()), "new": sorted((now - was).elements())}
