"""Whole runs over real wires on the simulated bench: a good part, and every way of being cut short.

The controller is a process of its own, so that it can be interrupted and killed; the world's log is the witness.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from rig.description.places import packaged_fixtures
from rig.records.run.stored import StoredRun
from rig.records.store import Store

HERE = Path(__file__).parent
GOOD = packaged_fixtures() / "worlds" / "good_4.toml"
WAIT_S = 60.0


@dataclass
class Started:
    """A controller that runs: its process, its log and its home."""

    process: subprocess.Popen[str]
    log: Path
    home: Path

    def said(self) -> dict[str, Any]:
        """Its next line."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, f"ended without a word: {self.process.wait(10)}"
        told: dict[str, Any] = json.loads(line)
        return told

    def ended(self, within_s: float = WAIT_S) -> int:
        """Its exit status."""
        return self.process.wait(within_s)

    def events(self, *names: str) -> list[dict[str, Any]]:
        """What the bench logged."""
        lines = [json.loads(line) for line in self.log.read_text().splitlines()]
        return [line for line in lines if not names or line["event"] in names]

    def run(self) -> StoredRun:
        """The one run in its home."""
        return Store(self.home).find("latest")


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Any]:
    """Start a controller: start(sequence, world, *options)."""
    begun: list[subprocess.Popen[str]] = []

    def begin(sequence: str, world: Path, *options: str) -> Started:
        log = tmp_path / f"bench-{len(begun)}.jsonl"
        words = [sys.executable, str(HERE / "controller.py"), sequence, str(world)]
        words += ["--home", str(tmp_path / "home"), "--log", str(log), *options]
        process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, start_new_session=True)
        begun.append(process)
        return Started(process, log, tmp_path / "home")

    yield begin
    for process in begun:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        if process.stdout is not None:
            process.stdout.close()


def _world(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    """The good world with keys set: ("interlock", "guard_opens_at_s = 9")."""
    text = GOOD.read_text()
    for section, line in changes:
        header = f"[{section}]\n"
        key = line.split("=")[0].strip()
        if header in text:
            head, _, tail = text.partition(header)
            body, mark, rest = tail.partition("\n[")
            body = re.sub(rf"(?m)^{key}\s*=.*\n?", "", body)
            text = head + header + line + "\n" + body + mark + rest
        else:
            text += f"\n{header}{line}\n"
    path = tmp_path / "world.toml"
    path.write_text(text)
    return path


def _processes_of(started: Started) -> dict[int, str]:
    """Process ids and command lines that still name this run's log."""
    found = {}
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            line = entry.read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        if str(started.log) in line:
            found[int(entry.parent.name)] = line
    return found


def _taken_down(started: Started, since_s: float) -> tuple[float, float]:
    """Seconds from an instant to generator_off and to the axis at rest for good, by the bench's log."""
    off = [e["wall_s"] for e in started.events("generator_off") if e["wall_s"] >= since_s]
    assert off, "the generator stayed on"
    moves = started.events("axis_moving", "axis_halted", "axis_stopped", "axis_released")
    before = [e for e in moves if e["wall_s"] < since_s]
    after = [e for e in moves if e["wall_s"] >= since_s]
    rest_s = since_s if before and before[-1]["event"] != "axis_moving" else float("inf")
    for event in after:
        if event["event"] == "axis_moving":
            rest_s = float("inf")
        else:
            rest_s = min(rest_s, event["wall_s"])
    return off[0] - since_s, rest_s - since_s


def test_a_good_part_goes_through_the_full_test_in_well_under_a_minute(start: Any) -> None:
    """Two passes of 320 points and their closing points, every series there, the bench left off and open."""
    started = start("full_test", GOOD)
    started.said()
    told = started.said()
    assert started.ended() == 0 and told["complete"] and told["reasons"] == [] and told["unsafe"] == {}
    assert told["wall_s"] < 60
    run = started.run()
    counts = {name: run.captures.count(name) for name in run.captures.series()}
    assert counts["sweep_ccw"] == counts["sweep_cw"] == 321
    assert {"loopback", "background", "ramp", "excitation", "impedance_sin", "impedance_cos"} <= set(counts)
    quantities = {reading.quantity for reading in run.readings}
    assert {
        "pair_resistance",
        "coil_resistance",
        "thermistor_resistance",
        "leak_resistance",
        "index_found",
    } <= quantities
    assert started.events("generator_on", "generator_off")[-1]["event"] == "generator_off"
    assert started.events("relays")[-1]["closed"] == []


def test_relays_switch_only_while_the_generator_is_off(start: Any) -> None:
    """By the bench's own log, over a whole quick screen, which takes less than three bench minutes."""
    started = start("quick_screen", GOOD, "--tell-at", "spots", "--n", "1")
    started.said()
    told = started.said()
    assert started.ended() == 0 and told["complete"]
    assert told["bench_s"] < 180
    on = False
    for event in started.events("generator_on", "generator_off", "relays"):
        if event["event"] == "relays":
            assert not on, f"relays switched under power at {event['bench_s']} s"
        else:
            on = event["event"] == "generator_on"


def test_without_a_rotor_the_stator_alone_is_measured(start: Any) -> None:
    """No index, no sweep; impedances of all three coils."""
    started = start("full_test", GOOD, "--rotor", "none", "--tell-at", "impedance_cos")
    started.said()
    assert started.said()["complete"] and started.ended() == 0
    series = set(started.run().captures.series())
    assert {"impedance_exc", "impedance_sin", "impedance_cos"} <= series
    assert not any(name.startswith("sweep") for name in series)
    assert not started.events("axis_moving")


@pytest.mark.parametrize(
    ("speed", "number"),
    [
        ("fast", signal.SIGTERM),
        pytest.param("fast", signal.SIGINT, marks=pytest.mark.slow),
        pytest.param("fast", signal.SIGHUP, marks=pytest.mark.slow),
        pytest.param("real", signal.SIGINT, marks=pytest.mark.slow),
    ],
)
def test_a_signal_in_mid_sweep_takes_everything_down_within_a_second(start: Any, speed: str, number: int) -> None:
    """Exit status 5; the run stays, incomplete, with an end line; the next run works."""
    where = ("--tell-at", "sweep_ccw") if speed == "fast" else ("--tell-at", "spots", "--n", "3")
    started = start("full_test" if speed == "fast" else "quick_screen", GOOD, "--speed", speed, *where)
    started.said()
    at_s = time.time()
    started.process.send_signal(number)
    told = started.said()
    assert started.ended() == 5 and not told["complete"] and told["code"] == "cancelled"
    assert max(_taken_down(started, at_s)) < 1.0
    run = started.run()
    assert run.outcome == "incomplete" and run.readings
    assert run.events[-1]["kind"] == "end" and run.events[-1]["complete"] is False
    assert told["unsafe"] == {}
    _next_run_works(start)


@pytest.mark.parametrize("attempt", [1, *(pytest.param(n, marks=pytest.mark.slow) for n in (2, 3))])
def test_a_killed_controller_is_followed_by_the_watchdog_within_a_second(start: Any, attempt: int) -> None:
    """SIGKILL runs no handler; the watchdog switches off, halts and leaves a note; nothing stays running."""
    started = start("full_test", GOOD, "--speed", "fast")
    started.said()
    time.sleep(0.03 * attempt)
    at_s = time.time()
    started.process.kill()
    started.ended()
    _wait_until(lambda: not _processes_of(started), "the simulated bench outlived its watchdog")
    assert max(_taken_down(started, at_s)) < 1.0
    run = started.run()
    note = json.loads((run.path / "watchdog.json").read_text())
    assert note["generator"] == "output off, verified" and note["axis"] == "halted"
    assert run.outcome == "incomplete" and run.readings
    _next_run_works(start)


def test_a_hung_controller_is_killed_by_the_watchdog(start: Any) -> None:
    """No progress within the stated limit: no heartbeat, and within 0.7 s more everything is down."""
    started = start("full_test", GOOD, "--tell-at", "never", "--hang-at", "sweep_ccw")
    at_s = started.said()["wall_s"]
    assert started.ended(20) == -signal.SIGKILL
    _wait_until(lambda: not _processes_of(started), "the simulated bench outlived its watchdog")
    assert max(_taken_down(started, at_s)) < 0.5 + 0.7 + 1.0
    assert "no heartbeat" in json.loads((started.run().path / "watchdog.json").read_text())["reason"]


def test_a_frozen_watchdog_ends_the_run(start: Any) -> None:
    """It answers no heartbeat: everything goes off, the run is kept and says why. A thawed one finds nothing to do."""
    started = start("full_test", GOOD)
    started.said()
    watchdogs = _children_of(started.process.pid, "rig.control.watchdog")
    assert len(watchdogs) == 1
    at_s = time.time()
    os.kill(watchdogs[0], signal.SIGSTOP)
    told = started.said()
    assert started.ended() == 4 and told["code"] == "watchdog-silent" and told["unsafe"] == {}
    off_s = max(_taken_down(started, at_s))
    print(f"off {off_s:.2f} s after the watchdog froze")
    assert 0.6 < off_s < 1.0 + 2.0, "a second of its own, and two for a busy machine; the show holds it to one"
    _wait_until(lambda: not _processes_of(started), "the simulated bench outlived its watchdog")
    assert started.run().outcome == "incomplete"


def _children_of(pid: int, words: str) -> list[int]:
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            line = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        if parent == pid and words in line:
            found.append(int(entry.name))
    return found


def test_a_bench_that_vanishes_in_mid_sweep_is_a_bench_fault(start: Any) -> None:
    """Every wire gone at once: exit status 4 with an instrument named, the run kept, nothing hangs."""
    started = start("full_test", GOOD)
    started.said()
    for pid, line in _processes_of(started).items():
        if "drivers.simulated" in line:
            os.kill(pid, signal.SIGKILL)
    told = started.said()
    assert started.ended() == 4 and told["complete"] is False and told["fault"]
    assert started.run().outcome == "incomplete" and started.run().readings


def test_a_guard_opened_in_mid_run_stops_it(start: Any, tmp_path: Path) -> None:
    """Exit status 4, the guard named, nothing moves afterwards, the run kept as incomplete."""
    probe = start("full_test", GOOD)
    told = probe.said()
    assert told["at"] == "sweep_ccw"
    opens_s = probe.events("axis_moving")[-1]["bench_s"] + 2.0
    probe.process.send_signal(signal.SIGTERM)
    probe.ended()
    world = _world(tmp_path, ("interlock", f"guard_opens_at_s = {opens_s:.2f}"))
    started = start("full_test", world)
    started.said()
    told = started.said()
    assert (started.ended(), told["code"]) == (4, "guard-open"), told
    late = [e for e in started.events("axis_moving", "generator_on") if e["bench_s"] > opens_s + 0.5]
    assert not late
    assert started.run().outcome == "incomplete"


def test_a_guard_that_is_open_at_the_start_lets_nothing_move(start: Any, tmp_path: Path) -> None:
    """Not even the first relay."""
    started = start("full_test", _world(tmp_path, ("interlock", "guard_closed = false")))
    told = started.said()
    assert (started.ended(), told["code"]) == (4, "guard-open"), told
    assert not started.events("axis_moving", "generator_on")


@pytest.mark.parametrize("change", [("part.faults", 'open = "exc"'), ("part.faults", "leak_exc_core_ohm = 20.0")])
def test_no_excitation_after_a_failed_dc_check(start: Any, tmp_path: Path, change: tuple[str, str]) -> None:
    """An open excitation coil, or one on its core: the generator never comes on and the readings go to the judge."""
    started = start("full_test", _world(tmp_path, change))
    told = started.said()
    assert started.ended() == 0 and told["complete"] and told["reasons"]
    assert not started.events("generator_on")


def test_at_real_latencies_a_sweep_costs_at_most_ten_per_cent_more_than_its_parts(start: Any, tmp_path: Path) -> None:
    """Move, settle and capture against bench time, at 15 ms to arm, 25 ms to read and 5 ms a command."""
    world = _world(tmp_path, ("sampler", "arm_s = 0.015"), ("sampler", "read_s = 0.025"), ("axis", "command_s = 0.005"))
    started = start("full_test", world)
    started.said()
    assert started.said()["complete"]
    readings = [r for r in started.run().readings if r.quantity == "sweep_ccw"]
    per_point_s = (readings[-1].bench_time_s - readings[0].bench_time_s) / (len(readings) - 1)
    move_s = 2 * (360.0 / 320 / 2000.0) ** 0.5
    capture_s = 3020 / readings[0].conditions["sample_rate_hz"]  # type: ignore[operator]
    ratio = per_point_s / (move_s + 0.08 + capture_s)
    print(f"sweep: {1e3 * per_point_s:.1f} ms a point, {ratio:.3f} times move + settle + capture")
    assert ratio <= 1.10


def _wait_until(holds: Any, otherwise: str) -> None:
    end_s = time.monotonic() + 10
    while not holds():
        assert time.monotonic() < end_s, otherwise
        time.sleep(0.02)


def _next_run_works(start: Any) -> None:
    """A fresh bench, a fresh run, in the same home."""
    after = start("index", GOOD)
    assert after.said()["complete"] and after.ended() == 0
