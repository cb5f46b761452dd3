"""Lines that a person types while a bench is open: waited for in short looks, so that guard and watchdog go on.

A line typed before the question does not count. It must never know what a question means.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from rig.system import discard_typed, typed_within

if TYPE_CHECKING:
    from rig.control.bench import Bench

LOOK_S = 0.2
QUESTION_S = 300.0


def typed_line(bench: Bench, wait_s: float) -> str | None:
    """The next line typed at the terminal, None after wait_s seconds. Raises the bench's latched stop."""
    discard_typed()
    begun_s = time.monotonic()
    while time.monotonic() - begun_s < wait_s:
        bench.token.check()
        bench.watchdog.progress()
        if typed_within(LOOK_S):
            return sys.stdin.readline()
    return None


def asker(bench: Bench) -> Callable[[str, tuple[str, ...]], str]:
    """What puts a question of a step to the person at the terminal; "" without a terminal or without an answer."""

    def ask(question: str, answers: tuple[str, ...]) -> str:
        if not sys.stdin.isatty():
            return ""
        click.echo(f"{question} Type {' or '.join(answers)}; anything else leaves it open.", err=True)
        line = (typed_line(bench, QUESTION_S) or "").strip().lower()
        return line if line in answers else ""

    return ask
