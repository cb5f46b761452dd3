"""A bench without a simulated clock is a real one: a person arms it at the terminal, or nothing moves."""

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.shelf import start_simulated
from rig.jobs.bench.look import pointing_bench

WORDS = ("run", "index", "--part", "KX4-2207", "--serial", "A-1", "--json", "--bench")


class Place:
    """A home, a bench file that names no clock, and the log of what happened behind its links."""

    def __init__(self, folder: Path, clock: str, links: dict[str, str]) -> None:
        self.log = folder / "bench.log"
        self.file = folder / "served.toml"
        self.file.write_text(re.sub(r"(?m)^clock = .*$", "", pointing_bench(clock, links)), encoding="utf-8")
        self.env = os.environ | {"ANGLEWRIGHT_HOME": str(folder)}

    def start(self, stdin: int) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "rig", *WORDS, str(self.file)],
            env=self.env,
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def moved(self) -> bool:
        events = [json.loads(line)["event"] for line in self.log.read_text(encoding="utf-8").splitlines()]
        return "axis_moving" in events


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    with start_simulated("good_4", log=tmp_path / "bench.log") as simulated:
        yield Place(tmp_path, simulated.clock, dict(simulated.links))


def test_without_a_terminal_nothing_moves(place: Place) -> None:
    """Exit status 4, and the message says where to start it."""
    process = place.start(subprocess.DEVNULL)
    _, told = process.communicate(timeout=60)
    assert process.returncode == 4, told
    assert "armed by hand" in told and "terminal" in told
    assert not place.moved()


def test_the_word_at_the_terminal_lets_it_run(place: Place) -> None:
    """It waits at rest until the word comes, and then moves."""
    hand, seat = os.openpty()
    process = place.start(seat)
    try:
        assert process.stderr is not None
        while "Type ARM" not in (line := process.stderr.readline()):
            assert line, "it ended without asking"
        time.sleep(1.0)
        assert process.poll() is None and not place.moved()
        os.write(hand, b"ARM\n")
        out, told = process.communicate(timeout=60)
    finally:
        process.kill()
        process.communicate()
        os.close(hand)
        os.close(seat)
    assert process.returncode in (0, 3), told
    document = json.loads(out)
    assert document["serial"] == "A-1"
    journal = Path(document["files"]["journal"]).read_text(encoding="utf-8").splitlines()
    (armed,) = [one for line in journal if (one := json.loads(line)["data"]).get("name") == "armed"]
    assert armed["by"] and "simulated" not in armed["by"]
    assert place.moved()


def test_ctrl_c_at_the_question_ends_it(place: Place) -> None:
    """At rest, with exit status 5."""
    hand, seat = os.openpty()
    process = place.start(seat)
    try:
        assert process.stderr is not None
        while "Type ARM" not in (line := process.stderr.readline()):
            assert line, "it ended without asking"
        process.terminate()
        _, told = process.communicate(timeout=30)
    finally:
        process.kill()
        process.communicate()
        os.close(hand)
        os.close(seat)
    assert process.returncode == 5, told
    assert not place.moved()
