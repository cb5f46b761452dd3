"""Lines that a person types while a bench is open: waited for in short looks, so that guard and watchdog go on.

A line typed before the question does not count. It must never know what a question means.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

import click

from drivers.roles import Prompt
from rig.errors import SafetyStop
from rig.system import discard_typed, typed_within

if TYPE_CHECKING:
    from rig.control.bench import Bench


class Ask(Protocol):
    """Puts a question with its answers to a person; gives one of them, "" for none. until: answered by itself."""

    def __call__(self, question: str, answers: tuple[str, ...], until: Callable[[], bool] | None = None) -> str: ...


LOOK_S = 0.2
QUESTION_S = 300.0


DONE = "done"  # the one answer to an act; Enter says it too
ANY = "any text"  # an answer that is whatever was typed


def question_line(question: str, answers: tuple[str, ...]) -> str:
    """A question as it is shown, with what may be typed."""
    if answers == (DONE,):
        return f"\a{question} Enter when it is done."
    if answers == (ANY,):
        return f"\a{question}"
    return f"{question} Type {' or '.join(answers)}; anything else leaves it open."


def answer_of(line: str | None, answers: tuple[str, ...]) -> str:
    """The answer that a typed line is, "" for none. None: nothing was typed."""
    if line is None:
        return ""
    if answers == (ANY,):
        return line.strip() or " "
    told = line.strip().lower()
    if answers == (DONE,):
        return DONE if told in ("", DONE) else ""
    return told if told in answers else ""


def typed_line(bench: Bench, wait_s: float, until: Callable[[], bool] | None = None) -> str | None:
    """The next line typed at the terminal, "" once `until` says so, None after wait_s seconds. Raises the bench's
    latched stop."""
    discard_typed()
    begun_s = time.monotonic()
    while time.monotonic() - begun_s < wait_s:
        bench.token.check()
        bench.watchdog.progress()
        if typed_within(LOOK_S):
            return sys.stdin.readline()
        if until is not None and until():
            return ""
    return None


def asker(bench: Bench) -> Ask:
    """What puts a question of a step to the person at the terminal; "" without a terminal or without an answer."""

    def ask(question: str, answers: tuple[str, ...], until: Callable[[], bool] | None = None) -> str:
        if not sys.stdin.isatty():
            return ""
        click.echo(question_line(question, answers), err=True)
        return answer_of(typed_line(bench, QUESTION_S, until), answers)

    return ask


def prompt_by(ask: Ask, bench: Bench) -> Prompt:
    """Acts of a hand as questions to whoever answers them: an act is done, a value is typed.

    A text that ends with a colon wants a value. Raises SafetyStop where nobody answers.
    """

    def prompt(text: str, until: Callable[[], bool] | None = None) -> str:
        def look() -> bool:
            bench.token.check()
            bench.watchdog.progress()
            return until is not None and until()

        typed = text.endswith(":")
        answer = ask(text, (ANY,) if typed else (DONE,), look)
        if not answer:
            raise SafetyStop(
                f"nobody did what was asked for: {text}",
                code="no-hand",
                next_action="Stay at the bench's own terminal; start the run again.",
            )
        return answer.strip() if typed else ""

    return prompt
