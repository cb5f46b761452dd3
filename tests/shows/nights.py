"""What was promised of nights and arming, with figures: `python tests/shows/nights.py [--quick]`.

Charts and retakes by drawn takes, keys by random hands, a killed controller on the simulated bench, a night that is
killed and taken up again. Quick: the drawn parts only. The 212 looks with a power cut, the 100 cuts, the heat and the
overhead at real speed are not in this file yet.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
from runner import Check, controller_of, exit_status, option, run_checks

from rig.control.arming.key import for_run
from rig.jobs.controller.client import join
from rig.jobs.controller.place import living
from rig.statistics import control_chart as chart

QUIET = chart.Baseline(mean=0.0, mr_mean=chart.D2, n=20)
POLL_S = 0.08
is_outside = partial(chart.outside, of=QUIET)
Told = Iterator[tuple[bool, str]]


def false_stops(nights: int) -> Told:
    """Quiet nights of 36 takes, retakes correlated with the first."""
    for r, most in ((0.0, 1 / 200), (0.5, 1 / 200), (0.9, 1.0)):
        rng = np.random.default_rng(13)
        stops = 0
        for _ in range(nights):
            takes = rng.normal(size=36)
            for first in takes[np.abs(takes) > 3.0]:
                rest = iter(r * first + np.sqrt(1 - r * r) * rng.normal(size=4))
                stops += (
                    chart.judge_takes(
                        float(first), lambda t=rest: float(next(t)), lambda t=rest: float(next(t)), is_outside
                    ).said
                    == chart.OUT_OF_CONTROL
                )
        yield stops / nights < most, f"retakes correlated {r}: {stops} false stops in {nights} quiet nights of 36"


def shifts(times: int) -> Told:
    """A 5 s shift stops within 3 takes; a 1 s shift warns by the EWMA in 12 takes (mean)."""
    rng = np.random.default_rng(13)
    late = 0
    for _ in range(times):
        stopped = False
        for _ in range(3):
            rest = iter(rng.normal(5.0, 1.0, 4))
            first = float(rng.normal(5.0, 1.0))
            said = chart.judge_takes(
                first, lambda t=rest: float(next(t)), lambda t=rest: float(next(t)), is_outside
            ).said
            stopped = stopped or said == chart.OUT_OF_CONTROL
        late += not stopped
    yield late == 0, f"5 s shift: {times - late} of {times} stopped within 3 takes"
    waits = []
    for _ in range(times):
        points = chart.ewma(rng.normal(1.0, 1.0, 300), 0.0, 1.0)
        waits.append(next(t for t, one in enumerate(points, start=1) if one.outside))
    yield float(np.mean(waits)) <= 12.0, f"1 s shift: the EWMA warns after {np.mean(waits):.1f} takes in the mean"


def hands(times: int) -> Told:
    """Keys held 1.4 s, bouncing guards, taped keys: none arms."""
    rng = random.Random(13)
    armed = {"held 1.4 s": 0, "guard bounces": 0, "taped": 0}
    for kind in armed:
        for _ in range(times):
            key, t_s = for_run(), 0.0
            if kind != "taped":
                key.poll(t_s, key=False, guard_closed=True, stop_pressed=False)
            bounce = rng.randrange(2, 17)
            for i in range(18 if kind == "held 1.4 s" else 40):
                t_s += POLL_S
                closed = not (kind == "guard bounces" and i % 17 == bounce)
                armed[kind] += key.poll(t_s, key=True, guard_closed=closed, stop_pressed=False)
    for kind, count in armed.items():
        yield count == 0, f"{kind}: armed {count} times in {times}"


def start_night(home: Path) -> subprocess.Popen[bytes]:
    env = os.environ | {"ANGLEWRIGHT_HOME": str(home)}
    words = [
        sys.executable,
        "-m",
        "rig",
        "night",
        "start",
        "--until",
        time.strftime("%H:%M", time.localtime(time.time() + 7200)),
        "--json",
    ]
    return subprocess.Popen(words, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def kills(looks: int, times: int) -> Told:
    """A night killed (controller, kill -9) so many times: no finished look is repeated, the page counts every look."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        env = os.environ | {"ANGLEWRIGHT_HOME": str(home)}
        plan = [
            "night",
            "plan",
            "quick_screen",
            "--part",
            "KX4-2207",
            "--serial",
            "K-1",
            "--world",
            "good_4",
            "--times",
            str(looks),
        ]
        subprocess.run([sys.executable, "-m", "rig", *plan], env=env, check=True, stdout=subprocess.DEVNULL)
        rng = random.Random(13)
        for _ in range(times):
            night = start_night(home)
            until_s = time.monotonic() + 120.0
            while not living(home) and time.monotonic() < until_s:
                time.sleep(0.2)
            with join(living(home)[0], home=home) as live:
                live.wait_for("run", 120.0)
            time.sleep(rng.uniform(1.0, 15.0))
            if pid := controller_of(home):
                os.kill(pid, signal.SIGKILL)
            night.wait(120.0)
        start_night(home).wait(1800.0)
        done = subprocess.run(
            [sys.executable, "-m", "rig", "night", "morning", "--json"],
            env=env,
            capture_output=True,
            text=True,
            check=True,
        )
        page = json.loads(done.stdout)
        closed: dict[int, int] = {}
        for path in home.glob("runs/*/run.json"):
            header = json.loads(path.read_text(encoding="utf-8"))["header"]
            closed[header["details"]["night"]["look"]] = closed.get(header["details"]["night"]["look"], 0) + 1
        again = sum(count > 1 for count in closed.values())
        ended = sum(one["outcome"] != "not begun" for one in page["looks"])
        yield (
            again == 0 and len(closed) == looks,
            f"{times} kill -9 in {looks} looks: {again} finished looks repeated, {len(closed)} of {looks} closed",
        )
        yield ended == looks, f"morning page: {ended} of {looks} looks ended; {page['headline']}"


def main() -> int:
    quick = "--quick" in sys.argv
    checks: list[tuple[str, Check]] = [
        ("false stops", partial(false_stops, 2000 if quick else 20000)),
        ("shifts", partial(shifts, 200)),
        ("hands", partial(hands, 200 if quick else 2000)),
    ]
    if not quick:
        checks.append(("kills", partial(kills, 6, 3)))
    return exit_status(run_checks(checks, option("--only")))


if __name__ == "__main__":
    raise SystemExit(main())
