"""Switching from lot to lot: every transition of MIL-STD-105E 4.7 and 4.8 walked through, and what is refused."""

import pytest

from rig.statistics.severity import Act, Inspected, State, after, by_hand, walk


def lots(pattern: str, **words: object) -> list[Inspected]:
    """One lot a letter: A accepted, R not accepted, G in the gap of the reduced table."""
    answer = {"A": "accepted", "R": "not accepted", "G": "accepted, back to normal"}
    return [Inspected(lot=f"L{n}", answer=answer[letter], **words) for n, letter in enumerate(pattern)]  # type: ignore[arg-type]


def ends(pattern: str, *before: Act) -> State:
    return walk([*before, *lots(pattern)])[-1]


def reduced(pattern: str = "", *acts: Act) -> State:
    ask = Act(kind="reduce", why="steady production, wanted", who="operator 2")
    return walk([*lots("A" * 10), ask, *lots(pattern), *acts])[-1]


@pytest.mark.parametrize("pattern", ["RR", "RAR", "RAAR", "RAAAR"])
def test_two_of_five_or_fewer_tighten(pattern: str) -> None:
    """4.7.1, with each distance between the two."""
    assert ends(pattern).severity == "tightened"
    assert "4.7.1" in ends(pattern).why


def test_two_of_six_do_not_tighten() -> None:
    """The first is out of sight when the second comes."""
    assert ends("RAAAAR").severity == "normal"


def test_five_in_a_row_accepted_relax() -> None:
    """4.7.2: four are not enough, one refused begins the count anew, and a stretch begins without its past."""
    assert ends("RR" + "A" * 4).severity == "tightened"
    assert ends("RR" + "AAAAR" + "A" * 4).severity == "tightened"
    back = ends("RR" + "A" * 5)
    assert back.severity == "normal" and "4.7.2" in back.why
    assert ends("RR" + "A" * 5 + "R").severity == "normal"


def test_five_refused_while_tightened_stop_until_a_person_resumes() -> None:
    """4.8: counted over the whole stretch on tightened; then no lot is judged; resumed as tightened."""
    stopped = ends("RR" + "RARARARAR")
    assert stopped.stopped and "4.8" in stopped.why
    with pytest.raises(ValueError, match="has stopped"):
        after(stopped, lots("A")[0])
    resumed = by_hand(stopped, Act(kind="resume", why="new winding fixture, shown", who="operator 2"))
    assert (resumed.severity, resumed.stopped, resumed.refused) == ("tightened", False, 0)
    assert not ends("RR" + "R" * 4).stopped


def test_reduced_needs_ten_accepted_a_person_and_the_limit_number() -> None:
    """4.7.3: never by itself; nine are not enough; the limit number is held against what was found."""
    assert ends("A" * 12).severity == "normal" and ends("A" * 12).may_reduce
    assert reduced().severity == "reduced" and "4.9" in reduced().why
    with pytest.raises(ValueError, match=r"4\.7\.3 a"):
        ends("A" * 9 + "RA")
        by_hand(ends("A" * 9), Act(kind="reduce", why="wanted", who="operator 2"))
    found = walk(lots("A" * 10, nonconforming=1))[-1]
    with pytest.raises(ValueError, match=r"4\.7\.3 b: 10 nonconforming"):
        by_hand(found, Act(kind="reduce", why="wanted", who="operator 2", limit_number=9))
    asked = Act(kind="reduce", why="wanted", who="operator 2", limit_number=10)
    assert by_hand(found, asked).severity == "reduced"
    with pytest.raises(ValueError, match="reason and a name"):
        by_hand(ends("A" * 10), Act(kind="reduce", why=" ", who="operator 2"))


def test_reduced_ends_by_a_refusal_by_the_gap_or_by_a_person() -> None:
    """4.7.4 a, b, and c or d."""
    assert reduced("AAAA").severity == "reduced"
    assert reduced("AR").severity == "normal" and "4.7.4 a" in reduced("AR").why
    assert reduced("AG").severity == "normal" and "4.7.4 b" in reduced("AG").why
    late = Act(kind="normal", why="no delivery for a year", who="operator 2")
    assert reduced("A", late).severity == "normal"
    with pytest.raises(ValueError, match="only reduced"):
        by_hand(State(), late)


def test_lots_submitted_again_and_groups_tested_whole_switch_nothing() -> None:
    """Original inspection only; a resubmitted lot never counts twice."""
    again = Inspected(lot="L1", answer="not accepted", original=False)
    whole = Inspected(lot="L2", answer="not accepted", every_unit=True)
    state = walk([*lots("R"), again, whole, whole, again])[-1]
    assert state.severity == "normal" and len(state.lots) == 1


def test_acts_that_no_rule_knows_are_refused() -> None:
    """A word that is none; resuming what has not stopped."""
    with pytest.raises(ValueError, match="no act called"):
        by_hand(State(), Act(kind="tighten", why="a feeling", who="operator 2"))
    with pytest.raises(ValueError, match="has not stopped"):
        by_hand(State(), Act(kind="resume", why="asked", who="operator 2"))
