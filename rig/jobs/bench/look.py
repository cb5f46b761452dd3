"""What can be asked of a bench by itself: check it, serve a simulated one, print its truth. Shared by every face.

It prints nothing but the addresses of a bench that it serves, energises nothing and knows no run.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from rig.control import abilities
from rig.control.bench import Bench, open_bench
from rig.description.places import find, packaged_fixtures
from rig.errors import UsageError
from rig.jobs import run_job as jobs
from rig.jobs.bench import health as proving
from rig.jobs.bench.axis_standing import axis_standing
from rig.records.calibrations import calibration_name
from sequences.registry import every_sequence

STOPPED_BY = {signal.SIGINT, signal.SIGTERM}
ASKED: Mapping[str, Callable[[Any], object]] = {  # one harmless question of each role, to see that it answers
    "multimeter": lambda meter: meter.dc_volts(range_v=10.0, nplc=0.02),
    "generator": lambda generator: generator.output_is_on(),
    "sampler": lambda sampler: sampler.configure(
        ranges_v=(10.0,) * min(4, sampler.abilities.channels),
        sample_rate_hz=200e3,
        samples=100,
        channels=("exc_v", "exc_i", "sin", "cos")[: sampler.abilities.channels],
    ),
    "axis": lambda axis: axis.position_steps(),
    "encoder": lambda encoder: encoder.angle_mech_deg(),
    "switch": lambda switch: switch.closed_channels(),
    "interlock": lambda interlock: interlock.state(),
    "climate": lambda climate: climate.read(),
}


def check_bench(name: str) -> dict[str, Any]:
    """Open every instrument of a bench, identify it, time a round trip; what each sequence lacks. Energises nothing."""
    bench_file, holder = jobs.bench_and_holder(jobs.Request(sequence="", part="", serial="-", bench=name))
    known_sequences = every_sequence()
    with open_bench(bench_file, holder, speed="real", allow_overdue=True, purpose="bench check") as bench:
        rows = []
        for role, told in bench.identities().items():
            start = time.perf_counter()
            ASKED[role](getattr(bench, role))
            row = {**told, "answer_ms": 1e3 * (time.perf_counter() - start), "own_lock": bench.own_locks[role]}
            rows.append({**row, "overdue": bool(told["due"]) and told["due"] < bench.clock.utc()[:10]})
        state = bench.interlock.state()
        found = {name: abilities.lacking(known, bench) for name, known in known_sequences.items()}
        able = abilities_of(bench)
    lacking = {name: missing for name, missing in found.items() if missing}
    kept_as, now = calibration_name(bench_file), proving.now_utc()
    lasts = bench_file.axis.correction_days if bench_file.axis else 0.0
    return {
        "bench": bench_file.name,
        "title": bench_file.title,
        "simulated": bench_file.is_simulated,
        "instruments": rows,
        "abilities": able,
        "interlock_read": state.read,
        "guard_closed": state.guard_closed,
        "emergency_stop": state.emergency_stop,
        "health": proving.health_of(kept_as, now),
        "axis": axis_standing(kept_as, now, lasts),
        "can_run": [name for name in known_sequences if name not in lacking],
        "lacking": lacking,
        "complete": any(one.traits.certified and name not in lacking for name, one in known_sequences.items()),
    }


def abilities_of(bench: Bench) -> dict[str, Any]:
    """What the instruments that answered can do."""
    meter, sampler = bench.multimeter.abilities, bench.sampler.abilities
    return {
        "has": [name for name, has in abilities.ABILITIES.items() if has(bench)],
        "multimeter": {
            "four_wire": meter.four_wire,
            "offset_compensation": meter.offset_compensation,
            "integration": meter.integration,
        },
        "sampler": {
            "channels": sampler.channels,
            "simultaneous": sampler.simultaneous,
            "bits": sampler.bits,
            "max_rate_hz": sampler.max_rate_hz,
            "max_samples": sampler.max_samples,
        },
        "attended_only": bench.file.attended_only,
    }


def list_families() -> list[dict[str, str]]:
    """Every family of instruments with the level that its driver has reached."""
    from drivers.shelf import families

    return families()


def serve_simulated(world: str, clamping: int, speed: str, write: Path | None) -> None:
    """Serve a world's instruments until SIGINT or SIGTERM; with `write`, leave a bench file that points to them."""
    from drivers.shelf import start_simulated

    simulated = start_simulated(find("world", world), clamping=clamping, speed=speed)
    try:
        if write is not None:
            write.write_text(pointing_bench(simulated.clock, simulated.links), encoding="utf-8")
        signal.pthread_sigmask(signal.SIG_BLOCK, STOPPED_BY)  # from here on a stop waits for sigwait
        print(json.dumps({"world": world, "clock": simulated.clock, "links": dict(simulated.links)}), flush=True)
        signal.sigwait(STOPPED_BY)
    finally:
        simulated.close()


def pointing_bench(clock: str, links: Mapping[str, str]) -> str:
    """The text of a bench file for a simulated bench that is being served."""
    text = (packaged_fixtures() / "benches" / "simulated.toml").read_text(encoding="utf-8")
    text = re.sub(r"^world = .*$", f'clock = "{clock}"', text, flags=re.MULTILINE)
    text = re.sub(r"^name = .*$", 'name = "served"', text, count=1, flags=re.MULTILINE)
    parts = re.split(r"(?m)^(?=\[\w+\]$)", text)
    kept_parts = [parts[0]]
    for part in parts[1:]:
        role = part[1 : part.index("]")]
        if role in links:
            kept_parts.append(part.replace(f"[{role}]\n", f'[{role}]\nlink = "{links[role]}"\n', 1))
    return "".join(kept_parts)


def truth(world: str, clamping: int) -> str:
    """What a perfect bench would measure, as JSON text, computed by the simulated bench's own process."""
    words = [sys.executable, "-m", "drivers.simulated", "truth", str(find("world", world)), "--clamping", str(clamping)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise UsageError(done.stderr.strip() or f"the simulated bench can't read {world}")
    return done.stdout.strip()
