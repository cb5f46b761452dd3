"""One simulated bench for a whole night, so that its part warms and cools from look to look as one part does.

A real bench needs nothing of this. Looks reach it by its links, like a bench that `anglewright bench simulate` serves.
"""

from __future__ import annotations

import os
import threading
from dataclasses import replace

from rig.control.clock import BenchClock
from rig.description.places import find
from rig.jobs.bench.description_files import bench_of
from rig.jobs.bench.look import pointing_bench
from rig.jobs.night.folder import NightFolder
from rig.jobs.run_job import Request
from rig.records.calibrations import calibration_name


class Served:
    """The simulated bench in service, or none. It has one name in every night: its charts and loopbacks go on."""

    def __init__(self) -> None:
        self._key: tuple[str, int] | None = None
        self._process: object = None
        self._clock = ""
        self._file = ""

    @property
    def is_serving(self) -> bool:
        """Whether one is."""
        return self._key is not None

    def clock(self) -> BenchClock:
        """A party of its clock, to be closed."""
        return BenchClock(self._clock)

    def rest(self, seconds: float, closing: threading.Event) -> None:
        """Let so much of the bench's time pass; on a real bench until `closing`."""
        if not seconds:
            return
        if not self.is_serving:
            closing.wait(seconds)
            return
        clock = self.clock()
        clock.sleep(seconds)
        clock.close()

    def request(self, request: Request, one_part: bool, folder: NightFolder | None) -> Request:
        """The request on the bench in service. one_part: the looks of one clamped part share a bench."""
        file = bench_of(request.bench, request.world)
        if not one_part or file.world is None or folder is None:
            return request
        key = (str(find("world", file.world)), request.clamping)
        if key != self._key:
            self._start(key, calibration_name(file), request, folder)
        return replace(request, bench=self._file, world=None, bench_log=None)

    def _start(self, key: tuple[str, int], name: str, request: Request, folder: NightFolder) -> None:
        from drivers.shelf import start_simulated

        self.close()
        process = start_simulated(
            key[0], clamping=key[1], speed=request.speed, log=folder.path / "bench.log", parent_pid=os.getpid()
        )
        self._process, self._key, self._clock = process, key, process.clock
        text = pointing_bench(process.clock, process.links).replace('name = "served"', f'name = "{name}"')
        path = folder.path / f"served-{os.getpid()}.toml"
        path.write_text(text, encoding="utf-8")
        self._file = str(path)

    def close(self) -> None:
        """End it. Idempotent."""
        if self._key is not None:
            self._process.close()  # type: ignore[attr-defined]
            self._key = None
