"""The part file: what a part number's resolver is meant to be, and the limits it is judged by.

It knows no file but its own kind, no instrument, no measured value. Keys: fixtures/README.md.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from rig.description.loading import Strict, line_of, load_checked, read_toml
from rig.description.places import find
from rig.errors import UsageError
from rig.measurands import measurand
from rig.quantity import Limit
from rig.resolver.part import TERMINALS, CoilNominal, DecisionRule, Excitation, Part, ThermistorNominal


class _Excitation(Strict):
    level_v_rms: float = Field(gt=0, le=25)
    frequency_hz: float = Field(ge=50, le=50_000)
    ceiling_v_rms: float = Field(gt=0, le=25)
    ceiling_a_rms: float = Field(gt=0, le=2)

    @model_validator(mode="after")
    def _below_ceiling(self) -> _Excitation:
        if self.level_v_rms > self.ceiling_v_rms:
            raise ValueError("level_v_rms is above ceiling_v_rms")
        return self


class _Coil(Strict):
    r20_ohm: float = Field(gt=0, le=100_000)
    tolerance: float = Field(default=0.15, gt=0, lt=1)


class _Coils(Strict):
    exc: _Coil | None = None
    sin: _Coil | None = None
    cos: _Coil | None = None


class _Thermistor(Strict):
    kind: Literal["ntc", "ptc", "pt1000", "silicon", "none"] = "none"
    r25_ohm: float | None = Field(default=None, gt=0)
    beta_k: float | None = Field(default=None, gt=0)
    beta_range_degc: tuple[float, float] = (0.0, 100.0)
    source: str = "indicative"


class _Limit(Strict):
    measurand: str
    lower: float | None = None
    upper: float | None = None
    origin: Literal["maker", "customer", "learned", "shop fall-back"]
    note: str = ""
    required: bool = True
    angle: Literal["", "electrical", "mechanical", "unclear"] = ""
    frequency_hz: float | None = Field(default=None, gt=0)
    level_v_rms: float | None = Field(default=None, gt=0)
    temperature_degc: float | None = Field(default=None, ge=-60, le=250)
    revision: str = ""
    frequency_coefficient: float | None = None
    level_coefficient: float | None = None
    coefficient_per_k: float | None = None

    @field_validator("measurand")
    @classmethod
    def _is_a_line_of_the_part(cls, value: str) -> str:
        try:
            about = measurand(value).about
        except KeyError:
            raise ValueError(f"unknown measurand {value!r}; they are listed in rig/measurands.py") from None
        if about != "part":
            raise ValueError(f"{value!r} is a fact about the rig and is never judged")
        return value

    @model_validator(mode="after")
    def _some_end(self) -> _Limit:
        if self.lower is None and self.upper is None:
            raise ValueError("a limit needs lower, upper or both")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError("lower is above upper")
        if self.angle and not ("_elec_" in self.measurand or "_mech_" in self.measurand):
            raise ValueError(f"{self.measurand!r} is no angle of the rotor: leave out 'angle'")
        return self


class _Decision(Strict):
    rule: Literal["simple", "guard band"] = "guard band"
    r: float = Field(default=1.0, gt=0, le=5)


class PartFile(Strict):
    """[top] number, revision, title, pole_pairs ... as in fixtures/README.md.

    ceiling_coil_degc: what the coils may reach, from the data sheet; without it the part is not soaked.
    confirmed: false in a draft made from resistances; no run excites such a part until a person has set it to true.
    """

    schema_: Literal["anglewright part 1"] = Field(alias="schema")
    number: str = Field(min_length=1)
    revision: str = "-"
    title: str = ""
    pole_pairs: int = Field(ge=1, le=32)
    teeth: int | None = Field(default=None, ge=4, le=96)
    positive_rotation: str = "counter-clockwise seen from the connector side"
    pins: dict[str, str]
    empty_pins: tuple[str, ...] = ()
    excitation: _Excitation
    coils: _Coils = _Coils()
    thermistor: _Thermistor = _Thermistor()
    limits: tuple[_Limit, ...] = ()
    decision: _Decision = _Decision()
    notes: str = ""
    confirmed: bool = True
    ceiling_coil_degc: float | None = Field(default=None, gt=0, le=250)

    @field_validator("pins")
    @classmethod
    def _all_terminals(cls, value: dict[str, str]) -> dict[str, str]:
        missing = [name for name in TERMINALS[:6] if name not in value]
        unknown = [name for name in value if name not in TERMINALS]
        if missing or unknown:
            raise ValueError(
                f"terminals are {', '.join(TERMINALS)}; missing: {missing or '-'}, unknown: {unknown or '-'}"
            )
        if len(set(value.values())) != len(value):
            raise ValueError("two terminals on one pin")
        return value

    def part(self) -> Part:
        """As the plain object of the resolver room."""
        coils = {
            name: CoilNominal(**coil.model_dump())
            for name in ("exc", "sin", "cos")
            if (coil := getattr(self.coils, name))
        }
        return Part(
            number=self.number,
            revision=self.revision,
            title=self.title,
            pole_pairs=self.pole_pairs,
            teeth=self.teeth,
            positive_rotation=self.positive_rotation,
            pins=dict(self.pins),
            empty_pins=self.empty_pins,
            excitation=Excitation(**self.excitation.model_dump()),
            coils=coils,
            thermistor=ThermistorNominal(**self.thermistor.model_dump()),
            limits=tuple(Limit(**limit.model_dump()) for limit in self.limits),
            decision=DecisionRule(name=self.decision.rule, r=self.decision.r),
            notes=self.notes,
        )


def load_part(name: str, *, draft: bool = False) -> PartFile:
    """The part file of a name or path; one that is not confirmed only where the caller takes a draft (UsageError)."""
    path = find("part", name)
    part = load_checked(PartFile, path)
    if not (part.confirmed or draft):
        raise UsageError(
            f"{path}:{line_of(read_toml(path)[1], ['confirmed'])}: a draft, by which nothing is excited.",
            next_action="Confirm pins and excitation (wiring diagram or a known-good part), then set confirmed = true.",
        )
    return part
