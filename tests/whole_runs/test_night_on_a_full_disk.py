"""A night on a disk that refuses: each look is named with the file, outputs are off, and nothing is called judged."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = """
import json, resource, sys
from pathlib import Path
from rig.jobs.night.night import Night
from rig.jobs.night.queue import Queue
from rig.jobs.run_job import Request
home = Path(sys.argv[1])
queue = Queue(home)
for n in (1, 2):
    queue.add(Request(sequence="quick_screen", part="KX4-2207", serial=f"D-{n}", world="good_4"), leg="repeat")
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
outcome = Night(queue, 600.0).run()
print(json.dumps(outcome.document()))
"""


@pytest.mark.slow
def test_a_disk_that_refuses_ends_a_look_by_name_and_safe(tmp_path: Path) -> None:
    """No file may grow beyond 700 kB: a capture that would not fit is refused before the file is damaged."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(tmp_path), "700000"],
        env=os.environ | {"ANGLEWRIGHT_HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    night = json.loads(done.stdout.splitlines()[-1])
    for part in night["parts"]:
        assert part["outcome"] == "refused" and "raw.h5.part: the disk is full" in part["reason"], part
    (log,) = tmp_path.glob("nights/*/bench.log")
    events = [json.loads(row)["event"] for row in log.read_text(encoding="utf-8").splitlines()]
    driven = [event for event in events if event in ("generator_on", "generator_off")]
    assert "generator_on" in driven and driven[-1] == "generator_off"
