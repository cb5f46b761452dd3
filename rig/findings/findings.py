"""What may explain the part's figures: ranked hypotheses with evidence for and against, and the test that would decide.

It must never change a verdict: findings are hints, and labelled so. Probability: the stated PRIOR of a fault times the
odds w / (1 - w) that its pattern gives it, shared out among the hypotheses that the readings support and OTHER, what
nobody thought of. tests/shows/diagnosis.py holds them against how often they are right. Signatures:
rig/soundness/README.md, 3.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rig.evaluation.inspection.inspection import Inspection
from rig.findings import angle as finding_angle
from rig.findings import coils as finding_coils
from rig.findings import rotation as finding_rotation
from rig.findings import wiring as finding_wiring
from rig.findings.pattern import Pattern, Sign, recognise
from rig.result import Finding, Judged, Result
from rig.uncertainty.conformity import Verdict

PATTERNS = (
    *finding_coils.PATTERNS,
    *finding_angle.PATTERNS,
    *finding_wiring.PATTERNS,
    *finding_rotation.PATTERNS,
)
BY_CODE: Mapping[str, Pattern] = {pattern.code: pattern for pattern in PATTERNS}
OTHER = 0.05  # prior of what nobody thought of
SUREST = 0.98  # no pattern on this bench is surer
SHOWN = 4
SUSPICIOUS = 0.5  # weight from which a hypothesis is told though no line fails
UNKNOWN = 0.3  # probability of the catch-all where no pattern is complete


@dataclass(frozen=True, slots=True)
class _State:
    fails: bool
    limited: bool
    clean: bool


def findings(inspection: Inspection, judged: Sequence[Judged]) -> list[Finding]:
    """Ranked findings where a line fails or something is suspicious; `no-fault-found` where all lines pass."""
    state = _state(judged)
    sound = _sound(inspection.evaluated.results, judged)
    found = recognise(PATTERNS, inspection, sound)
    if not state.fails:
        found = [(pattern, sign) for pattern, sign in found if sign.weight >= SUSPICIOUS]
    if found:
        return _rank(found)
    if state.fails:
        return [_unknown(judged)]
    return [_no_finding()] if state.clean else []


def finding(code: str, sign: Sign) -> Finding:
    """The finding that another room's own evidence gives, in the words of its row; its weight is the probability.

    Raises KeyError for an unknown code.
    """
    return BY_CODE[code].finding(sign, sign.weight)


def _sound(results: Sequence[Result], judged: Sequence[Judged]) -> list[Result]:
    """Results that no reason spoils: a fault of the rig is never explained by a fault of the part."""
    spoiled = {line.measurand for line in judged if line.verdict is Verdict.NOT_TESTED}
    return [result for result in results if result.measurand not in spoiled]


def _state(judged: Sequence[Judged]) -> _State:
    verdicts = [line.verdict for line in judged if line.limit is not None]
    bad = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)
    return _State(
        fails=any(v in bad for v in verdicts),
        limited=bool(verdicts),
        clean=bool(verdicts) and all(v is Verdict.PASS for v in verdicts),
    )


def _rank(found: Sequence[tuple[Pattern, Sign]]) -> list[Finding]:
    share = {pattern.code: pattern.prior * _odds(sign.weight) for pattern, sign in found}
    ranked = sorted(found, key=lambda one: -share[one[0].code])[:SHOWN]
    total = sum(share.values()) + OTHER
    return [pattern.finding(sign, share[pattern.code] / total) for pattern, sign in ranked]


def _odds(weight: float) -> float:
    held = min(max(weight, 0.01), SUREST)
    return held / (1.0 - held)


def _unknown(judged: Sequence[Judged]) -> Finding:
    failed = ", ".join(line.measurand for line in judged if line.limit and line.verdict is Verdict.FAIL)
    sign = Sign(
        weight=UNKNOWN,
        evidence=f"outside: {failed or 'conditional lines only'}; no known pattern fits",
        against="the pattern of none of the listed faults is complete",
        next_test="Re-seat and run again; compare with a known-good part of the same number.",
        text="none of the listed faults explains the figures by itself.",
    )
    return BY_CODE["gap-or-rotor"].finding(sign, UNKNOWN)


def _no_finding() -> Finding:
    return Finding(
        code="no-fault-found",
        probability=0.9,
        evidence="every line with a limit passes and no pattern of a fault shows",
        against="faults that need heat, speed or vibration don't show on this bench",
        next_test="Look at harness and connector of the machine; repeat warm if the complaint comes with heat.",
        text="Hint: nothing is wrong with the part at these conditions.",
    )
