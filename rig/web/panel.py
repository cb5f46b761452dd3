"""What every page and route of one panel stands on: the home, the bench it serves, who may use it, the live feed."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

from rig.jobs.access.accounts import Accounts
from rig.jobs.access.audit import Audit, AuditLine
from rig.jobs.access.tokens import Tokens
from rig.jobs.bench.description_files import bench_of
from rig.records.calibrations import calibration_name
from rig.records.store import Store
from rig.web.access.sessions import Sessions
from rig.web.access.who import Who
from rig.web.live.feed import BenchLine, Feed
from rig.web.live.sitting import SittingAtPage

LOOPBACK = ("127.0.0.1", "localhost", "::1")


@dataclass(kw_only=True)
class Panel:
    """One panel. hosts: names under which it may be asked. address: as the terminal shows it. speed: of a simulated
    bench. say: a line to the terminal."""

    home: Path
    bench: str
    hosts: tuple[str, ...] = LOOPBACK
    address: str = ""
    secure: bool = False
    speed: str = "real"
    say: Callable[[str], None] = lambda _: None
    looks: dict[str, dict[str, Any]] = field(default_factory=dict)
    operators: int = 0
    sitting: SittingAtPage | None = None  # over a lot, one a panel
    _secret: str = field(default_factory=lambda: secrets.token_urlsafe(16))

    @cached_property
    def accounts(self) -> Accounts:
        """The accounts of the home."""
        return Accounts(self.home)

    @cached_property
    def tokens(self) -> Tokens:
        """The tokens of the home."""
        return Tokens(self.home)

    @cached_property
    def audit(self) -> Audit:
        """The audit log of the home."""
        return Audit(self.home)

    @cached_property
    def sessions(self) -> Sessions:
        """Who is signed in."""
        return Sessions(self.home, self.accounts)

    @cached_property
    def store(self) -> Store:
        """The kept runs."""
        return Store(self.home)

    @cached_property
    def feed(self) -> Feed:
        """What goes on at the bench; `start` it once."""
        made = Feed(self.home, self.bench)
        made.operators = lambda: self.operators
        return made

    @cached_property
    def is_simulated(self) -> bool:
        """Whether the bench is a simulated one."""
        return bench_of(self.bench).is_simulated

    def bench_line(self) -> BenchLine:
        """The foot of every page."""
        return self.feed.line()

    def calibration_name(self) -> str:
        """Under which name the bench's calibrations and proofs are kept."""
        return calibration_name(bench_of(self.bench))

    @staticmethod
    def now_utc() -> str:
        """This moment, UTC."""
        return datetime.now(UTC).isoformat(timespec="seconds")

    @property
    def entrance(self) -> str:
        """The address that signs one browser on this machine in, once."""
        return f"{self.address}/enter/{self._secret}"

    def use_secret(self, given: str) -> bool:
        """Whether a secret is the one in force; used once, the next one is shown in the terminal."""
        if not secrets.compare_digest(given.encode(), self._secret.encode()) or self.accounts.open_ones():
            return False
        self._secret = secrets.token_urlsafe(16)
        self.say(f"Another browser on this machine: {self.entrance}")
        return True

    def note(self, who: Who, act: str, what: str = "", outcome: str = "done") -> None:
        """Put an act into the audit log."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        self.audit.add(AuditLine(at_utc=now, who=who.name, address=who.address, act=act, what=what, outcome=outcome))
