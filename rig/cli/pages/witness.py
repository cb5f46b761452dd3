"""Below the lines of a run: which witness would settle each failing one, and what witnesses kept for it have said."""

from __future__ import annotations

from contextlib import suppress

from rig.diagnosis.suspects import FAILS, suspects
from rig.diagnosis.witness import WITNESSES, titles
from rig.errors import RecordError
from rig.jobs.run_job import Finished
from rig.jobs.witness import Answer, all_said, answers

QUIET = ("witness", "seat", "watch", "pins")


def settling(finished: Finished) -> list[str]:
    """Rows of text; none for a run without a suspected line."""
    if finished.stored.header.sequence in QUIET:
        return []
    found = suspects(finished.judgement)
    if not found:
        return []
    failing = {line.measurand for line in finished.judgement.judged if line.verdict in FAILS}
    rows = [f"{one.line}: rig or part? {titles(one.kinds)} settles it" for one in found if one.line in failing]
    taken: list[Answer] = []
    with suppress(RecordError):  # an index that is out of reach must not hide the run itself
        taken = answers(finished.stored)
    for answer in taken:
        rows.append(f"witness {WITNESSES[answer.kind].title} (run {answer.run}): {answer.said}")
        rows += [f"  {one.suspect.line}: {one.answer}; {one.told}" for one in answer.settled]
    if len(taken) > 1:
        rows += [f"all witnesses together: {line}: {said}" for line, said in all_said(taken).items()]
    return [*rows, f"how: anglewright witness {finished.stored.id}"]
