"""A simulated bench that the show itself serves, so that the world's own log says what was on and when."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from rig.description.places import find
from rig.jobs.bench.look import pointing_bench

SAFE_S = 1.0


class World:
    """One world, served at a speed; `bench` is the name of the bench file that points to it."""

    bench = "served-9"

    def __init__(self, home: Path, speed: str = "8", world: str = "good_4") -> None:
        self.log = home.parent / "world.log"
        words = [sys.executable, "-m", "drivers.simulated", str(find("world", world)), "--speed", speed]
        self._process = subprocess.Popen([*words, "--log", str(self.log)], stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        served = json.loads(self._process.stdout.readline())
        folder = home / "benches"
        folder.mkdir(parents=True, exist_ok=True)
        text = pointing_bench(served["clock"], served["links"]).replace('name = "served"', f'name = "{self.bench}"', 1)
        (folder / f"{self.bench}.toml").write_text(text)

    def events(self) -> list[dict[str, Any]]:
        """All whole lines so far, wall_s as time.time()."""
        return [json.loads(line) for line in self.log.read_text().rpartition("\n")[0].splitlines()]

    def is_live(self) -> bool:
        """Whether the generator is on or the axis turns."""
        return any(self._on().values())

    def safe_after_s(self, wall_s: float) -> float:
        """From a moment until generator and axis were both off, and stayed so; 0 where both were off already."""
        on = {"generator": False, "axis": False}
        safe_s = wall_s
        for event in self.events():
            was_live = any(on.values())
            _take(on, event["event"])
            if event["wall_s"] > wall_s and was_live and not any(on.values()):
                safe_s = event["wall_s"]
        return float("inf") if any(on.values()) else safe_s - wall_s

    def _on(self) -> dict[str, bool]:
        on = {"generator": False, "axis": False}
        for event in self.events():
            _take(on, event["event"])
        return on

    def wait_until_live(self, seconds: float = 300.0) -> None:
        """Until something is on."""
        end_s = time.monotonic() + seconds
        while not self.is_live():
            if time.monotonic() > end_s:
                raise TimeoutError("nothing was switched on")
            time.sleep(0.05)

    def close(self) -> None:
        """End it."""
        self._process.terminate()
        self._process.wait(20)


def _take(on: dict[str, bool], event: str) -> None:
    if event in ("generator_on", "generator_off"):
        on["generator"] = event == "generator_on"
    elif event in ("axis_moving", "axis_stopped", "axis_halted", "axis_released"):
        on["axis"] = event == "axis_moving"
