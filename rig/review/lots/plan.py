"""A lot's plan in numbers: n, Ac, Re of each check by its source and severity, and the pick list by its seed.

It must never know a run. What is worked out here is written down by the first reading (`frozen`) and read back from the
entry ever after, so that no later severity, table or file changes a plan that has begun.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rig.description.loading import from_data
from rig.description.lots import Check, LotFile
from rig.errors import UsageError
from rig.records.book.lot_entries import LotFrozen
from rig.statistics.sampling_plan import (
    Plan,
    acceptance,
    computed_plan,
    every_unit,
    finite_acceptance,
    mil_std_105e,
    own_plan,
)
from rig.statistics.severity import State
from rig.statistics.variables_plan import VariablesPlan, variables_acceptance, variables_plan

SHARES = (0.01, 0.02, 0.05, 0.10, 0.15, 0.20, 0.30)  # at which the operating characteristic is told


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """A check with its numbers. k: of the k method, None for attributes. source: as printed, its severity beside it."""

    check: Check
    n: int
    accept: int
    reject: int
    k: float | None
    source: str
    severity: str

    @property
    def name(self) -> str:
        """The group's name."""
        return self.check.name

    @property
    def every_unit(self) -> bool:
        """A 100 % group: it switches nothing."""
        return self.check.plan == "all"

    @property
    def words(self) -> str:
        """'MIL-STD-105E, normal, level II, AQL 2.5, code C: n 5, Ac 0, Re 1'."""
        if self.k is not None:
            return f"{self.source}: n {self.n}, k {self.k:.4g}"
        return f"{self.source}: n {self.n}, Ac {self.accept}, Re {self.reject}"

    def plan(self) -> Plan:
        """As an attributes plan of the statistics room."""
        return Plan(n=self.n, accept=self.accept, reject=self.reject, source=self.source, severity=self.severity)

    def passes(self, bad_units: int, lot_size: int) -> float:
        """Probability that a lot with so many nonconforming units is accepted; by variables, at that share."""
        if self.k is None:
            return finite_acceptance(self.n, self.accept, bad_units, lot_size)
        share = min(max(bad_units / lot_size, 1e-9), 1.0 - 1e-9)
        return variables_acceptance(self.n, self.k, share, sigma_known=self.check.sigma is not None)

    def curve(self) -> list[tuple[float, float]]:
        """(share nonconforming, probability of acceptance) of further lots, from the process."""
        if self.k is None:
            return [(p, acceptance(self.n, self.accept, p)) for p in SHARES]
        known = self.check.sigma is not None
        return [(p, variables_acceptance(self.n, self.k, p, sigma_known=known)) for p in SHARES]

    def to_dict(self) -> dict[str, Any]:
        """As an entry keeps it."""
        own = {name: getattr(self, name) for name in ("n", "accept", "reject", "k", "source", "severity")}
        return {"check": self.check.model_dump(mode="json"), **own}


def plan_numbers(check: Check, lot_size: int, severity: str) -> Numbered:
    """The numbers of a check for a lot of this size. Raises UsageError naming the check."""
    try:
        return _plan_numbers(check, lot_size, severity)
    except ValueError as fault:
        raise UsageError(f"check {check.name!r}: {fault}.", next_action="Correct it in the lot file.") from fault


def _plan_numbers(check: Check, lot_size: int, severity: str) -> Numbered:
    k: float | None = None
    if check.plan == "all":
        plan, source, severity = every_unit(lot_size), "every unit", "normal"
    elif check.plan == "MIL-STD-105E":
        plan = mil_std_105e(lot_size, check.aql or 0.0, level=check.level, severity=severity)
        source = f"{plan.source}, {severity}, level {check.level}, AQL {check.aql:g}, code {plan.code}"
    elif check.plan == "own":
        plan, source, severity = own_plan(check.n or 0, check.Ac or 0, check.Re or 0), "the shop's own plan", "normal"
    else:
        risks = (check.good or 0.0, check.accept or 0.0, check.bad or 0.0, check.accept_bad or 0.0)
        told = f"{risks[1]:g} at {100 * risks[0]:g} %, {risks[3]:g} at {100 * risks[2]:g} %"
        severity = "normal"
        if check.plan == "computed":
            plan, source = computed_plan(*risks, lot_size=lot_size), f"computed ({told}; finite lot)"
        else:
            variables: VariablesPlan = variables_plan(*risks, sigma_known=check.sigma is not None)
            plan, k = Plan(n=variables.n, accept=0, reject=1, source="computed"), variables.k
            source = f"k method, computed ({told}; s {'unknown' if check.sigma is None else 'known'})"
    n = min(plan.n, lot_size)
    return Numbered(check=check, n=n, accept=plan.accept, reject=plan.reject, k=k, source=source, severity=severity)


def pick_list(file: LotFile, rows: Sequence[Mapping[str, Any]], quantity: int, seed: int) -> list[dict[str, Any]]:
    """The units in the order of testing, S01 first: the list shuffled by the seed (Mersenne Twister, as Python's).

    rows: of the serial lists; without them the picks are places in the delivery, counted from 1, and the serial number
    comes with the scan.
    """
    known = [{"place": n, "serial": str(r["serial"]), "box": str(r.get("box", ""))} for n, r in enumerate(rows, 1)]
    blank = [{"place": n, "serial": "", "box": ""} for n in range(len(known) + 1, quantity + 1)]
    units = [*known, *blank][: max(quantity, 1)] if len(known) <= quantity else known[:quantity]
    random.Random(f"{file.lot}:{seed}").shuffle(units)
    width = max(2, len(str(len(units))))
    return [{"label": f"S{n:0{width}d}", **unit} for n, unit in enumerate(units, start=1)]


def frozen(
    file: LotFile, rows: Sequence[Mapping[str, Any]], quantity: int, seed: int, states: Mapping[str, State], who: str
) -> LotFrozen:
    """The entry that fixes the plan. Raises UsageError where inspection of a group has stopped, or for its numbers."""
    checks = plan_of(file, quantity, states)
    return LotFrozen(
        lot=file.lot,
        seed=seed,
        picks=pick_list(file, rows, quantity, seed),
        checks=[one.to_dict() for one in checks],
        rule={"nonconforming": list(file.nonconforming), "cleared_by_reseat": list(file.cleared_by_reseat)},
        who=who,
    )


def plan_of(file: LotFile, quantity: int, states: Mapping[str, State]) -> list[Numbered]:
    """Every check in numbers. Raises UsageError."""
    checks = []
    for check in file.checks:
        state = states.get(check.name, State())
        if state.stopped and check.plan == "MIL-STD-105E":
            raise UsageError(
                f"{file.supplier}, {file.part}, {check.name}: inspection has stopped ({state.why}).",
                next_action="Once the supplier has corrected: `anglewright lot supplier NAME --act resume`.",
            )
        checks.append(plan_numbers(check, quantity, state.severity))
    return checks


def checks_of(entry: LotFrozen) -> list[Numbered]:
    """The checks as an entry froze them."""
    where = f"lot {entry.lot}"
    return [Numbered(**{**row, "check": from_data(Check, row["check"], where)}) for row in entry.checks]
