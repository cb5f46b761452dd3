"""Limits of a part number learned from its known-good units: which lines teach, how each is bounded, what must be said.

It must never know a file, learn from the unit that is judged, or drop a unit silently. Resistances enter at 20 degC,
what can't be negative is bounded above on a log scale. The spread already holds the measurement's own scatter: U is not
added to the limits. Method: rig/statistics/tolerance.py.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from rig.measurands import MEASURANDS
from rig.quantity import Limit
from rig.result import Judgement
from rig.statistics.tolerance import Learned, good_rejected, learn

PROVISIONAL_N = 20
LEAST_N = 3
LEFT_OUT = (  # conventions, what ambient or excitation decide, and second names of what another line says
    "pole_pairs",
    "direction",
    "zero_elec_deg",
    "thermistor_ohm",
    "thermistor_degc",
    "i_exc_rms",
    "error_max_mech_arcmin",
    "error_span_elec_arcmin",
    "error_rms_elec_arcmin",
    "null_fund_sin_v",
    "null_fund_cos_v",
    *(f"{kind}_{coil}" for kind in "lq" for coil in ("exc", "sin", "cos")),  # modulus and phase say the same
)
UPPER = ("null_", "quadrature_", "error_")


WIDE = 2.0  # half-width of a limit in U at least: with a guard band of U a part in the middle can still pass
Ends = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class LearningRule:
    """The shop's own rule. coverage: of each line; confidence; provisional below `approve_n` units."""

    coverage: float = 0.99
    confidence: float = 0.95
    approve_n: int = PROVISIONAL_N


@dataclass(frozen=True, slots=True, kw_only=True)
class Teacher:
    """A unit as it teaches: measurand -> value, and U of it (over re-clamping where that is known), in the measurand's
    unit; rotor it was measured with."""

    serial: str
    values: Mapping[str, float]
    U: Mapping[str, float] = field(default_factory=dict)
    rotor: str = "own"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSet:
    """Learned limits of a part number. version 0: a proposal. lines: measurand -> how it was learned.

    rejected: share of good parts that all lines together reject, lines taken as independent. flagged: measurand ->
    serial that stands out. lacking: measurand -> serials without it, so that it is not learned. widened: measurands
    whose parts differ by less than the measurement can tell. without: the serial that is judged and was left out.
    approved_by: "" for a proposal. withdrawn: teachers that were taken out since the approval. predict: measurand ->
    interval for one further part, None on an unlimited side.
    """

    part: str
    version: int
    rule: LearningRule
    teachers: tuple[Teacher, ...]
    limits: tuple[Limit, ...]
    lines: Mapping[str, Learned]
    rejected: float
    flagged: Mapping[str, str] = field(default_factory=dict)
    lacking: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    widened: tuple[str, ...] = ()
    withdrawn: tuple[str, ...] = ()
    predict: Mapping[str, Ends] = field(default_factory=dict)
    without: str = ""
    approved_by: str = ""
    approved_utc: str = ""
    frequency_hz: float = 0.0
    level_v_rms: float = 0.0
    simulated: bool = False
    origin: str = "learned"

    @property
    def n(self) -> int:
        """How many units taught."""
        return len(self.teachers)

    @property
    def provisional(self) -> bool:
        """Fewer units than the shop's rule asks for."""
        return self.n < self.rule.approve_n

    def warnings(self, name: Callable[[str], str] = str) -> tuple[str, ...]:
        """What must be said beside such limits. name: how a measurand is written for the reader; by default its id."""
        told = []
        if self.provisional:
            told.append(f"provisional: {self.n} units, the shop's rule asks for {self.rule.approve_n}")
        if self.withdrawn:
            told.append(f"learned from {', '.join(self.withdrawn)} too, withdrawn since: approve the limits anew")
        if any(line.masking for line in self.lines.values()):
            told.append(f"a bad part among these {self.n} would pass the limits that it helped to make")
        told += [f"{name(id_)}: unit {serial} stands out (Grubbs, 5 %)" for id_, serial in self.flagged.items()]
        rotors = sorted({teacher.rotor for teacher in self.teachers})
        if len(rotors) > 1:
            told.append(f"measured with different rotors ({', '.join(rotors)}): angle error and ratio are the pair's")
        if self.widened:
            every = len(self.widened) == len(self.limits)
            widened = "every line" if every else "; ".join(name(id_) for id_ in self.widened)
            told.append(f"widened to 2 U, the parts differ by less than that: {widened}")
        if self.lacking:
            lacking = "; ".join(name(id_) for id_ in self.lacking)
            told.append(f"not learned, because a unit lacks them: {lacking}")
        most = "at most " if self.widened else ""
        told.append(f"all {len(self.lines)} lines together reject {most}{100 * self.rejected:.1f} % of good parts")
        return tuple(told)


def line_coverage(family: float, lines: int) -> float:
    """Coverage of each of `lines` lines so that a good part passes all of them with `family` at least (Bonferroni)."""
    return 1.0 - (1.0 - family) / max(lines, 1)


def values_of(judgements: Iterable[Judgement]) -> tuple[dict[str, float], dict[str, float]]:
    """(measurand -> mean estimate over the runs, measurand -> largest U), of the part's lines that were soundly
    measured and are no bound; U over re-clamping where a run knows it."""
    seen: dict[str, list[float]] = {}
    wide: dict[str, float] = {}
    for judgement in judgements:
        for line in judgement.judged:
            r = line.result
            if r is None or r.estimate is None or r.qualifier or r.manual or line.verdict.value == "not tested":
                continue
            if _teaches(line.measurand) and math.isfinite(r.estimate):
                seen.setdefault(line.measurand, []).append(r.estimate)
                U = r.conditions.get("U_reclamped", r.U)
                wide[line.measurand] = max(wide.get(line.measurand, 0.0), float(U or 0.0))
    return {id_: sum(values) / len(values) for id_, values in seen.items()}, wide


def _teaches(id_: str) -> bool:
    """Single orders are no lines of their own: they hint at a cause, and some are the axis'."""
    row = MEASURANDS.get(id_)
    return row is not None and row.about == "part" and id_ not in LEFT_OUT


def shape(id_: str, values: Sequence[float]) -> tuple[str, str]:
    """(side, scale) of a line: what can't be negative is one-sided, on a log scale while no value is zero."""
    scale = "log" if min(values) > 0.0 else "plain"
    if id_.startswith(UPPER):
        return "upper", scale
    if id_.startswith("leak_"):
        return "lower", scale
    return "both", "plain"


def learned_lines(teachers: Sequence[Teacher]) -> dict[str, list[float]]:
    """Measurand -> values in the teachers' order, of the lines that all of them have."""
    shared = [id_ for id_ in teachers[0].values if all(id_ in teacher.values for teacher in teachers)]
    return {id_: [teacher.values[id_] for teacher in teachers] for id_ in shared}


def set_of(
    part: str,
    teachers: Sequence[Teacher],
    rule: LearningRule,
    *,
    version: int = 0,
    without: str = "",
    simulated: bool = False,
    origin: str = "learned",
) -> LimitSet:
    """The limits that the teachers make, none narrower than the measurement can tell (`WIDE` U from the mean), rounded
    outward.

    Raises ValueError for fewer than two teachers, or a rule outside 0 to 1.
    """
    lines: dict[str, Learned] = {}
    limits: list[Limit] = []
    widened: list[str] = []
    shapes: list[tuple[float, str]] = []
    note = _note(len(teachers), rule, version, without, origin)
    for id_, values in learned_lines(teachers).items():
        side, scale = shape(id_, values)
        lines[id_] = found = learn(values, coverage=rule.coverage, confidence=rule.confidence, side=side, scale=scale)
        ends = _wide_enough(found, _ends(found), _u_of(id_, teachers))
        widened += [id_] if ends != _ends(found) else []
        lower, upper = _outward(ends)
        limits.append(Limit(measurand=id_, lower=lower, upper=upper, origin=origin, note=note, required=False))
        shapes.append((found.k, side))
    return LimitSet(
        part=part,
        version=version,
        rule=rule,
        teachers=tuple(teachers),
        limits=tuple(limits),
        lines=lines,
        rejected=good_rejected(len(teachers), shapes),
        flagged={id_: teachers[line.suspect].serial for id_, line in lines.items() if line.suspect is not None},
        lacking=_lacking(teachers),
        widened=tuple(widened),
        predict={id_: _prediction(line, _u_of(id_, teachers)) for id_, line in lines.items()},
        without=without,
        simulated=simulated,
        origin=origin,
    )


def _ends(line: Learned) -> Ends:
    return line.lower, line.upper


def _u_of(id_: str, teachers: Sequence[Teacher]) -> float:
    return max((teacher.U.get(id_, 0.0) for teacher in teachers), default=0.0)


def _wide_enough(line: Learned, ends: Ends, U: float) -> Ends:
    middle = math.exp(line.mean) if line.scale == "log" else line.mean
    lower = None if ends[0] is None else min(ends[0], middle - WIDE * U)
    return lower, None if ends[1] is None else max(ends[1], middle + WIDE * U)


def _outward(ends: Ends) -> Ends:
    """Rounded away from the middle, to a hundredth or less of the width (or of the one end): printed as it judges."""
    known = [end for end in ends if end is not None]
    width = known[1] - known[0] if len(known) == 2 else abs(known[0])
    if width <= 0.0:
        return ends
    places = 2 - math.floor(math.log10(width))
    lower, upper = ends
    low = None if lower is None else round(math.floor(lower * 10.0**places) / 10.0**places, places)
    return low, None if upper is None else round(math.ceil(upper * 10.0**places) / 10.0**places, places)


def _prediction(line: Learned, U: float) -> Ends:
    low, high = line.predict
    ends = (None if line.lower is None else low, None if line.upper is None else high)
    return _wide_enough(line, ends, U)


def _note(n: int, rule: LearningRule, version: int, without: str, origin: str) -> str:
    note = f"learned from {n} {'cured ' if origin == 'outcomes' else ''}parts"
    note += f", version {version}" if version else ""
    note += ", provisional" if n < rule.approve_n else ""
    note += f", {100 * rule.confidence:g} % confident of {100 * rule.coverage:g} % of good parts"
    return note + (f", learned without {without}" if without else "")


def _lacking(teachers: Sequence[Teacher]) -> dict[str, tuple[str, ...]]:
    known = dict.fromkeys(id_ for teacher in teachers for id_ in teacher.values)
    without = {id_: tuple(t.serial for t in teachers if id_ not in t.values) for id_ in known}
    return {id_: serials for id_, serials in without.items() if serials}
