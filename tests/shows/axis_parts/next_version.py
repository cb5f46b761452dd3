"""The next full test beside the one in force, on the packaged bench, through the commands: seconds, lines, slips.

One clamping, both versions one after the other in a home of their own, then validated against each other line by line.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from sets import Row

NOW, NEXT = "full_test", "full_test_next"
SECONDS, WALL, WIDER = 62.0, 1.03, 1.1
RIG_FACTS = {"hysteresis_mech_arcmin", "drift_elec_arcmin"}  # of the rig: no verdict hangs on them
SLIPS_DEG = (0.02, 0.06, 1.6)
SLIPPED = "rotor-or-axis-slipped"


def command(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A command in a home."""
    env = os.environ | {"ANGLEWRIGHT_HOME": str(home), "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.run([sys.executable, "-m", "rig", *words], env=env, capture_output=True, text=True, check=False)


def run(home: Path, sequence: str, *words: str) -> dict[str, Any]:
    """The document of a run."""
    done = command(home, "run", sequence, "--part", "KX4-2207", "--serial", "N-1", "--json", *words)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def bench_seconds(home: Path, document: Mapping[str, Any]) -> float:
    """Bench time of a run's last reading."""
    lines = (home / "runs" / str(document["run"]) / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    times = [data["bench_time_s"] for line in lines if "bench_time_s" in (data := json.loads(line)["data"])]
    return max(times)


def wall_seconds(home: Path, document: Mapping[str, Any]) -> float:
    """Wall time from the first to the last event of a run's steps."""
    lines = (home / "runs" / str(document["run"]) / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    at = [datetime.fromisoformat(data["utc"]) for line in lines if "utc" in (data := json.loads(line)["data"])]
    return (max(at) - min(at)).total_seconds()


def both_versions(trials: int) -> Iterator[Row]:
    """Version in force and next one on one clamping of the packaged bench: seconds, U line by line, validation."""
    with TemporaryDirectory() as folder:
        home = Path(folder)
        old, new = run(home, NOW), run(home, NEXT)
        before, after = bench_seconds(home, old), bench_seconds(home, new)
        yield Row(after <= SECONDS, f"{after:.1f} bench seconds instead of {before:.1f} (at most {SECONDS:.0f})")
        if trials > 1:
            real = run(home, NEXT, "--speed", "real")
            wall, bench = wall_seconds(home, real), bench_seconds(home, real)
            said = f"at real speed {bench:.1f} bench seconds, {wall:.1f} s of wall from first to last event"
            yield Row(bench <= SECONDS and wall / bench <= WALL, f"{said}, {wall / bench:.3f} of it")
        yield from _lines(old, new)
        done = command(
            home, "bench", "validate", "--old", str(old["run"]), "--new", str(new["run"]), "--by", "bench lead"
        )
        yield Row(done.returncode == 0, f"validated: {' '.join((done.stdout or done.stderr).split())}")


def _lines(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Row]:
    now = {line["measurand"]: line for line in old["results"]}
    then = {line["measurand"]: line for line in new["results"]}
    yield Row(now.keys() == then.keys(), f"{len(now)} lines, the same: {sorted(now.keys() ^ then.keys()) or 'all'}")
    for name in sorted(now.keys() & then.keys()):
        a, b = now[name], then[name]
        if not a["U"] or not b["U"]:
            continue
        ratio = b["U"] / a["U"]
        apart = abs(b["estimate"] - a["estimate"]) / math.hypot(a["U"], b["U"])
        fine: bool | None = ratio <= WIDER if name not in RIG_FACTS else None
        yield Row(fine, f"{name}: U {a['U']:.3g} to {b['U']:.3g} {a['unit']}, {ratio:.2f}; apart {apart:.2f} of both U")


def slips(trials: int) -> Iterator[Row]:
    """Rotors that slip on the spindle under the next full test: the lines of the angle spoilt, no FAIL."""
    with TemporaryDirectory() as folder:
        home = Path(folder)
        (home / "worlds").mkdir()
        for number, slip_deg in enumerate(SLIPS_DEG[:trials]):
            world = f"seed = {3 + number}\n[part.faults]\nrotor_slip_deg_per_turn = {slip_deg}\n"
            (home / "worlds" / f"slip{number}.toml").write_text(world, encoding="utf-8")
            found = run(home, NEXT, "--world", f"slip{number}")
            codes = [reason["code"] for reason in found["reasons"]]
            lines = {line["measurand"]: line for line in found["results"]}
            failed = [name for name, line in lines.items() if line["verdict"] == "fail"]
            spoilt = lines["error_max_elec_arcmin"]["verdict"] == "not tested"
            yield Row(
                SLIPPED in codes and spoilt and not failed,
                f"{slip_deg} deg a turn: {', '.join(codes) or 'no reason'}; largest error "
                f"{lines['error_max_elec_arcmin']['verdict']}; failed: {', '.join(failed) or 'none'}",
            )
