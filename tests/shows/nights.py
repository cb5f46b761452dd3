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
from contextlib import suppress
from functools import partial
from pathlib import Path

import numpy as np
from runner import Check, controller_of, exit_status, option, run_checks

sys.path.insert(0, str(Path(__file__).parents[1] / "certificate"))
import sample

from rig.control.arming.key import for_run
from rig.errors import UsageError
from rig.jobs.controller.client import join
from rig.jobs.controller.place import living
from rig.jobs.night.checks.standards import mark_suspects
from rig.quantity import Limit
from rig.records.files import sha256_of
from rig.records.run.suspect import suspect_entries
from rig.records.store import Store
from rig.result import Judged, Judgement, Result
from rig.statistics import control_chart as chart
from rig.uncertainty.conformity import Verdict
from sequences.registry import find_sequence

QUIET = chart.Baseline(mean=0.0, mr_mean=chart.D2, n=20)
POLL_S = 0.08
is_outside = partial(chart.outside, of=QUIET)
Told = Iterator[tuple[bool, str]]


def false_stops(nights: int) -> Told:
    """Quiet nights of 36 takes, retakes correlated with the first; and of 144 (12 lines, 12 takes), told only."""
    for lines, r, most in ((36, 0.0, 1 / 200), (36, 0.5, 1 / 200), (36, 0.9, 1.0), (144, 0.5, 1.0)):
        rng = np.random.default_rng(13)
        stops = 0
        for _ in range(nights):
            takes = rng.normal(size=lines)
            for first in takes[np.abs(takes) > 3.0]:
                rest = iter(r * first + np.sqrt(1 - r * r) * rng.normal(size=4))
                stops += (
                    chart.judge_takes(
                        float(first), lambda t=rest: float(next(t)), lambda t=rest: float(next(t)), is_outside
                    ).said
                    == chart.OUT_OF_CONTROL
                )
        yield stops / nights < most, f"retakes correlated {r}: {stops} false stops in {nights} quiet nights of {lines}"


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


def suspects(homes: int) -> Told:
    """Drawn orders of takes and parts' runs on two benches: marked are exactly the runs and lines between, nothing else
    is written, and no file that stood there changes."""
    rng = random.Random(13)
    wrong = changed = marked = runs_seen = 0
    for _ in range(homes):
        with tempfile.TemporaryDirectory() as folder:
            store = Store(Path(folder))
            wanted, runs, open_runs = set(), {}, {"b1": [], "b2": []}
            for minute in range(30):
                bench, utc = rng.choice(("b1", "b2")), f"2026-11-01T06:{minute:02d}:00Z"
                if rng.random() < 0.5:
                    good = rng.random() < 0.6
                    keep_take(store, 100.0 if good else 101.0, utc, bench)
                    if good:
                        open_runs[bench] = []
                    wanted |= set(open_runs[bench])
                else:
                    header = sample.a_header(started_utc=utc, bench={"name": bench, "title": "", "shop": ""})
                    made = sample.stored(store.home, sample.good(), header)
                    runs[made.id] = made
                    open_runs[bench].append(made.id)
            before = {file: sha256_of(file) for run in runs.values() for file in run.path.iterdir()}
            for bench in ("b1", "b2"):
                with suppress(UsageError):  # a bench whose standard nobody took
                    mark_suspects(store, "check_resistor", bench, "the show")
            for id_, run in runs.items():
                entries = suspect_entries(run.path)
                lines = {line for one in entries for line in one["lines"]}
                every = {one.measurand for one in sample.good().judged}
                expected = {line for line in every if line.startswith(("r20_", "thermistor_"))}
                wrong += lines != (expected if id_ in wanted else set())
                marked += bool(entries)
            changed += sum(sha256_of(file) != held for file, held in before.items())
            runs_seen += len(runs)
    yield wrong == 0, f"suspects: {wrong} of {runs_seen} runs marked wrongly ({marked} rightly in question)"
    yield changed == 0, f"suspects: {changed} files of runs changed their hash"


def keep_take(store: Store, ohm: float, utc: str, bench: str) -> None:
    """A kept take of the check resistor; 101 ohm is outside its own limits."""
    id_ = "bench_check_resistor"
    result = Result(measurand=id_, estimate=ohm, unit="ohm", u=0.0015, k=2.0, dof=None)
    limit = Limit(measurand=id_, lower=99.5, upper=100.5, origin="shop fall-back", note="", required=False)
    line = Judged(measurand=id_, result=result, limit=limit, verdict=Verdict.PASS)
    header = sample.a_header(
        sequence="check_standard",
        started_utc=utc,
        bench={"name": bench, "title": "", "shop": ""},
        traits=find_sequence("check_standard").traits,
    )
    sample.stored(store.home, Judgement(outcome="within limits", judged=(line,), reasons=(), findings=()), header)


def night_with_a_shift() -> Told:
    """The whole run of tests/whole_runs: a shift of 5 s of the simulated check resistor stops a night in 3 takes, one
    of 2.6 s warns by the EWMA and stops nothing."""
    words = [sys.executable, "-m", "pytest", "-q", "tests/whole_runs/test_standards_in_a_night.py"]
    words.append("tests/whole_runs/test_night_on_a_full_disk.py")
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    yield done.returncode == 0, f"night with a shifted standard, and on a full disk: {done.stdout.splitlines()[-1]}"


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
        ("suspects", partial(suspects, 1 if quick else 20)),
        ("hands", partial(hands, 200 if quick else 2000)),
    ]
    if not quick:
        checks.append(("night with a shift", night_with_a_shift))
        checks.append(("kills", partial(kills, 6, 3)))
    return exit_status(run_checks(checks, option("--only")))


if __name__ == "__main__":
    raise SystemExit(main())
