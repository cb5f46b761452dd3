"""One bench, one run: a second controller at a random moment, a killed owner, a frozen watchdog.

Shared: a simulated bench served on sockets, and the command as a user calls it, each in a home of its own.
"""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

WORK = Path(tempfile.mkdtemp(prefix="anglewright-benches-"))
RUN = ("run", "quick_screen", "--part", "KX4-2207")
STARTS, KILLS, FREEZES = 50, 5, 20


def environment(home: str) -> dict[str, str]:
    return os.environ | {"ANGLEWRIGHT_HOME": str(WORK / home), "ANGLEWRIGHT_LOCKS": str(WORK / "locks")}


def begun(home: str, *words: str) -> subprocess.Popen[str]:
    """The command, in a home of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "rig", *words],
        cwd=WORK,
        env=environment(home),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@contextmanager
def served(number: int) -> Iterator[str]:
    """A good bench on sockets of its own; the path of a bench file that points to it."""
    path = WORK / f"bench-{number}.toml"
    serving = begun("serving", "bench", "simulate", "good_4", "--speed", "fast", "--write", str(path))
    try:
        assert serving.stdout is not None and serving.stdout.readline(), "the simulated bench did not start"
        yield str(path)
    finally:
        serving.terminate()
        serving.communicate()


def alone() -> tuple[dict[str, Any], float]:
    """What a run has that nobody disturbs, and how long it takes (s, wall)."""
    with served(0) as bench:
        start = time.monotonic()
        done = begun("alone", *RUN, "--serial", "ALONE", "--bench", bench, "--json")
        told, why = done.communicate()
        if done.returncode:
            raise SystemExit(f"a run alone ended with {done.returncode}: {why}")
        return json.loads(told), time.monotonic() - start


def differences(one: dict[str, Any], other: dict[str, Any]) -> list[str]:
    """Lines whose estimates are farther apart than both U allow, or whose verdicts differ; and the outcome."""
    mine = {row["measurand"]: row for row in one["results"]}
    found = [] if one["outcome"] == other["outcome"] else [f"{one['outcome']} and {other['outcome']}"]
    if mine.keys() != {row["measurand"] for row in other["results"]}:
        return [*found, "not the same lines"]
    for row in other["results"]:
        before = mine[row["measurand"]]
        if row["verdict"] != before["verdict"]:
            found.append(f"{row['measurand']}: {before['verdict']} and {row['verdict']}")
        elif None not in (row["estimate"], row["U"], before["U"]) and (
            abs(row["estimate"] - before["estimate"]) > math.hypot(row["U"], before["U"])
        ):
            found.append(f"{row['measurand']}: {before['estimate']} and {row['estimate']}")
    return found


def two_controllers(starts: int) -> Iterator[tuple[bool, str]]:
    """Two on one bench, from two homes, the second at a random moment: one runs as if alone, the other is refused."""
    reference, took_s = alone()
    rng = np.random.default_rng(20261201)
    wrong: list[str] = []
    refused = 0
    with served(1) as bench:
        for number in range(starts):
            delay_s = float(rng.uniform(-0.3, 1.0)) * took_s if starts > 1 else 0.0
            first, second = ("one", "other") if delay_s >= 0 else ("other", "one")
            mine = (*RUN, "--serial", f"S-{number}", "--bench", bench, "--json")
            kinds = {"one": mine, "other": second_words(number, bench)}
            running = {first: begun(first, *kinds[first])}
            time.sleep(abs(delay_s))
            running[second] = begun(second, *kinds[second])
            told = {name: process.communicate() for name, process in running.items()}
            busy = [name for name in told if "is held by" in told[name][1]]
            refused += len(busy)
            for name, process in running.items():
                other = {"one": f"S-{number}", "other": second_name(number)}
                del other[name]
                fault = _fault(process.returncode, told[name], *other.values(), name in busy, reference)
                wrong += [f"{number}, {name} after {delay_s:.1f} s: {fault}"] if fault else []
            wrong += [f"{number}: both refused"] if len(busy) == 2 else []
    yield not wrong, f"{starts} starts: {refused} refused by name, {starts - refused} one after the other"
    for line in wrong[:5]:
        yield False, line


def second_name(number: int) -> str:
    """How the second one is named to the first."""
    return "bench check" if number % 3 == 2 else f"T-{number}"


def _fault(status: int, told: tuple[str, str], other: str, busy: bool, reference: dict[str, Any]) -> str:
    """What is wrong with how one of the two ended; "" for nothing."""
    if busy:
        return "" if status == 4 and other in told[1] and not told[0] else f"does not name {other}: {told[1][-200:]}"
    if status != 0:
        return f"ended with {status}: {told[1][-200:]}"
    document = json.loads(told[0])
    return "; ".join(differences(reference, document)[:3]) if "results" in document else ""


def second_words(number: int, bench: str) -> tuple[str, ...]:
    """What the second one does: every third time it only checks the bench."""
    if number % 3 == 2:
        return ("bench", "check", bench, "--json")
    return (*RUN, "--serial", f"T-{number}", "--bench", bench, "--json")


def killed_owners(times: int) -> Iterator[tuple[bool, str]]:
    """The owner killed at a random moment: the next start, at once, runs."""
    rng = np.random.default_rng(7)
    wrong = []
    with served(2) as bench:
        for number in range(times):
            owner = begun("one", *RUN, "--serial", f"K-{number}", "--bench", bench, "--json")
            time.sleep(float(rng.uniform(1.0, 6.0)))
            if controller := process_of("one", "rig.jobs.controller"):
                os.kill(controller, signal.SIGKILL)
            owner.kill()
            owner.communicate()
            following = begun("other", *RUN, "--serial", f"N-{number}", "--bench", bench, "--json")
            told = following.communicate()
            if following.returncode != 0:
                wrong.append(f"{number}: {following.returncode} {told[1][-200:]}")
    yield not wrong, f"{times} owners killed: {times - len(wrong)} next starts ran to their verdict; {wrong[:2]}"


def frozen(times: int) -> Iterator[tuple[bool, str]]:
    """The watchdog frozen under excitation or motion: outputs off and axis at rest in under 1 s, the run says why."""
    took_s: list[float] = []
    wrong: list[str] = []
    before = number = 0
    while len(took_s) < times and before < times:
        number += 1
        log = WORK / f"frozen-{number}.jsonl"
        run = begun(
            "frozen", *RUN, "--serial", f"F-{number}", "--world", "good_4", "--speed", "2", "--bench-log", str(log)
        )
        _wait_for_excitation(log, run)
        time.sleep(0.1 * (number % 8))
        dog = process_of("frozen", "rig.control.watchdog")
        at_s = time.time()
        if not dog:
            run.communicate()
            before += 1
            continue
        os.kill(dog, signal.SIGSTOP)
        told = run.communicate()[1]
        if "unmeasured" in told or "sampler is slow" in told:
            before += 1  # the run had ended by itself just then: nothing was frozen in time
            continue
        off_s = quiet_after(log, at_s)
        took_s.append(off_s)
        if off_s >= 1.0 or run.returncode != 4 or "has not answered" not in told:
            wrong.append(f"{number}: off after {off_s:.2f} s, status {run.returncode}, {told[-120:]!r}")
    told = f"{len(took_s)} frozen watchdogs: off after {min(took_s):.2f} to {max(took_s):.2f} s; {len(wrong)} wrong"
    yield not wrong and len(took_s) == times, f"{told}; {before} runs had ended before they were frozen"
    for line in wrong[:5]:
        yield False, line


def _wait_for_excitation(log: Path, run: subprocess.Popen[str]) -> None:
    end_s = time.monotonic() + 90.0
    while not any(event["event"] == "generator_on" for event in events_of(log)):
        assert run.poll() is None and time.monotonic() < end_s, "the run did not get so far"
        time.sleep(0.02)


def process_of(home: str, words: str) -> int:
    """The process of a home of this show with these words in its command line: a controller, a watchdog."""
    mine = f"ANGLEWRIGHT_HOME={WORK / home}".encode()
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            if words.encode() in (entry / "cmdline").read_bytes() and mine in (entry / "environ").read_bytes().split(
                b"\0"
            ):
                return int(entry.name)
        except OSError:
            continue
    return 0


def events_of(log: Path) -> list[dict[str, Any]]:
    if not log.exists():
        return []
    return [json.loads(line) for line in log.read_text().splitlines() if line.endswith("}")]


def quiet_after(log: Path, since_s: float) -> float:
    """Seconds after an instant (wall) at which the generator is off and the axis at rest for good."""
    lit = moving = False
    quiet_s = since_s
    for event in events_of(log):
        kind = event["event"]
        before = lit or moving
        if kind in ("generator_on", "generator_off"):
            lit = kind == "generator_on"
        elif kind in ("axis_moving", "axis_stopped", "axis_halted", "axis_released"):
            moving = kind == "axis_moving"
        if before and not (lit or moving):
            quiet_s = event["wall_s"]
    return math.inf if lit or moving else max(0.0, quiet_s - since_s)


def checks(quick: bool) -> list[tuple[str, Callable[[], Iterator[tuple[bool, str]]]]]:
    long = [("killed owners", partial(killed_owners, KILLS)), ("frozen watchdogs", partial(frozen, FREEZES))]
    return [("two controllers", partial(two_controllers, 1 if quick else STARTS)), *([] if quick else long)]
