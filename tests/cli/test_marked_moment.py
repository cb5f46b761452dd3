"""Enter at the terminal marks the moment of a watch: a line of the run's journal, with the last reading's time."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path


def test_enter_marks_the_moment_of_a_watch(tmp_path: Path) -> None:
    """Over a pseudo-terminal, on the simulated bench in real time."""
    hand, seat = os.openpty()
    words = [sys.executable, "-m", "rig", "run", "watch", "sin", "--part", "KX4-2207", "--seconds", "8", "--quiet"]
    env = os.environ | {"ANGLEWRIGHT_HOME": str(tmp_path)}
    process = subprocess.Popen(words, stdin=seat, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=env)
    os.close(seat)
    try:
        journal, end_s = None, time.monotonic() + 90
        while journal is None or "watch_resistance" not in journal.read_text():
            assert time.monotonic() < end_s and process.poll() is None, "the watch did not begin"
            journal = next(tmp_path.glob("runs/*/journal.jsonl"), None)
            time.sleep(0.05)
        os.write(hand, b"\n")
        process.wait(90)
    finally:
        process.kill()
        process.wait()
        os.close(hand)
    lines = [json.loads(line) for line in journal.read_text().splitlines()]
    marks = [line["data"] for line in lines if line["kind"] == "event" and line["data"].get("name") == "mark"]
    assert len(marks) == 1 and marks[0]["bench_time_s"] is not None
