"""Undecided is never mute: which lines are open, why, and the next command to type. Pure.

Every outcome but *within limits* gives at least one row; one that stands for the whole run has no line's name.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import asdict, dataclass

from rig.records.run.record import RunHeader
from rig.result import Awaited, Judged, Judgement
from rig.uncertainty.conformity import Verdict

WHY = {
    Verdict.CONDITIONAL_PASS: "inside its limit by less than the guard band",
    Verdict.CONDITIONAL_FAIL: "outside its limit by less than the guard band",
    Verdict.NOT_CAPABLE: "U is too large for this limit: no value at all could pass",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenLine:
    """One open line ("": the whole run), why it is open, and the command to type next."""

    line: str
    why: str
    next: str

    def to_dict(self) -> dict[str, str]:
        """The shape of a row under `open` in --json."""
        return asdict(self)


def open_lines(judgement: Judgement, header: RunHeader, run: str) -> list[OpenLine]:
    """The rows of a judged run, in the order of its lines; none where all is within limits."""
    if judgement.outcome == "within limits":
        return []
    waiting = {line: one for one in judgement.awaits for line in one.lines}
    rows = [row for line in judgement.judged if (row := _row(line, waiting, header, run)) is not None]
    return rows or _decided_rows(judgement, header, run) or [_whole(judgement, header, run)]


def _decided_rows(judgement: Judgement, header: RunHeader, run: str) -> list[OpenLine]:
    """The rows of a run whose every line is decided: those that lie outside."""
    if judgement.outcome != "outside limits" or not header.kind.judges_part or judgement.awaits:
        return []
    failing = [line.measurand for line in judgement.judged if line.verdict is Verdict.FAIL]
    why, command = "decided: outside its limit", f"anglewright run witness {run}"
    return [OpenLine(line=one, why=why, next=command) for one in failing]


def _row(line: Judged, waiting: dict[str, Awaited], header: RunHeader, run: str) -> OpenLine | None:
    if (awaited := waiting.get(line.measurand)) is not None:
        why = f"rig or part is not known: awaits the {awaited.title}"
        return OpenLine(line=line.measurand, why=why, next=f"anglewright run witness {run} --take {awaited.kind}")
    if line.limit is None:
        return None
    if line.verdict is Verdict.NOT_CAPABLE:
        return OpenLine(
            line=line.measurand, why=WHY[line.verdict], next=f"anglewright bench can --part {_part(header)}"
        )
    if line.verdict in WHY:
        return OpenLine(line=line.measurand, why=WHY[line.verdict], next=again(header, run))
    if line.verdict is Verdict.NOT_TESTED and (line.limit.required or line.spoiled):
        return OpenLine(line=line.measurand, why=line.note or "not measured in this run", next=again(header, run))
    return None


def _whole(judgement: Judgement, header: RunHeader, run: str) -> OpenLine:
    """The row of a run without a single open line."""
    if judgement.awaits:
        one = judgement.awaits[0]
        return OpenLine(
            line="",
            why=f"rig or part is not known: awaits the {one.title}",
            next=f"anglewright run witness {run} --take {one.kind}",
        )
    if judgement.outcome == "outside limits" and not header.kind.judges_part:
        return OpenLine(line="", why="; ".join(judgement.notes), next=again(header, run))
    if judgement.outcome == "measured, no limits" and header.kind.judges_part:
        return OpenLine(line="", why="no line has a limit", next=f"anglewright known {_part(header)}")
    if judgement.reasons:
        return OpenLine(line="", why=judgement.reasons[0].text, next=again(header, run))
    return OpenLine(line="", why="; ".join(judgement.notes) or judgement.outcome, next=f"anglewright unit {run}")


def again(header: RunHeader, run: str) -> str:
    """The command that repeats a run; as its retest, which the retest rule allows once."""
    words = ["anglewright", "run", header.sequence, "--part", str(header.part.get("number", "")), "--serial"]
    words += [header.serial, *_repeat_options(header)]
    if header.kind.judges_part and not header.retest_of:
        words += ["--retest-of", run]
    return shlex.join(words)


def _repeat_options(header: RunHeader) -> Iterator[str]:
    """What has to be said again so that it is the same bench and the same unit."""
    for option, value in (("--job", header.job), ("--condition", header.condition)):
        if value:
            yield from (option, value)
    if header.rotor != "own":
        yield from ("--rotor", header.rotor)
    if (name := str(header.bench.get("name", "simulated"))) != "simulated":
        yield from ("--bench", name)
    elif world := header.bench.get("world"):
        yield from ("--world", str(world).rpartition("/")[2].removesuffix(".toml"))


def _part(header: RunHeader) -> str:
    return shlex.quote(str(header.part.get("number", "")))
