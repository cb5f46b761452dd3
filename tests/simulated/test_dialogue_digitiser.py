"""The digitiser's words: arming, starting, waiting, and volts that come out of codes."""

import numpy as np
import pytest
from dialogue_bench import Hand, PlainWorld, hand_on

from drivers.simulated.instruments.digitiser import Digitiser


@pytest.fixture
def world() -> PlainWorld:
    return PlainWorld()


@pytest.fixture
def sampler(world: PlainWorld) -> Hand:
    return hand_on(Digitiser(world, arm_s=0.02, read_s=0.04))


def block(hand: Hand, message: str) -> bytes:
    """The bytes of a definite-length block; the reply must be the block and one newline."""
    replies = hand.say(message)
    if not replies:
        replies = hand.wait(1.0)
    (reply,) = replies
    digits = int(reply[1:2])
    length = int(reply[2 : 2 + digits])
    assert reply[:1] == b"#" and reply[2 + digits + length :] == b"\n"
    return reply[2 + digits : 2 + digits + length]


def capture(hand: Hand, points: int = 100) -> None:
    hand.say(f"ACQ:POIN {points};:SING")
    hand.say("TRIG:FORC")
    assert hand.ask("*OPC?") == "1"


@pytest.mark.parametrize(
    ("asked_hz", "divisor"), [(241_546, 207), (250e3, 200), (100e3, 500), (99_999, 500), (249_000, 201)]
)
def test_the_sample_clock_is_50_mhz_over_a_whole_number(sampler: Hand, asked_hz: float, divisor: int) -> None:
    """The query tells the rate that is really in use."""
    sampler.say(f"ACQ:SRAT:ANAL {asked_hz}")
    assert float(sampler.ask("ACQ:SRAT?")) == pytest.approx(50e6 / divisor, rel=1e-9)


def test_a_rate_above_250_khz_is_out_of_range(sampler: Hand) -> None:
    """-222, and the rate stays."""
    before = sampler.ask("ACQ:SRAT?")
    sampler.say("ACQ:SRAT 1 MHZ")
    assert sampler.ask("SYST:ERR?").startswith("-222")
    assert sampler.ask("ACQ:SRAT?") == before


def test_arming_costs_its_time_and_forcing_starts_the_record(sampler: Hand, world: PlainWorld) -> None:
    """SING takes 20 ms, TRIG:FORC waits behind it, *OPC? is held until the last sample is in."""
    sampler.say("ACQ:SRAT 100 KHZ;POIN 1000;:CHAN1:RANG 4;:SING")
    sampler.say("TRIG:FORC")
    assert not any(order[0] == "sample" for order in world.orders)
    assert not sampler.session.is_waiting()
    assert sampler.ask("*OPC?") == "1"
    assert sampler.t_s == pytest.approx(0.02 + 0.01)
    assert world.orders[-1] == ("sample", pytest.approx(0.02), 100e3, 1000, (2.0, 10.0, 10.0, 10.0))


def test_volts_follow_from_the_preamble(sampler: Hand) -> None:
    """volts = (raw - yreference) x yincrement + yorigin; ten fields."""
    capture(sampler)
    sampler.say("WAV:FORM WORD;BYT LSBF;SOUR CHAN3")
    fields = [float(field) for field in sampler.ask("WAV:PRE?").split(",")]
    assert fields[:4] == [1, 0, 100, 1]
    assert fields[4] == pytest.approx(200 / 50e6)
    raw = np.frombuffer(block(sampler, "WAV:DATA?"), "<i2")
    assert np.array_equal(raw, np.arange(200, 300) - 5)
    volts = (raw - fields[9]) * fields[7] + fields[8]
    assert volts == pytest.approx((np.arange(200, 300) - 5) * 10.0 / 32768)


def test_byte_order_sign_and_width_follow_the_settings(sampler: Hand) -> None:
    """MSBF, unsigned words with a reference of 32768, bytes of the upper half, ASCII volts."""
    capture(sampler)
    sampler.say("WAV:SOUR CHAN1;FORM WORD;BYT MSBF")
    signed = np.frombuffer(block(sampler, "WAV:DATA?"), ">i2").astype(int)
    sampler.say("WAV:UNS 1;BYT LSBF")
    assert sampler.ask("WAV:PRE?").split(",")[9] == "32768"
    unsigned = np.frombuffer(block(sampler, "WAV:DATA?"), "<u2").astype(int)
    assert np.array_equal(unsigned - 32768, signed)
    sampler.say("WAV:UNS 0;FORM BYTE")
    assert np.array_equal(np.frombuffer(block(sampler, "WAV:DATA?"), "i1"), signed >> 8)
    sampler.say("WAV:FORM ASC")
    ascii_volts = [float(v) for v in sampler.ask("WAV:DATA?").split(",")]
    assert ascii_volts == pytest.approx(signed * 10.0 / 32768)


def test_codes_of_a_converter_with_fewer_bits_are_left_justified(world: PlainWorld) -> None:
    """12 bits: code 1 of the converter is 16 on the wire, and the same volts."""
    hand = hand_on(Digitiser(world, bits=12))
    capture(hand)
    hand.say("WAV:FORM WORD;BYT LSBF;SOUR CHAN1")
    raw = np.frombuffer(block(hand, "WAV:DATA?"), "<i2")
    assert np.array_equal(raw, (np.arange(100) - 5) * 16)
    assert float(hand.ask("WAV:YINC?")) * 16 == pytest.approx(10.0 / 2048)


def test_reading_takes_a_quarter_of_the_record_time_a_channel(sampler: Hand) -> None:
    """Four channels take read_s."""
    capture(sampler)
    start_s = sampler.t_s
    for n in range(1, 5):
        assert len(sampler.ask(f"WAV:SOUR CHAN{n};DATA?")) > 100
    assert sampler.t_s - start_s == pytest.approx(0.04)


def test_a_record_of_newlines_is_a_block_like_any_other(world: PlainWorld) -> None:
    """Length rules, not the terminator."""
    world.sample = lambda *_, **__: np.full((4, 50), 0x0A0A, dtype=np.int16)  # type: ignore[method-assign]
    hand = hand_on(Digitiser(world))
    capture(hand, 50)
    assert block(hand, "WAV:FORM WORD;DATA?") == b"\x0a" * 100


def test_forcing_without_arming_is_ignored_with_an_error(sampler: Hand) -> None:
    """-211, and nothing is there to read (-230)."""
    sampler.say("TRIG:FORC")
    sampler.say("WAV:DATA?")
    assert [sampler.ask("SYST:ERR?").split(",")[0] for _ in range(2)] == ["-211", "-230"]


def test_an_armed_sampler_without_trigger_never_completes(sampler: Hand) -> None:
    """*OPC? stays without an answer; STOP from another client frees it."""
    instrument = sampler.session._instrument  # type: ignore[attr-defined]
    other = hand_on(instrument)
    sampler.say("SING")
    sampler.say("*OPC?")
    assert sampler.wait(100.0) == []
    other.t_s = sampler.t_s
    other.say("STOP")
    assert sampler.wait(0.0) == [b"1\n"]


def test_the_done_register_is_told_once(sampler: Hand) -> None:
    """ADER? reads and clears."""
    capture(sampler)
    assert [sampler.ask("ADER?") for _ in range(2)] == ["1", "0"]


def test_ranges_belong_to_the_record_that_was_taken(sampler: Hand) -> None:
    """Changing CHAN:RANG afterwards does not rescale old codes."""
    sampler.say("CHAN1:RANG 2")
    capture(sampler)
    before = sampler.ask("WAV:SOUR CHAN1;YINC?")
    sampler.say("CHAN1:RANG 20")
    assert sampler.ask("WAV:YINC?") == before
    capture(sampler)
    assert float(sampler.ask("WAV:YINC?")) == pytest.approx(10 * float(before))


@pytest.mark.parametrize("message", ["CHAN5:RANG 1", "CHAN0:RANG 1"])
def test_there_are_four_channels(sampler: Hand, message: str) -> None:
    """-114 header suffix out of range."""
    sampler.say(message)
    assert sampler.ask("SYST:ERR?").startswith("-114")
