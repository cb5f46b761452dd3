"""Faults of the wire: each kind does what it says, on the command it is scheduled for."""

import pytest
from dialogue_bench import PlainWorld, hand_on
from pydantic import ValidationError

from drivers.simulated.instruments.multimeter.scpi_344xx import Multimeter
from drivers.simulated.wires.faults import Gate
from drivers.simulated.wires.spoiling import Outgoing
from drivers.simulated.worldfile.wire_fault import WireFault

REPLY = b"+1.50000000E+00\r\n"


def passed(gate: Gate, text: str = "READ?", t_s: float = 0.0) -> list[Outgoing] | None:
    """What comes out for one command and its reply; None when the instrument gets nothing."""
    return gate.reply(REPLY, t_s) if gate.message(text, t_s) is not None else None


@pytest.mark.parametrize(
    ("fault", "out"),
    [
        ({"kind": "delay", "value": 0.5}, [Outgoing(REPLY, 0.5)]),
        ({"kind": "late", "value": 2.0}, [Outgoing(REPLY, 0.0, 2.0)]),
        ({"kind": "drop"}, []),
        ({"kind": "duplicate"}, [Outgoing(REPLY)] * 2),
        ({"kind": "truncate", "value": 4}, [Outgoing(b"+1.5")]),
        ({"kind": "truncate"}, [Outgoing(REPLY[:8])]),
        ({"kind": "terminator", "value": "\r"}, [Outgoing(REPLY[:-2] + b"\r")]),
        ({"kind": "extra", "value": "x"}, [Outgoing(REPLY + b"x")]),
        ({"kind": "decimal_comma"}, [Outgoing(b"+1,50000000E+00\r\n")]),
        ({"kind": "overload"}, [Outgoing(b"+9.9E+37\r\n")]),
        ({"kind": "overload", "value": "OL"}, [Outgoing(b"OL\r\n")]),
        ({"kind": "alarm", "value": 1}, [Outgoing(b"ALARM:1\r\n")]),
        ({"kind": "swallow"}, None),
        ({"kind": "mute"}, []),
        ({"kind": "reset"}, []),
    ],
)
def test_each_kind_does_what_it_says(fault: dict[str, object], out: list[Outgoing] | None) -> None:
    """One fault on the second command; the first and the third go through, unless it lasts."""
    gate = Gate("multimeter", [WireFault.model_validate({"instrument": "multimeter", "nth": 2, **fault})])
    assert passed(gate) == [Outgoing(REPLY)]
    assert passed(gate) == out
    if fault["kind"] not in ("mute", "reset"):
        assert passed(gate) == [Outgoing(REPLY)]


def test_segments_come_byte_by_byte() -> None:
    """The bytes together are the reply."""
    gate = Gate("axis", [WireFault(instrument="axis", kind="segments", value=0.001)])
    out = passed(gate)
    assert out is not None
    assert b"".join(item.data for item in out) == REPLY
    assert all(len(item.data) == 1 for item in out)
    assert [item.wall_delay_s for item in out] == pytest.approx([0.001 * i for i in range(len(REPLY))])


def test_a_mute_instrument_may_come_back() -> None:
    """mute with a value lasts that many seconds of bench time."""
    gate = Gate("axis", [WireFault(instrument="axis", kind="mute", nth=1, value=5.0)])
    assert passed(gate, t_s=0.0) == []
    assert passed(gate, t_s=4.9) == []
    assert passed(gate, t_s=5.1) == [Outgoing(REPLY)]


def test_schedules_by_time_by_multiples_and_by_text() -> None:
    """at_s acts once, every on each multiple, match counts only commands with its text."""
    timed = Gate("axis", [WireFault(instrument="axis", kind="drop", at_s=3.0)])
    assert [passed(timed, t_s=t) == [] for t in (0.0, 2.9, 3.1, 3.2)] == [False, False, True, False]
    often = Gate("axis", [WireFault(instrument="axis", kind="drop", every=3)])
    assert [passed(often) == [] for _ in range(6)] == [False, False, True, False, False, True]
    named = Gate("axis", [WireFault(instrument="axis", kind="drop", nth=2, match="read")])
    assert [passed(named, text) == [] for text in ("READ?", "FETC?", "READ?")] == [False, False, True]


def test_random_faults_are_the_same_for_the_same_seed() -> None:
    """And their share is about what was asked for."""
    rows = [WireFault(instrument="axis", kind="drop", probability=0.25)]
    one, same, other = (Gate("axis", rows, seed) for seed in (1, 1, 2))
    pattern = [passed(one) == [] for _ in range(400)]
    assert pattern == [passed(same) == [] for _ in range(400)]
    assert pattern != [passed(other) == [] for _ in range(400)]
    assert 60 < sum(pattern) < 140


def test_faults_of_other_instruments_leave_this_one_alone() -> None:
    """A schedule belongs to one instrument."""
    assert passed(Gate("axis", [WireFault(instrument="climate", kind="drop")])) == [Outgoing(REPLY)]


@pytest.mark.parametrize("text", ["OUTP OFF", "OUTP1 0", ":OUTPut1:STATe OFF", "outp:stat off"])
def test_output_off_may_be_ignored(text: str) -> None:
    """Only switching off is; switching on and everything else gets through."""
    gate = Gate("generator", [WireFault(instrument="generator", kind="output_off_ignored")])
    assert gate.message(text, 0.0) is None
    for other in ("OUTP ON", "OUTP?", "OUTP:LOAD 50", "OUTP 1"):
        assert gate.message(other, 0.0) == other


def test_an_error_storm_fills_the_queue() -> None:
    """Thirty entries into a queue of twenty: the last is -350."""
    fault = WireFault(instrument="multimeter", kind="error_storm", nth=1)
    meter = hand_on(Multimeter(PlainWorld()), Gate("multimeter", [fault]))
    meter.say("*OPC?")
    codes = [int(meter.ask("SYST:ERR?").split(",")[0]) for _ in range(21)]
    assert codes[19:] == [-350, 0]
    assert all(code < 0 for code in codes[:19])


def test_unknown_instruments_and_kinds_are_refused() -> None:
    """By the loader of the world file, with what is known."""
    with pytest.raises(ValidationError, match="multimeter, generator"):
        WireFault.model_validate({"instrument": "toaster", "kind": "drop"})
    with pytest.raises(ValidationError):
        WireFault.model_validate({"instrument": "axis", "kind": "burn"})
