"""Arming by hand: the one place where a person lets a bench move and excite. Talks on the terminal, on nothing else.

It must never know what will be run. No terminal, no arming; a line typed before the question does not count. Guard and
emergency stop are read first, and what was read is shown, with a terminal or without; they are read again after the
answer. While it waits nothing is energised and both go on being watched.
"""

from __future__ import annotations

import sys
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import click

from rig.control.arming.arming import RUN_S, Arming, ArmingState
from rig.control.arming.refusals import refusal_of
from rig.errors import Cancelled, SafetyStop
from rig.jobs.operator.terminal import typed_line

if TYPE_CHECKING:
    from rig.control.bench import Bench

WORD = "ARM"
WAIT_S = 120.0


def at_terminal(bench: Bench, for_s: float = RUN_S) -> Arming | None:
    """The bench's arming, in force: a simulated bench has armed itself, at any other a person is asked.

    for_s: how long it then lasts, s. Raises SafetyStop with the guard open or the emergency stop pressed (each named),
    without a terminal or after no answer; Cancelled for any answer but the word.
    """
    arming = bench.guard.arming
    if arming is None or arming.state is ArmingState.ARMED:
        return arming
    inputs = _inputs_that_allow_it(bench)
    if not sys.stdin.isatty():
        raise SafetyStop(
            f"bench {bench.file.name} ({inputs}) has to be armed by hand, and there is no terminal to ask at.",
            code="not-armed",
            next_action="Start it at the bench's own terminal; a night with `anglewright night start --until HH:MM`.",
        )
    end = datetime.now().astimezone() + timedelta(seconds=for_s)
    caution = f"{bench.holder.safety}\n" if bench.holder.safety else ""
    click.echo(
        f"{caution}Bench {bench.file.name}: {inputs}. Hands out, reset button pressed?\n"
        f"Type {WORD} to arm it until {end:%H:%M}; anything else leaves it off.",
        err=True,
    )
    if _answer(bench).strip().upper() != WORD:
        raise Cancelled("the bench was not armed.", code="cancelled", next_action="Nothing was energised.")
    _inputs_that_allow_it(bench)
    arming.arm(by="hand", for_s=for_s, guard_closed=True)
    return arming


def _inputs_that_allow_it(bench: Bench) -> str:
    """Guard and emergency stop as read now, in words. Raises SafetyStop, naming which of them forbids it."""
    state = bench.interlock.state()
    refusal = refusal_of(state)
    if refusal is not None:
        raise SafetyStop(
            f"bench {bench.file.name} can't be armed: {refusal.message}",
            code=refusal.code,
            next_action=refusal.next_action,
        )
    if not state.read:
        return "no guard and no emergency stop is read: stay here, one hand at the amplifier's switch, nobody else near"
    return "guard read as closed, emergency stop read as released"


def _answer(bench: Bench) -> str:
    line = typed_line(bench, WAIT_S)
    if line is None:
        raise SafetyStop(
            f"nobody armed the bench within {WAIT_S:.0f} s.",
            code="not-armed",
            next_action="Start again at the bench.",
        )
    return line
