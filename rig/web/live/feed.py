"""What goes on at the bench, for every page: one subscription to its controller whatever the number of viewers.

A thread of its own joins the controller's live socket (rig/jobs/controller/README.md), keeps the picture and lets pages
read it; a controller that goes without its last message is NO ANSWER until another one comes or its run is closed. It
attends for the run while somebody who may operate has a page open, so that an attended run ends safe when the panel or
the last such page is gone. It never opens a link and says no verb that arms or resumes: there is none.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.errors import RigError
from rig.jobs.controller.client import LiveClient, join
from rig.jobs.controller.place import living
from rig.web.live.picture import Picture

LOOK_S, ATTEND_S, BEAT_S = 0.25, 1.0, 2.0
VERBS = ("stop", "hold", "mark", "advance")


@dataclass(frozen=True, slots=True)
class BenchLine:
    """The foot of every page. state: OFF, OHMS, ARMED, LIVE or NO ANSWER, HOT in place of a "safe to open".

    now: what is on. may: whether the guard may be opened. read: guard and emergency stop as they were read.
    """

    state: str
    now: str
    may: str
    stoppable: bool
    read: tuple[str, ...] = ()

    def in_words(self, say: Callable[[str], str] = str) -> dict[str, Any]:
        """As a page shows it. say: a text in the page's language."""
        read = ", ".join(say(one) for one in self.read)
        return {
            "state": self.state,
            "state_words": say(self.state),
            "now": say(self.now),
            "guard": f"{say(self.may)} {read}.".strip() if read else say(self.may),
            "open": GUARD["open"] in self.read,
            "pressed": STOP["pressed"] in self.read,
            "stoppable": self.stoppable,
        }


GUARD = {"closed": "Guard closed", "open": "Guard OPEN", None: "The guard does not answer"}
STOP = {"pressed": "emergency stop PRESSED", "released": "emergency stop released"}
IDLE = BenchLine("OFF", "No run goes on.", "Every run ends with its outputs off and its axis released.", False)
GONE = BenchLine(
    "NO ANSWER",
    "The run's controller has gone without a last word.",
    "Its watchdog makes the bench safe. Look at the bench before you open the guard.",
    False,
)
NOW = {
    "OFF": "Output off, axis released.",
    "OHMS": "Ohms only: output off, axis released, both read back.",
    "ARMED": "Armed: it may move and excite at any moment.",
    "LIVE": "Excited or turning.",
}


class Feed:
    """The live feed of one bench of one home. changed: called in the feed's thread after each change."""

    def __init__(self, home: Path, bench: str) -> None:
        self.home, self.bench = home, bench
        self.picture = Picture()
        self.operators: Callable[[], int] = lambda: 0
        self._client: LiveClient | None = None
        self._gone = False
        self._guard = threading.Lock()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._follow, name="live feed", daemon=True)

    def start(self) -> None:
        """Begin to look for a controller."""
        self._thread.start()

    def close(self) -> None:
        """Leave; a run goes on, or ends by itself when nobody attends any more."""
        self._closing.set()
        with self._guard:
            if self._client is not None:
                self._client.close()

    @property
    def running(self) -> bool:
        """Whether a controller answers."""
        return self._client is not None

    def line(self) -> BenchLine:
        """The bench line as it stands."""
        if self._client is None:
            return GONE if self._gone else IDLE
        return line_of(self.picture)

    def send(self, verb: str, **words: Any) -> bool:
        """Say a verb to the controller; False where none lives."""
        if verb not in VERBS:
            return False
        with self._guard:
            client = self._client
        if client is None:
            return False
        try:
            client.say(verb, **words)
        except RigError:
            return False
        return True

    # ---- the feed's own thread

    def _follow(self) -> None:
        while not self._closing.wait(LOOK_S):
            name = self._name()
            if name is None:
                continue
            try:
                client = join(name, home=self.home, frames=True, hands=self.operators() > 0)
            except RigError:
                continue
            with self._guard:
                self._client, self._gone = client, False
            try:
                self._read(client)
            except (RigError, OSError):
                pass  # a wire that breaks in mid-word is a controller that has gone: told below
            finally:
                with self._guard:
                    self._client = None
                client.close()
                self._gone = self.picture.ended is None
                self.picture.changes += 1

    def _name(self) -> str | None:
        """The controller that serves this panel's bench: itself, or the newest of a simulated one."""
        names = [name for name in living(self.home) if name == self.bench or name.startswith(f"{self.bench}-")]
        return max(names, key=lambda name: (len(name), name), default=None)

    def _read(self, client: LiveClient) -> None:
        attended_s, hands = 0.0, self.operators() > 0
        for message in client.messages(LOOK_S):
            if self._closing.is_set():
                return
            if message is not None:
                self.picture.take(message)
            now_s, operators = time.monotonic(), self.operators()
            if operators and now_s - attended_s >= ATTEND_S and self.picture.ended is None:
                client.say("attend")
                attended_s = now_s
            if (operators > 0) != hands:
                hands = operators > 0
                client.say("hello", hands=hands, frames=True)


def line_of(picture: Picture) -> BenchLine:
    """The bench line of a picture."""
    line: Mapping[str, Any] = picture.line
    state, hot, stoppable = str(line.get("state", "OFF")), line.get("hot"), picture.ended is None
    read = tuple(filter(None, (GUARD.get(line.get("guard")), STOP.get(str(line.get("stop"))))))
    now = NOW.get(state, "The bench does not answer.")
    if hot:
        return BenchLine("HOT" if state == "OFF" else state, now, str(hot), stoppable, read)
    may = "Safe to open the guard." if line.get("may_open") else "Keep the guard closed."
    return BenchLine(state, now, may, stoppable, () if line.get("guard") is None else read)
