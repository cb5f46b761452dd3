"""What the instrument layer promised, with figures: python tests/shows/instruments.py [--quick]

Each check prints its figures and says ok or SHORT; the exit status is non-zero when one falls short.
--quick (under a minute) is what .ci/run takes; the whole (under an hour) is run before a release and its figures kept.
Faults are injected on real wires; the last two checks go through whole runs, in a home of their own.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from runner import Check, controller_of, run_checks

TOP = Path(__file__).parents[2]
sys.path.insert(0, str(TOP / "tests" / "drivers"))
WORK = Path(tempfile.mkdtemp(prefix="anglewright-instruments-"))
QUICK = "--quick" in sys.argv
QUICK_REPORTS = (1, 2, 5, 9, 11, 14, 17, 18, 22, 24, 25, 30, 31, 37, 40, 42, 43, 45, 48, 50)
QUICK_FAMILIES = ("34465A on a socket", "33511B", "digitiser", "switch box", "grbl", "TMCL", "climate, Modbus")
NIGHT_S = 12 * 3600.0
NIGHT_WALL_S = 3300.0
WIRE_KINDS = ("drop", "duplicate", "truncate", "late:value=0.3", "extra:value=?", "text", "segments:value=0.001")
SOCKET_KINDS = (*WIRE_KINDS, "reset", "close", "silent_drop", "error_storm", "decimal_comma", "swallow")
KINDS = {
    "multimeter": (*WIRE_KINDS, "error_storm", "decimal_comma", "swallow"),
    "generator": SOCKET_KINDS,
    "sampler": (*SOCKET_KINDS, "block_short", "block_long"),
    "switch": SOCKET_KINDS,
    "axis": ("drop", "garble", "swallow", "alarm:value=1", "estop", "chatter:value=ok\r\n"),
    "climate": WIRE_KINDS,
    "interlock": ("late:value=0.3", "duplicate", "segments:value=0.001"),
}


def reports() -> Iterator[tuple[bool, str]]:
    """The fifty field reports: the fault injected, what came of it."""
    import field_reports

    if QUICK:
        field_reports.ROWS[:] = [row for row in field_reports.ROWS if row[0] in QUICK_REPORTS]
    fine = 0
    for number, sources, fault, outcome, right in field_reports.table():
        fine += right
        yield right, f"{number:2d} {sources[:34]:34s} | {fault[:44]:44s} | {outcome[:110]}"
    yield fine == len(field_reports.ROWS), f"{fine} of {len(field_reports.ROWS)} right"


def exchanges(each: int) -> Iterator[tuple[bool, str]]:
    """Every family with a random fault about every 50 exchanges: zero wrong values, every error named."""
    from exchanges import FAMILIES, soak

    for name, family in FAMILIES.items():
        if QUICK and name not in QUICK_FAMILIES:
            continue
        start = time.monotonic()
        count = soak(family, each, 20261125)
        fine = not count.wrong and not count.nameless
        told = f"; WRONG {count.wrong[:2]}" if count.wrong else ""
        told += f"; NAMELESS {count.nameless[:2]}" if count.nameless else ""
        yield fine, f"{name}: {count.line()}{told} ({time.monotonic() - start:.0f} s)"


def clients() -> Iterator[tuple[bool, str]]:
    """Clients from outside, against the simulated instruments."""
    from outside_clients import CLIENTS, Absent

    for name, client in CLIENTS.items():
        try:
            yield True, f"{name}: {client()}"
        except Absent as absent:  # the whole show wants every client; the quick one says loudly what it had not
            yield QUICK, f"{name}: NOT RUN: {absent}"
        except AssertionError as wrong:
            yield False, f"{name}: {wrong}"


def kills(times: int) -> Iterator[tuple[bool, str]]:
    """kill -9 of the controller at random moments: off within 1 s by the world's log, no run lost, next start clean."""
    rng = np.random.default_rng(20261125)
    moments = [(float(rng.uniform(0.0, 6.0)), f"KILL-{i}", bool(rng.uniform() < 0.7)) for i in range(times)]
    with ThreadPoolExecutor(2) as two:
        ended = list(two.map(lambda one: one_kill(one[0], one[1], excited=one[2]), moments))
    slowest = max(off_s for off_s, _ in ended)
    bad, lost = sum(off_s > 1.0 for off_s, _ in ended), sum(not kept for _, kept in ended)
    yield bad == 0, f"{times} kills: slowest to outputs off and axis at rest {slowest:.2f} s, {bad} above 1 s"
    yield lost == 0, f"{lost} of {times} runs lost"
    done = anglewright("run", "quick_screen", "--part", "KX4-2207", "--serial", "AFTER", "--world", "good_4", "--json")
    outcome = json.loads(done.stdout)["outcome"] if done.stdout else done.stderr[-200:]
    yield done.returncode in (0, 3), f"the next start: {outcome}"


def one_kill(after_s: float, serial: str, *, excited: bool) -> tuple[float, bool]:
    """(seconds from the kill to everything off, whether the run is kept when it had begun).

    after_s: from the start of the bench, or from the first excitation on.
    """
    log = WORK / f"{serial}.log"
    words = ["run", "full_test", "--part", "KX4-2207", "--serial", serial, "--world", "good_4", "--speed", "15"]
    run = subprocess.Popen(
        [sys.executable, "-m", "rig", *words, "--bench-log", str(log)],
        cwd=WORK,
        env=environment(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 60.0
    awaited = "generator_on" if excited else "start"
    while time.monotonic() < deadline and run.poll() is None:
        if any(event["event"] == awaited for event in events_of(log)):
            break
        time.sleep(0.02)
    time.sleep(after_s)
    begun = any((WORK / "home" / "runs").glob("*/journal.jsonl"))
    sent = time.time()
    controller = controller_of(WORK / "home", run.pid)
    if controller:  # the terminal is its client only
        os.kill(controller, signal.SIGKILL)
    else:
        run.send_signal(signal.SIGKILL)
    run.wait(timeout=30)
    off_s = quiet_after(log, sent)
    listed = json.loads(anglewright("unit", "--json").stdout)["runs"]
    mine = [row for row in listed if row["serial"] == serial]
    header = [
        line for path in (WORK / "home" / "runs").glob("*/journal.jsonl") for line in path.open() if serial in line
    ]
    return off_s, not begun or not header or len(mine) == 1


def quiet_after(log: Path, sent: float) -> float:
    """Seconds after `sent` at which the world's log has generator off and axis at rest; 99 when it never has."""
    end = time.monotonic() + 10.0
    while time.monotonic() < end:
        on = lit = moving = False
        last = sent
        for event in events_of(log):
            kind = event["event"]
            if kind in ("generator_on", "generator_off"):
                lit = kind == "generator_on"
            elif kind in ("axis_moving", "axis_stopped", "axis_halted", "axis_released"):
                moving = kind == "axis_moving"
            elif kind == "stop":
                lit = moving = False
            on = lit or moving
            if event["wall_s"] > sent and kind != "client":
                last = event["wall_s"]
        if not on:
            return max(0.0, last - sent)
        time.sleep(0.05)
    return 99.0


def events_of(log: Path) -> list[dict[str, Any]]:
    if not log.exists():
        return []
    return [json.loads(line) for line in log.read_text().splitlines() if line.endswith("}")]


def night(seconds: float) -> Iterator[tuple[bool, str]]:
    """A night on the fast clock, one fault a minute: each part judged or named, no growth of memory or open files."""
    os.environ["ANGLEWRIGHT_HOME"] = str(WORK / "night")
    from rig.errors import RigError
    from rig.jobs.night.free_memory import give_back
    from rig.jobs.run_job import Request, run_job

    rng = np.random.default_rng(7)
    bench_s, judged, named, sizes = 0.0, 0, 0, []
    start = time.monotonic()
    while bench_s < seconds and time.monotonic() - start < NIGHT_WALL_S:
        number = judged + named
        world, log = night_world(rng, number), WORK / f"night-{number}.log"
        request = Request(
            sequence="full_test", part="KX4-2207", serial=f"NIGHT-{number}", world=str(world), bench_log=log
        )
        try:
            run_job(request)
            judged += 1
        except RigError as fault:  # anything else is a fault of the program and ends the show
            named += 1
            print(f"    {number}: {fault!s:.150}", flush=True)
        bench_s += max((event["bench_s"] for event in events_of(log)), default=0.0)
        give_back()  # as a night of the queue does
        sizes.append((resident_mb(), len(os.listdir("/proc/self/fd"))))
        if number % 10 == 9:
            print(f"    {number + 1} runs, {bench_s / 3600:.1f} h, {sizes[-1]}", flush=True)
    told = f"{judged + named} parts in {bench_s / 3600:.1f} of {seconds / 3600:.0f} h: {judged} judged, {named} named"
    yield bench_s >= seconds, told
    half = len(sizes) // 2
    if half > 2:
        growth_mb = np.mean([mb for mb, _ in sizes[-half:]]) - np.mean([mb for mb, _ in sizes[2 : half + 2]])
        files = max(n for _, n in sizes[-half:]) - max(n for _, n in sizes[:half])
        yield (
            growth_mb < 30.0 and files <= 2,
            f"memory {growth_mb:+.1f} MB, open files {files:+d} from first to second half",
        )


def night_world(rng: np.random.Generator, number: int) -> Path:
    """A good part on a bench with one fault a minute, at random."""
    rows = [f"seed = {number + 1}"]
    for minute in range(1, 60):
        role = str(rng.choice(list(KINDS)))
        kind, _, value = str(rng.choice(KINDS[role])).partition(":value=")
        at_s = 60.0 * minute + float(rng.uniform(-30.0, 30.0))
        rows += ["[[faults_of_wire]]", f'instrument = "{role}"', f'kind = "{kind}"', f"at_s = {at_s:.1f}"]
        if value:
            rows.append(f"value = {value}" if value.replace(".", "").isdigit() else f"value = {json.dumps(value)}")
    path = WORK / f"night-{number}.toml"
    path.write_text("\n".join(rows) + "\n")
    return path


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def environment() -> dict[str, str]:
    return os.environ | {"ANGLEWRIGHT_HOME": str(WORK / "home")}


def anglewright(*words: str) -> subprocess.CompletedProcess[str]:
    """The command as a user calls it, in this show's own home."""
    return subprocess.run(
        [sys.executable, "-m", "rig", *words], cwd=WORK, env=environment(), capture_output=True, text=True, check=False
    )


def main() -> int:
    each = 250 if QUICK else 10_000
    checks: list[tuple[str, Check]] = [
        ("field reports", reports),
        ("exchanges", partial(exchanges, each)),
        ("clients from outside", clients),
        ("kills", partial(kills, 1 if QUICK else 200)),
    ]
    only = [word for word in sys.argv[1:] if not word.startswith("--")]
    beside = None
    if not QUICK and "night" in only:
        checks.append(("night", partial(night, NIGHT_S)))
    elif not QUICK and not only:  # beside the others, in a process of its own: one after the other takes over an hour
        beside = subprocess.Popen([sys.executable, __file__, "night"], stdout=(WORK / "night.txt").open("w"))
    short = run_checks([one for one in checks if not only or one[0] in only])
    if beside is not None:
        short += beside.wait() != 0
        print((WORK / "night.txt").read_text(), end="")
    print(f"{'all shown' if short == 0 else f'{short} fell short'}; files in {WORK}")
    return 1 if short else 0


if __name__ == "__main__":
    raise SystemExit(main())
