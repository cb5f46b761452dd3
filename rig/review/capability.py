"""Can this bench judge this part's limits? The U to be expected of every line, before anything is bought or clamped.

It must never know an instrument. A nominal run (expected_run.py) goes through the same evaluation that a real one
goes through; its budgets say what dominates. A limit can be decided when the guard band of the rule in force leaves an
acceptance zone (conformity.py); beside it stands the share of the tolerance that is left to pass in. What a better
axis, sampler or more clampings would change is found by evaluating again with that change, not by a rule of thumb.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.description.benches import BenchFile, EncoderDevice, Spec
from rig.description.holders import Holder
from rig.evaluation.angle.correction import KEY, SCHEMA, tied_to
from rig.evaluation.angle.positioner import cyclic_orders
from rig.evaluation.evaluated import evaluate
from rig.measurands import measurand
from rig.observed import Observed
from rig.quantity import Limit
from rig.resolver.axis.clampings import choose_offsets_mech_rad, variance_factors
from rig.resolver.axis.rotor_places import radius_factor
from rig.resolver.part import Part
from rig.result import Result
from rig.review.expected_run import expected_run
from rig.uncertainty.budget import largest_first
from rig.uncertainty.conformity import acceptance_zone

ENCODER = "a reference encoder on the axis"
SAMPLER = "a sampler with a quarter of the gain drift and divider uncertainty"
RECLOCK = "axis corrected by run reclock: a master's rotor at three places, a second part agreed"
TWO_MASTERS = "axis corrected by run reclock of two masters, five places and four: orders 1 to 8"
CLAMPINGS = "axis corrected by a remount of three clampings"
WORTH_SAYING = 0.95  # a change that leaves more than this share of U is not listed
RESEAT_ELEC_ARCMIN = 0.3  # what a part of ordinary seat leaves in each order of the axis
HIGHEST = 32
ONE_MASTER_MECH_ARCMIN: Mapping[int, float] = {1: 0.085, 2: 0.05}
TWO_MASTERS_MECH_ARCMIN: Mapping[int, float] = dict.fromkeys(range(1, 9), 0.02)
"""Radii at 95.45 % that ordinary masters leave (trials: tests/shows/axis.py)."""
SHARE_TO_PASS = 0.5  # of the tolerance; below it good parts will often come out undecided


@dataclass(frozen=True, slots=True, kw_only=True)
class CapabilityLine:
    """One measurand: expected U in its unit (None: nothing to be expected, see note); limit and what is left of it.

    decides: whether any value at all could pass behind the guard band; share: part of the tolerance that is left
    (1 = all); dominated_by: (influence, share of u^2) of the largest; better: change -> U with it.
    """

    measurand: str
    unit: str
    estimate: float | None
    U: float | None
    limit: Limit | None
    decides: bool | None
    share: float | None
    dominated_by: tuple[tuple[str, float], ...]
    better: Mapping[str, float]
    note: str = ""

    @property
    def sentence(self) -> str:
        """In words: decides, decides narrowly, not capable, no limit, nothing expected."""
        if self.limit is None:
            return "no limit"
        if self.decides is None or self.share is None:
            return "nothing expected"
        if not self.decides:
            return "not capable"
        return "decides" if self.share >= SHARE_TO_PASS else "decides narrowly"

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return {
            "measurand": self.measurand,
            "unit": self.unit,
            "assumed": self.estimate,
            "U": self.U,
            "limit": self.limit.to_dict() if self.limit else None,
            "verdict_possible": self.sentence,
            "share_of_tolerance": self.share,
            "dominated_by": [{"influence": name, "share": share} for name, share in self.dominated_by],
            "better": dict(self.better),
            "note": self.note,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """A bench against a part. rule: name and w / U; lines: those with a limit first; assumed: what was given."""

    bench: str
    part: str
    rule: str
    multiplier: float
    lines: tuple[CapabilityLine, ...]
    assumed: tuple[str, ...]

    def line(self, id_: str) -> CapabilityLine | None:
        """The line of a measurand."""
        return next((line for line in self.lines if line.measurand == id_), None)

    @property
    def tightest(self) -> CapabilityLine | None:
        """The line with the least of its tolerance left among those that a better bench would narrow."""
        helped = [line for line in self.lines if line.better and line.share is not None]
        return min(helped, key=lambda line: line.share or 0.0, default=None)

    @property
    def not_capable(self) -> tuple[str, ...]:
        """Lines with a limit that no value could pass on this bench."""
        return tuple(line.measurand for line in self.lines if line.sentence == "not capable")


def capability(
    part: Part, holder: Holder, bench: BenchFile, calibration: Mapping[str, Any] | None = None
) -> Capability:
    """The expected U of every measurand of a full test, and what it can decide.

    calibration: as a run header would carry it now (rig/records/calibrations.py), for a correction of the axis.
    """
    nominal = expected_run(part, holder, bench, {"calibration": calibration})
    now = _results(nominal)
    changed = {name: _results(obs) for name, obs in _changes(nominal).items()}
    limited = [limit.measurand for limit in part.limits]
    ids = [*limited, *(id_ for id_ in now if id_ not in limited and _about_part(id_))]
    lines = tuple(_line(part, id_, now.get(id_), changed) for id_ in ids)
    return Capability(
        bench=bench.name,
        part=part.number,
        rule=part.decision.name,
        multiplier=part.decision.multiplier,
        lines=lines,
        assumed=_assumptions(nominal),
    )


def _results(obs: Observed) -> dict[str, Result]:
    return {result.measurand: result for result in evaluate(obs).results}


def _about_part(id_: str) -> bool:
    try:
        return measurand(id_).about == "part"
    except KeyError:
        return False


def _assumptions(nominal: Observed) -> tuple[str, ...]:
    told = [
        "a part in the middle of its limits, soaked at 22 degC",
        "instruments within the specification lines of the bench file",
        "a loopback in the run",
    ]
    if nominal.bench.sampler.spec_of("noise") is None:
        told.append("sampler noise of one code: the bench file has no spec line for noise")
    told.append("the axis' correction in force" if evaluate(nominal).correction else "no correction of the axis")
    return tuple(told)


# ---- one line -----------------------------------------------------------------------------------------------------


def _line(part: Part, id_: str, now: Result | None, changed: Mapping[str, Mapping[str, Result]]) -> CapabilityLine:
    limit = part.limit(id_)
    unit = measurand(id_).unit
    if now is None or now.estimate is None or now.U is None:
        note = now.note if now is not None else "no part of a full test"
        return CapabilityLine(
            measurand=id_,
            unit=unit,
            estimate=None,
            U=None,
            limit=limit,
            decides=None,
            share=None,
            dominated_by=(),
            better={},
            note=note,
        )
    w = part.decision.multiplier * now.U
    nonnegative = measurand(id_).nonnegative
    return CapabilityLine(
        measurand=id_,
        unit=unit,
        estimate=now.estimate,
        U=now.U,
        limit=limit,
        decides=None if limit is None else acceptance_zone(w, limit.lower, limit.upper, nonnegative),
        share=None if limit is None else share_left(w, limit, nonnegative),
        dominated_by=_largest_influences(now),
        better=_better(id_, now.U, changed) if now.U > 0.0 else {},
    )


def share_left(w: float, limit: Limit, nonnegative: bool) -> float:
    """The part of the tolerance in which a value passes behind a guard band w; a lone limit is measured from zero."""
    if limit.lower is not None and limit.upper is not None:
        width = limit.upper - limit.lower
        return 1.0 if width == 0 and w == 0 else max(0.0, 1.0 - 2.0 * w / width) if width > 0 else 0.0
    if limit.upper is not None:
        return max(0.0, 1.0 - w / limit.upper) if nonnegative and limit.upper > 0 else 1.0
    return 1.0


def _largest_influences(result: Result) -> tuple[tuple[str, float], ...]:
    whole = sum(line.contribution**2 for line in result.budget)
    if whole <= 0.0:
        return ()
    return tuple((line.influence, line.contribution**2 / whole) for line in largest_first(result.budget)[:3])


def _better(id_: str, expanded: float, changed: Mapping[str, Mapping[str, Result]]) -> dict[str, float]:
    found = {}
    for name, results in changed.items():
        other = results.get(id_)
        if other is not None and other.U is not None and other.U / expanded < WORTH_SAYING:
            found[name] = other.U
    return found


# ---- what would be better -----------------------------------------------------------------------------------------


def _changes(nominal: Observed) -> dict[str, Observed]:
    """The same nominal run on benches that have one thing better."""
    bench, changes = nominal.bench, {}
    if bench.axis is not None and bench.encoder is None and evaluate(nominal).correction is None:
        for name, radii in ((RECLOCK, ONE_MASTER_MECH_ARCMIN), (TWO_MASTERS, TWO_MASTERS_MECH_ARCMIN)):
            header = {**nominal.header, "calibration": {KEY: {"data": expected_reclock(nominal, radii)}}}
            changes[name] = replace(nominal, header=header)
    if bench.axis is not None and bench.encoder is None:
        better = bench.model_copy(update={"encoder": EncoderDevice(driver="")})
        changes[ENCODER] = expected_run(nominal.part, nominal.holder, better, dict(nominal.header))
    changes[SAMPLER] = replace(nominal, bench=bench.model_copy(update={"sampler": _finer(bench)}))
    if bench.axis is not None and bench.encoder is None and evaluate(nominal).correction is None:
        header = {**nominal.header, "calibration": {KEY: {"data": expected_remount(nominal)}}}
        changes[CLAMPINGS] = replace(nominal, header=header)
    return changes


def _finer(bench: BenchFile) -> Any:
    sampler = bench.sampler
    spec = tuple(_quarter(line) if line.quantity == "gain" else line for line in sampler.spec)
    if sampler.spec_of("gain") is None:
        spec = (*spec, Spec(quantity="gain", percent_reading=0.005))
    return sampler.model_copy(
        update={"spec": spec, "exc_divider_u": sampler.exc_divider_u / 4.0, "shunt_u": sampler.shunt_u / 4.0}
    )


def _quarter(line: Spec) -> Spec:
    return line.model_copy(update={"percent_reading": line.percent_reading / 4.0})


def expected_reclock(nominal: Observed, radii_mech_arcmin: Mapping[int, float]) -> dict[str, Any]:
    """The correction to be expected from a reclock: no coefficients, only what would be left uncertain."""
    arcmin = math.pi / 10_800.0
    rows = [
        {
            "order": n,
            "applied": True,
            "coefficient_mech_rad": [0.0, 0.0],
            "u_mech_rad": radius * arcmin / radius_factor(math.inf),
        }
        for n, radius in radii_mech_arcmin.items()
    ]
    return _correction(nominal, rows)


def _correction(nominal: Observed, rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    tied = tied_to(nominal.bench, nominal.header.get("instruments") or {})
    return {"schema": SCHEMA, "tied": tied, "orders": list(rows), "checked_with": {"what": "a second part"}}


def expected_remount(nominal: Observed, clampings: int = 3) -> dict[str, Any]:
    """The correction to be expected from a remount: no coefficients, only what would be left uncertain."""
    axis, p = nominal.bench.axis, nominal.part.pole_pairs
    arcmin = math.pi / 10_800.0
    index = (axis.index_repeat_arcmin if axis else 0.0) * arcmin / math.sqrt(3.0)
    top = max(8 * p, HIGHEST)
    factors = variance_factors(choose_offsets_mech_rad(clampings, p), range(2, top + 1))
    seat = RESEAT_ELEC_ARCMIN / p * arcmin
    u = {n: seat * math.sqrt(f / clampings) for n, f in factors.items() if math.isfinite(f)}
    stated = axis.cyclic_arcmin * arcmin if axis else 0.0
    u |= {n: stated * n * index for n in cyclic_orders(nominal)}
    orders: Sequence[dict[str, Any]] = [
        {"order": n, "applied": True, "coefficient_mech_rad": [0.0, 0.0], "u_mech_rad": x} for n, x in u.items()
    ]
    return _correction(nominal, orders)
