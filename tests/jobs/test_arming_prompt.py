"""A bench that is no simulated one is armed by the word of a person at its terminal, or not at all."""

import os
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.roles import InterlockState
from rig.control.arming.arming import Arming, ArmingState, arm_for_now
from rig.errors import Cancelled, SafetyStop
from rig.jobs.operator import arming_prompt
from rig.jobs.operator.arming_prompt import at_terminal


class Desk:
    """A bench behind a pseudo-terminal on which a hand types."""

    def __init__(self) -> None:
        self.hand, seat = os.openpty()
        self.stdin = os.fdopen(seat, "r")
        self.state = InterlockState(guard_closed=True, emergency_stop=False)
        self.beats = 0
        self.looks = 0
        self.opens_after_looks = 10
        self.bench: Any = SimpleNamespace(
            file=SimpleNamespace(name="real"),
            holder=SimpleNamespace(safety="Close the guard before anything turns."),
            guard=SimpleNamespace(arming=Arming()),
            interlock=SimpleNamespace(state=self._look),
            token=SimpleNamespace(check=lambda: None),
            watchdog=SimpleNamespace(progress=self._beat),
        )

    def _beat(self) -> None:
        self.beats += 1

    def _look(self) -> InterlockState:
        self.looks += 1
        if self.looks > self.opens_after_looks:
            return InterlockState(guard_closed=False, emergency_stop=False)
        return self.state

    def type(self, text: str, after_s: float = 0.1) -> None:
        threading.Timer(after_s, lambda: os.write(self.hand, text.encode())).start()


@pytest.fixture
def desk(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Desk]:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    one = Desk()
    monkeypatch.setattr(sys, "stdin", one.stdin)
    yield one
    one.stdin.close()
    os.close(one.hand)


def test_the_word_arms_for_the_stated_time(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    """The question says until when; the controller goes on beating while it waits."""
    desk.type("arm\n", 0.5)
    arming = at_terminal(desk.bench, 3600.0)
    assert arming is desk.bench.guard.arming and arming.state is ArmingState.ARMED and arming.by == "hand"
    assert 3590 < arming.left_s <= 3600
    said = capsys.readouterr().err
    assert "until" in said and "Close the guard before anything turns." in said
    assert desk.beats >= 2


def test_any_other_answer_leaves_it_off(desk: Desk) -> None:
    """An empty line too."""
    desk.type("\n")
    with pytest.raises(Cancelled):
        at_terminal(desk.bench)
    assert desk.bench.guard.arming.state is ArmingState.DISARMED


def test_a_line_typed_before_the_question_does_not_count(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """A scanner that sends lines into the terminal beforehand arms nothing."""
    monkeypatch.setattr(arming_prompt, "WAIT_S", 0.5)
    os.write(desk.hand, b"ARM\n")
    with pytest.raises(SafetyStop, match="nobody"):
        at_terminal(desk.bench)


def test_the_question_shows_the_inputs_as_read(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    """Guard and stop are read before they are spoken of: at the question, and again after the answer."""
    desk.type("ARM\n")
    at_terminal(desk.bench)
    assert "guard read as closed, emergency stop read as released" in capsys.readouterr().err
    assert desk.looks == 2


@pytest.mark.parametrize(
    ("state", "code", "words"),
    [
        (InterlockState(guard_closed=False, emergency_stop=False), "guard-open", ("guard is open", "Close it")),
        (InterlockState(guard_closed=True, emergency_stop=True), "emergency-stop", ("stop is pressed", "release it")),
        (
            InterlockState(guard_closed=False, emergency_stop=True),
            "emergency-stop",
            ("stop is pressed", "guard is open", "release the stop", "close the guard"),
        ),
    ],
)
@pytest.mark.parametrize("terminal", [True, False])
def test_what_forbids_arming_is_named(
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    state: InterlockState,
    code: str,
    words: tuple[str, ...],
    terminal: bool,
) -> None:
    """An open guard and a pressed stop are named with what to do, without a terminal too, and nobody is asked."""
    desk.state = state
    if not terminal:
        (tmp_path / "words").write_text("ARM\n")
        monkeypatch.setattr(sys, "stdin", (tmp_path / "words").open())
    with pytest.raises(SafetyStop) as refused:
        at_terminal(desk.bench)
    assert refused.value.code == code
    for text in words:
        assert text in str(refused.value)
    assert capsys.readouterr().err == ""
    assert desk.bench.guard.arming.state is ArmingState.DISARMED
    if not terminal:
        sys.stdin.close()


def test_a_guard_opened_before_the_answer_refuses(desk: Desk) -> None:
    """Armed only with the guard closed at that moment."""
    desk.opens_after_looks = 1
    desk.type("ARM\n")
    with pytest.raises(SafetyStop, match="guard is open"):
        at_terminal(desk.bench)
    assert desk.bench.guard.arming.state is ArmingState.DISARMED


def test_without_a_terminal_it_is_refused_with_what_to_do(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """From a pipe, a service or a second desk nothing starts; guard and stop are read and shown all the same."""
    (tmp_path / "words").write_text("ARM\n")
    with (tmp_path / "words").open() as piped:
        monkeypatch.setattr(sys, "stdin", piped)
        with pytest.raises(SafetyStop, match="terminal") as refused:
            at_terminal(desk.bench)
    assert refused.value.exit_status == 4 and "night start" in refused.value.next_action
    assert "guard read as closed, emergency stop read as released" in refused.value.message


def test_a_bench_that_is_armed_already_asks_nobody() -> None:
    """As a simulated one is."""
    bench: Any = SimpleNamespace(guard=SimpleNamespace(arming=arm_for_now("the simulated bench itself")))
    arming = at_terminal(bench)
    assert arming is not None and arming.state is ArmingState.ARMED
