"""What may explain the part's figures: ranked hypotheses with evidence for and against, and the test that would decide.

It must never change a verdict: findings are hints, and labelled so. Probability: the stated PRIOR of a fault times the
odds w / (1 - w) that its pattern gives it, shared out among the hypotheses that the readings support and OTHER, what
nobody thought of. tests/shows/diagnosis.py holds them against how often they are right. Signatures: trade.md 3.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from rig.diagnosis.finding_angle import angle_hypotheses
from rig.diagnosis.finding_coils import coil_hypotheses
from rig.diagnosis.finding_rotation import rotation_hypotheses
from rig.diagnosis.hypothesis import Hypothesis
from rig.diagnosis.inspection import Inspection
from rig.result import Finding, Judged, Result
from rig.uncertainty.conformity import Verdict

PRIOR: Mapping[str, float] = {  # shares among faulty parts taken in for rebuild; a shop's judgement, not a count
    "open-coil": 0.12,
    "intermittent-coil": 0.06,
    "shorted-turns": 0.08,
    "leak-coil-coil": 0.06,
    "leak-coil-core": 0.10,
    "contact-resistance": 0.12,
    "gap-or-rotor": 0.08,
    "damaged-lobe": 0.06,
    "wrong-rotor": 0.03,
    "loose-rotor": 0.03,
    "magnetised": 0.02,
    "moisture": 0.08,
    "thermistor-open": 0.03,
    "thermistor-short": 0.01,
    "thermistor-drift": 0.03,
    "wiring-swapped": 0.02,
    "wiring-reversed": 0.02,
}
OTHER = 0.05
SUREST = 0.98  # no pattern on this bench is surer
SHOWN = 4
SUSPICIOUS = 0.5  # weight from which a hypothesis is told though no line fails

Source = Callable[[Inspection, Sequence[Result]], list[Hypothesis]]
SOURCES: tuple[Source, ...] = (coil_hypotheses, angle_hypotheses, rotation_hypotheses)


@dataclass(frozen=True, slots=True)
class _State:
    fails: bool
    limited: bool
    clean: bool


def findings(inspection: Inspection, judged: Sequence[Judged]) -> list[Finding]:
    """Ranked findings where a line fails or something is suspicious; `no-fault-found` where all lines pass."""
    state = _state(judged)
    sound = _sound(inspection.evaluated.results, judged)
    found = [h for source in SOURCES for h in source(inspection, sound)]
    if not state.fails:
        found = [h for h in found if h.weight >= SUSPICIOUS]
    if found:
        return _ranked(found)
    if state.fails:
        return [_unknown(judged)]
    return [_none_found()] if state.clean else []


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


def _ranked(found: list[Hypothesis]) -> list[Finding]:
    strongest: dict[str, Hypothesis] = {}
    for hypothesis in found:
        known = strongest.get(hypothesis.code)
        if known is None or hypothesis.weight > known.weight:
            strongest[hypothesis.code] = hypothesis
    share = {code: PRIOR.get(code, OTHER) * _odds(h.weight) for code, h in strongest.items()}
    ranked = sorted(strongest.values(), key=lambda h: -share[h.code])[:SHOWN]
    total = sum(share.values()) + OTHER
    return [
        Finding(
            code=h.code,
            probability=round(share[h.code] / total, 3),
            evidence=h.evidence,
            against=h.against,
            next_test=h.next_test,
            text=f"Hint: {h.text}",
        )
        for h in ranked
    ]


def _odds(weight: float) -> float:
    held = min(max(weight, 0.01), SUREST)
    return held / (1.0 - held)


def _unknown(judged: Sequence[Judged]) -> Finding:
    failed = ", ".join(line.measurand for line in judged if line.limit and line.verdict is Verdict.FAIL)
    return Finding(
        code="gap-or-rotor",
        probability=0.3,
        evidence=f"outside: {failed or 'conditional lines only'}; no known pattern fits",
        against="the pattern of none of the listed faults is complete",
        next_test="Re-seat and run again; compare with a known-good part of the same number.",
        text="Hint: none of the listed faults explains the figures by itself.",
    )


def _none_found() -> Finding:
    return Finding(
        code="no-fault-found",
        probability=0.9,
        evidence="every line with a limit passes and no pattern of a fault shows",
        against="faults that need heat, speed or vibration don't show on this bench",
        next_test="Look at harness and connector of the machine; repeat warm if the complaint comes with heat.",
        text="Hint: nothing is wrong with the part at these conditions.",
    )
