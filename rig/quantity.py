"""Reading and Limit: the words every floor shares. Everyone may import this file.

It knows no file, no instrument and no formula. What can be measured: rig/measurands.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

Scalar = str | float | int | bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One raw reading, as it stands in the journal.

    value: None when the instrument said over range (`overload`) or when the reading is a capture.
    capture: "series/index" of a waveform in the raw file, else "". conditions: see rig/vocabulary.py.
    """

    step: str
    quantity: str
    value: Scalar
    unit: str
    instrument: str
    bench_time_s: float
    time_utc: str
    conditions: Mapping[str, Scalar] = field(default_factory=dict)
    overload: bool = False
    capture: str = ""

    def number(self) -> float:
        """The value as a number; raises ValueError for an overload or a text."""
        if isinstance(self.value, bool) or not isinstance(self.value, int | float):
            raise ValueError(f"{self.quantity} in step {self.step} is not a number: {self.value!r}")
        return float(self.value)

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return {
            "step": self.step,
            "quantity": self.quantity,
            "value": self.value,
            "unit": self.unit,
            "instrument": self.instrument,
            "bench_time_s": self.bench_time_s,
            "time_utc": self.time_utc,
            "conditions": dict(self.conditions),
            "overload": self.overload,
            "capture": self.capture,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Reading:
        """Back from JSON data; unknown keys of later versions are left aside."""
        return cls(
            step=str(data["step"]),
            quantity=str(data["quantity"]),
            value=data["value"],
            unit=str(data["unit"]),
            instrument=str(data["instrument"]),
            bench_time_s=float(data["bench_time_s"]),
            time_utc=str(data["time_utc"]),
            conditions=dict(data.get("conditions", {})),
            overload=bool(data.get("overload", False)),
            capture=str(data.get("capture", "")),
        )


STATED_FOR = (
    "angle",
    "frequency_hz",
    "level_v_rms",
    "temperature_degc",
    "revision",
    "frequency_coefficient",
    "level_coefficient",
    "coefficient_per_k",
)


LEARNED_ORIGINS = ("learned", "outcomes")  # from known-good units; from units that cured what they were fitted to


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Where a result must lie: lower and upper in the measurand's unit, either may be None; who set it.

    origin: maker, customer, learned, outcomes or shop fall-back. note: free text that is printed (revision, n of
    learned parts, "provisional").
    required: a required line that is not tested leaves the run undecided. angle: "electrical", "mechanical", "unclear"
    or "" (as the measurand says). frequency_hz, level_v_rms, temperature_degc, revision: what the limit was stated for
    (None, "": the part file's own); the coefficients are relative changes of the limit, per relative change of
    frequency or level, or per kelvin.
    """

    measurand: str
    lower: float | None
    upper: float | None
    origin: str
    note: str = ""
    required: bool = True
    angle: str = ""
    frequency_hz: float | None = None
    level_v_rms: float | None = None
    temperature_degc: float | None = None
    revision: str = ""
    frequency_coefficient: float | None = None
    level_coefficient: float | None = None
    coefficient_per_k: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data; what it was stated for only where it is stated."""
        stated = {name: value for name in STATED_FOR if (value := getattr(self, name)) not in (None, "")}
        return {
            "lower": self.lower,
            "upper": self.upper,
            "origin": self.origin,
            "note": self.note,
            "required": self.required,
            **stated,
        }
