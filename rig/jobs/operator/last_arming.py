"""Whether the guard was opened since a bench was last armed by a typed word: evidence that a person was at the bench.

`<home>/live/<bench>.armed.json`. It holds no arming and can make none; lost or damaged it only asks for the guard once
more. It must never know what was run.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from rig.description.places import default_home
from rig.errors import SafetyStop

if TYPE_CHECKING:
    from rig.control.bench import Bench

WAIT_S = 300.0
LOOK_S = 0.1


class LastArming:
    """Of one bench, by its name."""

    def __init__(self, bench: str) -> None:
        plain = re.sub(r"[^\w.-]", "_", bench)
        self._path = default_home() / "live" / f"{plain}.armed.json"

    @property
    def needs_guard(self) -> bool:
        """True when the guard has not been seen open since the last arming."""
        try:
            return json.loads(self._path.read_text(encoding="utf-8")).get("guard_opened") is not True
        except FileNotFoundError:
            return False
        except (OSError, ValueError, AttributeError):
            return True

    def wait_for_guard(self, bench: Bench, told: Callable[[Mapping[str, Any]], None]) -> None:
        """Wait until the guard has been opened and closed, where that is needed. Raises SafetyStop when nobody does."""
        begun_s = time.monotonic()
        while self.needs_guard and not (bench.guard.was_open and bench.guard.seen and bench.guard.seen.guard_closed):
            told({"key": "waits", "share": 0.0, "why": "open the guard and close it again"})
            bench.token.check()
            bench.watchdog.progress()
            if time.monotonic() - begun_s > WAIT_S:
                raise SafetyStop(
                    f"bench {bench.file.name}: the guard was not opened and closed since the last arming.",
                    code="not-armed",
                    next_action="Go to the bench, open the guard, look at the part, close it, and start again.",
                )
            time.sleep(LOOK_S)

    def begin(self, bench: Bench) -> None:
        """Armed now; the next opening of the guard is written down."""
        self._write(False)
        bench.guard.was_open = False
        bench.guard.on_open = lambda: self._write(True)

    def _write(self, opened: bool) -> None:
        with suppress(OSError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            aside = self._path.with_suffix(".part")
            told = {"utc": datetime.now(UTC).isoformat(timespec="seconds"), "guard_opened": opened}
            aside.write_text(json.dumps(told), encoding="utf-8")
            aside.replace(self._path)
