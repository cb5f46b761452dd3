"""Who is connected to the simulated bench, and what of it matters to time: who waits, and which bytes are on their way.

Bench time in seconds; wall time is the monotonic clock.
Source: the rule of fast time in drivers/simulated/wires/clock.py (`may_jump`).
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

from drivers.simulated.interfaces import Session
from drivers.simulated.wires.channels import Channel
from drivers.simulated.wires.clock import ClockSession, may_jump
from drivers.simulated.wires.faults import Gate


@dataclass
class Client:
    """One channel with its session; `late` holds bytes on their way: (bench due, wall due, bytes)."""

    name: str
    channel: Channel
    session: Session
    gate: Gate
    late: list[tuple[float, float, bytes]] = field(default_factory=list)
    flushing: bool = False
    gone: bool = False
    deaf_until_s: float = -math.inf  # wall time until which nothing passes

    def deliver(self, now_s: float) -> None:
        """Writes what is due of the bytes on their way."""
        wall_s = time.monotonic()
        for item in list(self.late):
            if item[0] <= now_s and item[1] <= wall_s:
                self.channel.write(item[2])
                self.late.remove(item)


class Clients:
    """All clients, and the short list of those that wait for bench time or have bytes on their way."""

    def __init__(self) -> None:
        self._all: list[Client] = []
        self._active: dict[int, Client] = {}
        self._parties = 0

    def __iter__(self) -> Iterator[Client]:
        return iter(list(self._all))

    def add(self, client: Client) -> None:
        self._all.append(client)

    def remove(self, client: Client) -> None:
        self._all.remove(client)
        self.note(client)

    def due(self, now_s: float) -> Iterator[Client]:
        """Clients with anything to do at a bench time, evaluated one by one: one may make another due."""
        for client in list(self._active.values()):
            if client.session.due_s() <= now_s or client.late:
                yield client

    def note(self, client: Client) -> None:
        """Keeps the short list; an idle client changes only when bytes come."""
        session = client.session
        if not client.gone and (client.late or session.is_waiting() or session.due_s() < math.inf):
            self._active[id(client)] = client
        else:
            self._active.pop(id(client), None)
        if isinstance(session, ClockSession):
            self._parties = sum(
                other.session.registered for other in self._all if isinstance(other.session, ClockSession)
            )

    def outlook(self, due_s: float, *, fast: bool) -> tuple[float, bool]:
        """The earliest bench time at which anything is to be done, and whether fast time may jump there."""
        waiting = 0
        for client in self._active.values():
            due_s = min(due_s, client.session.due_s())
            waits = client.session.is_waiting()
            for item in client.late:
                if item[1] == -math.inf:
                    due_s, waits = min(due_s, item[0]), True
            waiting += waits
        jumping = fast and may_jump(parties=self._parties, waiting=waiting)
        return due_s, jumping and due_s < math.inf

    def wall_due_s(self) -> float:
        """The earliest wall time at which bytes on their way are due; infinite for none."""
        late = (item[1] for client in self._active.values() for item in client.late if item[1] > -math.inf)
        return min(late, default=math.inf)
