"""A bench without a simulated clock is a real one: a person arms it at the terminal, or nothing moves."""

import json
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from drivers.shelf import start_simulated
from rig.jobs.bench.look import pointing_bench
from rig.jobs.controller.client import join
from rig.jobs.controller.place import living
from rig.jobs.operator.local_console import remote_sign

pytestmark = pytest.mark.skipif(
    remote_sign() is not None, reason="this terminal is no local console: a word is refused"
)
WORDS = ("run", "index", "--part", "KX4-2207", "--serial", "A-1", "--json", "--bench")


class Place:
    """A home, a bench file that names no clock, and the log of what happened behind its links."""

    def __init__(self, folder: Path, clock: str, links: dict[str, str]) -> None:
        self.log = folder / "bench.log"
        self.file = folder / "served.toml"
        self.file.write_text(re.sub(r"(?m)^clock = .*$", "", pointing_bench(clock, links)), encoding="utf-8")
        self.clock = urlsplit(clock)
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

    def with_key(self) -> None:
        """The arming key is wired to bit 2."""
        text = self.file.read_text(encoding="utf-8")
        self.file.write_text(text.replace("[interlock]\n", "[interlock]\narm_bit = 2\n"), encoding="utf-8")

    def hands(self, **told: bool) -> None:
        """What a person does at the bench."""
        with socket.create_connection((str(self.clock.hostname), self.clock.port or 0), timeout=5.0) as link:
            link.sendall(json.dumps({"op": "hands", **told}).encode() + b"\n")
            assert b"error" not in link.recv(4096)

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


def test_a_key_at_the_bench_arms_and_nothing_less(place: Place) -> None:
    """Taped from before, held 1.2 s, the guard opened meanwhile: it waits at rest; held 1.5 s it runs."""
    place.with_key()
    place.hands(key=True, guard_closed=False)
    process = place.start(subprocess.DEVNULL)
    try:
        while not living(place.file.parent):
            assert process.poll() is None
            time.sleep(0.1)
        (name,) = living(place.file.parent)
        with join(name, home=place.file.parent) as live:
            while "guard" not in str(live.wait_for("arming", 30.0).head["why"]):
                pass
            place.hands(guard_closed=True)
            time.sleep(2.5)  # taped down from before
            place.hands(key=False)
            time.sleep(0.4)
            place.hands(key=True)
            time.sleep(1.2)
            place.hands(key=False)
            for word in ("arm", "resume", "advance"):
                live.say(word, answer="ARM")
            time.sleep(0.5)
            assert process.poll() is None and not place.moved()
            place.hands(key=True)
            while live.wait_for("arming", 30.0).head["key"] != "armed":
                assert process.poll() is None
            place.hands(key=False)
        out, told = process.communicate(timeout=60)
    finally:
        process.kill()
        process.communicate()
    assert process.returncode in (0, 3), told
    journal = Path(json.loads(out)["files"]["journal"]).read_text(encoding="utf-8")
    assert "the key at the bench" in journal and place.moved()
