"""Thousands of exchanges with each family while its wire misbehaves at random: no value wrong, no error nameless.

Deadlines are cut to a fraction of a second, since here replies take microseconds. A kind of fault is left out where
nothing on the wire could tell it (a digit changed in a plain text reply, steps lost in silence): witnesses for those
are elsewhere (parity, index, encoder, loopback).
"""

import math
from dataclasses import dataclass, field

import numpy as np
from plain_bench import PlainWorld, plain_bench

from rig.errors import BenchError

EVERY = 50
SHORT_S = 0.15
SILENT_VERBS = 20  # verbs without one message on the wire: the link is not coming back
WIRE = ("drop", "late:value=0.3", "duplicate", "truncate", "segments:value=0.0005", "extra:value=?", "text", "swallow")
SOCKET = (*WIRE, "reset", "close", "silent_drop", "chatter", "terminator:value=\r", "accept_mute:value=0.2")
SCPI = (*SOCKET, "error_storm", "decimal_comma", "ignored", "refuse:value=0.1", "slow_open:value=0.1", "stale")
SERIAL = (*WIRE, "replug:value=0.05", "quantise")
BINARY = (
    "drop",
    "late:value=0.3",
    "duplicate",
    "truncate",
    "garble",
    "drop_chars",
    "checksum",
    "extra:value=\x02",
    "swallow",
)


@dataclass
class Count:
    """What came of it. names: kinds of errors seen."""

    exchanges: int = 0
    faults: int = 0
    right: int = 0
    wrong: list = field(default_factory=list)
    nameless: list = field(default_factory=list)
    errors: dict = field(default_factory=dict)

    def line(self):
        seen = ", ".join(f"{name} {n}" for name, n in sorted(self.errors.items()))
        told = f"{self.exchanges} exchanges, {self.faults} faults, {self.right} verbs right, {len(self.wrong)} wrong"
        return f"{told}; {seen or 'no error'}"


@dataclass(frozen=True)
class Family:
    """role and families of the bench; kinds of faults; verb(driver, world, i) says whether its outcome was right."""

    role: str
    families: dict
    kinds: tuple
    verb: object
    tune: object = None
    wire: str = "tcp"
    recover: object = None
    world: object = PlainWorld


def soak(family, exchanges, seed):
    """A Count after that many exchanges."""
    share = 1.0 / EVERY / len(family.kinds)
    faults = []
    for kind in family.kinds:
        name, _, value = kind.partition(":")
        faults.append(f"{family.role}:{name}:probability={share}" + (f":{value}" if value else ""))
    count, world = Count(), family.world(index_s=0.01)
    replugged = any(kind.startswith("replug") for kind in family.kinds)
    # a port that will be pulled needs its stable name from the start: one fault on a command that never comes
    laid = (f"{family.role}:replug:nth=1000000000",) if replugged else ()
    with plain_bench(*laid, roles=(family.role,), wire=family.wire, world=world, **family.families) as (bench, drivers):
        driver, gate = drivers[family.role], bench.gates[family.role]
        if family.tune:
            family.tune(driver)
        switch_on(gate, faults, seed)
        i, told, since = 0, gate.messages, 0
        while gate.messages < exchanges:
            i += 1
            told, since = (told, since + 1) if gate.messages == told else (gate.messages, 0)
            if since > SILENT_VERBS:
                count.wrong.append(f"no exchange any more after {i} verbs: {count.errors}")
                break
            try:
                seen = family.verb(driver, world, i)
            except BenchError as fault:
                note(count, fault)
                if family.recover:
                    recover(family, driver, count)
                continue
            if seen is True:
                count.right += 1
            else:
                count.wrong.append(seen)
        count.exchanges, count.faults = gate.messages, sum(gate.injected.values())
        gate.clear()
    return count


def switch_on(gate, faults, seed):
    """The faults begin when the instrument has been opened."""
    from drivers.simulated.wires.faults import Gate
    from drivers.simulated.worldfile.wire_fault import parse_fault

    fresh = Gate(faults[0].partition(":")[0], [parse_fault(fault) for fault in faults], seed)
    gate._rows, gate._random, gate._active = fresh._rows, fresh._random, []


def note(count, fault):
    kind = type(fault).__name__
    count.errors[kind] = count.errors.get(kind, 0) + 1
    if not fault.instrument or fault.instrument not in str(fault) or len(str(fault)) < 20:
        count.nameless.append(repr(fault))


def recover(family, driver, count):
    """Brings an axis back; what goes wrong on the way is an error like the others."""
    for _ in range(20):
        try:
            family.recover(driver)
        except BenchError as fault:
            note(count, fault)
        else:
            return


# ---- verbs ----------------------------------------------------------------------------------------------------------


def ohms(driver, _world, i):
    reading = driver.resistance_ohm(four_wire=True, range_ohm=100.0, nplc=1.0 if i % 7 else 10.0)
    return reading.value in (9.0, None) or reading


def quick_session(driver):
    driver._session.deadline_s = SHORT_S
    if hasattr(driver, "_deadline_s"):
        driver._deadline_s = lambda _setting: SHORT_S


def level(driver, world, i):
    level_v = 1.0 + (i % 8) * 0.125
    driver.level_v_rms(level_v)
    on = [order for order in world.orders if order[0] == "generator"][-1]
    del world.orders[:-4]
    return math.isclose(on[3], level_v * math.sqrt(2.0), rel_tol=2e-3) or (level_v, on)


def lit(driver):
    quick_session(driver)
    driver.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0)
    driver.output(True)


def lit_again(driver):
    driver.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0)
    driver.output(True)


def relays(channels):
    def verb(driver, world, i):
        one = channels[i % len(channels)]
        driver.close_channels([one])
        closed = driver.closed_channels()
        driver.open_channels([one])
        return closed == (one,) or (one, closed)

    return verb


def all_open(driver):
    driver.open_all()


def all_open_soon(driver):
    quick_session(driver)
    driver.open_all()  # its scan list is emptied before anything is closed


def guard(driver, _world, _i):
    state = driver.state()
    return (state.guard_closed and not state.emergency_stop) or state


def air(driver, _world, _i):
    seen = driver.read()
    return (round(seen.temperature_degc, 1), seen.humidity_pct) == (22.0, 45.0) or seen


def angle(driver, _world, _i):
    seen = driver.angle_mech_deg()
    return seen == 12.5 or seen


class CoarseWorld(PlainWorld):
    """Codes that eight bits tell apart, another for each channel and sample."""

    def sample(self, t_s, *, rate_hz, n, ranges_v):
        return (256 * CoarseWorld.steps(n)).astype(np.int16)

    @staticmethod
    def steps(n):
        return (20 * np.arange(4)[:, None] + np.arange(n) % 16).astype(int)


def taken(driver, i):
    if i % 20 == 1:
        driver.configure(ranges_v=(10.0,) * 4, sample_rate_hz=250e3, samples=32, channels=("a", "b", "c", "d"))
    driver.arm()
    driver.trigger()
    driver.wait_captured()
    return driver.fetch().codes


def pages(driver, _world, i):
    codes = taken(driver, i)
    return bool(np.array_equal(codes, 127 + CoarseWorld.steps(32))) or codes[:, :20].tolist()


def record(driver, _world, i):
    codes = taken(driver, i)
    ramp = np.arange(codes.size) - 5
    return bool(np.array_equal(codes, ramp.reshape(codes.shape))) or codes[:, :4].tolist()


def quick_blocks(driver):
    quick_session(driver)
    block, query = driver._session.block, driver._session.query
    driver._session.block = lambda message, _s, expected=None, label="": block(message, SHORT_S, expected, label)
    driver._session.query = lambda message, _s=None, *, explain=True: query(message, SHORT_S, explain=explain)
    driver.configure(ranges_v=(10.0,) * 4, sample_rate_hz=250e3, samples=32, channels=("a", "b", "c", "d"))


def configured(driver):
    driver.configure(ranges_v=(10.0,) * 4, sample_rate_hz=250e3, samples=32, channels=("a", "b", "c", "d"))


def move(driver, world, i):
    steps = (i % 9 - 4) * 4
    driver.move_to(steps)
    driver.wait_stopped()
    told, true = driver.position_steps(), world.axis_commanded_steps(math.inf)
    del world.orders[:-4]
    return (told == steps and true == steps) or (steps, told, true)


def quick_grbl(driver):
    command, reset = driver._grbl.command, driver._grbl.reset
    driver._grbl.command = lambda line, deadline_s=2.0: command(line, min(deadline_s, SHORT_S))
    driver._grbl.reset = lambda patience_s=2.0: reset(min(patience_s, 0.6))
    driver.index()


def quick_tmcl(driver):
    driver._tmcl.deadline_s = SHORT_S
    driver.index()


def indexed(driver):
    driver.index()


GRBL = (
    "drop",
    "late:value=0.3",
    "duplicate",
    "truncate",
    "segments:value=0.0005",
    "garble",
    "swallow",
    "text:value=error:8",
)
GRBL = (
    *GRBL,
    "alarm:value=1",
    "alarm:value=3",
    "estop",
    "door",
    "missed_index",
    "chatter:value=ok\r\n",
    "replug:value=0.05",
)
FAMILIES = {
    "34465A on a socket": Family(
        "multimeter", {"multimeter": "34465A"}, (*SCPI, "foreign:value=FRES:NPLC 0.2"), ohms, quick_session
    ),
    "34401A on RS-232": Family(
        "multimeter",
        {"multimeter": "34401A"},
        (*SERIAL, "drop_chars", "error_storm", "decimal_comma"),
        ohms,
        quick_session,
        "serial",
    ),
    "SDM3065X": Family("multimeter", {"multimeter": "SDM3065X"}, SCPI, ohms, quick_session),
    "DMM6500": Family("multimeter", {"multimeter": "DMM6500"}, SCPI, ohms, quick_session),
    "33511B": Family("generator", {"generator": "33511B"}, SCPI, level, lit, recover=lit_again),
    "DG822": Family("generator", {"generator": "DG822"}, SCPI, level, lit, recover=lit_again),
    "SDG2042X": Family("generator", {"generator": "SDG2042X"}, (*SOCKET, "ignored"), level, lit, recover=lit_again),
    "digitiser": Family(
        "sampler",
        {"sampler": "DSOS404D"},
        (*SCPI, "block_short", "block_long", "page_short", "overflow"),
        record,
        quick_blocks,
        recover=configured,
    ),
    "oscilloscope": Family(
        "sampler",
        {"sampler": "DS1104Z"},
        (*SCPI, "block_short", "block_long", "page_short"),
        pages,
        quick_blocks,
        recover=configured,
        world=CoarseWorld,
    ),
    "switch box": Family("switch", {}, SCPI, relays((1101, 1202, 1303)), quick_session, recover=all_open),
    "small frame": Family(
        "switch", {"switch": "34970A"}, SCPI, relays((111, 238, 304)), all_open_soon, recover=all_open
    ),
    "relay board": Family(
        "switch", {"switch": "relay-board"}, (*SERIAL, "garble"), relays((1, 4, 8)), recover=all_open
    ),
    "relay board, Modbus": Family(
        "switch", {"switch": "modbus-relays"}, (*BINARY, "replug:value=0.05"), relays((1, 4, 8)), recover=all_open
    ),
    "interlock": Family("interlock", {}, SCPI, guard, quick_session),
    "interlock, Modbus": Family("interlock", {"interlock": "modbus-inputs"}, (*BINARY, "replug:value=0.05"), guard),
    "grbl": Family("axis", {"axis": "grbl"}, GRBL, move, quick_grbl, recover=indexed),
    "TMCL": Family(
        "axis", {"axis": "tmcl"}, (*BINARY, "stale", "status", "chatter:value=\x02"), move, quick_tmcl, recover=indexed
    ),
    "angle display": Family("encoder", {}, SERIAL, angle),
    "climate, serial text": Family("climate", {"climate": "hmt"}, (*SERIAL, "decimal_comma"), air),
    "climate, Modbus": Family("climate", {"climate": "modbus"}, (*BINARY, "replug:value=0.05"), air),
}
