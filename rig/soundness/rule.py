"""One rule of soundness as a row: what it looks at, what it spoils, what causes it, the next action, the witness.

It must never hold a rule. A check gives the evidence that it found; only a row makes a Reason of it, so that each code
is built in one place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from rig.evaluation.inspection.inspection import Inspection
from rig.result import Reason, Result


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a check found. figures: in words and numbers; subject: the channel or coil that it is about, "" for the run.

    name: the subject in words, for the row's text; case: which of several cases of the code, for what it spoils;
    harmless: seen, but too little to spoil a line; on_part: a witness pins it on the part; witness: what settled
    already that it is not the part; question: it spoils nothing, but leaves open whose a figure is; blocks: whether
    it leaves nothing to look at for the rules that its code blocks.
    text, next: in place of the row's own, where a case needs other words.
    """

    figures: str
    subject: str = ""
    name: str = ""
    case: str = ""
    harmless: bool = False
    witness: str = ""
    on_part: bool = False
    question: bool = False
    blocks: bool = True
    text: str = ""
    next: str = ""


Check = Callable[[Inspection], Sequence[Evidence]]
Scope = Callable[[Sequence[Result], Evidence], tuple[str, ...]]
Fact = Callable[[Inspection], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """looks_at: in words; text: what is wrong ("{name}" stands for the subject); spoils: the lines that are worthless.

    caused_by: codes that come before this one where both stand: the first reason is the cause.
    blocked_by: codes that leave nothing for this check to look at: of the same subject, or of the whole run where
    either is about the whole run.
    needs_sound: lines that no reason may have spoiled. unless: facts about the part or the run that leave it unasked.
    asks: lines that a witness run is asked about; witnesses: those that settle it, where the lines' own do not fit.
    """

    code: str
    looks_at: str
    check: Check
    text: str
    next: str
    spoils: Scope
    caused_by: tuple[str, ...] = ()
    blocked_by: tuple[str, ...] = ()
    needs_sound: tuple[str, ...] = ()
    unless: tuple[Fact, ...] = ()
    asks: tuple[str, ...] = ()
    witnesses: tuple[str, ...] = ()

    def reason(self, found: Evidence, results: Sequence[Result] = ()) -> Reason:
        """The reason that this evidence gives."""
        return Reason(
            code=self.code,
            text=found.text or self.text.format(name=found.name),
            evidence=found.figures,
            next=found.next or self.next,
            spoils=() if found.harmless or found.question else self.spoils(results, found),
            witness=found.witness,
            on_part=found.on_part,
            question=found.question,
        )


def story(
    *rules: Rule, blocked_by: tuple[str, ...] = (), needs_sound: tuple[str, ...] = (), unless: tuple[Fact, ...] = ()
) -> tuple[Rule, ...]:
    """The rules of one story, with what blocks all of them or leaves all of them unasked."""
    return tuple(
        replace(
            rule,
            blocked_by=(*blocked_by, *rule.blocked_by),
            needs_sound=(*needs_sound, *rule.needs_sound),
            unless=(*unless, *rule.unless),
        )
        for rule in rules
    )


def in_order_of_cause(rules: Iterable[Rule]) -> tuple[Rule, ...]:
    """The rules, each after those that cause or block it, else in the order given. Raises ValueError for a circle."""
    left = {rule.code: rule for rule in rules}
    ordered: list[Rule] = []
    while left:
        ready = next((r for r in left.values() if not left.keys() & {*r.caused_by, *r.blocked_by}), None)
        if ready is None:
            raise ValueError(f"codes that cause one another in a circle: {', '.join(left)}")
        ordered.append(left.pop(ready.code))
    return tuple(ordered)


def ask(
    rules: Sequence[Rule], inspection: Inspection, results: Sequence[Result], standing: Sequence[Reason] = ()
) -> list[Reason]:
    """What the rules (in order of cause) find in a run. standing: reasons that another room found already."""
    subjects: dict[str, set[str]] = {reason.code: {""} for reason in standing}
    reasons = list(standing)
    for rule in rules:
        if _is_skipped(rule, inspection, subjects, reasons):
            continue
        blocked = {subject for code in rule.blocked_by for subject in subjects.get(code, ())}
        for found in rule.check(inspection):
            if found.subject in blocked or (blocked and not found.subject):
                continue
            if found.blocks:
                subjects.setdefault(rule.code, set()).add(found.subject)
            reasons.append(rule.reason(found, results))
    return reasons


def _is_skipped(
    rule: Rule, inspection: Inspection, subjects: Mapping[str, set[str]], reasons: Sequence[Reason]
) -> bool:
    if any("" in subjects.get(code, ()) for code in rule.blocked_by):
        return True
    spoiled = {line for reason in reasons for line in reason.spoils}
    return not spoiled.isdisjoint(rule.needs_sound) or any(fact(inspection) for fact in rule.unless)
