"""Witnesses on the terminal: below the lines of a run, as a plan of their own, and what they said."""

from __future__ import annotations

import sys
from contextlib import suppress
from typing import Any

import click

from rig.certificate.words.wording import short_name
from rig.errors import RecordError
from rig.jobs.kept.kept_run import Finished
from rig.jobs.question.witness import SCHEMA, Answer, WitnessPlan, answers, answers_together
from rig.result import Awaited
from rig.review.witness.suspects import FAILS, suspects
from rig.soundness.witness import WITNESSES, titles


def _label(id_: str) -> str:
    """A line as tables and reports name it; the id stands in --json."""
    return short_name(id_, alone=True)


def settling(finished: Finished) -> list[str]:
    """Rows of text; none for a run without a suspected line."""
    if not finished.stored.header.kind.judges_part:
        return []
    found = suspects(finished.judgement)
    if not found and not finished.stored.witness_entries():
        return []
    failing = {line.measurand for line in finished.judgement.judged if line.verdict in FAILS}
    waiting = {line for one in finished.judgement.awaits for line in one.lines}  # these stand among the open lines
    asked = [one for one in found if one.line in failing - waiting]
    rows = [f"{_label(one.line)}: rig or part? {titles(one.kinds)} settles it" for one in asked]
    taken: list[Answer] = []
    with suppress(RecordError):  # an index that is out of reach must not hide the run itself
        taken = answers(finished.stored)
    for answer in taken:
        rows.append(f"witness {WITNESSES[answer.kind].title} (run {answer.run}): {answer.summary}")
        rows += [f"  {_label(one.suspect.line)}: {one.answer}; {one.told}" for one in answer.settled]
    if len(taken) > 1:
        rows += [f"all witnesses together: {_label(line)}: {said}" for line, said in answers_together(taken).items()]
    return [*rows, f"how: anglewright run witness {finished.stored.id}"] if rows or not waiting else []


def hands_are_there(awaited: Awaited, simulated: bool) -> bool:
    """Ask the person at the terminal for a witness before the run ends; without a terminal nobody is asked."""
    if not sys.stdin.isatty():
        return False
    mark = " (simulated)" if simulated else ""
    click.echo(
        f"\nRig or part? Nothing in this run tells. The {awaited.title} does, in about 20 s.\n{awaited.do}{mark}",
        err=True,
    )
    return click.confirm("Done, guard closed? (no: the outcome awaits this witness)", default=False, err=True)


def ask_for_hands(found: WitnessPlan, kind: str) -> None:
    """What hands have to do first; on the simulated bench it is done already."""
    simulated = found.run.header.simulated
    click.echo(WITNESSES[kind].do + (" (simulated)" if simulated else ""), err=True)
    if not simulated:
        click.confirm("Done, guard closed?", abort=True, err=True)


def document(found: WitnessPlan, taken: list[Answer]) -> dict[str, Any]:
    """The --json document."""
    plan = [
        {"witness": kind, "title": WITNESSES[kind].title, "do": WITNESSES[kind].do, "lines": [s.line for s in lines]}
        for kind, lines in found.kinds.items()
    ]
    return {
        "schema": SCHEMA,
        "run": found.run.id,
        "simulated": found.run.header.simulated,
        "suspects": [{**one.to_dict(), "witnesses": list(one.kinds)} for one in found.asked],
        "plan": plan,
        "answers": [answer.to_dict() for answer in taken],
        "together": answers_together(taken),
    }


def plan_rows(found: WitnessPlan) -> list[str]:
    """The plan in words."""
    if not found.kinds:
        return [f"run {found.run.id}: nothing in it asks for a witness"]
    rows = [f"rig or part? run {found.run.id}, {len(found.asked)} suspected lines"]
    for kind, lines in found.kinds.items():
        one = WITNESSES[kind]
        rows += [
            "",
            f"{one.title}: {'; '.join(_label(line.line) for line in lines)}",
            f"  do     {one.do}",
            f"  rig    {one.rig}",
            f"  part   {one.part}",
            f"  take   anglewright run witness {found.run.id} --take {kind}",
        ]
    return rows


def answer_rows(taken: list[Answer]) -> list[str]:
    """Answers in words, the figures below."""
    rows = []
    for answer in taken:
        rows += ["", f"{WITNESSES[answer.kind].title} (run {answer.run}): {answer.summary}"]
        rows += [f"  {_label(one.suspect.line)}: {one.answer}; {one.told}" for one in answer.settled]
    if len(taken) > 1:
        rows += ["", "all witnesses together"]
        rows += [f"  {_label(line)}: {said}" for line, said in answers_together(taken).items()]
    return rows
