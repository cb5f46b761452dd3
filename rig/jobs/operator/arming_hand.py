"""How a bench is armed by a hand: the key on the guard's input, a keypad of its own, else the word at a local console.

Which one is the bench file's choice, never the caller's. It must never know what will be run. While it waits nothing
is energised, the guard may be opened and closed, and a stop from anywhere ends the wait.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import click

from drivers.roles import InterlockState
from rig.control.arming import key as keys
from rig.control.arming.arming import RUN_S, Arming, ArmingState
from rig.control.arming.keypad import Keypad
from rig.errors import SafetyStop
from rig.jobs.kept.laboratory import check_proofs
from rig.jobs.operator.arming_prompt import at_terminal
from rig.jobs.operator.last_arming import LastArming
from rig.jobs.operator.local_console import check_local
from rig.records.store import Store

if TYPE_CHECKING:
    from rig.control.bench import Bench

KEY_WAIT_S = 900.0
LOOK_S = 0.1
Told = Callable[[Mapping[str, Any]], None]


def _untold(_: Mapping[str, Any]) -> None:
    """Nobody looks on."""


def by_hand(bench: Bench, for_s: float = RUN_S, *, night: bool = False, told: Told = _untold) -> Arming | None:
    """The bench's arming, in force. night: the key is held longer. told: what the hand has done so far.

    A simulated bench has armed itself. A proof of the safety chain that failed or is overdue forbids it
    (rig/jobs/kept/laboratory.py). Raises SafetyStop without an arming, Cancelled for another word than the one
    asked for.
    """
    arming, interlock = bench.guard.arming, bench.file.interlock
    if arming is None or arming.state is ArmingState.ARMED:
        return arming
    for sentence in check_proofs(Store(), bench.file):
        click.echo(sentence, err=True)
    key = keys.for_night() if night else keys.for_run()
    if interlock.arm_bit is not None:
        return _hold_key(bench, key, lambda state: bool(state.key), for_s, told)
    if interlock.arm_device is not None:
        keypad = Keypad(interlock.arm_device)
        try:
            return _hold_key(bench, key, lambda _: keypad.is_held(), for_s, told)
        finally:
            keypad.close()
    check_local(bench.file.name)
    last = LastArming(bench.file.name)
    last.wait_for_guard(bench, told)
    armed = at_terminal(bench, for_s)
    last.begin(bench)
    return armed


def _hold_key(
    bench: Bench, key: keys.HeldKey, held: Callable[[InterlockState], bool], for_s: float, told: Told
) -> Arming | None:
    bench.guard.wait_for_hand(key, held, for_s)
    begun_s, before = time.monotonic(), ("", -1)
    while True:
        arming = bench.guard.arming
        if arming is not None and arming.state is ArmingState.ARMED:
            told({"key": "armed", "share": 1.0, "why": ""})
            return arming
        bench.token.check()
        bench.watchdog.progress()
        now = (key.why, round(20 * key.share))
        if now != before:
            before = now
            told({"key": "held" if key.share else "waits", "share": key.share, "why": key.why})
        if time.monotonic() - begun_s > KEY_WAIT_S:
            raise SafetyStop(
                f"nobody armed bench {bench.file.name} within {KEY_WAIT_S / 60:.0f} min.",
                code="not-armed",
                next_action="Start again, close the guard, and hold the key at the bench.",
            )
        time.sleep(LOOK_S)
