"""Drivers against scripted dialogues: what is said, in which order, and what is made of the answers."""

import numpy as np
import pytest
from loop_link import LoopLink, Script

from drivers.climate_hmt import ClimateHmt
from drivers.encoder_nd28x import EncoderNd28x
from drivers.generator_scpi_335xx import Generator335xx
from drivers.multimeter_scpi_344xx import Multimeter344xx
from drivers.sampler_scpi_digitiser import SamplerDigitiser
from drivers.switch_daq import SwitchDaq
from drivers.switch_scpi import SwitchInputs, SwitchScpi
from rig.errors import BadReply, InstrumentRefused, LinkDown, NoReply, UsageError, WrongInstrument

NONE = b'+0,"No error"\n'
CLEAN = (b"SYST:ERR?\n", NONE)


def opening(idn, marker=b"1"):
    """What every SCPI driver says first on a wire that may be in mid-line."""
    return [
        (b"*ESE " + marker + b";*ESE?\n", marker + b"\n"),
        (b"*ESE 0\n", b""),
        (b"*IDN?\n", idn + b"\n"),
        CLEAN,
    ]


@pytest.fixture
def scripted():
    """Builds an open driver over a script; leftovers on either side fail."""
    scripts = []

    def build(make, idn, *pairs, **options):
        script = Script([*opening(idn), *pairs])
        scripts.append(script)
        driver = make("instrument", LoopLink(script), **options)
        driver.open()
        return driver

    yield build
    assert [fault for script in scripts for fault in script.faults()] == []


GENERATOR = b"Agilent Technologies,33511B,MY1,2.0"
METER = b"Keysight Technologies,34465A,MY2,2.0"
SAMPLER = b"Keysight Technologies,DSOS404D,MY3,6.0"
SWITCH = b"Keysight Technologies,34980A,MY4,2.0"


def test_opening_energises_nothing_and_says_who_answers(scripted):
    """Identification is all that is said."""
    generator = scripted(Generator335xx, GENERATOR)
    assert generator.identity().model == "33511B"
    assert not generator.identity().is_simulated


@pytest.mark.parametrize("idn", [b"Keysight Technologies,34465A,MY2,2.0", b"what,33511B", b"nonsense"])
def test_another_family_is_refused(idn):
    """A wrong or headless identification is WrongInstrument, and the link is closed."""
    link = LoopLink(Script(opening(idn)))
    with pytest.raises(WrongInstrument, match="expected"):
        Generator335xx("generator", link).open()
    assert not link.is_open


CLEARED = ("BURS", "SWE", "AM", "FM", "PM", "PWM", "FSK", "BPSK", "SUM")
SINE = [
    (b"OUTP1 OFF\n", b""),
    CLEAN,
    (b"OUTP1?\n", b"0\n"),
    *((f"SOUR1:{word}:STAT OFF\n".encode(), b"") for word in CLEARED),
    CLEAN,
    (b"SOUR1:FREQ:MODE CW\n", b""),
    (b"SOUR1:FUNC SIN\n", b""),
    CLEAN,
    (b"OUTP1:LOAD INF\n", b""),
    (b"SOUR1:VOLT:UNIT VRMS\n", b""),
    (b"SOUR1:VOLT:OFFS 0\n", b""),
    CLEAN,
    (b"SOUR1:FREQ 7000\n", b""),
    (b"SOUR1:VOLT 3.5\n", b""),
    CLEAN,
]
NOTHING_ELSE = [
    (";:".join(f"SOUR1:{word}:STAT?" for word in CLEARED).encode() + b"\n", b"0;0;0;0;0;0;0;0;0\n"),
    (b"SOUR1:FREQ:MODE?\n", b"CW\n"),
]
ASKED = b"SOUR1:FUNC?;:OUTP1:LOAD?;:SOUR1:VOLT:UNIT?;:SOUR1:FREQ?;:SOUR1:VOLT?\n"


def test_a_sine_is_prepared_load_first_then_unit_then_level(scripted):
    """Output off, load, unit, level, everything read back; the output stays off."""
    answer = b"SIN;+9.9E+37;VRMS;+7.0E+03;+3.5E+00\n"
    generator = scripted(Generator335xx, GENERATOR, *SINE, (ASKED, answer), *NOTHING_ELSE)
    generator.prepare_sine(frequency_hz=7000.0, level_v_rms=3.5)


@pytest.mark.parametrize("number", range(len(CLEARED) + 1))
def test_a_sweep_or_modulation_that_stays_on_is_refused_by_name(scripted, number):
    """Burst, sweep, each modulation, the sum, and a frequency that a list or a sweep sets."""
    answer = b"SIN;+9.9E+37;VRMS;+7.0E+03;+3.5E+00\n"
    (states, _), (mode, _) = NOTHING_ELSE
    replies = b";".join(b"1" if at == number else b"0" for at in range(len(CLEARED))) + b"\n"
    name = CLEARED[number] if number < len(CLEARED) else "FREQ:MODE"
    rest = [(mode, b"LIST\n")] if number == len(CLEARED) else []
    generator = scripted(Generator335xx, GENERATOR, *SINE, (ASKED, answer), (states, replies), *rest)
    with pytest.raises(InstrumentRefused, match=f"{name}.*reads back|reads back.*{name}"):
        generator.prepare_sine(frequency_hz=7000.0, level_v_rms=3.5)


@pytest.mark.parametrize(
    "answer",
    [
        b"SIN;+5.0E+01;VRMS;+7.0E+03;+3.5E+00\n",
        b"SIN;+9.9E+37;VPP;+7.0E+03;+3.5E+00\n",
        b"SQU;+9.9E+37;VRMS;+7.0E+03;+3.5E+00\n",
        b"SIN;+9.9E+37;VRMS;+7.0E+03;+3.4E+00\n",
        b"SIN;+9.9E+37;VRMS;+6.0E+03;+3.5E+00\n",
    ],
)
def test_a_setting_that_was_not_kept_is_refused(scripted, answer):
    """A wrong load, unit, shape, level or frequency on read-back raises."""
    generator = scripted(Generator335xx, GENERATOR, *SINE, (ASKED, answer))
    with pytest.raises(InstrumentRefused, match="reads back"):
        generator.prepare_sine(frequency_hz=7000.0, level_v_rms=3.5)


@pytest.mark.parametrize("level", [0.0, -1.0, float("nan"), float("inf")])
def test_levels_that_are_none(scripted, level):
    """A level that is not positive is a usage error before anything is said."""
    generator = scripted(Generator335xx, GENERATOR)
    with pytest.raises(UsageError):
        generator.level_v_rms(level)


def test_an_output_that_stays_on_is_told(scripted):
    """Output off that is ignored is InstrumentRefused, and so is the safe state after two tries."""
    off = [(b"OUTP1 OFF\n", b""), (b"OUTP1?\n", b"1\n")]
    generator = scripted(Generator335xx, GENERATOR, (b"OUTP1 OFF\n", b""), CLEAN, (b"OUTP1?\n", b"1\n"), *off, *off)
    with pytest.raises(InstrumentRefused, match="reads back ON"):
        generator.output(False)
    with pytest.raises(InstrumentRefused, match="by hand"):
        generator.safe_state()


def test_safe_state_before_opening_and_after_closing_does_nothing():
    """A driver that was not opened has nothing to make safe, and closing never raises."""
    link = LoopLink(Script([]))
    for make in (Generator335xx, Multimeter344xx, SamplerDigitiser, SwitchScpi, SwitchInputs):
        driver = make("instrument", link)
        driver.safe_state()
        driver.close()
        driver.close()
        with pytest.raises(LinkDown):
            driver.identity()
    assert link.sent == []


def test_a_lost_link_is_opened_again_to_switch_off():
    """The output is switched off over a new connection when the first was lost."""
    script = Script([*opening(GENERATOR), (b"OUTP1 OFF\n", b""), (b"OUTP1?\n", b"0\n")])
    link = LoopLink(script)
    generator = Generator335xx("generator", link)
    generator.open()
    link.close()
    generator.safe_state()
    assert script.faults() == []


COIL = [
    (b"*CLS\n", b""),
    (b"CONF:FRES 100\n", b""),
    (b"FRES:NPLC 10\n", b""),
    (b"FRES:OCOM ON\n", b""),
    CLEAN,
    (b"FRES:RANG?;:FRES:NPLC?;:FRES:OCOM?\n", b"+1.0E+02;+1.0E+01;1\n"),
]


STILL = (b"FUNC?;:FRES:RANG?;:FRES:NPLC?;:FRES:OCOM?\n", b'"FRES";+1.0E+02;+1.0E+01;1\n')


@pytest.mark.parametrize(
    "answer", [b'"RES";+1.0E+02;+1.0E+01;1\n', b'"FRES";+1.0E+03;+1.0E+01;1\n', b'"FRES";+1.0E+02;+1.0E+00;1\n']
)
def test_a_knob_that_somebody_turned(scripted, answer):
    """A reading whose function, range or integration time is no longer the one that was set is thrown away."""
    meter = scripted(Multimeter344xx, METER, *COIL, (b"READ?\n", b"+9.07E+00\n"), (STILL[0], answer))
    with pytest.raises(InstrumentRefused, match="somebody else"):
        meter.resistance_ohm(four_wire=True, range_ohm=100.0, nplc=10.0, offset_compensation=True)


def test_equal_settings_are_sent_once(scripted):
    """Offset compensation comes after CONF; a repeated reading is one READ? and the question whether all holds."""
    meter = scripted(
        Multimeter344xx, METER, *COIL, (b"READ?\n", b"+9.07E+00\n"), STILL, (b"READ?\n", b"+9.9E+37\n"), STILL
    )
    take = {"four_wire": True, "range_ohm": 100.0, "nplc": 10.0, "offset_compensation": True}
    first, second = meter.resistance_ohm(**take), meter.resistance_ohm(**take)
    assert (first.value, first.range_upper, first.overload) == (9.07, 100.0, False)
    assert (second.value, second.overload) == (None, True)


def test_a_range_that_was_not_kept(scripted):
    """The meter took another range: InstrumentRefused, and the next reading is configured anew."""
    wrong = (COIL[-1][0], b"+1.0E+03;+1.0E+01;1\n")
    meter = scripted(Multimeter344xx, METER, *COIL[:-1], wrong, *COIL, (b"READ?\n", b"+9.07E+00\n"), STILL)
    take = {"four_wire": True, "range_ohm": 100.0, "nplc": 10.0, "offset_compensation": True}
    with pytest.raises(InstrumentRefused, match="RANG"):
        meter.resistance_ohm(**take)
    assert meter.resistance_ohm(**take).value == 9.07


def test_a_bandwidth_is_set_below_the_signal(scripted):
    """AC volts: the widest band that still holds the lowest frequency."""
    meter = scripted(
        Multimeter344xx,
        METER,
        (b"*CLS\n", b""),
        (b"CONF:VOLT:AC 10\n", b""),
        (b"VOLT:AC:BAND 20\n", b""),
        CLEAN,
        (b"VOLT:AC:RANG?;:VOLT:AC:BAND?\n", b"+1.0E+01;+2.0E+01\n"),
        (b"READ?\n", b"+3.5E+00\n"),
        (b"FUNC?;:VOLT:AC:RANG?;:VOLT:AC:BAND?\n", b'"VOLT:AC";+1.0E+01;+2.0E+01\n'),
    )
    assert meter.ac_volts_rms(range_v=10.0, bandwidth_hz=100.0).value == 3.5
    with pytest.raises(UsageError):
        meter.ac_volts_rms(range_v=10.0, bandwidth_hz=1.0)


CONFIGURE = [
    (b"*CLS\n", b""),
    (b":CHAN1:DISP ON;:CHAN1:RANG 20;:CHAN1:OFFS 0\n", b""),
    (b":CHAN2:DISP ON;:CHAN2:RANG 4;:CHAN2:OFFS 0\n", b""),
    (b":ACQ:SRAT 100000;:ACQ:POIN 3\n", b""),
    (b":WAV:FORM WORD;:WAV:BYT LSBF;:WAV:UNS OFF\n", b""),
    CLEAN,
]
STILL_SET = b"CHAN1:RANG?;:CHAN2:RANG?;:ACQ:SRAT?;:ACQ:POIN?\n"
READ_BACK = b"CHAN1:RANG?;:CHAN2:RANG?;:ACQ:SRAT?;:ACQ:POIN?;:WAV:FORM?\n"


def test_a_capture_is_scaled_by_its_preamble(scripted):
    """volts = (code - yreference) * yincrement + yorigin, little-endian, preamble once a configuration."""
    block = b"#16" + np.array([-32768, 0, 32767], "<i2").tobytes() + b"\n"
    take = [
        (b":SING\n", b""),
        (b":TRIG:FORC\n", b""),
        (b"*OPC?\n", b"1\n"),
    ]
    data = [
        (b":WAV:SOUR CHAN1;:WAV:SOUR?;:WAV:DATA?\n", b"CHAN1;" + block),
        (b":WAV:SOUR CHAN2;:WAV:SOUR?;:WAV:DATA?\n", b"CHAN2;" + block),
    ]
    still = [(STILL_SET, b"+2.0E+01;+4.0E+00;+1.0E+05;3\n"), CLEAN]
    sampler = scripted(
        SamplerDigitiser,
        SAMPLER,
        *CONFIGURE,
        (READ_BACK, b"+2.0E+01;+4.0E+00;+1.0E+05;3;WORD\n"),
        *take,
        *still,
        (b":WAV:SOUR CHAN1;:WAV:SOUR?;:WAV:PRE?\n", b"CHAN1;1,0,3,1,1.0E-05,0,0,1.0E-03,+5.0E-01,100\n"),
        (b":WAV:SOUR CHAN2;:WAV:SOUR?;:WAV:PRE?\n", b"CHAN2;1,0,3,1,1.0E-05,0,0,2.0E-04,0,0\n"),
        *data,
        *take,
        *still,
        *data,
    )
    rate = sampler.configure(ranges_v=(10.0, 2.0), sample_rate_hz=1e5, samples=3, channels=("exc_v", "sin"))
    assert rate == 1e5
    for _ in range(2):
        sampler.arm()
        sampler.trigger()
        sampler.wait_captured()
        wave = sampler.fetch()
    assert wave.codes.dtype == np.int16
    assert wave.channels == ("exc_v", "sin")
    np.testing.assert_allclose(wave.volts()[0], [(-32768 - 100) * 1e-3 + 0.5, 0.4, (32767 - 100) * 1e-3 + 0.5])
    assert (wave.rail_low, wave.rail_high) == (-32768, 32767)


SHORT = [
    (b":WAV:SOUR CHAN1;:WAV:SOUR?;:WAV:DATA?\n", b"CHAN1;#14\x00\x00\x00\x00\n"),
    (b"*ESE 2;*ESE?\n", b"2\n"),
    (b"*ESE 0\n", b""),
]


def test_a_record_said_twice_and_late_is_no_other_channels(scripted):
    """The first channel's block again where the second's was asked for: synchronised, asked again, right."""
    one, two = (b"#16" + np.array([n, n + 1, n + 2], "<i2").tobytes() + b"\n" for n in (10, 20))
    still = [(STILL_SET, b"+2.0E+01;+4.0E+00;+1.0E+05;3\n"), CLEAN]
    first = (b":WAV:SOUR CHAN1;:WAV:SOUR?;:WAV:DATA?\n", b"CHAN1;" + one)
    asked = b":WAV:SOUR CHAN2;:WAV:SOUR?;:WAV:DATA?\n"
    sampler = scripted(
        SamplerDigitiser,
        SAMPLER,
        *CONFIGURE,
        (READ_BACK, b"+2.0E+01;+4.0E+00;+1.0E+05;3;WORD\n"),
        (b"*OPC?\n", b"1\n"),
        *still,
        (b":WAV:SOUR CHAN1;:WAV:SOUR?;:WAV:PRE?\n", b"CHAN1;1,0,3,1,1.0E-05,0,0,1.0E-03,0,0\n"),
        (b":WAV:SOUR CHAN2;:WAV:SOUR?;:WAV:PRE?\n", b"CHAN2;1,0,3,1,1.0E-05,0,0,1.0E-03,0,0\n"),
        first,
        (asked, b"CHAN1;" + one),
        *SHORT[1:],
        *still,
        first,
        (asked, b"CHAN2;" + two),
    )
    sampler.configure(ranges_v=(10.0, 2.0), sample_rate_hz=1e5, samples=3, channels=("exc_v", "sin"))
    sampler.wait_captured()
    assert sampler.fetch().codes.tolist() == [[10, 11, 12], [20, 21, 22]]
    assert len(sampler.retries) == 1 and "CHAN1" in sampler.retries[0]


def test_a_short_record_is_refused(scripted):
    """A block with a sample missing is asked for once more, then it is BadReply; never a shorter waveform."""
    still = [(STILL_SET, b"+2.0E+01;+4.0E+00;+1.0E+05;3\n"), CLEAN]
    sampler = scripted(
        SamplerDigitiser,
        SAMPLER,
        *CONFIGURE,
        (READ_BACK, b"+2.0E+01;+4.0E+00;+1.0E+05;3;WORD\n"),
        (b"*OPC?\n", b"1\n"),
        *still,
        (b":WAV:SOUR CHAN1;:WAV:SOUR?;:WAV:PRE?\n", b"CHAN1;1,0,3,1,1.0E-05,0,0,1.0E-03,0,0\n"),
        (b":WAV:SOUR CHAN2;:WAV:SOUR?;:WAV:PRE?\n", b"CHAN2;1,0,3,1,1.0E-05,0,0,1.0E-03,0,0\n"),
        *SHORT,
        *still,
        SHORT[0],
    )
    sampler.configure(ranges_v=(10.0, 2.0), sample_rate_hz=1e5, samples=3, channels=("exc_v", "sin"))
    sampler.wait_captured()
    with pytest.raises(BadReply, match="4 bytes where 6"):
        sampler.fetch()
    assert len(sampler.retries) == 1


def test_a_sampler_whose_range_was_changed(scripted):
    """A record taken on another range than was set is refused: its scale would be wrong."""
    sampler = scripted(
        SamplerDigitiser,
        SAMPLER,
        *CONFIGURE,
        (READ_BACK, b"+2.0E+01;+4.0E+00;+1.0E+05;3;WORD\n"),
        (b"*OPC?\n", b"1\n"),
        (STILL_SET, b"+2.0E+01;+4.0E+01;+1.0E+05;3\n"),
    )
    sampler.configure(ranges_v=(10.0, 2.0), sample_rate_hz=1e5, samples=3, channels=("exc_v", "sin"))
    sampler.wait_captured()
    with pytest.raises(InstrumentRefused, match="somebody else"):
        sampler.fetch()


@pytest.mark.parametrize(
    "answer",
    [
        b"+2.0E+01;+4.0E+00;+1.0E+05;4;WORD\n",
        b"+2.0E+01;+8.0E+00;+1.0E+05;3;WORD\n",
        b"+2.0E+01;+4.0E+00;+1.0E+06;3;WORD\n",
        b"+2.0E+01;+4.0E+00;+1.0E+05;3;BYTE\n",
    ],
)
def test_a_sampler_setting_that_was_not_kept(scripted, answer):
    """Range, samples, rate and word width are read back."""
    sampler = scripted(SamplerDigitiser, SAMPLER, *CONFIGURE, (READ_BACK, answer))
    with pytest.raises(InstrumentRefused, match="reads back"):
        sampler.configure(ranges_v=(10.0, 2.0), sample_rate_hz=1e5, samples=3, channels=("exc_v", "sin"))
    with pytest.raises(UsageError, match="not configured"):
        sampler.arm()


def test_relays_are_read_back(scripted):
    """Closed relays are asked for; one that stayed open is InstrumentRefused with its number."""
    switch = scripted(
        SwitchScpi,
        SWITCH,
        (b"ROUT:CLOS (@1101,1202)\n", b""),
        CLEAN,
        (b"ROUT:CLOS? (@1101,1202)\n", b"1,1\n"),
        (b"ROUT:CLOS? (@1101,1202)\n", b"1,0\n"),
        (b"ROUT:OPEN (@1202)\n", b""),
        CLEAN,
        (b"ROUT:CLOS? (@1202)\n", b"0\n"),
        (b"ROUT:OPEN:ALL\n", b""),
        CLEAN,
        (b"ROUT:CLOS? (@1101)\n", b"1\n"),
    )
    switch.close_channels([1101, 1202, 1101])
    assert switch.closed_channels() == (1101,)
    switch.open_channels([1202])
    with pytest.raises(InstrumentRefused, match="relay 1101 stayed closed"):
        switch.open_all()


def test_no_relay_is_no_word(scripted):
    """An empty list says nothing; a number that is no channel is a usage error."""
    switch = scripted(SwitchScpi, SWITCH)
    switch.close_channels([])
    switch.open_channels([])
    assert switch.closed_channels() == ()
    with pytest.raises(UsageError):
        switch.close_channels([7])


@pytest.mark.parametrize(
    ("byte", "guard", "stop"), [(b"+1", True, False), (b"0", False, False), (b"3", True, True), (b"255", True, True)]
)
def test_the_interlock_byte(scripted, byte, guard, stop):
    """Bit 0 is the guard, bit 1 the emergency stop."""
    inputs = scripted(SwitchInputs, SWITCH, (b"SENS:DIG:DATA:BYTE? (@5101)\n", byte + b"\n"))
    state = inputs.state()
    assert (state.guard_closed, state.emergency_stop) == (guard, stop)


def test_the_interlocks_bits_can_be_elsewhere(scripted):
    """Channel and bits come from the bench file."""
    inputs = scripted(
        SwitchInputs, SWITCH, (b"SENS:DIG:DATA:BYTE? (@5102)\n", b"16\n"), channel=5102, guard_bit=4, stop_bit=7
    )
    assert inputs.state().safe_to_run


def test_a_pulse_of_the_enable_line(scripted):
    """Five volts once, then high and low for each pulse, each checked."""
    once = [
        (b"SOUR:DIG:DATA:BYTE 4,(@5201)\n", b""),
        CLEAN,
        (b"SOUR:DIG:DATA:BYTE 0,(@5201)\n", b""),
        CLEAN,
    ]
    level = [(b"SOUR:DIG:LEV 5,(@5201)\n", b""), CLEAN]
    inputs = scripted(SwitchInputs, SWITCH, *level, *once, *once, enable_channel=5201, enable_bit=2)
    inputs.pulse()
    inputs.pulse()


def test_no_pulse_without_an_output(scripted):
    """A box whose bench file names none says so."""
    with pytest.raises(UsageError, match="enable"):
        scripted(SwitchInputs, SWITCH).pulse()


@pytest.mark.parametrize("byte", [b"1.5", b"256", b"-1", b"OL", b"1,0", b""])
def test_an_interlock_reply_that_is_no_byte(scripted, byte):
    """Rubbish is never a closed guard."""
    inputs = scripted(SwitchInputs, SWITCH, (b"SENS:DIG:DATA:BYTE? (@5101)\n", byte + b"\n"))
    with pytest.raises(BadReply):
        inputs.state()


def display(*positions, idn=b"\x02ND-287    \r\n646118-01 \r\nV1-01     \r\n"):
    left = list(positions)

    def answer(said):
        return idn if said == b"\x1bA0000\r" else left.pop(0) if said == b"\x1bA0200\r" and left else b""

    encoder = EncoderNd28x("encoder", LoopLink(answer))
    encoder.open()
    return encoder


@pytest.mark.parametrize(
    ("line", "deg"),
    [(b"\x02-  12.34567\r\n", -12.34567), (b"+    123.45678\r\n", 123.45678), (b" 359.99999\r\n", 359.99999)],
)
def test_positions(line, deg):
    """A position with or without STX, sign and blanks."""
    assert display(line).angle_mech_deg() == deg


def test_a_position_without_a_decimal_point():
    """Nine digits need `decimals`; they are never taken for degrees."""
    with pytest.raises(BadReply, match="decimals"):
        display(b"\x02+001234567\r\n").angle_mech_deg()
    encoder = EncoderNd28x("encoder", LoopLink(lambda _: b"\x02+001234567\r\n"), decimals=5)
    encoder._link.open()
    assert encoder.angle_mech_deg() == 12.34567


@pytest.mark.parametrize(
    "line", [b"\x02ERROR\r\n", b"+1,5\r\n", b"\r\n", b"+ 1.5 2.5\r\n", b"\xff\xff\r\n", b"--1.5\r\n"]
)
def test_no_position(line):
    """A message on the display is no angle."""
    with pytest.raises(BadReply):
        display(line).angle_mech_deg()


def test_a_command_the_display_does_not_know():
    """NAK is a refusal."""
    with pytest.raises(InstrumentRefused):
        display(b"\x15\r\n").angle_mech_deg()


def test_a_late_position_is_not_the_next_one():
    """After a time-out the late position is thrown away behind a marker."""
    encoder = display(b"", b"", b"+   2.00000\r\n")
    with pytest.raises(NoReply):
        encoder.angle_mech_deg()
    encoder._link.deliver(b"+   1.00000\r\n")
    assert encoder.angle_mech_deg() == 2.0


def test_something_else_is_no_display():
    """Another identification is WrongInstrument."""
    with pytest.raises(WrongInstrument):
        display(idn=b"Grbl 1.1h\r\n")


def probe(line, idn=b"HMT330 / 5.16\r\nSerial number  : A123\r\n"):
    climate = ClimateHmt("climate", LoopLink(lambda said: idn if said == b"?\r" else line))
    climate.open()
    return climate


@pytest.mark.parametrize(
    "line",
    [b"RH=  45.0 %RH T=  22.0 'C\r\n", b"SEND\r\nRH= 45.0 %RH T= 22.0 'C\r\n>", b">RH=45.0 %RH  T= 22.00 'C\r\n"],
)
def test_the_air(line):
    """Temperature and humidity, with or without echo and prompt."""
    reading = probe(line).read()
    assert (reading.temperature_degc, reading.humidity_pct) == (22.0, 45.0)


@pytest.mark.parametrize(
    "line",
    [b"RH= 45.0 %RH T= 71.6 'F\r\n", b"RH= **.* %RH T= 22.0 'C\r\n", b"RH= 45,0 %RH T= 22,0 'C\r\n", b"RH= 45.0\r\n"],
)
def test_no_air(line):
    """Another unit, a fault or a part of a line is refused."""
    with pytest.raises(BadReply):
        probe(line).read()


def test_something_else_is_no_probe():
    """Another identification is WrongInstrument."""
    with pytest.raises(WrongInstrument):
        probe(b"", idn=b"ND287\r\n")


def test_silence_names_the_instrument_and_the_words():
    """A time-out says which instrument and on which words."""
    climate = probe(b"")
    with pytest.raises(NoReply, match=r"climate: .*SEND"):
        climate.read()


@pytest.mark.parametrize("make", [SwitchScpi, SwitchInputs])
@pytest.mark.parametrize("model", ["34970A", "34972A", "DAQ970A", "DAQ973A"])
def test_a_smaller_unit_with_other_words_for_relays_is_refused_by_name(make, model):
    """It has no word that opens every relay: nothing is said to it after its name, and the advice names its driver."""
    script = Script(opening(f"HEWLETT-PACKARD,{model},0,9-1-2".encode())[:3])
    with pytest.raises(WrongInstrument, match=model) as refused:
        make("instrument", LoopLink(script)).open()
    assert "daq-switch" in refused.value.next_action
    assert script.faults() == []


NO_CARD = b"HEWLETT-PACKARD,0,0,0\n"
ACTUATOR = b"HEWLETT-PACKARD,34903A,0,1.0\n"
TWENTY = ",".join(str(n) for n in range(201, 221))


def frame(cards, *pairs):
    """A small frame with these cards, opened over a script."""
    asked = [(f"SYST:CTYP? {slot}00\n".encode(), card) for slot, card in enumerate(cards, start=1)]
    script = Script([*opening(b"HEWLETT-PACKARD,34970A,0,13-2-2"), *asked, *pairs])
    switch = SwitchDaq("switch", LoopLink(script))
    switch.open()
    return switch, script


def test_a_small_frame_opens_every_relay_of_its_cards_by_number_and_reads_all_back():
    """The scan list is emptied first; a relay that stayed closed is named, whoever closed it."""
    opened = [(b"ROUT:SCAN (@)\n", b""), CLEAN, (f"ROUT:OPEN (@{TWENTY})\n".encode(), b""), CLEAN]
    read = f"ROUT:CLOS? (@{TWENTY})\n".encode()
    switch, script = frame(
        (NO_CARD, ACTUATOR, NO_CARD),
        *opened,
        (read, b"0,0,0,1" + b",0" * 16 + b"\n"),
        (read, b"0" + b",0" * 19 + b"\n"),
    )
    with pytest.raises(InstrumentRefused, match="relay 204 stayed closed"):
        switch.open_all()
    assert switch.closed_channels() == ()
    assert script.faults() == []


def test_a_small_frame_closes_only_relays_that_its_cards_have():
    """Others are a usage error before anything is said; what was closed is read back."""
    switch, script = frame(
        (NO_CARD, ACTUATOR, NO_CARD), (b"ROUT:CLOS (@203)\n", b""), CLEAN, (b"ROUT:CLOS? (@203)\n", b"1\n")
    )
    with pytest.raises(UsageError, match="no card of it has a relay 111"):
        switch.close_channels([111])
    switch.close_channels([203])
    assert script.faults() == []


def test_a_small_frame_without_relays_is_refused():
    """Three empty slots can't be a switch; neither can what is no answer to the question for a card."""
    with pytest.raises(WrongInstrument, match="none of its three slots"):
        frame((NO_CARD, NO_CARD, NO_CARD))
    with pytest.raises(BadReply, match="is no card"):
        frame((b"0\n",))
