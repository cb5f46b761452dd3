"""The lot file: what was delivered, which lines are looked at by which plan, what counts, how labels are read.

It knows no run and no unit. Keys: fixtures/README.md. A lot without a file gets the checks of `usual_checks`.
"""

from __future__ import annotations

import re
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal

from pydantic import Field, field_validator, model_validator

from rig.description.loading import Strict, load_checked
from rig.measurands import MEASURANDS
from rig.statistics.sampling_plan import AQLS, LEVELS

SCHEMA = "anglewright lot 1"
VISUAL = "visual"
Share = float | None
CLEARED = ("tr_*", "phase_*", "null_*", "quadrature_*", "orthogonality_*", "centre_*", "error_*")  # by a re-seat
NEVER_CLEARED = ("r20_*", "leak_*", "direction", "pole_pairs", "thermistor_*")


class Check(Strict):
    """A group of lines under one plan. lines: measurand ids with *, or "visual". test: whole, or the quick screen.

    good, accept, bad, accept_bad: of "computed" and "k method" (shares, 0 to 1); log: the k method on a log
    scale. sigma: of the k method, the known deviation of the process in the line's unit (of its logarithm with log).
    """

    name: str = Field(min_length=1)
    lines: tuple[str, ...] = Field(min_length=1)
    plan: Literal["all", "MIL-STD-105E", "own", "computed", "k method"]
    test: Literal["screen", "whole"] = "whole"
    aql: float | None = None
    level: str = "II"
    n: int | None = Field(default=None, ge=1)
    Ac: int | None = Field(default=None, ge=0)
    Re: int | None = Field(default=None, ge=1)
    good: Share = Field(default=None, ge=0, lt=1)
    accept: Share = Field(default=None, gt=0, lt=1)
    bad: Share = Field(default=None, gt=0, le=1)
    accept_bad: Share = Field(default=None, gt=0, lt=1)
    log: bool = False
    sigma: float | None = Field(default=None, gt=0)

    @field_validator("lines")
    @classmethod
    def _lines_exist(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for pattern in value:
            if pattern != VISUAL and not any(fnmatchcase(id_, pattern) for id_ in MEASURANDS):
                raise ValueError(f"{pattern!r} is no line; they are listed in rig/measurands.py, or write 'visual'")
        return value

    @model_validator(mode="after")
    def _complete(self) -> Check:
        risks = (self.good, self.accept, self.bad, self.accept_bad)
        if self.plan == "MIL-STD-105E" and (self.aql not in AQLS or self.level not in LEVELS):
            raise ValueError(f"needs an aql of the table ({', '.join(f'{a:g}' for a in AQLS)}) and a level")
        if self.plan == "own" and (self.n is None or self.Ac is None or self.Re is None or self.Ac >= self.Re):
            raise ValueError("needs n, Ac and Re, and Ac below Re")
        if self.plan in ("computed", "k method"):
            if any(risk is None for risk in risks):
                raise ValueError("needs good, accept, bad and accept_bad")
            if not (risks[0] or 0.0) < (risks[2] or 0.0) or not (risks[3] or 0.0) < (risks[1] or 0.0):
                raise ValueError("good has to lie below bad, and accept_bad below accept")
        if self.plan == "k method" and (len(self.lines) != 1 or self.lines[0] not in MEASURANDS or not self.good):
            raise ValueError("looks at one line alone, named in full, with good above 0")
        return self

    def holds(self, line: str) -> bool:
        """Whether a line belongs to this group."""
        return any(fnmatchcase(line, pattern) for pattern in self.lines)


class Label(Strict):
    """How a scanned code becomes a serial number. separator: cuts the code; field: which piece counts, from 0.

    strip: characters to leave out at both ends; pattern: a regular expression of which the group `serial` counts.
    """

    prefix: str = ""
    separator: str = ""
    field: int = Field(default=0, ge=0, le=20)
    strip: str = " "
    pattern: str = ""

    @field_validator("pattern")
    @classmethod
    def _regular(cls, value: str) -> str:
        try:
            found = re.compile(value)
        except re.error as fault:
            raise ValueError(f"is no regular expression: {fault}") from None
        if value and "serial" not in found.groupindex:
            raise ValueError("needs a group named serial: (?P<serial>...)")
        return value

    def serial(self, code: str) -> str:
        """The serial number in a scanned or listed code; "" where the rule finds none."""
        text = code.removeprefix(self.prefix) if self.prefix else code
        if self.separator:
            pieces = text.split(self.separator)
            text = pieces[self.field] if self.field < len(pieces) else ""
        text = text.strip(self.strip) if self.strip else text
        if not self.pattern:
            return text
        found = re.search(self.pattern, text)
        return found["serial"] if found else ""


class Scanner(Strict):
    """gap_ms: between the characters of a scanned code at most; shortest: characters of a code at least."""

    gap_ms: float = Field(default=35.0, gt=0, le=1000)
    shortest: int = Field(default=4, ge=1, le=64)


class LotFile(Strict):
    """[top] lot, supplier, part, quantity ... and one [[check]] a group of lines."""

    schema_: Literal["anglewright lot 1"] = Field(alias="schema")
    lot: str = Field(pattern=r"^\w[\w.-]*$")
    supplier: str = Field(min_length=1)
    order: str = ""
    part: str = Field(min_length=1)
    quantity: int = Field(ge=1, le=100_000)
    told: int | None = Field(default=None, ge=1)
    papers: tuple[str, ...] = ()
    serials: str = ""
    resubmitted: str = ""
    rotor: Literal["own", "shop master", "none"] = "own"
    rotor_serial: str = ""
    seed: int | None = Field(default=None, ge=1)
    nonconforming: tuple[Literal["fail", "conditional fail", "conditional pass"], ...] = ("fail", "conditional fail")
    cleared_by_reseat: tuple[str, ...] = CLEARED
    standards_every: int = Field(default=20, ge=1)
    look_at: tuple[str, ...] = ()
    photos: str = ""
    label: Label = Label()
    scanner: Scanner = Scanner()
    check: tuple[Check, ...] = ()

    @field_validator("cleared_by_reseat")
    @classmethod
    def _never_cleared(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for id_ in MEASURANDS:
            if any(fnmatchcase(id_, never) for never in NEVER_CLEARED) and any(fnmatchcase(id_, p) for p in value):
                raise ValueError(f"{id_} is never cleared by a re-seat: resistance, leak and pins do not move with it")
        return value

    @model_validator(mode="after")
    def _one_line_one_plan(self) -> LotFile:
        names = [check.name for check in self.check]
        if len(set(names)) < len(names):
            raise ValueError("two checks of one name: the severity belongs to the name")
        if VISUAL in {p for check in self.check for p in check.lines} and not self.look_at:
            raise ValueError("a check looks at 'visual': name what is looked at, look_at = [\"rub marks\", ...]")
        for id_ in (*MEASURANDS, VISUAL):
            where = [check.name for check in self.check if check.holds(id_)]
            if len(where) > 1:
                raise ValueError(f"line {id_} stands in {' and '.join(map(repr, where))}; one line, one plan")
        return self

    @property
    def checks(self) -> tuple[Check, ...]:
        """Its own checks, or the usual ones."""
        return self.check or usual_checks()


def usual_checks() -> tuple[Check, ...]:
    """What a lot without a plan of its own is looked at for: critical lines on every unit, the turn by the table."""
    return (
        Check(
            name="critical",
            lines=("r20_*", "leak_*", "direction", "pole_pairs"),
            test="screen",
            plan="all",
        ),
        Check(
            name="ratio and error",
            lines=("tr_*", "phase_*", "null_*", "orthogonality_*", "error_max_elec_arcmin"),
            plan="MIL-STD-105E",
            aql=2.5,
        ),
    )


def load_lot(path: Path) -> LotFile:
    """A lot file. Raises UsageError, DescriptionError with every fault by line and key."""
    return load_checked(LotFile, path)
