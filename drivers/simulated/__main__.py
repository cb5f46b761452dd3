"""`python -m drivers.simulated WORLD ...` serves a simulated bench; `... truth WORLD` prints what is true of it.

Serving: one JSON line on standard output when every wire is open, then until SIGTERM or until the parent is gone;
excitation and axis are switched off on the way out. Exit status 2 for a world that can't be used.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import signal
import socket
import sys
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

from drivers.simulated.interfaces import WorldInterface
from drivers.simulated.wires.server import Server
from drivers.simulated.worldfile.keys import WorldFile
from rig.errors import RigError


def main(argv: Sequence[str] | None = None) -> int:
    """Returns the exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        if words[:1] == ["truth"]:
            return _truth(words[1:])
        return _serve(words)
    except RigError as fault:
        print(fault, file=sys.stderr)
        return fault.exit_status


def _truth(words: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m drivers.simulated truth")
    parser.add_argument("world")
    parser.add_argument("--clamping", type=int, default=1)
    options = parser.parse_args(words)
    from drivers.simulated.world.truth import truth

    print(json.dumps(truth(options.world, options.clamping), indent=2))
    return 0


def _arguments(words: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m drivers.simulated", description="Serve a simulated bench.")
    parser.add_argument("world", help="world file or its name")
    parser.add_argument("--clamping", type=int, default=1, help="which clamping of the part (default 1)")
    parser.add_argument("--speed", type=_speed, default="real", help="real, fast, or a factor (0.1 to 100)")
    parser.add_argument("--log", type=Path, help="JSON lines of what happens")
    parser.add_argument("--ports", type=Path, help="also write the JSON line of the links to this file")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        type=_fault,
        metavar="INSTRUMENT:KIND[:KEY=VALUE...]",
        help="a fault besides the world's: axis:drop:every=50, multimeter:late:nth=3:value=5",
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        type=_setting,
        metavar="SECTION.KEY=VALUE",
        help='a key of the world set otherwise than in its file: holder.fitted="dummy"',
    )
    parser.add_argument(
        "--world-object",
        metavar="MODULE:FACTORY",
        help="serve FACTORY(world file, clamping), an object with WorldInterface's methods, not the own physics",
    )
    parser.add_argument("--parent", type=int, help="end when this process is gone")
    return parser.parse_args(words)


def _fault(text: str) -> object:
    from drivers.simulated.worldfile.wire_fault import KINDS, parse_fault

    try:
        return parse_fault(text)
    except ValueError as fault:
        raise argparse.ArgumentTypeError(f"{text!r}: {fault}; kinds are {', '.join(KINDS)}") from fault


def _setting(text: str) -> tuple[str, object]:
    key, equals, value = text.partition("=")
    try:
        return key.strip(), tomllib.loads(f"value = {value}")["value"]
    except tomllib.TOMLDecodeError as fault:
        raise argparse.ArgumentTypeError(f"{text!r}: {'a TOML value' if equals else '='} was expected") from fault


def _speed(text: str) -> str:
    if text not in ("real", "fast") and not (text.replace(".", "", 1).isdigit() and 0.1 <= float(text) <= 100):
        raise argparse.ArgumentTypeError(f"{text!r}: real, fast or a factor from 0.1 to 100 was expected")
    return text


def _world(file: WorldFile, clamping: int, factory: str | None) -> WorldInterface:
    """The built-in physics, or the object that a factory given by its dotted name makes (tests bring one)."""
    if factory is None:
        from drivers.simulated.world.world import World

        return World(file, clamping)
    module, _, name = factory.partition(":")
    make: WorldInterface = getattr(importlib.import_module(module), name)(file, clamping)
    return make


def _serve(words: list[str]) -> int:
    options = _arguments(words)
    from drivers.simulated.bench import connect, open_clock
    from drivers.simulated.wires.clock import BenchTime
    from drivers.simulated.wires.event_log import EventLog
    from drivers.simulated.world.safety_chain import SafetyChain
    from drivers.simulated.worldfile.keys import load_world

    file, path = load_world(options.world, dict(options.set))
    file = file.model_copy(update={"faults_of_wire": (*file.faults_of_wire, *options.fault)})
    world = _world(file, options.clamping, options.world_object)
    with EventLog(options.log) as log:
        chain = SafetyChain(world, log.emit, file.interlock.enable_timer_s)
        factor = 1.0 if options.speed in ("real", "fast") else float(options.speed)
        bench_time = BenchTime(fast=options.speed == "fast", factor=factor)
        server = Server(bench_time, chain, log.emit, parent_watch(options.parent))
        wake, woken = _stop_on_signals(server)
        try:
            clock = open_clock(server, world, chain)
            links = connect(server, file, world, chain, log.emit)
            log.emit(0.0, "start", world=str(path), clamping=options.clamping, speed=options.speed)
            _announce({"world": str(path), "pid": os.getpid(), "clock": clock, "links": links}, options.ports)
            server.serve()
        finally:
            server.close()
            log.emit(server.clock.now_s(), "stop")
            signal.set_wakeup_fd(-1)
            wake.close()
            woken.close()
    return 0


def _announce(links: dict[str, object], ports: Path | None) -> None:
    line = json.dumps(links)
    if ports is not None:
        part = ports.with_name(ports.name + ".part")
        part.write_text(line + "\n", encoding="utf-8")
        part.replace(ports)
    print(line, flush=True)


def _stop_on_signals(server: Server) -> tuple[socket.socket, socket.socket]:
    woken, wake = socket.socketpair()
    woken.setblocking(False)
    wake.setblocking(False)
    signal.set_wakeup_fd(wake.fileno())
    server.wake_on(woken.fileno())
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: server.stop())
    return wake, woken


def parent_watch(parent: int | None) -> Callable[[], bool]:
    """Whether the parent is still there: its pid exists, is no zombie and, if it started us, has not changed."""
    if parent is None:
        return lambda: True
    ours = os.getppid() == parent

    def alive() -> bool:
        if ours and os.getppid() != parent:
            return False
        try:
            os.kill(parent, 0)
            state = Path(f"/proc/{parent}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2]
        except ProcessLookupError:
            return False
        except (PermissionError, FileNotFoundError):
            return True
        return state.split()[:1] != ["Z"]

    return alive


if __name__ == "__main__":
    sys.exit(main())
