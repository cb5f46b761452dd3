"""The simulated bench as a process: its line of links, its clock, its wires, its faults and its end."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

Start = Callable[..., "Bench"]


class Line:
    """One socket, line by line."""

    def __init__(self, url: str) -> None:
        host, port = url.removeprefix("tcp://").split(":")
        self.socket = socket.create_connection((host, int(port)), timeout=10.0)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.lines = self.socket.makefile("rb")

    def say(self, text: str) -> None:
        self.socket.sendall(text.encode() + b"\n")

    def ask(self, text: str) -> str:
        self.say(text)
        return self.lines.readline().decode().strip()

    def close(self) -> None:
        self.lines.close()
        self.socket.close()


class Clock(Line):
    def op(self, **request: object) -> dict[str, Any]:
        return dict(json.loads(self.ask(json.dumps(request))))

    def now_s(self) -> float:
        return float(self.op(op="now")["now_s"])


class Bench:
    """A running bench and its log."""

    def __init__(self, process: "subprocess.Popen[str]", log: Path) -> None:
        self.process, self.log = process, log
        assert process.stdout is not None
        self.told = json.loads(process.stdout.readline())
        self.links: dict[str, str] = self.told["links"]
        self.open: list[Line | serial.Serial] = []

    def line(self, role: str) -> Line:
        self.open.append(line := Line(self.links[role]))
        return line

    def clock(self) -> Clock:
        self.open.append(clock := Clock(self.told["clock"]))
        return clock

    def port(self, role: str) -> serial.Serial:
        path = self.links[role].removeprefix("serial://").removeprefix("visa://ASRL").removesuffix("::INSTR")
        self.open.append(port := serial.Serial(path, 115200, timeout=10.0, exclusive=True))
        return port

    def events(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.log.read_text().splitlines()]

    def end(self, number: int = signal.SIGTERM) -> int:
        if self.process.poll() is None:
            self.process.send_signal(number)
        return self.process.wait(10.0)


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Starts benches: start(speed="fast", world="TOML text", more="--flags")."""
    benches: list[Bench] = []

    def one(speed: str = "fast", world: str = "", more: tuple[str, ...] = ()) -> Bench:
        file, log = tmp_path / f"world_{len(benches)}.toml", tmp_path / f"log_{len(benches)}.jsonl"
        file.write_text(world, encoding="utf-8")
        command = [sys.executable, "-m", "drivers.simulated", str(file), "--speed", speed, "--log", str(log), *more]
        benches.append(Bench(subprocess.Popen(command, stdout=subprocess.PIPE, text=True), log))
        return benches[-1]

    yield one
    for bench in benches:
        for wire in bench.open:
            wire.close()
        bench.end()
        assert bench.process.stdout is not None
        bench.process.stdout.close()


def axis_ask(port: serial.Serial, line: str) -> bytes:
    port.write(line.encode() + b"\n")
    return bytes(port.readline())


def test_one_line_tells_every_link(start: Start, tmp_path: Path) -> None:
    """The encoder only when the world has one; --ports writes the same line to a file."""
    bench = start(more=("--ports", str(tmp_path / "ports.json")))
    assert set(bench.links) == {"multimeter", "generator", "sampler", "axis", "switch", "interlock", "climate"}
    assert bench.told["pid"] == bench.process.pid
    assert json.loads((tmp_path / "ports.json").read_text()) == bench.told
    assert "encoder" in start(world="[axis]\nencoder = true\n").links


def test_every_identity_says_that_it_is_simulated(start: Start) -> None:
    """A serial that begins with SIM, on every wire."""
    bench = start(world="[axis]\nencoder = true\n")
    for role in ("generator", "sampler", "switch", "interlock"):
        assert ",SIM0" in bench.line(role).ask("*IDN?")
    meter = bench.port("multimeter")
    meter.write(b"*IDN?\n")
    assert b",SIM0" in meter.readline()
    axis = bench.port("axis")
    axis.write(b"\x18")
    assert [axis.readline() for _ in range(3)][1].startswith(b"Grbl 1.1h")
    assert b"SIM0" in axis_ask(axis, "$I")
    encoder = bench.port("encoder")
    encoder.write(b"\x1bA0000\r")
    assert b"SIM0" in encoder.readline()
    climate = bench.port("climate")
    climate.write(b"?\r")
    assert b"SIM0" in climate.readline() + climate.readline()


def test_without_a_party_a_conversion_takes_no_wall_time(start: Start) -> None:
    """A hundred power line cycles, fast."""
    bench = start()
    meter, clock = bench.port("multimeter"), bench.clock()
    begin_s = time.monotonic()
    meter.write(b"CONF:FRES 100;:FRES:NPLC 100;:READ?\n")
    assert meter.readline().startswith(b"+")
    assert time.monotonic() - begin_s < 2.0
    assert clock.now_s() == pytest.approx(4.005)


def test_at_real_speed_a_conversion_takes_its_time(start: Start) -> None:
    """405 ms at ten power line cycles with autozero."""
    meter = start("real").port("multimeter")
    meter.write(b"CONF:FRES 100;:FRES:NPLC 10\n")
    begin_s = time.monotonic()
    meter.write(b"READ?\n")
    assert meter.readline()
    assert 0.39 < time.monotonic() - begin_s < 0.8


def test_time_stands_still_while_a_party_is_busy(start: Start) -> None:
    """Of two parties one sleeps and the other thinks: nothing moves until the other waits, too."""
    bench = start()
    thinker, sleeper = bench.clock(), bench.clock()
    thinker.op(op="register")
    sleeper.op(op="register")
    woke: list[float] = []
    thread = threading.Thread(target=lambda: woke.append(float(sleeper.op(op="sleep", s=5.0)["now_s"])))
    thread.start()
    time.sleep(0.15)
    assert woke == [] and thinker.now_s() == 0.0
    assert thinker.op(op="sleep", s=2.0)["now_s"] == 2.0
    assert woke == []
    assert thinker.op(op="sleep", s=2.0)["now_s"] == 4.0
    thinker.say(json.dumps({"op": "sleep", "s": 2.0}))
    thread.join(5.0)
    assert woke == [5.0]
    sleeper.close()
    assert json.loads(thinker.lines.readline())["now_s"] == 6.0


def test_a_held_reply_counts_as_waiting_and_sleepers_wake_on_the_way(start: Start) -> None:
    """A guard that sleeps 0.1 s at a time is woken forty times during a conversion of four seconds."""
    bench = start()
    main, guard = bench.clock(), bench.clock()
    main.op(op="register")
    guard.op(op="register")
    meter = bench.port("multimeter")
    ticks: list[float] = []
    stop = threading.Event()

    def watch() -> None:
        while not stop.is_set():
            ticks.append(float(guard.op(op="sleep", s=0.1)["now_s"]))
        guard.close()

    thread = threading.Thread(target=watch)
    thread.start()
    meter.write(b"CONF:FRES 100;:FRES:NPLC 100;:READ?\n")
    assert meter.readline().startswith(b"+")
    reading_s = main.now_s()
    stop.set()
    main.op(op="sleep", s=1.0)
    thread.join(5.0)
    assert reading_s == pytest.approx(4.0, abs=0.12)
    during = [tick for tick in ticks if tick <= reading_s + 1e-9]
    assert len(during) in (39, 40, 41)
    assert during == pytest.approx([0.1 * (i + 1) for i in range(len(during))])


def test_a_party_that_closes_holds_nobody_up(start: Start) -> None:
    """Its registration ends with its connection."""
    bench = start()
    gone, left = bench.clock(), bench.clock()
    gone.op(op="register")
    left.op(op="register")
    gone.close()
    assert left.op(op="sleep", s=3600.0)["now_s"] == 3600.0


def test_relays_and_motion_change_what_other_instruments_see(start: Start) -> None:
    """One world: the multimeter reads the coil that the switch has put on it, the sampler the angle."""
    bench = start(world="[part]\nr20_exc_ohm = 42.0\n")
    switch, meter = bench.line("switch"), bench.port("multimeter")
    assert switch.ask("ROUT:CLOS (@1101,1202);*OPC?") == "1"
    meter.write(b"CONF:FRES 100;:READ?\n")
    assert float(meter.readline()) == pytest.approx(42.0, rel=0.02)
    assert switch.ask("ROUT:OPEN:ALL;*OPC?") == "1"
    meter.write(b"READ?\n")
    assert float(meter.readline()) == 9.9e37


def test_the_log_tells_what_happened(start: Start) -> None:
    """Excitation, motion, relays, clients, each with wall and bench time."""
    bench = start()
    generator, switch, axis = bench.line("generator"), bench.line("switch"), bench.port("axis")
    generator.ask("OUTP:LOAD INF;:VOLT:UNIT VRMS;:VOLT 3.5;:FREQ 8000;:OUTP ON;*OPC?")
    switch.ask("ROUT:CLOS (@1301);*OPC?")
    assert axis_ask(axis, "$X").startswith(b"[MSG")
    assert axis.readline() == b"ok\r\n"
    assert axis_ask(axis, "G1 X90 F21600") == axis_ask(axis, "G4 P0") == b"ok\r\n"
    assert axis_ask(axis, "G1 X900 F21600") == b"ok\r\n"
    axis.write(b"\x18")
    assert axis.readline() == b"ALARM:3\r\n"
    generator.ask("OUTP OFF;*OPC?")
    generator.close()
    bench.clock().now_s()
    assert bench.end() == 0
    events = bench.events()
    assert all({"wall_s", "bench_s", "event"} <= set(event) for event in events)
    names = [event["event"] for event in events]
    on = events[names.index("generator_on")]
    assert on["frequency_hz"] == 8000.0 and on["v_rms"] == pytest.approx(3.5)
    assert {"event": "relays", "closed": [1301]}.items() <= events[names.index("relays")].items()
    moves = [name for name in names if name.startswith("axis")]
    assert moves == ["axis_moving", "axis_stopped", "axis_moving", "axis_halted", "axis_released"]
    stopped = events[names.index("axis_stopped")]["bench_s"] - events[names.index("axis_moving")]["bench_s"]
    assert stopped == pytest.approx(0.43, rel=1e-3)
    assert names.index("generator_off") > names.index("generator_on")
    assert ("generator", False) in [(e.get("instrument"), e.get("connected")) for e in events]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_it_de_energised(start: Start, number: int) -> None:
    """Exit status 0, generator off in the log, wires closed."""
    bench = start("real")
    generator = bench.line("generator")
    generator.ask("VOLT 1;:OUTP ON;*OPC?")
    begin_s = time.monotonic()
    assert bench.end(number) == 0
    assert time.monotonic() - begin_s < 2.0
    names = [event["event"] for event in bench.events()]
    assert names.index("generator_off") > names.index("generator_on")
    assert names[-1] == "stop"
    assert generator.socket.recv(10) == b""


def test_it_ends_when_its_parent_is_gone(start: Start) -> None:
    """Killed without a word, the parent takes the bench with it."""
    parent = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    bench = start("real", more=("--parent", str(parent.pid)))
    bench.line("generator").ask("VOLT 1;:OUTP ON;*OPC?")
    time.sleep(0.4)
    assert bench.process.poll() is None
    parent.kill()
    assert bench.process.wait(5.0) == 0
    parent.wait()
    assert "generator_off" in [event["event"] for event in bench.events()]


def test_an_emergency_stop_of_the_world_cuts_the_excitation(start: Start) -> None:
    """At its bench time, whatever the controller does; the interlock byte tells it."""
    bench = start(world="[interlock]\nemergency_stop_at_s = 2.0\n")
    generator, interlock, clock = bench.line("generator"), bench.line("interlock"), bench.clock()
    generator.ask("VOLT 1;:OUTP ON;*OPC?")
    assert int(interlock.ask("DIG:DATA:BYTE? (@5101)")) & 3 == 1  # guard closed, stop released; other bits: the key
    clock.op(op="sleep", s=2.5)
    assert int(interlock.ask("DIG:DATA:BYTE? (@5101)")) & 3 == 3
    assert [e["event"] for e in bench.events() if e["event"].startswith("generator")] == [
        "generator_on",
        "generator_off",
    ]


def test_a_late_reply_is_late_in_wall_time_even_on_a_fast_bench(start: Start) -> None:
    """Links have wall deadlines; bench time does not move for it."""
    row = '[[faults_of_wire]]\ninstrument = "generator"\nkind = "late"\nnth = 2\nvalue = 0.3\n'
    bench = start(world=row)
    generator, clock = bench.line("generator"), bench.clock()
    assert generator.ask("*OPC?") == "1"
    begin_s = time.monotonic()
    assert generator.ask("*OPC?") == "1"
    assert 0.28 < time.monotonic() - begin_s < 1.0
    assert clock.now_s() == 0.0


def test_a_reset_connection_leaves_the_instrument_there(start: Start) -> None:
    """RST on the third command; a new connection finds the settings as they were."""
    row = '[[faults_of_wire]]\ninstrument = "generator"\nkind = "reset"\nnth = 3\n'
    bench = start(world=row)
    generator = bench.line("generator")
    assert generator.ask("FREQ 8000;*OPC?") == "1"
    assert generator.ask("*OPC?") == "1"
    generator.say("*OPC?")
    with pytest.raises(ConnectionResetError):
        generator.lines.readline()
    assert float(bench.line("generator").ask("FREQ?")) == 8000.0


def test_a_reply_in_segments_arrives_whole(start: Start) -> None:
    """One byte at a time, in order."""
    row = '[[faults_of_wire]]\ninstrument = "climate"\nkind = "segments"\nvalue = 0.001\n'
    port = start("real", world=row).port("climate")
    port.write(b"SEND\r")
    assert port.readline().startswith(b"RH=")


def test_a_closed_serial_port_is_no_hang_up(start: Start) -> None:
    """The controller keeps its state; the next client opens the same path."""
    bench = start()
    axis = bench.port("axis")
    axis_ask(axis, "$X")
    axis.close()
    time.sleep(0.05)
    again = bench.port("axis")
    again.write(b"?")
    assert again.readline().startswith(b"<Idle|")


def test_two_clients_of_one_instrument_share_its_state_and_not_their_replies(start: Start) -> None:
    """As on a real socket server."""
    bench = start()
    one, other = bench.line("generator"), bench.line("generator")
    one.say("FREQ 5000")
    assert one.ask("*OPC?") == "1"
    assert float(other.ask("FREQ?")) == 5000.0


def test_a_bad_world_is_refused_before_anything_opens(tmp_path: Path) -> None:
    """Exit status 2, the key and the nearest known one on standard error, nothing on standard output."""
    world = tmp_path / "bad.toml"
    world.write_text("[axis]\nbacklash_arcmins = 1\n")
    done = subprocess.run(
        [sys.executable, "-m", "drivers.simulated", str(world)], capture_output=True, text=True, timeout=20, check=False
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert "backlash_arcmin" in done.stderr


def test_truth_is_printed_as_json(tmp_path: Path) -> None:
    """`truth WORLD` serves nothing and ends."""
    world = tmp_path / "w.toml"
    world.write_text("")
    done = subprocess.run(
        [sys.executable, "-m", "drivers.simulated", "truth", str(world)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
        env={**os.environ},
    )
    truth = json.loads(done.stdout)
    assert truth["as_clamped"]["pole_pairs"] == 4


def test_a_round_trip_over_loopback_is_quick(start: Start) -> None:
    """Below 0.1 ms on an idle machine; ten times that is tolerated here, where others work too."""
    line = start("real").line("generator")
    spent = []
    for _ in range(300):
        begin_s = time.perf_counter()
        line.ask("*STB?")
        spent.append(time.perf_counter() - begin_s)
    assert sorted(spent)[150] < 1e-3
