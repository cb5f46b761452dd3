"""Undecided is never mute: each open line with why and the command to type next."""

from __future__ import annotations

import pytest

from rig.description.traits import Traits
from rig.quantity import Limit
from rig.records.run.record import RunHeader
from rig.result import OUTCOMES, Awaited, Judged, Judgement, Reason, Result
from rig.review.outcome.open_lines import open_lines
from rig.uncertainty.conformity import Verdict

HEADER = RunHeader(sequence="full_test", started_utc="", serial="S 1", part={"number": "P-1"}, job="J-7")
RUN = "20261201-000000-abcd"


def line(verdict: Verdict, *, spoiled: str = "", required: bool = True, note: str = "") -> Judged:
    limit = Limit(measurand="tr_sin", lower=0.2, upper=0.3, origin="maker", required=required)
    result = Result(measurand="tr_sin", estimate=0.25, unit="ratio", u=0.001, k=2.0, dof=50.0)
    return Judged(measurand="tr_sin", result=result, limit=limit, verdict=verdict, note=note, spoiled=spoiled)


def judgement(outcome: str, *lines: Judged, awaits: tuple[Awaited, ...] = ()) -> Judgement:
    reason = Reason(code="skew", text="The channels lag.", evidence="1 us", next="Swap the leads.")
    return Judgement(outcome=outcome, judged=lines, reasons=(reason,), findings=(), awaits=awaits)


@pytest.mark.parametrize(
    ("verdict", "why", "command"),
    [
        (Verdict.CONDITIONAL_PASS, "guard band", "anglewright run full_test"),
        (Verdict.CONDITIONAL_FAIL, "guard band", "anglewright run full_test"),
        (Verdict.NOT_CAPABLE, "U is too large", "anglewright bench can --part P-1"),
        (Verdict.NOT_TESTED, "not measured in this run", "anglewright run full_test"),
    ],
)
def test_each_kind_of_open_line_has_its_why_and_its_command(verdict: Verdict, why: str, command: str) -> None:
    """What stands between a line and its verdict decides what is typed next."""
    (row,) = open_lines(judgement("undecided", line(verdict)), HEADER, RUN)
    assert row.line == "tr_sin" and why in row.why and row.next.startswith(command)


def test_the_repeat_is_the_same_unit_quoted_and_counted_as_a_retest() -> None:
    """Serial, job and run id stand in the command as a shell takes them."""
    (row,) = open_lines(judgement("undecided", line(Verdict.NOT_TESTED)), HEADER, RUN)
    assert "--serial 'S 1' --job J-7" in row.next and row.next.endswith(f"--retest-of {RUN}")


def test_a_spoiled_line_says_what_spoils_it() -> None:
    """Its note names the reason."""
    spoiled = line(Verdict.NOT_TESTED, spoiled="skew", required=False, note="skew: The channels lag.")
    (row,) = open_lines(judgement("unsound measurement", spoiled), HEADER, RUN)
    assert row.why == "skew: The channels lag."


def test_a_line_that_awaits_a_witness_names_it() -> None:
    """The command takes that very witness."""
    plug = Awaited(kind="plug", title="shorting plug", do="Put it on.", lines=("tr_sin",))
    (row,) = open_lines(judgement("outside limits", line(Verdict.FAIL), awaits=(plug,)), HEADER, RUN)
    assert row.next == f"anglewright run witness {RUN} --take plug" and "shorting plug" in row.why


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_no_outcome_but_within_limits_is_mute(outcome: str) -> None:
    """Without a single open line there is one row for the whole run, with a command."""
    rows = open_lines(judgement(outcome), HEADER, RUN)
    assert bool(rows) is (outcome != "within limits")
    assert all(row.why and row.next.startswith("anglewright ") for row in rows)
    other = RunHeader(sequence="x", started_utc="", serial="S", part={}, traits=Traits(question="seat"))
    assert all(row.next.startswith("anglewright ") for row in open_lines(judgement(outcome), other, RUN))
