"""A recording from elsewhere, asked and answered: which file, what is known beside it, the judgement of the one judge.

It prints nothing and draws nothing. Formats: rig/records/elsewhere/tables.py; what a recording lacks: rig/observed.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rig.description.benches import load_bench
from rig.description.parts import load_part
from rig.errors import UsageError
from rig.observed import Observed
from rig.records.elsewhere.columns import WORDS, Column, places_of
from rig.records.elsewhere.csv_files import PHASOR_ROLES, columns_of, read_phasors, read_waves
from rig.records.elsewhere.hdf5_sweep import read_sweep
from rig.records.elsewhere.recording import RecordingFacts, phasors_observed, sweep_observed, waves_observed
from rig.records.elsewhere.tables import ROLES, WaveTable
from rig.result import Judgement
from rig.review.judge import judge

SCHEMA = "anglewright result 1"
KINDS = ("phasors", "waves", "sweep")
FIRST, SECOND = ("exc", "sin"), ("exc", "cos")
"""Channels of the two captures of a recorder with two."""
WAV = (".wav", ".wave")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingRequest:
    """kind: one of KINDS. cosine: the second of two captures with two channels. part, bench: names or paths of files;
    columns: role -> column of a CSV; channels: roles of a WAV's channels in its order."""

    kind: str
    file: Path
    cosine: Path | None = None
    part: str | None = None
    bench: str | None = None
    pole_pairs: int | None = None
    frequency_hz: float | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    channels: tuple[str, ...] = ROLES
    full_scale_v: float | None = None

    @property
    def roles(self) -> tuple[str, ...]:
        """The columns or channels that the first file has to have."""
        if self.kind == "phasors":
            return PHASOR_ROLES
        return FIRST if self.cosine is not None else ROLES


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedRecording:
    """A judged recording, by kind and file."""

    kind: str
    source: str
    part: str
    judgement: Judgement

    @property
    def exit_status(self) -> int:
        """As a run's."""
        return self.judgement.exit_status

    def document(self) -> dict[str, Any]:
        """The --json document, in the shape of a run's."""
        found = self.judgement
        return {
            "schema": SCHEMA,
            "kind": self.kind,
            "source": self.source,
            "simulated": False,
            "run": None,
            "part": self.part or None,
            "serial": None,
            "outcome": found.outcome,
            "reasons": [reason.to_dict() for reason in found.reasons],
            "results": [row.to_dict() for row in found.judged],
            "findings": [finding.to_dict() for finding in found.findings],
            "causes": [
                {
                    "code": cause.code,
                    "order_mech": cause.order_mech,
                    "size": cause.size,
                    "unit": cause.unit,
                    "error_elec_arcmin": cause.error_elec_arcmin,
                    "text": cause.text,
                }
                for cause in found.causes
            ],
            "notes": list(found.notes),
            "unknown": [row.to_dict() for row in found.unknown],
            "files": {},
        }


def judge_recording(request: RecordingRequest) -> JudgedRecording:
    """The recording read and judged. Raises UsageError, DescriptionError or RecordError for what can't be read."""
    observed = observed_of(request)
    return JudgedRecording(
        kind=request.kind, source=str(request.file), part=observed.part.number, judgement=judge(observed)
    )


def observed_of(request: RecordingRequest) -> Observed:
    """The recording as a run that lacks something."""
    known = _facts_of(request)
    if request.kind == "phasors":
        return phasors_observed(read_phasors(request.file, request.columns), known)
    if request.kind == "sweep":
        other = None if request.cosine is None else read_sweep(request.cosine, SECOND)
        return sweep_observed(read_sweep(request.file, request.roles), known, other)
    first = _read_waves(request, request.file, request.roles, request.channels)
    if request.cosine is None:
        return waves_observed(first, known)
    beside = tuple("cos" if role == "sin" else role for role in request.channels if role != "cos")
    return waves_observed(first, known, _read_waves(request, request.cosine, SECOND, beside))


def _read_waves(request: RecordingRequest, file: Path, roles: Sequence[str], channels: Sequence[str]) -> WaveTable:
    return read_waves(file, channels, request.full_scale_v, answers=request.columns, roles=roles)


def _facts_of(request: RecordingRequest) -> RecordingFacts:
    if request.frequency_hz is not None and not request.frequency_hz > 0:
        raise UsageError(f"--frequency {request.frequency_hz:g}: must be above 0 Hz.", next_action="Give it in hertz.")
    return RecordingFacts(
        part=None if request.part is None else load_part(request.part).part(),
        bench=None if request.bench is None else load_bench(request.bench),
        pole_pairs=request.pole_pairs,
        frequency_hz=request.frequency_hz,
    )


def answered_columns(request: RecordingRequest, ask: Callable[[str, Sequence[Column]], str]) -> dict[str, str]:
    """role -> column for every column of a CSV whose name is not known, as `ask` answers.

    ask: (what is looked for, in words; the columns of the file) -> the name of one of them.
    """
    answers = dict(request.columns)
    if request.kind == "sweep" or request.file.suffix.lower() in WAV:
        return answers
    wanted = request.roles if request.kind == "phasors" else ("t", *request.roles)
    for file, roles in ((request.file, wanted), (request.cosine, ("t", *SECOND))):
        if file is None:
            continue
        columns = columns_of(file)
        for role in places_of(columns, roles, {r: name for r, name in answers.items() if r in roles})[1]:
            answers[role] = ask(f"{WORDS.get(role, role)} in {file.name}", columns)
    return answers
