"""The one loop of the simulated bench: bytes from the wires to the dialogues, replies back when they are due.

It owns the running of bench time: in real time it sleeps until something is due, in fast time it lets the clock jump
when every registered party waits. One thread, no locks.
"""

from __future__ import annotations

import math
import selectors
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from drivers.simulated.interfaces import Emit, Session
from drivers.simulated.wires.channels import PtyChannel, TcpListener
from drivers.simulated.wires.clients import Client, Clients
from drivers.simulated.wires.clock import BenchTime
from drivers.simulated.wires.faults import Gate
from drivers.simulated.world.safety_chain import SafetyChain

IDLE_S = 0.25  # how often a quiet loop looks after its parent
INTERLOCK_S = 0.02  # how long the loop sleeps at most in real time, so that the safety chain is looked at
CHECK_S = 0.001  # how often it is looked at while the loop is busy
LOOK_S = 0.02  # how often a port that nobody holds is looked at
NewSession = Callable[[], Session]


class Server:
    """Wires, clients and the loop. `alive` is called now and then; the loop ends when it returns False."""

    def __init__(self, clock: BenchTime, chain: SafetyChain, emit: Emit, alive: Callable[[], bool]) -> None:
        self.clock = clock
        self._chain = chain
        self._emit = emit
        self._alive = alive
        self._selector = selectors.SelectSelector()
        self._listeners: dict[str, TcpListener] = {}
        self._timers: list[tuple[float, Callable[[], None]]] = []  # (wall due, what)
        self._opening: dict[str, tuple[str, float]] = {}  # name -> (kind of cut, wall time until which it lasts)
        self._ports: Path | None = None
        self._clients = Clients()
        self._stopping = False

    # wires -------------------------------------------------------------------------------------------------
    def listen(self, name: str, new_session: NewSession, gate: Gate | None = None, port: int = 0) -> str:
        """A TCP port for an instrument (or the clock); returns its link address."""
        listener = TcpListener(port)
        self._listeners[name] = listener
        own = gate or Gate()

        def accept() -> None:
            channel = listener.accept()
            if channel is None:
                return
            client = Client(name, channel, new_session(), own)
            kind, until_s = self._opening.get(name, ("", -math.inf))
            if kind == "accept_mute":
                client.deaf_until_s = until_s
            if kind == "slow_open" and until_s > time.monotonic():
                self._timers.append((until_s, lambda: self._join(client)))
            else:
                self._join(client)

        still_open = listener.port
        own.reopen = lambda: self._listen_again(name, new_session, own, still_open)
        self._selector.register(listener, selectors.EVENT_READ, accept)
        return listener.url

    def _listen_again(self, name: str, new_session: NewSession, gate: Gate, port: int) -> None:
        self.listen(name, new_session, gate, port)

    def serial(self, name: str, session: Session, gate: Gate) -> str:
        """A pseudo-terminal for an instrument; returns its path."""
        if self._ports is None and gate.has("replug"):
            self._ports = Path(tempfile.mkdtemp(prefix="anglewright-ports-"))
        by_id = self._ports / name if self._ports is not None and gate.has("replug") else None
        channel = PtyChannel(by_id, hold=not gate.has("reset_on_open"))
        client = Client(name, channel, session, gate)
        if gate.has("reset_on_open"):
            self._clients.add(client)
            client.gone = True
            self._look(client, channel)
        else:
            self._join(client)
        return channel.path

    def _look(self, client: Client, channel: PtyChannel) -> None:
        """A port that nobody holds: looked at until somebody opens it, which is what resets many boards."""
        there = channel.client_is_there()
        if there and client.gone:
            client.gone = False
            self._selector.register(channel, selectors.EVENT_READ, client)
            client.gate.opened(self.clock.now_s())
            self._run(client, self.clock.now_s())
        elif not there and not client.gone:
            client.gone = True
            self._selector.unregister(channel)
            self._clients.note(client)
        self._timers.append((time.monotonic() + LOOK_S, lambda: self._look(client, channel)))

    def wake_on(self, fileno: int) -> None:
        """A descriptor whose readiness only wakes the loop (signals)."""
        self._selector.register(fileno, selectors.EVENT_READ, None)

    def stop(self) -> None:
        self._stopping = True

    def _join(self, client: Client) -> None:
        self._clients.add(client)
        self._selector.register(client.channel, selectors.EVENT_READ, client)
        if client.name != "clock" and not isinstance(client.channel, PtyChannel):
            self._emit(self.clock.now_s(), "client", instrument=client.name, connected=True)
        self._run(client, self.clock.now_s())

    def _leave(self, client: Client, *, reset: bool = False) -> None:
        if not client.gone:
            self._selector.unregister(client.channel)
        client.gone = True
        client.session.disconnect(self.clock.now_s())
        client.channel.close(reset=reset)
        self._clients.remove(client)
        if client.name != "clock":
            self._emit(self.clock.now_s(), "client", instrument=client.name, connected=False)

    def close(self) -> None:
        """Excitation off, axis released, every wire closed."""
        self._chain.de_energise(self.clock.now_s())
        for client in self._clients:
            self._leave(client)
        for listener in self._listeners.values():
            self._selector.unregister(listener)
            listener.close()
        self._selector.close()
        if self._ports is not None:
            shutil.rmtree(self._ports, ignore_errors=True)

    # cuts --------------------------------------------------------------------------------------------------
    def _cut(self, client: Client) -> None:
        """What a fault does to a connection."""
        gate = client.gate
        cut, gate.cut = gate.cut, ""
        wall_s = time.monotonic() + gate.cut_s
        if isinstance(client.channel, PtyChannel):
            if cut == "replug":
                self._unplug(client, client.channel, wall_s)
            return
        if cut == "silent_drop":
            client.deaf_until_s = math.inf
            return
        self._leave(client, reset=cut != "close")
        if cut in ("slow_open", "accept_mute"):
            self._opening[client.name] = (cut, wall_s)
        elif cut == "refuse":
            listener = self._listeners.pop(client.name, None)
            if listener is not None:
                self._selector.unregister(listener)
                listener.close()
                self._timers.append((wall_s, gate.reopen))

    def _unplug(self, client: Client, channel: PtyChannel, wall_s: float) -> None:
        self._selector.unregister(channel)
        channel.close()
        client.gone = True
        client.late.clear()
        client.flushing = False
        self._clients.note(client)

        def back() -> None:
            channel.replug()
            client.gone = False
            self._selector.register(channel, selectors.EVENT_READ, client)

        self._timers.append((wall_s, back))

    def _run_timers(self) -> None:
        wall_s = time.monotonic()
        due = [timer for timer in self._timers if timer[0] <= wall_s]
        if due:
            self._timers = [timer for timer in self._timers if timer[0] > wall_s]
            for _, action in due:
                action()

    # the loop ----------------------------------------------------------------------------------------------
    def serve(self) -> None:
        """Until `stop` or until `alive` says no."""
        look_s = time.monotonic()
        checked_s = -math.inf
        while not self._stopping:
            if self._timers:
                self._run_timers()
            due_s, jumping = self._clients.outlook(self._chain.due_s(), fast=self.clock.fast)
            busy = self._poll(0.0 if jumping else self._timeout_s(due_s))
            if jumping and not busy:
                self.clock.jump(due_s)
            now_s = self.clock.now_s()
            if now_s - checked_s >= CHECK_S or (self.clock.fast and now_s > checked_s):
                checked_s = now_s
                self._chain.check(now_s)
            self._chain.advance(now_s)
            for client in self._clients.due(now_s):
                self._run(client, now_s)
            if not busy and time.monotonic() - look_s > IDLE_S:
                look_s = time.monotonic()
                if not self._alive():
                    return

    def _poll(self, timeout_s: float) -> bool:
        events = self._selector.select(timeout_s)
        for key, mask in events:
            target = key.data
            if isinstance(target, Client):
                if not target.gone:
                    self._serve_client(target, mask)
            elif target is not None:
                target()
        return bool(events)

    def _serve_client(self, client: Client, mask: int) -> None:
        if mask & selectors.EVENT_WRITE:
            self._flush(client)
        if not mask & selectors.EVENT_READ:
            return
        data = client.channel.read()
        if data is None:
            self._leave(client)
        elif data and client.deaf_until_s < time.monotonic():
            now_s = self.clock.now_s()
            client.session.receive(data, now_s)
            self._run(client, now_s)

    def _run(self, client: Client, now_s: float) -> None:
        if client.gone:
            return
        replies = client.session.run(now_s)
        if client.gate.unasked:
            client.channel.write(b"".join(client.gate.unasked))
            client.gate.unasked.clear()
        for reply in replies:
            for item in client.gate.reply(reply, now_s):
                if item.bench_delay_s or item.wall_delay_s:
                    wall_s = time.monotonic() + item.wall_delay_s if item.wall_delay_s else -math.inf
                    client.late.append((now_s + item.bench_delay_s, wall_s, item.data))
                else:
                    client.channel.write(item.data)
        if client.late:
            client.deliver(now_s)
        self._flush(client)
        self._clients.note(client)
        if client.gate.cut:
            self._cut(client)

    def _flush(self, client: Client) -> None:
        done = client.channel.flush()
        if done == client.flushing:
            client.flushing = not done
            events = selectors.EVENT_READ | (0 if done else selectors.EVENT_WRITE)
            self._selector.modify(client.channel, events, client)

    def _timeout_s(self, due_s: float) -> float:
        timeout_s = IDLE_S
        if self._timers:
            timeout_s = max(0.0, min(IDLE_S, min(due for due, _ in self._timers) - time.monotonic()))
        timeout_s = max(0.0, min(timeout_s, self._clients.wall_due_s() - time.monotonic()))
        if not self.clock.fast:
            timeout_s = min(timeout_s, INTERLOCK_S, max(0.0, due_s - self.clock.now_s()) / self.clock.factor)
        return timeout_s
