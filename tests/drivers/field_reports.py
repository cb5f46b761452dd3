"""The fifty field reports of the instrument pages, a row each: fault injected, what must come of it, what came of it.

A check returns the outcome in words and raises AssertionError when it is not right. Wires are real (sockets and
pseudo-terminals), drivers are the shop's own; the world is plain, so every right value is known to the digit.
"""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from loop_link import LoopLink
from plain_bench import PlainWorld, plain_bench, served

from drivers.link.serial_port import SerialLink
from drivers.link.session import ScpiSession
from drivers.link.states import LinkState
from drivers.link.tcp import TcpLink
from drivers.multimeter_scpi_344xx import Multimeter344xx, Setting
from drivers.shelf import open_driver
from rig.errors import BadReply, BenchError, InstrumentRefused, LinkDown, NoReply, PositionLost

OHM = {"four_wire": True, "range_ohm": 100.0, "nplc": 1.0}
ROWS = []


def report(number, sources, lesson, fault):
    """A row of the table."""

    def keep(check):
        ROWS.append((number, sources, lesson, fault, check))
        return check

    return keep


def named(fault, *words):
    """The error says which instrument, on which words, and what came."""
    assert isinstance(fault, BenchError), fault
    text = str(fault)
    assert fault.instrument and fault.instrument in text, text
    assert all(word in text for word in words), text
    return f"{type(fault).__name__}: {text[:70]}"


@contextmanager
def raising(*kinds):
    """Collects the one error that must come."""
    caught = []
    try:
        yield caught
    except kinds as fault:
        caught.append(fault)
    assert caught, f"none of {[kind.__name__ for kind in kinds]} was raised"


def generator(*faults, model="33511B"):
    return plain_bench(*faults, roles=("generator",), generator=model)


def meter(*faults, model="34465A", wire="tcp"):
    return plain_bench(*faults, roles=("multimeter",), multimeter=model, wire=wire)


def sampler(*faults, model="DSOS404D", world=None):
    return plain_bench(*faults, roles=("sampler",), sampler=model, world=world)


def axis(*faults, controller="grbl", fast=None, **options):
    """Bench time jumps for grbl, whose controller waits; it is real for TMCL, whose position is polled."""
    world, fast = PlainWorld(index_s=0.3), controller == "grbl" if fast is None else fast
    return plain_bench(*faults, roles=("axis",), axis=controller, world=world, fast=fast, options={"axis": options})


def record(driver, samples=64):
    driver.configure(ranges_v=(10.0,) * 4, sample_rate_hz=250e3, samples=samples, channels=("a", "b", "c", "d"))
    return capture(driver)


def capture(driver):
    driver.arm()
    driver.trigger()
    driver.wait_captured()
    return driver.fetch()


def right_record(wave, samples=64):
    """What the plain world gives: a ramp over all channels."""
    expected = np.arange(4 * samples, dtype=np.int64).reshape(4, samples) - 5
    assert np.array_equal(wave.codes, expected), wave.codes[:, :8]
    return "record right"


class FlatWorld(PlainWorld):
    """Every sample has the same code."""

    code = 0x0A0A

    def sample(self, t_s, *, rate_hz, n, ranges_v):
        return np.full((4, n), self.code, dtype=np.int16)


# ---- sessions -----------------------------------------------------------------------------------------------------


@report(1, "pyvisa-py#376", "a late reply answers no later question", "reply delayed past the time-out")
def late_reply():
    with generator("generator:late:nth=1:match=VOLT?:value=0.4") as (_, drivers):
        session = drivers.generator._session
        with raising(NoReply) as caught:
            session.query("SOUR1:VOLT?", 0.15)
        time.sleep(0.1)
        assert session.number("SOUR1:FREQ?", 1.0) == 1000.0
        assert session.number("SOUR1:VOLT?", 1.0) == 0.2
    return named(caught[0], "VOLT?") + "; next two answers their own"


@report(2, "pyvisa-py#206, #177", "close and reopen when a time-out leaves it deaf", "connection goes deaf")
def deaf_after_timeout():
    with generator("generator:silent_drop:nth=6") as (_, drivers):
        drivers.generator._session.deadline_s = 0.2
        answers = [drivers.generator.output_is_on() for _ in range(6)]
        assert answers == [False] * 6
        assert drivers.generator.retries
    return "reconnected, repeated once, right"


@report(3, "pymeasure#184", "exact framing; surplus bytes are no answer to the next question", "reply doubled")
def doubled_reply():
    with generator("generator:duplicate:every=2") as (_, drivers):
        session = drivers.generator._session
        for _ in range(6):
            assert session.number("SOUR1:FREQ?") == 1000.0
            assert session.number("SOUR1:VOLT?") == 0.2
    return "12 of 12 right"


@report(4, "pyvisa#518, pyvisa-py#156", "the transport owns the terminator", "CR LF, CR only, none")
def terminators():
    with generator("generator:terminator:nth=5:value=\r\n") as (_, drivers):
        assert not drivers.generator.output_is_on()
    told = []
    for end in ("\r", ""):
        with generator(f"generator:terminator:match=FREQ?:value={end}") as (_, drivers):
            drivers.generator._session.deadline_s = 0.2
            with raising(NoReply) as caught:
                drivers.generator._session.query("SOUR1:FREQ?", 0.2)
            told.append(named(caught[0], "FREQ?"))
    return f"CR LF right; CR and none: {told[0]}"


@report(5, "pyvisa-py#102, pyvisa#267", "blocks are read by length", "a block of nothing but 0x0A")
def line_feeds_in_a_block():
    with sampler(world=FlatWorld()) as (_, drivers):
        wave = record(drivers.sampler, 2000)
        assert (wave.codes == 0x0A0A).all()
    return "8000 samples right"


@report(6, "pyvisa#348, pyvisa-py#492", "a terminator behind a block is optional", "block with and without")
def block_ends():
    with sampler("sampler:terminator:every=2:match=DATA?:value=") as (_, drivers):
        return right_record(record(drivers.sampler)) + ", with and without"


@report(7, "pyvisa#464, #319", "deadline of progress, not of the whole", "slow drip; stall in mid-block")
def drip_and_stall():
    with sampler("sampler:segments:nth=1:match=DATA?:value=0.004") as (_, drivers):
        text = right_record(record(drivers.sampler))
    with sampler("sampler:truncate:match=DATA?:value=40") as (_, drivers):
        drivers.sampler._session.block = shortened(drivers.sampler._session.block)
        with raising(NoReply) as caught:
            record(drivers.sampler)
    return f"drip: {text}; stall: {named(caught[0], 'DATA?')}"


def shortened(block, deadline_s=0.3):
    return lambda message, _deadline_s, expected=None, label="": block(message, deadline_s, expected, label)


@report(8, "pyvisa-py 0.9.0dev (#608)", "no length is special", "lengths about 4096 and 20480")
def chunk_lengths():
    done = []
    for n in (4095, 4096, 4097, 20479, 20480, 20481):
        body = bytes(range(256)) * 90
        link = LoopLink(lambda said, n=n, body=body: b"#5%05d" % n + body[:n] + b"\n")
        session = ScpiSession(link, "sampler")
        session.open()
        link.dirty = False
        assert session.block("DATA?", 0.5, n) == body[:n]
        done.append(n)
    return f"{len(done)} lengths right"


@report(9, "ngscopeclient/scopehal#836", "header checked, first bytes reported", "malformed, lying, text")
def malformed_header():
    told = []
    for kind, value in (("text", ":value=#X12"), ("block_short", ""), ("block_long", ""), ("text", ":value=ERROR 5")):
        with sampler(f"sampler:{kind}:match=DATA?{value}") as (_, drivers):
            drivers.sampler._session.block = shortened(drivers.sampler._session.block)
            with raising(BadReply, NoReply) as caught:
                record(drivers.sampler)
            told.append(named(caught[0], "DATA?"))
    return f"4 of 4 named; {told[0]}"


@report(10, "ngscopeclient/scopehal#11", "bounded repeat of what only reads", "one reply of five dropped")
def dropped_replies():
    with sampler("sampler:drop:every=5:match=DATA?") as (_, drivers):
        drivers.sampler._session.block = shortened(drivers.sampler._session.block)
        text = right_record(record(drivers.sampler))
        right_record(capture(drivers.sampler))
        assert drivers.sampler.retries
    return f"{text}, {len(drivers.sampler.retries)} repeated"


@report(11, "scopehal#1023", "the length returned counts, until all is there", "pages cut short")
def short_pages():
    with sampler("sampler:page_short:every=2:match=DATA?", model="DS1104Z", world=FlatWorld()) as (_, drivers):
        wave = record(drivers.sampler, 999)
        assert wave.codes.shape == (4, 999)
        assert (wave.codes == (0x0A0A >> 8) + 127).all()
    return "record of 999 whole"


@report(12, "pyvisa#362/#483", "a least gap between commands by family", "hangs below 15 ms")
def hasty_commands():
    with meter("multimeter:hasty:value=0.015", model="SDM3065X") as (bench, drivers):
        assert [drivers.multimeter.resistance_ohm(**OHM).value for _ in range(5)] == [9.0] * 5
        assert bench.gates["multimeter"].injected["hasty"] > 10
    return "5 of 5 right"


@report(13, "pyvisa#161, pyvisa-py#145", "an answer may take its time", "reply 0.2 s after the question")
def slow_answers():
    with generator("generator:late:every=2:match=?:value=0.2", model="DG822") as (_, drivers):
        assert [drivers.generator.output_is_on() for _ in range(4)] == [False] * 4
    return "4 of 4 right"


@report(14, "hb020/sds1004x_bode#3", "unit sent, read back", "generator boots in dBm with 50 ohm set")
def last_panel_unit():
    world = PlainWorld()
    with plain_bench(roles=("generator",), generator="DG822", world=world) as (_, drivers):
        drivers.generator.prepare_sine(frequency_hz=7000.0, level_v_rms=2.0)
        drivers.generator.output(True)
        drivers.generator.safe_state()
    peaks = [order[3] for order in world.orders if order[0] == "generator" and order[1]]
    assert abs(peaks[-1] - 2.0 * 2**0.5) < 1e-6, peaks
    return "2 V rms into an open circuit is 2.83 V peak"


@report(15, "pyvisa#726, pymeasure#506", "one exchange at a time", "two threads hammer one driver")
def two_callers():
    wrong = []
    with meter() as (_, drivers):

        def hammer():
            for _ in range(60):
                if drivers.multimeter.resistance_ohm(**OHM).value != 9.0:
                    wrong.append(1)

        threads = [threading.Thread(target=hammer) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30)
    assert not wrong
    return "120 of 120 right"


@report(16, "pyvisa#457", "a dead controller leaves nothing that the next can't open", "controller aborted")
def aborted_controller():
    code = (
        "import os, sys; from drivers.shelf import open_driver;"
        "g = open_driver('scpi-335xx', sys.argv[1], 'generator'); g.open();"
        "g.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0); g.output(True); os.abort()"
    )
    world = PlainWorld()
    with served(world=world) as bench:
        done = subprocess.run([sys.executable, "-c", code, bench.links["generator"]], capture_output=True, check=False)
        assert done.returncode == -signal.SIGABRT, done.stderr
        driver = open_driver("scpi-335xx", bench.links["generator"], "generator")
        driver.open()
        assert driver.output_is_on()
        driver.safe_state()
        assert not driver.output_is_on()
        driver.close()
    return "child aborted; another opens and switches off"


@report(17, "pyvisa#654", "settings are asked for with each reading", "somebody changes the range in mid-run")
def foreign_change():
    with meter("multimeter:foreign:nth=2:match=READ?:value=FRES:RANG 10000") as (_, drivers):
        assert drivers.multimeter.resistance_ohm(**OHM).value == 9.0
        with raising(InstrumentRefused) as caught:
            drivers.multimeter.resistance_ohm(**OHM)
        assert drivers.multimeter.resistance_ohm(**OHM).value == 9.0
    return named(caught[0], "somebody else")


@report(18, "pyvisa-py#453", "no lock of the bus is relied on", "a second client sets the frequency")
def second_client():
    with generator() as (bench, drivers):
        drivers.generator.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0)
        other = TcpLink(bench.links["generator"], "other")
        other.open()
        other.write(b"SOUR1:FREQ 500\n")
        time.sleep(0.05)
        with raising(InstrumentRefused) as caught:
            drivers.generator.output(True)
        other.close()
        assert not drivers.generator.output_is_on()
    return named(caught[0], "FREQ") + "; output stays off"


@report(19, "pyvisa-py#285, #396", "keep-alive, and reconnection of a silent wire", "idle connection dropped silently")
def silent_drop():
    with generator("generator:silent_drop:nth=9") as (bench, drivers):
        wire = drivers.generator._link._socket
        assert wire.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        assert wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 10_000
        drivers.generator._session.deadline_s = 0.2
        for _ in range(8):
            assert drivers.generator._session.number("SOUR1:FREQ?") == 1000.0 if not _broken(drivers) else True
        assert drivers.generator._session.number("SOUR1:VOLT?") == 0.2
        assert bench.gates["generator"].injected["silent_drop"] == 1
    return "reconnected, right"


def _broken(drivers):
    """One exchange may break; it is named."""
    try:
        return not drivers.generator._session.query("SOUR1:FREQ?", 0.2)
    except NoReply as fault:
        named(fault, "FREQ?")
        return True


@report(20, "pyvisa-py#83, #428", "every call has a deadline", "accepts, then says nothing")
def accept_then_silence():
    listener = socket.create_server(("127.0.0.1", 0))
    driver = open_driver("scpi-335xx", f"tcp://127.0.0.1:{listener.getsockname()[1]}", "generator")
    driver._session.deadline_s = 0.3
    start = time.monotonic()
    with raising(NoReply) as caught:
        driver.open()
    took_s = time.monotonic() - start
    driver.close()
    listener.close()
    assert took_s < 2.0, took_s
    return f"{named(caught[0], '*IDN?')} in {took_s:.1f} s"


@report(21, "pyvisa-py#609", "closing never raises", "closed after the port was unplugged")
def closing():
    with plain_bench("climate:replug:nth=3:value=30", roles=("climate",)) as (_, drivers):
        with raising(LinkDown, NoReply):
            for _ in range(3):
                drivers.climate._read()
        drivers.climate.close()
        drivers.climate.close()
    return "closed twice without a word"


@report(22, "pyvisa#596", "one family of errors", "connection reset; refused")
def reset_and_refused():
    with generator("generator:reset:nth=6") as (_, drivers):
        assert [drivers.generator.output_is_on() for _ in range(4)] == [False] * 4
        assert drivers.generator._session.states.state is LinkState.READY
        count = len(drivers.generator.retries)
    closed = open_driver("scpi-335xx", "tcp://127.0.0.1:9", "generator")
    with raising(LinkDown) as caught:
        closed.open()
    return f"reset: {count} repeated, right; refused: {named(caught[0])}"


@report(23, "pyserial#124", "opening may reset the board: wait for its banner", "board resets when the port opens")
def reset_on_open():
    with axis("axis:reset_on_open") as (_, drivers):
        assert not drivers.axis.position_known
        drivers.axis.index()
        drivers.axis.move_to(100)
        drivers.axis.wait_stopped()
        assert drivers.axis.position_steps() == 100
    return "opened; position unknown until indexed"


@report(24, "pyserial#36, Klipper#299", "stable names, reopened", "unplugged, comes back under a new name")
def replugged():
    with plain_bench("climate:replug:nth=4:value=0.2", roles=("climate",)) as (bench, drivers):
        before = os.readlink(bench.links["climate"].removeprefix("serial://"))
        airs = [drivers.climate.read().humidity_pct for _ in range(6)]
        after = os.readlink(bench.links["climate"].removeprefix("serial://"))
        assert airs == [45.0] * 6
        assert drivers.climate.retries and bench.gates["climate"].injected["replug"] == 1
    return f"{before} -> {after}, repeated, right"


@report(25, "pyserial#341, #86", "ports are exclusive", "a second opener")
def second_opener():
    with plain_bench(roles=("climate",)) as (bench, drivers):
        second = SerialLink(bench.links["climate"], "second")
        with raising(LinkDown) as caught:
            second.open()
        assert drivers.climate.read().humidity_pct == 45.0
    return named(caught[0])


@report(26, "pyserial#713, #630", "closing while another thread reads", "closed during a read")
def closed_while_reading():
    with served() as bench:
        link = SerialLink(bench.links["climate"], "climate")
        link.open()
        ended = []

        def read():
            try:
                link.read_line(5.0)
            except BenchError as fault:
                ended.append(fault)

        thread = threading.Thread(target=read)
        thread.start()
        time.sleep(0.2)
        start = time.monotonic()
        link.close()
        thread.join(6.0)
        assert not thread.is_alive() and ended, "the reader hangs"
    return f"reader ends in {time.monotonic() - start:.1f} s with {type(ended[0]).__name__}"


@report(27, "pyserial#290", "no round trip time is built in", "16 ms latency timer")
def quantised():
    with meter("multimeter:quantise", wire="serial") as (_, drivers):
        assert [drivers.multimeter.resistance_ohm(**OHM).value for _ in range(3)] == [9.0] * 3
    return "3 of 3 right"


# ---- axes ---------------------------------------------------------------------------------------------------------


@report(28, "gnea/grbl#73, grblHAL/RP2040#45", "status at 5 Hz at most", "status asked for as fast as can be")
def status_rate():
    with axis() as (_, drivers):
        start = time.monotonic()
        for _ in range(4):
            drivers.axis._grbl.status()
        took_s = time.monotonic() - start
    assert took_s > 0.58, took_s
    return f"4 reports take {took_s:.2f} s"


@report(29, "grbl#1140, gnea/grbl#996", "a garbled report is dropped", "characters lost in every second report")
def garbled_reports():
    with axis("axis:drop_chars:every=2:match=?:value=3", max_deg_s=20.0) as (_, drivers):
        drivers.axis.index()
        for steps in (100, 200, 0):
            drivers.axis.move_to(steps)
            drivers.axis.wait_stopped()
            assert drivers.axis.position_steps() == steps
        x = drivers.axis._grbl.status().x_deg
        assert abs(x - drivers.axis._zero_deg) < 0.001
    return "positions right"


@report(30, "grbl#779, gnea/grbl#165", "one setting at a time, a rest, read back", "35 characters lost after $n=")
def eeprom():
    with axis("axis:eeprom:value=35", max_deg_s=180.0, accel_deg_s2=1500.0) as (bench, drivers):
        assert drivers.axis._grbl.settings()[110] == 10_800.0
        assert drivers.axis._grbl.settings()[120] == 1500.0
        assert bench.gates["axis"].injected["eeprom"] > 2
    return "settings kept, read back"


def lost_and_found(controller, *faults, fast=None):
    """A move that ends in PositionLost or another named error, then the index is found and a move is right."""
    with axis(*faults, controller=controller, fast=fast) as (_, drivers):
        one = drivers.axis
        one.index()
        with raising(BenchError) as caught:
            for steps in (300, 600, 900, 1200):
                one.move_to(steps)
                one.wait_stopped()
        assert not one.position_known, "the position is believed"
        one.index()
        one.move_to(50)
        one.wait_stopped()
        assert one.position_steps() == 50
    return named(caught[0]) + "; index, then right"


@report(31, "gnea/grbl#958", "an alarm is left by reset and index", "ALARM:1, then mute")
def alarm_then_mute():
    return lost_and_found("grbl", "axis:alarm:nth=2:match=G53:value=1")


@report(32, "grbl#621, #1189", "a reset in mid-run is a lost position", "e-stop on the reset input")
def estop_on_reset():
    return lost_and_found("grbl", "axis:estop:nth=2:match=G53")


@report(33, "grbl#1507", "one line in flight", "no ok ever")
def no_ok():
    return lost_and_found("grbl", "axis:swallow:nth=2:match=G53")


@report(34, "gnea/grbl#327, #500", "oks are proven in step after each move", "an ok too many")
def extra_ok():
    with axis("axis:chatter:every=2:match=G53:value=ok\r\n") as (_, drivers):
        drivers.axis.index()
        for steps in (100, 200, -50):
            drivers.axis.move_to(steps)
            drivers.axis.wait_stopped()
            assert drivers.axis.position_steps() == steps
    return "at a move: right; at a dwell: " + lost_and_found(
        "grbl", "axis:chatter:nth=3:match=G4:value=ok\r\n", fast=False
    )


@report(35, "delmic/odemis#3418", "what only reads is repeated", "reply dropped during the reference search")
def dropped_in_search():
    with axis("axis:drop:every=3:match=01 0d 02", controller="tmcl") as (bench, drivers):
        drivers.axis.index()
        assert bench.gates["axis"].injected["drop"] > 0
        drivers.axis.move_to(77)
        drivers.axis.wait_stopped()
        assert drivers.axis.position_steps() == 77
    return "index found, position right"


@report(36, "PyTrinamic#86, #37", "drained and synchronised", "byte missing; byte too many; stale reply")
def out_of_phase():
    for fault in (
        "truncate:every=7:match=01 06:value=8",
        "chatter:every=7:match=01 06:value=\x02",
        "stale:every=9:match=01 06",
    ):
        with axis(f"axis:{fault}", controller="tmcl") as (bench, drivers):
            drivers.axis.index()
            for steps in (100, -50, 800):
                drivers.axis.move_to(steps)
                drivers.axis.wait_stopped()
                assert drivers.axis._tmcl.get(1) == steps
            assert sum(bench.gates["axis"].injected.values()) > 0
    return "positions right with each"


# ---- vendor libraries, by stand-in modules ------------------------------------------------------------------------


def with_ni(**wrong):
    from vendor_standins import ni_sampler

    return ni_sampler(**wrong)


@report(37, "nidaqmx-python#841, #615", "an overflow spoils the capture", "onboard overflow")
def ni_overflow():
    with with_ni(fail_read=-200279) as (driver, _), raising(InstrumentRefused) as caught:
        record(driver)
    return named(caught[0], "-200279")


@report(38, "nidaqmx-python#528", "the count of samples is checked", "short read")
def ni_short():
    with with_ni(short_by=3) as (driver, _), raising(BadReply) as caught:
        record(driver)
    return named(caught[0], "61")


@report(39, "nidaqmx-python#49, #106", "finite captures of a fixed size", "read of length zero")
def ni_empty():
    with with_ni(short_by=64) as (driver, _), raising(BadReply) as caught:
        record(driver)
    return named(caught[0])


@report(40, "nidaqmx-python#91, #323", "tasks are closed on every path", "resource reserved")
def ni_reserved():
    with with_ni() as (driver, module):
        record(driver)
        record(driver)
        driver.close()
        assert module.open_tasks == 0
    with with_ni(fail_start=-50103) as (driver, module):
        with raising(InstrumentRefused) as caught:
            record(driver)
        driver.close()
        assert module.open_tasks == 0
    return named(caught[0], "-50103") + "; no task left open"


@report(41, "mccdaq/daqhats#27", "finite captures, armed anew", "overrun after many captures")
def ni_overrun():
    with with_ni() as (driver, module):
        driver.configure(ranges_v=(10.0,) * 4, sample_rate_hz=250e3, samples=64, channels=("a", "b", "c", "d"))
        for _ in range(500):
            capture(driver)
        assert module.open_tasks == 1
    return "500 captures, one task"


@report(42, "pyvisa-py#184, #71", "lost links are won back with back-off", "the second opening fails at first")
def second_opening():
    with generator("generator:refuse:nth=6:value=0.25") as (_, drivers):
        assert [drivers.generator.output_is_on() for _ in range(4)] == [False] * 4
        assert drivers.generator._session.states.times_lost >= 1
    return "won back after being refused, right"


# ---- safety and the rest --------------------------------------------------------------------------------------------


@report(43, "pymeasure#513, #426", "the safe state reads back", "output off is ignored")
def output_off_ignored():
    told = []
    for model in ("33511B", "SDG2042X"):
        with generator("generator:output_off_ignored:match=OUTP", model=model) as (_, drivers):
            drivers.generator._on = True
            drivers.generator._session.write("OUTP1 ON" if model == "33511B" else "C1:OUTP ON")
            start = time.monotonic()
            with raising(InstrumentRefused) as caught:
                drivers.generator.safe_state()
            assert time.monotonic() - start < 2.0
            told.append(named(caught[0], "OFF"))
    return told[0]


@report(44, "Qcodes#481, pymeasure#84", "an exchange that was broken off is synchronised", "Ctrl-C in an exchange")
def broken_off():
    if threading.current_thread() is not threading.main_thread():
        return "needs the main thread"
    before = signal.signal(signal.SIGALRM, _interrupt)
    try:
        with generator("generator:late:nth=1:match=VOLT?:value=0.4") as (_, drivers):
            session = drivers.generator._session
            signal.setitimer(signal.ITIMER_REAL, 0.1)
            broken = False
            try:
                session.query("SOUR1:VOLT?", 2.0)
            except KeyboardInterrupt:
                broken = True
            assert broken
            assert session.number("SOUR1:FREQ?") == 1000.0
            assert session.number("SOUR1:VOLT?") == 0.2
    finally:
        signal.signal(signal.SIGALRM, before)
    return "next two answers their own"


def _interrupt(*_):
    raise KeyboardInterrupt


@report(45, "nominal-io/instro#332", "the queue is emptied, at most 25", "20 errors; an endless error")
def error_storm():
    with meter("multimeter:error_storm:nth=1:match=CONF:value=20") as (_, drivers):
        with raising(InstrumentRefused) as caught:
            drivers.multimeter.resistance_ohm(**OHM)
        assert drivers.multimeter.resistance_ohm(**OHM).value == 9.0
    link = LoopLink(lambda said: b'-350,"Queue overflow"\n' if said == b"SYST:ERR?\n" else b"")
    session = ScpiSession(link, "meter")
    session.open()
    link.dirty = False
    assert 1 <= len(session.errors()) <= 25
    return named(caught[0], "-30") + "; then right; endless: bounded"


@report(46, "Qcodes#556, pyvisa#497", "deadlines from integration time", "100 line cycles, offset compensation")
def slow_conversion():
    from drivers.simulated.instruments.multimeter.scpi_344xx import Multimeter

    driver = Multimeter344xx("meter", LoopLink(lambda said: b""))
    simulated = Multimeter(PlainWorld())
    worst = 0.0
    for nplc in (0.02, 1.0, 10.0, 100.0):
        simulated._function = "FRES"
        simulated._offset_compensation = True
        simulated._change("FRES", nplc=nplc)
        deadline_s = driver._deadline_s(Setting("FRES", "ohm", 100.0, nplc, True))
        worst = max(worst, simulated.conversion_s() / deadline_s)
    assert worst < 0.6, worst
    return f"conversion at most {worst:.2f} of the deadline"


@report(47, "SweepMe#262, #233", "over range has either sign", "-9.9E37, OL, 0L")
def negative_overload():
    for word in ("-9.90000000E+37", "OL", "0L", "9.9E37"):
        with meter(f"multimeter:overload:match=READ?:value={word}") as (_, drivers):
            drivers.multimeter._session.query("*OPC?")
            reading = drivers.multimeter.resistance_ohm(**OHM)
            assert reading.overload and reading.value is None, word
    return "4 spellings are over range"


@report(48, "iris-edu/pyweed#111", "a decimal comma is refused", "+9,00000000E+00")
def decimal_comma():
    with meter("multimeter:decimal_comma:match=READ?") as (_, drivers), raising(BadReply) as caught:
        drivers.multimeter.resistance_ohm(**OHM)
    return named(caught[0], "comma", "locale")


@report(49, "python-sounddevice#155", "an overflow flag spoils the capture", "samples lost in the callback")
def audio_overflow():
    from vendor_standins import audio_sampler

    with audio_sampler(overflow=True) as driver, raising(BadReply) as caught:
        driver.configure(ranges_v=(1.0,) * 4, sample_rate_hz=96e3, samples=64, channels=("a", "b", "c", "d"))
        capture(driver)
    return named(caught[0], "overflow")


@report(50, "pyvisa-sim#26", "simulators know headers, not strings", "long, short, mixed forms")
def header_forms():
    forms = ("OUTP1:LOAD?", "OUTPut1:LOAD?", ":outp:load?", "OUTPUT1:LOAD?", "SOUR1:VOLT:UNIT?;:OUTP:LOAD?")
    with generator() as (_, drivers):
        answers = [drivers.generator._session.query(form).rpartition(";")[2] for form in forms]
        assert len(set(answers)) == 1, answers
        with raising(InstrumentRefused) as caught:
            drivers.generator._session.query("OUTPU1:LOAD?", 0.2)
    return f"{len(forms)} forms alike; OUTPU: {named(caught[0], '-113')}"


def table():
    """(number, sources, fault, outcome, right) of every report, in order."""
    for number, sources, _lesson, fault, check in sorted(ROWS):
        try:
            outcome, fine = check(), True
        except (AssertionError, BenchError, PositionLost, OSError) as wrong:
            outcome, fine = f"{type(wrong).__name__}: {wrong}", False
        yield number, sources, fault, outcome, fine


TOP = Path(__file__).parents[2]
