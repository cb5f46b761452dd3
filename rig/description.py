"""TOML description files to checked objects: parts, holders, benches; every fault told by file, line and key.

Worlds of the simulated bench use the same loader (`checked`) with their own models. It knows no instrument and
judges nothing. Finding a file: a path, then ./, then the home, then the packaged ones (DEVELOPERS.md).
Stands on tomllib and pydantic 2 (extra keys forbidden, all faults in one pass).
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from rig.errors import DescriptionError, UsageError
from rig.quantity import ORIGINS, Limit, measurand
from rig.resolver.part import TERMINALS, CoilNominal, DecisionRule, Excitation, Part, ThermistorNominal

FOLDERS = {"part": "parts", "holder": "holders", "bench": "benches", "world": "worlds"}


def home() -> Path:
    """The user's data folder: $ANGLEWRIGHT_HOME, else the platform's place for data."""
    if set_home := os.environ.get("ANGLEWRIGHT_HOME"):
        return Path(set_home)
    if base := os.environ.get("XDG_DATA_HOME"):
        return Path(base) / "anglewright"
    return Path.home() / ".local" / "share" / "anglewright"


def packaged_fixtures() -> Path:
    """The fixtures that travel in the wheel, or those of the checkout in an editable install."""
    shipped = Path(__file__).parent / "_data" / "fixtures"
    return shipped if shipped.is_dir() else Path(__file__).parent.parent / "fixtures"


def find(kind: str, name: str) -> Path:
    """The file behind a name. Raises UsageError that lists where it looked and the nearest known names."""
    folder = FOLDERS[kind]
    given = Path(name)
    candidates = [given] if given.suffix == ".toml" else []
    for base in (Path("."), home() / folder, packaged_fixtures() / folder):
        candidates.append(base / (name if name.endswith(".toml") else f"{name}.toml"))
    for candidate in candidates:
        if candidate.is_file():
            return candidate
    near = difflib.get_close_matches(given.stem, known_names(kind), n=3, cutoff=0.4)
    hint = f"Did you mean {' or '.join(near)}?" if near else f"Known: {', '.join(known_names(kind)) or 'none'}."
    raise UsageError(
        f"no {kind} called {name!r}: looked in ./, {home() / folder} and the packaged {folder}.", next_action=hint
    )


def known_names(kind: str) -> list[str]:
    """Names of the home and of the packaged files of a kind."""
    folder = FOLDERS[kind]
    places = (home() / folder, packaged_fixtures() / folder)
    return sorted({path.stem for place in places if place.is_dir() for path in place.glob("*.toml")})


# ---- the loader -------------------------------------------------------------------------------------------

ModelT = TypeVar("ModelT", bound=BaseModel)


class Strict(BaseModel):
    """Base of every description: unknown keys are refused, nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """The parsed file and its text. Raises DescriptionError with the line of a syntax fault."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise UsageError(
            f"{path}: can't be read ({fault}).", next_action="Check the path and its permissions."
        ) from fault
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as fault:
        raise DescriptionError(f"{path}: not valid TOML: {fault}.", next_action="Mend that line.") from fault


def checked(model: type[ModelT], path: Path) -> ModelT:
    """A TOML file as a checked object; all its faults in one DescriptionError."""
    data, text = read_toml(path)
    try:
        return model.model_validate(data)
    except ValidationError as fault:
        lines = tuple(_told(path, text, model, item) for item in fault.errors())
        raise DescriptionError("\n".join(lines), faults=lines) from fault


def from_data(model: type[ModelT], data: Mapping[str, Any], where: str) -> ModelT:
    """An object from data that was checked before (a record's snapshot)."""
    try:
        return model.model_validate(dict(data))
    except ValidationError as fault:
        raise DescriptionError(f"{where}: {fault.errors()[0]['msg']} at {fault.errors()[0]['loc']}") from fault


def _told(path: Path, text: str, model: type[BaseModel], item: Any) -> str:
    keys = [part for part in item["loc"] if isinstance(part, str | int)]
    line = line_of(text, keys)
    dotted = ".".join(str(key) for key in keys)
    told = f"{path}:{line}: {dotted}: {item['msg']}"
    if item["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(keys[-1]), _known_keys(model, keys[:-1]), n=1, cutoff=0.0)
        told = f"{path}:{line}: {dotted}: unknown key" + (f"; the nearest known key is {near[0]!r}" if near else "")
    elif item["type"] == "missing":
        told = f"{path}:{line}: {dotted}: is missing"
    elif "input" in item and not isinstance(item["input"], dict | list):
        told += f" (found {item['input']!r})"
    return told


def _known_keys(model: type[BaseModel], keys: list[str | int]) -> list[str]:
    here: Any = model
    for key in keys:
        if isinstance(key, int):
            continue
        field = here.model_fields.get(key) if isinstance(here, type) and issubclass(here, BaseModel) else None
        here = next(_models_in(field.annotation), None) if field else None
        if here is None:
            return []
    return list(here.model_fields)


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in getattr(annotation, "__args__", ()):
        yield from _models_in(inner)


def line_of(text: str, keys: list[str | int]) -> int:
    """The line (from 1) on which a key of a TOML text stands; the nearest table's line when the key is absent."""
    names = [str(key) for key in keys if isinstance(key, str)]
    counts = {
        name: keys[i + 1] for i, name in enumerate(keys[:-1]) if isinstance(keys[i + 1], int) and isinstance(name, str)
    }
    table: list[str] = []
    seen: dict[str, int] = {}
    best, depth, in_right_item = 1, 0, True
    for number, line in enumerate(text.splitlines(), start=1):
        if header := re.match(r"\s*\[(\[?)\s*([^\]]+?)\s*\]", line):
            table = [part.strip().strip("\"'") for part in header.group(2).split(".")]
            name = ".".join(table)
            if header.group(1):
                seen[name] = seen.get(name, -1) + 1
                wanted = counts.get(table[-1])
                in_right_item = wanted is None or not isinstance(wanted, int) or seen[name] == wanted
            else:
                in_right_item = True
            if in_right_item and table == names[: len(table)] and len(table) >= depth:
                best, depth = number, len(table)
        elif in_right_item and (entry := re.match(r"\s*([A-Za-z0-9_\-\"'.]+)\s*=", line)):
            path = table + [part.strip("\"' ") for part in entry.group(1).split(".")]
            if path == names[: len(path)] and len(path) > depth:
                best, depth = number, len(path)
    return best


# ---- parts --------------------------------------------------------------------------------------------------


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

    @field_validator("measurand")
    @classmethod
    def _known(cls, value: str) -> str:
        try:
            about = measurand(value).about
        except KeyError:
            raise ValueError(f"unknown measurand {value!r}; they are listed in DEVELOPERS.md") from None
        if about != "part":
            raise ValueError(f"{value!r} is a fact about the rig and is never judged")
        return value

    @model_validator(mode="after")
    def _some_end(self) -> _Limit:
        if self.lower is None and self.upper is None:
            raise ValueError("a limit needs lower, upper or both")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError("lower is above upper")
        return self


class _Decision(Strict):
    rule: Literal["simple", "guard band"] = "guard band"
    r: float = Field(default=1.0, gt=0, le=5)


class PartFile(Strict):
    """[top] number, revision, title, pole_pairs ... as in fixtures/README.md.

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
    part = checked(PartFile, path)
    if not (part.confirmed or draft):
        raise UsageError(
            f"{path}:{line_of(read_toml(path)[1], ['confirmed'])}: a draft, by which nothing is excited.",
            next_action="Confirm pins and excitation (wiring diagram or a known-good part), then set confirmed = true.",
        )
    return part


# ---- holders ------------------------------------------------------------------------------------------------


class Holder(Strict):
    """What holds the part: `channels` maps adapter pin -> column of the relay matrix; leads and seat.

    datum: the mark that the index refers to ("" = none, then no electrical zero is printed).
    lead_ohm, lead_u_ohm: two-wire lead resistance of the adapter per pair and its standard uncertainty.
    centring_mm, axial_mm: stated re-clamping scatter (standard deviation).
    """

    schema_: Literal["anglewright holder 1"] = Field(alias="schema")
    name: str
    title: str = ""
    channels: dict[str, int]
    core_pin: str = "core"
    datum: str = ""
    index_to_datum_deg: float = 0.0
    lead_ohm: float = Field(default=0.16, ge=0)
    lead_u_ohm: float = Field(default=0.05, ge=0)
    centring_mm: float = Field(default=0.01, ge=0)
    axial_mm: float = Field(default=0.02, ge=0)
    safety: str = ""

    def column(self, pin: str) -> int:
        """The matrix column of an adapter pin; UsageError when the holder has none."""
        if pin not in self.channels:
            raise UsageError(
                f"holder {self.name} has no channel for pin {pin!r}.",
                next_action="Add it under [channels] of the holder file.",
            )
        return self.channels[pin]


def load_holder(name: str) -> Holder:
    """The holder file of a name or path."""
    return checked(Holder, find("holder", name))


# ---- benches ------------------------------------------------------------------------------------------------


class Spec(Strict):
    """One line of an instrument's accuracy: ± (percent of reading + percent of range), ranges up to `range`.

    Limits of error, taken as rectangular unless `k` says that they are expanded uncertainties.
    """

    quantity: str
    range: float | None = None
    percent_reading: float = 0.0
    percent_range: float = 0.0
    absolute: float = 0.0
    k: float | None = None
    note: str = ""


class Device(Strict):
    """What every instrument section has. link "simulated" is filled in from the simulated bench's process."""

    driver: str
    link: str = "simulated"
    asset: str = ""
    serial: str = ""
    calibrated: date | None = None
    due: date | None = None
    certificate: str = ""
    spec: tuple[Spec, ...] = ()

    def spec_of(self, quantity: str, range_: float | None = None) -> Spec | None:
        """The narrowest line that covers a range."""
        fitting = [
            s
            for s in self.spec
            if s.quantity == quantity and (s.range is None or range_ is None or s.range >= range_ * 0.999)
        ]
        return min(fitting, key=lambda s: s.range if s.range is not None else float("inf"), default=None)


class MultimeterDevice(Device):
    line_hz: float = 50.0


class GeneratorDevice(Device):
    """amplifier_gain: volts at the coil per volt at the generator, nominal."""

    amplifier_gain: float = Field(default=1.0, gt=0)
    ceiling_v_rms: float = Field(default=10.0, gt=0, le=25)
    ramp_s: float = Field(default=0.5, gt=0)


class SamplerDevice(Device):
    """exc_divider: volts at the input per volt at the coil; shunt_ohm: volts per ampere; u_: relative, standard."""

    sample_rate_hz: float = Field(default=241_545.9, gt=0)
    range_v: float = Field(default=10.0, gt=0)
    exc_divider: float = Field(default=0.5, gt=0)
    exc_divider_u: float = Field(default=5e-4, ge=0)
    shunt_ohm: float = Field(default=1.0, gt=0)
    shunt_u: float = Field(default=1e-3, ge=0)
    input_ohm: float = Field(default=1e6, gt=0)
    input_pf: float = Field(default=120.0, ge=0)
    input_pf_u: float = Field(default=10.0, ge=0)
    loopback_days: float = Field(default=0.5, gt=0)


class AxisDevice(Device):
    """Stated errors are half-widths in arcmin mechanical; ring_hz sets the capture length and the settling.

    motor_current_a (rms a phase, as the driver is set) and load (what hangs on the spindle): a correction of the
    positioner (`bench remount`) only holds for these; correction_days: for how long.
    """

    full_steps: int = 200
    microsteps: int = 16
    max_deg_s: float = 360.0
    accel_deg_s2: float = 2000.0
    settle_s: float = 0.08
    ring_hz: float = 80.0
    cyclic_arcmin: float = 6.0
    once_arcmin: float = 3.0
    twice_arcmin: float = 1.0
    backlash_arcmin: float = 1.5
    index_repeat_arcmin: float = 0.7
    sweep_points: int | None = None
    motor_current_a: float | None = Field(default=None, gt=0)
    load: str = ""
    correction_days: float = Field(default=90.0, gt=0)

    @property
    def steps_per_turn(self) -> int:
        return self.full_steps * self.microsteps


class EncoderDevice(Device):
    residual_arcmin: float = 0.03
    once_arcmin: float = 0.5


class SwitchDevice(Device):
    """rows: what each row of the relay matrix carries -> row number. Channel = slot*1000 + row*100 + column.

    dummy_lines: relays that drive lines A, B, S, C of the dummy part (hardware/dummy_part.md), where there are some.
    """

    slot: int = 1
    rows: dict[str, int] = Field(
        default_factory=lambda: {
            "meter_hi": 1,
            "meter_lo": 2,
            "exc_hi": 3,
            "exc_lo": 4,
            "sin_hi": 5,
            "sin_lo": 6,
            "cos_hi": 7,
            "cos_lo": 8,
        }
    )
    loopback: int | None = 2001
    lead_short: int | None = 2002
    check_resistor: int | None = 2003
    check_resistor_ohm: float = 100.0
    ratio_standard: int | None = 2004
    ratio_standard_value: float = 0.286
    dummy_lines: tuple[int, int, int, int] | None = None

    def channel(self, row: str, column: int) -> int:
        return self.slot * 1000 + self.rows[row] * 100 + column


class InterlockDevice(Device):
    """bits of the input byte: 1 = guard closed, 1 = emergency stop pressed."""

    channel: int = 5101
    guard_bit: int = 0
    stop_bit: int = 1


class ClimateDevice(Device):
    pass


class BenchFile(Strict):
    """The instruments by role. world: a simulated bench's world; real benches have none.

    world_settings: "section.key" of the world -> value over the file's own; what hands did before this run.
    """

    schema_: Literal["anglewright bench 1"] = Field(alias="schema")
    name: str
    title: str = ""
    shop: str = ""
    world: str | None = None
    world_settings: dict[str, str | float | bool] = Field(default_factory=dict)
    clock: str | None = None
    holder: str = "adapter_8"
    positioner_correction: str | None = None
    multimeter: MultimeterDevice
    generator: GeneratorDevice
    sampler: SamplerDevice
    axis: AxisDevice | None = None
    encoder: EncoderDevice | None = None
    switch: SwitchDevice
    interlock: InterlockDevice
    climate: ClimateDevice | None = None

    @property
    def simulated(self) -> bool:
        return self.world is not None or self.clock is not None

    def devices(self) -> dict[str, Device]:
        """Role -> section, those that are there."""
        roles = ("multimeter", "generator", "sampler", "axis", "encoder", "switch", "interlock", "climate")
        return {role: device for role in roles if (device := getattr(self, role)) is not None}


def load_bench(name: str) -> BenchFile:
    """The bench file of a name or path."""
    return checked(BenchFile, find("bench", name))


__all__ = [
    "ORIGINS",
    "BenchFile",
    "Device",
    "Holder",
    "PartFile",
    "Spec",
    "Strict",
    "checked",
    "find",
    "from_data",
    "home",
    "known_names",
    "load_bench",
    "load_holder",
    "load_part",
    "packaged_fixtures",
    "read_toml",
]
