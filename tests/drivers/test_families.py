"""Every family against its simulated counterpart, over real wires: the same verbs, the same part, the same truths."""

import numpy as np
import pytest
from family_bench import Opened, family_bench
from loop_link import LoopLink

from drivers.multimeter_dmm6500 import MultimeterDmm6500
from rig.errors import InstrumentRefused, PositionLost, UsageError, WrongInstrument

BENCHES = {
    "34401A, 33220A, DS1104Z, tmcl, modbus": {
        "multimeter": "34401A",
        "generator": "33220A",
        "sampler": "DS1104Z",
        "axis": "tmcl",
        "climate": "modbus",
    },
    "DMM6500, SDG2042X, relay board": {
        "multimeter": "DMM6500",
        "generator": "SDG2042X",
        "switch": "relay-board",
    },
    "SDM3065X, DG822": {"multimeter": "SDM3065X", "generator": "DG822"},
    "DM3068": {"multimeter": "DM3068"},
    "34410A": {"multimeter": "34410A"},
}
WITH_OFFSET_COMPENSATION = ("34410A", "DMM6500")


@pytest.fixture(scope="module", params=sorted(BENCHES))
def bench(request, tmp_path_factory):
    """All drivers of one bench, opened; simulated time jumps."""
    families = BENCHES[request.param]
    wire = "serial" if families["multimeter"] == "34401A" else "tcp"
    with family_bench(tmp_path_factory.mktemp("families"), families, wire=wire) as drivers:
        yield Opened(drivers, families=families)


def connect_coil(bench):
    """The meter to the excitation coil, by the matrix or by relays 7 and 8 of the board."""
    bench.switch.open_all()
    bench.switch.close_channels([7, 8] if "switch" in bench.families else [1101, 1202])


def test_everybody_says_that_they_are_simulated(bench):
    """By the serial; a relay board has none to say it with."""
    plain = {role for role, driver in bench.items() if role != "families" and not driver.identity().is_simulated}
    assert plain <= ({"switch"} if "switch" in bench.families else set())


def test_a_coil(bench):
    """Four-wire ohms of the excitation coil, twice the same within noise; an open pair is over range."""
    connect_coil(bench)
    compensated = bench.families["multimeter"] in WITH_OFFSET_COMPENSATION
    take = {"four_wire": True, "range_ohm": 100.0, "nplc": 10.0, "offset_compensation": compensated}
    first, second = bench.multimeter.resistance_ohm(**take), bench.multimeter.resistance_ohm(**take)
    assert 8.5 < first.value < 9.6
    assert second.value == pytest.approx(first.value, rel=1e-3)
    assert first.range_upper == 100.0
    bench.switch.open_all()
    assert bench.multimeter.resistance_ohm(four_wire=False, range_ohm=1e6, nplc=1.0).overload
    assert abs(bench.multimeter.dc_volts(range_v=10.0, nplc=1.0).value) < 1e-3
    assert abs(bench.multimeter.ac_volts_rms(range_v=10.0).value) < 1e-2


def test_offset_compensation_where_there_is_none(bench):
    """Is a usage error before anything is said."""
    if bench.families["multimeter"] in WITH_OFFSET_COMPENSATION:
        pytest.skip("this meter has it")
    with pytest.raises(UsageError, match="offset compensation"):
        bench.multimeter.resistance_ohm(four_wire=True, range_ohm=100.0, nplc=10.0, offset_compensation=True)


def test_a_meter_that_chooses_its_range(bench):
    """Without a range the meter finds one, and says which."""
    connect_coil(bench)
    reading = bench.multimeter.resistance_ohm(four_wire=True, range_ohm=None, nplc=1.0)
    assert 8.5 < reading.value < 9.6
    assert reading.range_upper in (10.0, 100.0)
    bench.switch.open_all()


def test_excitation_reaches_the_sampler(bench):
    """A sine of the level and frequency asked for, whatever the panel's load and unit were; then nothing."""
    board = "switch" in bench.families
    bench.switch.open_all()
    bench.switch.close_channels([1, 2, 3, 4, 5, 6] if board else [1301, 1402, 1503, 1604, 1705, 1806])
    rate_hz = bench.sampler.configure(
        ranges_v=(10.0, 1.0, 10.0, 10.0),
        sample_rate_hz=241545.9,
        samples=3000,
        channels=("exc_v", "exc_i", "sin", "cos"),
    )
    bench.generator.prepare_sine(frequency_hz=7000.0, level_v_rms=2.0)
    assert not bench.generator.output_is_on()
    bench.generator.output(True)
    bench.generator.level_v_rms(2.5)
    lit = capture(bench.sampler)
    bench.generator.output(False)
    dark = capture(bench.sampler)
    bench.switch.open_all()
    assert lit.codes.shape == (4, 3000)
    assert 1.8 < lit.volts()[0].std() < 2.7
    assert dark.volts()[0].std() < 0.05
    spectrum = np.abs(np.fft.rfft(lit.volts()[0] * np.hanning(3000)))
    assert np.argmax(spectrum) * rate_hz / 3000 == pytest.approx(7000.0, abs=100.0)


def capture(sampler):
    sampler.arm()
    sampler.trigger()
    sampler.wait_captured()
    return sampler.fetch()


def test_a_level_that_no_generator_has(bench):
    """Is refused, by the error queue or by what reads back; and it goes on working."""
    with pytest.raises(InstrumentRefused):
        bench.generator.prepare_sine(frequency_hz=7000.0, level_v_rms=100.0)
    bench.generator.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0)
    bench.generator.safe_state()


def test_the_axis_and_its_encoder(bench):
    """Positions in steps, forth and back, seen by the encoder to a tenth of a degree; the index is found again."""
    bench.axis.hold()
    assert bench.axis.index() == 0
    zero = angle_at(bench, 0)
    for steps in (16, 800, 3200, -800):
        turned = (angle_at(bench, steps) - zero - steps * 360.0 / 3200 + 180.0) % 360.0 - 180.0
        assert abs(turned) < 0.15
        assert bench.axis.position_steps() == steps
    assert abs(bench.axis.index()) <= 1


def angle_at(bench, steps):
    bench.axis.move_to(steps)
    bench.axis.wait_stopped(0.1)
    return bench.encoder.angle_mech_deg()


def test_a_released_axis_has_no_position(bench):
    """After a release it must be indexed before it moves."""
    bench.axis.release()
    assert not bench.axis.position_known
    with pytest.raises(PositionLost):
        bench.axis.move_to(10)
    bench.axis.hold()
    bench.axis.index()
    assert bench.axis.position_known


def test_the_air(bench):
    """The world's air."""
    air = bench.climate.read()
    assert (air.temperature_degc, air.humidity_pct) == (pytest.approx(22.0, abs=0.5), pytest.approx(45.0, abs=2.0))


def test_relays_read_back(bench):
    """What was closed is closed; all open afterwards."""
    one = 3 if "switch" in bench.families else 1101
    bench.switch.close_channels([one])
    assert bench.switch.closed_channels() == (one,)
    bench.switch.safe_state()
    assert bench.switch.closed_channels() == ()


def test_safe_states(bench):
    """Every driver's safe state works twice."""
    for _ in range(2):
        for role, driver in bench.items():
            if role != "families":
                driver.safe_state()
    assert not bench.generator.output_is_on()


def test_a_meter_in_tsp_mode_is_told_its_language_at_once():
    """It answers *LANG? and *IDN? and no word of SCPI: nothing else is asked of it before."""
    said = []

    def tsp(data):
        said.append(data)
        answers = {b"*LANG?\n": b"TSP\n", b"*IDN?\n": b"KEITHLEY INSTRUMENTS,MODEL DMM6500,04,1.7\n"}
        mark = data[5:].partition(b";")[0]
        return mark + b"\n" if data.startswith(b"*ESE ") and data.endswith(b"*ESE?\n") else answers.get(data, b"")

    meter = MultimeterDmm6500("multimeter", LoopLink(tsp))
    with pytest.raises(WrongInstrument, match="command set is TSP"):
        meter.open()
    assert not any(b"SYST" in one for one in said)


def test_another_meter_at_the_link_is_told_by_its_identification():
    """One that knows no *LANG?."""

    def other(data):
        mark = data[5:].partition(b";")[0]
        if data.startswith(b"*ESE ") and data.endswith(b"*ESE?\n"):
            return mark + b"\n"
        return b"Keysight Technologies,34465A,MY1,1.0\n" if data == b"*IDN?\n" else b""

    meter = MultimeterDmm6500("multimeter", LoopLink(other))
    meter._session.deadline_s = 0.2
    with pytest.raises(WrongInstrument, match="34465A"):
        meter.open()
