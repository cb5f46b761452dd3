"""What the morning page says of check standards and notices, each sentence with its figures. Read from the journal.

A standard that stayed in control is told with its first and last take; one that did not, with every take.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rig.certificate.words.phrase import join_texts, phrase
from rig.jobs.night.checks.sentence import Sentence, count_of
from rig.review.charts import NOT_COVERED
from rig.statistics.control_chart import BASELINE, IN_CONTROL, OUT_OF_CONTROL

PART, PERSON = "standards", "needs a person"
Rows = Mapping[str, list[Mapping[str, Any]]]


def standards_out(events: Sequence[Mapping[str, Any]]) -> list[tuple[int, str]]:
    """(look, standard) of each that was out of control."""
    return [
        (int(take["look"]), str(row["standard"]))
        for take in _takes(events)
        for row in take["rows"]
        if row["said"] == OUT_OF_CONTROL
    ]


def needs_a_person(events: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    """A standard that is out, one whose EWMA warns, and runs that became suspect."""
    found = []
    for look, name in standards_out(events):
        text = phrase(
            "look at standard {name} and its meter (look {n}): see anglewright night chart", name=name, n=str(look)
        )
        found.append(Sentence(part=PERSON, text=text))
    rows_of = _rows_of(events)
    for name, rows in rows_of.items():
        if any(row["ewma_warns"] for row in rows) and not any(row["said"] == OUT_OF_CONTROL for row in rows):
            text = phrase(
                "the EWMA of {name} warns of a slow shift; nothing was stopped: see anglewright night chart",
                name=name,
            )
            found.append(
                Sentence(part=PERSON, text=text, of=tuple(dict.fromkeys(run for row in rows for run in row["runs"])))
            )
    if marked := _suspect_runs(rows_of):
        text = count_of(
            len(marked),
            "one run is suspect: clear or confirm it with anglewright unit suspect",
            "{n} runs are suspect: clear or confirm them with anglewright unit suspect",
        )
        found.append(Sentence(part=PERSON, text=text, of=marked))
    for one in events:
        if one["what"] == "standards not judged":
            text = phrase(
                "look {n}: standards outside could not be taken again: {why}", n=str(one["look"]), why=str(one["why"])
            )
            found.append(Sentence(part=PERSON, text=text, of=(str(one["run"]),)))
    return found


def standards_sentences(events: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    """How many of how many stayed in control, those that did not, what is in question, what none of them covered."""
    takes, rows_of = _takes(events), _rows_of(events)
    not_covered = Sentence(part=PART, text=phrase("no standard covered {a}", a=NOT_COVERED))
    if not takes:
        return [Sentence(part=PART, text=phrase("none was taken")), not_covered]
    quiet = {name: rows for name, rows in rows_of.items() if {row["said"] for row in rows} == {IN_CONTROL}}
    based = sum("baseline)" not in str(rows[-1]["against"]) for rows in rows_of.values())
    text = phrase(
        "{n} lines in {nb} takes: {nc} in control throughout; {nd} against a frozen baseline, "
        "the rest (below {ne} takes) against their reference",
        n=str(len(rows_of)),
        nb=str(len(takes)),
        nc=str(len(quiet)),
        nd=str(based),
        ne=str(BASELINE),
    )
    found = [Sentence(part=PART, text=text, of=tuple(str(take["run"]) for take in takes))]
    for name, rows in rows_of.items():
        found += [
            Sentence(part=PART, text=_words_of_standard(name, row), of=tuple(row["runs"]))
            for row in rows
            if name not in quiet
        ]
    own = [_first_and_last(name, rows) for name, rows in quiet.items()]
    if own:
        found.append(Sentence(part=PART, text=phrase("first and last take: {a}", a=join_texts("; ", own))))
    marked = _suspect_runs(rows_of)
    text = count_of(len(marked), "one run became suspect by them", "{n} runs became suspect by them")
    return [*found, Sentence(part=PART, text=text, of=marked), not_covered]


def notice_sentences(events: Sequence[Mapping[str, Any]]) -> list[Sentence]:
    """Notices that were not delivered, and by whom refused."""
    return [
        Sentence(part="notices", text=phrase("not delivered: {a}: {why}", a=str(one["about"]), why=str(why)))
        for one in events
        if one["what"] == "notice"
        for why in one["refused"]
    ]


def _takes(events: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    return [one for one in events if one["what"] == "standards"]


def _rows_of(events: Sequence[Mapping[str, Any]]) -> Rows:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for take in _takes(events):
        for row in take["rows"]:
            found.setdefault(str(row["standard"]), []).append(row)
    return found


def _suspect_runs(rows_of: Rows) -> tuple[str, ...]:
    return tuple(dict.fromkeys(run for rows in rows_of.values() for row in rows for run in row["marked"]))


def _words_of_standard(name: str, row: Mapping[str, Any]) -> str:
    values = ", ".join(f"{value:#.7g}" for value in row["values"])
    return phrase(
        "{name} {said}: {values} {unit}, against {against}{zero}",
        name=name,
        said=str(row["said"]),
        values=values,
        unit=_unit(row),
        against=str(row["against"]),
        zero="" if row["zero_can_be_taken"] else phrase("; no new lead zero without a hand"),
    )


def _first_and_last(name: str, rows: Sequence[Mapping[str, Any]]) -> str:
    first, last = float(rows[0]["values"][0]), float(rows[-1]["values"][-1])
    digits = "#.7g" if abs(first) > 0.1 else ".2g"  # phases and delays near nothing: two digits say it
    return " ".join(filter(None, (name, f"{first:{digits}}, {last:{digits}}", _unit(rows[0]))))


def _unit(row: Mapping[str, Any]) -> str:
    return "" if row["unit"] == "1" else str(row["unit"])
