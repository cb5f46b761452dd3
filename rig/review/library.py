"""A part number's library of units known to be good, and the limits learned from them.

It must never learn from the unit that is judged, drop a unit silently, or change a set once it is kept: limits are
versioned, approved by a person, and frozen into each result. One JSON line an entry (`unit`, `withdrawn`, `limits`,
`approved`) under <home>/library/<part>.jsonl, appended only. Resistances enter at 20 degC. Method: metrology.md 4,
rig/statistics/tolerance.py; no guard band goes on top, the spread already holds the measurement's own.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from rig.description import home as default_home
from rig.errors import RecordError, UsageError
from rig.quantity import MEASURANDS, Limit
from rig.records.files import unwritable
from rig.result import Judgement
from rig.statistics.tolerance import Learned, good_rejected, learn

SCHEMA = "anglewright library 1"
PROVISIONAL_N = 20
LEAST_N = 3
NEVER_GOOD = ("outside limits", "unsound measurement", "not this kind", "incomplete")
LEFT_OUT = ("pole_pairs", "direction", "zero_elec_deg", "thermistor_ohm", "thermistor_degc", "i_exc_rms")
UPPER_LOG = ("null_", "quadrature_", "error_", "order_")


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A unit known to be good. how: in words (new from the maker, ran in a machine, compared); values:
    measurand -> mean over its runs, in the measurand's unit; rotor: whose rotor it was measured with."""

    serial: str
    how: str
    who: str
    at_utc: str
    runs: tuple[str, ...]
    values: Mapping[str, float]
    rotor: str = "own"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """The shop's own rule. coverage: of each line; confidence; provisional below `approve_n` units."""

    coverage: float = 0.99
    confidence: float = 0.95
    approve_n: int = PROVISIONAL_N


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSet:
    """Learned limits of a part number. version 0: not kept yet. lines: measurand -> how it was learned.

    rejected: share of good parts that all lines together reject, lines taken as independent. flagged: measurand ->
    serial that stands out (told, never dropped). approved_by: "" while nobody has approved it.
    """

    part: str
    version: int
    rule: Rule
    serials: tuple[str, ...]
    limits: tuple[Limit, ...]
    lines: Mapping[str, Learned]
    rejected: float
    flagged: Mapping[str, str] = field(default_factory=dict)
    without: str = ""
    approved_by: str = ""
    approved_utc: str = ""

    @property
    def provisional(self) -> bool:
        """Fewer units than the shop's rule asks for."""
        return len(self.serials) < self.rule.approve_n

    @property
    def warnings(self) -> tuple[str, ...]:
        """What has to be printed beside such limits."""
        told = []
        if self.provisional:
            told.append(f"provisional: {len(self.serials)} units, the shop's rule asks for {self.rule.approve_n}")
        if any(line.masking for line in self.lines.values()):
            told.append(f"a bad part among these {len(self.serials)} would pass the limits that it helped to make")
        told += [f"{id_}: unit {serial} stands out (Grubbs, 5 %)" for id_, serial in self.flagged.items()]
        told.append(f"all lines together reject {100 * self.rejected:.1f} % of good parts")
        return tuple(told)


class Library:
    """All libraries of a home (default: $ANGLEWRIGHT_HOME or the platform's data folder)."""

    def __init__(self, home: Path | None = None) -> None:
        self.folder = (home or default_home()) / "library"

    def file(self, part: str) -> Path:
        """Where the entries of a part number stand."""
        return self.folder / (re.sub(r"[^\w.-]", "_", part) + ".jsonl")

    # ---- units

    def add(
        self,
        part: str,
        serial: str,
        judgements: Mapping[str, Judgement],
        *,
        how: str,
        who: str,
        at_utc: str,
        rotor: str = "own",
    ) -> Unit:
        """Take a unit in. judgements: run id -> judgement. Raises UsageError for a run that can't teach.

        A unit taken in again replaces its earlier entry (which stays in the file).
        """
        if not how.strip() or not who.strip():
            raise UsageError(
                f"{part} {serial}: a known-good unit needs how it is known and by whom.",
                next_action="Say both: new from the maker, ran in a machine, compared with others; and your name.",
            )
        if not judgements:
            raise UsageError(f"{part} {serial}: no run is named.", next_action="Name a sound full test of this unit.")
        for run, judgement in judgements.items():
            if judgement.outcome in NEVER_GOOD:
                raise UsageError(
                    f"{part} {serial}: run {run} is {judgement.outcome!r}; it can't teach what good is.",
                    next_action="Name a sound run of a unit that is known to be good.",
                )
        values = values_of(judgements.values())
        unit = Unit(serial=serial, how=how, who=who, at_utc=at_utc, runs=tuple(judgements), values=values, rotor=rotor)
        self._append(part, {"kind": "unit", **asdict(unit)})
        return unit

    def withdraw(self, part: str, serial: str, *, why: str, who: str, at_utc: str) -> None:
        """Take a unit out for a stated reason; the entry stays, the reason beside it."""
        if serial not in {unit.serial for unit in self.units(part)}:
            raise UsageError(f"{part}: no unit {serial} in the library.", next_action="Look at its list of units.")
        if not why.strip():
            raise UsageError(f"{part} {serial}: withdrawn without a reason.", next_action="Say what was found.")
        self._append(part, {"kind": "withdrawn", "serial": serial, "why": why, "who": who, "at_utc": at_utc})

    def units(self, part: str) -> list[Unit]:
        """Units in force, in the order taken in."""
        held: dict[str, Unit] = {}
        for entry in self._entries(part):
            if entry["kind"] == "unit":
                data = {k: v for k, v in entry.items() if k in Unit.__dataclass_fields__}
                held[entry["serial"]] = Unit(**{**data, "runs": tuple(data["runs"])})
            elif entry["kind"] == "withdrawn":
                held.pop(entry["serial"], None)
        return list(held.values())

    # ---- limits

    def learned(self, part: str, rule: Rule | None = None, *, judging: str = "") -> LimitSet:
        """Limits of the units in force, without `judging` (the serial that is judged never teaches itself).

        Raises UsageError for fewer than three units.
        """
        units = [unit for unit in self.units(part) if unit.serial != judging]
        if len(units) < LEAST_N:
            raise UsageError(
                f"{part}: {len(units)} known-good units"
                + (f" beside {judging}" if judging else "")
                + f"; {LEAST_N} at least make a limit.",
                next_action="Add units, or use the shop's fall-back limits.",
            )
        return _set_of(part, units, rule or Rule(), judging)

    def keep(self, limits: LimitSet, *, who: str, at_utc: str) -> LimitSet:
        """Freeze a set under the next version. Raises UsageError for a set that left a unit out for judging it."""
        if limits.without:
            raise UsageError(
                f"{limits.part}: this set leaves out {limits.without} and serves for that unit alone.",
                next_action="Learn the set without naming a unit that is judged, then keep it.",
            )
        version = 1 + max((e["version"] for e in self._entries(limits.part) if e["kind"] == "limits"), default=0)
        entry = {"kind": "limits", "version": version, "who": who, "at_utc": at_utc, "rule": asdict(limits.rule)}
        entry |= {"serials": list(limits.serials), "rejected": limits.rejected, "flagged": dict(limits.flagged)}
        entry["limits"] = [{"measurand": limit.measurand, **limit.to_dict()} for limit in limits.limits]
        entry["lines"] = {id_: asdict(line) for id_, line in limits.lines.items()}
        self._append(limits.part, entry)
        return self.version(limits.part, version)

    def approve(self, part: str, version: int, *, who: str, at_utc: str) -> LimitSet:
        """A person takes responsibility for a version. Only approved versions are used to judge."""
        self.version(part, version)
        if not who.strip():
            raise UsageError(f"{part} version {version}: approved by nobody.", next_action="Give the name.")
        self._append(part, {"kind": "approved", "version": version, "who": who, "at_utc": at_utc})
        return self.version(part, version)

    def version(self, part: str, version: int) -> LimitSet:
        """A kept set as it was frozen. Raises UsageError when there is none."""
        entries = self._entries(part)
        found = next((e for e in entries if e["kind"] == "limits" and e["version"] == version), None)
        if found is None:
            raise UsageError(f"{part}: no limits of version {version}.", next_action="Learn and keep a set first.")
        signed = [e for e in entries if e["kind"] == "approved" and e["version"] == version]
        return LimitSet(
            part=part,
            version=version,
            rule=Rule(**found["rule"]),
            serials=tuple(found["serials"]),
            limits=tuple(Limit(**row) for row in found["limits"]),
            lines={id_: Learned(**{**row, "predict": tuple(row["predict"])}) for id_, row in found["lines"].items()},
            rejected=found["rejected"],
            flagged=found["flagged"],
            approved_by=signed[-1]["who"] if signed else "",
            approved_utc=signed[-1]["at_utc"] if signed else "",
        )

    def in_force(self, part: str, serial: str) -> LimitSet | None:
        """The newest approved set to judge a unit with; learned anew without it where the unit is one of its teachers.

        None when nothing is approved.
        """
        approved = [e["version"] for e in self._entries(part) if e["kind"] == "approved"]
        if not approved:
            return None
        newest = self.version(part, max(approved))
        if serial not in newest.serials:
            return newest
        teachers = [u for u in self.units(part) if u.serial in newest.serials and u.serial != serial]
        if len(teachers) < LEAST_N:
            return None
        return _set_of(part, teachers, newest.rule, serial, newest.version)

    # ---- the file

    def _entries(self, part: str) -> list[dict[str, Any]]:
        file = self.file(part)
        if not file.exists():
            return []
        entries = []
        for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
            try:
                entry = json.loads(line)
            except ValueError as fault:
                raise _damaged(file, number, str(fault)) from fault
            if not isinstance(entry, dict) or entry.get("schema") != SCHEMA or "kind" not in entry:
                raise _damaged(file, number, f"no entry of {SCHEMA!r}")
            entries.append(entry)
        return entries

    def _append(self, part: str, entry: Mapping[str, Any]) -> None:
        file = self.file(part)
        line = json.dumps({"schema": SCHEMA, "part": part, **entry}, allow_nan=False, sort_keys=True)
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            with file.open("a", encoding="utf-8") as out:
                out.write(line + "\n")
        except OSError as fault:
            raise unwritable(file, fault) from fault


def _damaged(file: Path, number: int, what: str) -> RecordError:
    return RecordError(f"{file}:{number}: {what}.", next_action="Restore the library from a copy.")


def values_of(judgements: Iterable[Judgement]) -> dict[str, float]:
    """Measurand -> mean estimate over the runs, of the part's lines that were soundly measured and are no bound."""
    seen: dict[str, list[float]] = {}
    for judgement in judgements:
        for line in judgement.judged:
            r = line.result
            if r is None or r.estimate is None or r.qualifier or line.verdict.value == "not tested":
                continue
            if _teaches(line.measurand) and math.isfinite(r.estimate):
                seen.setdefault(line.measurand, []).append(r.estimate)
    return {id_: sum(values) / len(values) for id_, values in seen.items()}


def _teaches(id_: str) -> bool:
    row = MEASURANDS.get(id_)
    return id_ not in LEFT_OUT and (row.about == "part" if row is not None else id_.startswith("order_"))


def _shape(id_: str, values: Sequence[float]) -> tuple[str, str]:
    """(side, scale) of a line: what can't be negative is one-sided on a log scale where small or large is good."""
    if id_.startswith(UPPER_LOG) and min(values) > 0.0:
        return "upper", "log"
    if id_.startswith("leak_"):
        return "lower", "log"
    return "both", "plain"


def _set_of(part: str, units: Sequence[Unit], rule: Rule, judging: str, version: int = 0) -> LimitSet:
    lines: dict[str, Learned] = {}
    shapes: list[tuple[float, str]] = []
    flagged: dict[str, str] = {}
    for id_ in units[0].values:
        values = [unit.values[id_] for unit in units if id_ in unit.values]
        if len(values) < len(units):
            continue  # a line that some unit lacks is not learned: n is printed once for the set
        side, scale = _shape(id_, values)
        lines[id_] = found = learn(values, coverage=rule.coverage, confidence=rule.confidence, side=side, scale=scale)
        shapes.append((found.k, side))
        if found.suspect is not None:
            flagged[id_] = units[found.suspect].serial
    n = len(units)
    note = f"learned from {n} units, {100 * rule.confidence:g}/{100 * rule.coverage:g}"
    note += ", provisional" if n < rule.approve_n else ""
    note += f", version {version}" if version else ""
    note += f", without {judging}" if judging else ""
    limits = tuple(
        Limit(measurand=id_, lower=line.lower, upper=line.upper, origin="learned", note=note, required=False)
        for id_, line in lines.items()
    )
    return LimitSet(
        part=part,
        version=version,
        rule=rule,
        serials=tuple(unit.serial for unit in units),
        limits=limits,
        lines=lines,
        rejected=good_rejected(n, shapes),
        flagged=flagged,
        without=judging,
    )


def like_the_others(limits: LimitSet, values: Mapping[str, float]) -> dict[str, bool]:
    """Line -> whether one further part lies inside the prediction interval of the known-good ones."""
    out = {}
    for id_, line in limits.lines.items():
        if id_ in values:
            low, high = line.predict
            out[id_] = low <= values[id_] <= high
    return out


def fall_back(pole_pairs: int) -> tuple[Limit, ...]:
    """Limits for a part number nobody knows anything about: siblings alike, and physical sanity; named as such.

    Sources: trade.md 4.4 (workshop custom: R 5 to 200 ohm, ratio 0.2 to 0.6, leaks 10 Mohm, error 1 deg electrical).
    """
    origin, note = "shop fall-back", "sibling symmetry and sanity; no published or learned value"

    def row(id_: str, lower: float | None, upper: float | None) -> Limit:
        return Limit(measurand=id_, lower=lower, upper=upper, origin=origin, note=note)

    coils = [row(f"r20_{c}", 5.0, 200.0) for c in ("exc", "sin", "cos")]
    pairs = ("exc_core", "sin_core", "cos_core", "exc_sin", "exc_cos", "sin_cos")
    return (
        *coils,
        row("r20_match", -0.03, 0.03),
        *(row(f"leak_{pair}", 10e6, None) for pair in pairs),
        *(row(f"tr_{c}", 0.2, 0.6) for c in ("sin", "cos")),
        row("tr_imbalance", -0.02, 0.02),
        row("pole_pairs", float(pole_pairs), float(pole_pairs)),
        row("error_max_elec_arcmin", None, 60.0),
    )
