"""What a laboratory writes down beside jobs and units: proofs of the safety chain, persons, methods, check standards,
found instruments, corrections. Entries of the book, each only ever added; who may do what with them is decided above
(rig/jobs/kept, rig/jobs/night)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyProof:
    """A device of the safety chain as tried by hand. device: "emergency-stop" or "enable-timer". passed: it cut off."""

    bench: str
    device: str
    passed: bool
    who: str
    remark: str = ""
    at_utc: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Authorisation:
    """A person may carry out a method (a sequence), until a day (ISO 8601, "" for no end); or no longer (withdrawn)."""

    person: str
    method: str
    who: str
    until: str = ""
    withdrawn: bool = False
    remark: str = ""
    at_utc: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundInstrument:
    """An instrument as its calibration found it on a day. instrument: its asset number, else maker, model, serial."""

    instrument: str
    on: str
    in_tolerance: bool
    who: str
    certificate: str = ""
    remark: str = ""
    at_utc: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredStandard:
    """A check standard of a bench by its certificate. standard: the line of the bench's proof that it stands behind.

    value, U (95.45 %, not below 0): in that line's unit. on: the day of its calibration; until: the last day on which
    it may be used (both ISO 8601).
    """

    bench: str
    standard: str
    serial: str
    value: float
    U: float
    certificate: str
    on: str
    until: str
    who: str
    laboratory: str = ""
    remark: str = ""
    at_utc: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodValidation:
    """A version of a sequence compared with the one before on one unit. runs: (old, new); worst: |difference| / U."""

    sequence: str
    version: str
    against: str
    runs: tuple[str, ...]
    worst: float
    line: str
    who: str
    at_utc: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What was wrong of a unit, and what is right. job: "" for every job. new_*: "" where it stays as it was.

    taken_back: the intake never was one (the wrong unit, the wrong job).
    """

    part: str
    serial: str
    why: str
    who: str
    job: str = ""
    new_part: str = ""
    new_serial: str = ""
    new_customer: str = ""
    taken_back: bool = False
    at_utc: str = ""

    def fits(self, part: str, serial: str, job: str) -> bool:
        """Whether it is about this unit under this job."""
        return (self.part, self.serial) == (part, serial) and self.job in ("", job)


@dataclass(frozen=True, slots=True, kw_only=True)
class Erasure:
    """A customer's name that was erased for a stated reason. tokens: what stood for it (rig/records/names.py).

    runs: those that referred to it. keep_reports: whether the reports that print it stay in their folders. It names
    nobody but who erased."""

    tokens: tuple[str, ...]
    runs: tuple[str, ...]
    why: str
    who: str
    keep_reports: bool = False
    at_utc: str = ""


OF_THE_LABORATORY: Mapping[str, type] = {
    "safety-proof": SafetyProof,
    "authorisation": Authorisation,
    "found-instrument": FoundInstrument,
    "declared-standard": DeclaredStandard,
    "method-validation": MethodValidation,
    "correction": Correction,
    "erasure": Erasure,
}
