"""Every driver against the simulated bench, over its real wires: bytes written by others from the same manuals."""

import threading
import time
from pathlib import Path

import numpy as np
import pytest

from drivers.shelf import open_driver, start_simulated
from rig.errors import InstrumentRefused, PositionLost

WORLDS = Path(__file__).parents[2] / "fixtures" / "worlds"
NAMES = {
    "multimeter": "scpi-344xx",
    "generator": "scpi-335xx",
    "sampler": "scpi-digitiser",
    "axis": "grbl",
    "encoder": "nd28x",
    "switch": "scpi-switch",
    "interlock": "scpi-switch-inputs",
    "climate": "hmt-probe",
}
COIL = {"four_wire": True, "range_ohm": 100.0, "nplc": 10.0, "offset_compensation": True}


class Opened(dict):
    """Drivers by role."""

    __getattr__ = dict.__getitem__


def on(world, speed):
    with start_simulated(WORLDS / world, speed=speed) as served:
        drivers = Opened({role: open_driver(NAMES[role], url, role) for role, url in served.links.items()})
        for driver in drivers.values():
            driver.open()
        yield drivers
        for driver in drivers.values():
            driver.close()


@pytest.fixture(scope="module")
def bench():
    """All drivers, opened, on a good part with an encoder; simulated time jumps."""
    yield from on("encoder_4.toml", "fast")


@pytest.fixture
def slow():
    """All drivers on a bench in real time."""
    yield from on("good_4.toml", "real")


def test_every_role_answers_and_says_that_it_is_simulated(bench):
    """Each identity's serial begins with SIM; the encoder display tells none of its own but that."""
    assert set(bench) == set(NAMES)
    assert [role for role, driver in bench.items() if not driver.identity().is_simulated] == []


def test_a_coil_four_wire(bench):
    """The excitation coil through the matrix: 9 ohm and its leads' temperature, the same twice within noise."""
    bench.switch.open_all()
    bench.switch.close_channels([1101, 1202])
    first = bench.multimeter.resistance_ohm(**COIL)
    second = bench.multimeter.resistance_ohm(**COIL)
    assert 8.5 < first.value < 9.6
    assert second.value == pytest.approx(first.value, rel=1e-3)
    assert first.range_upper == 100.0
    bench.switch.open_all()


def test_an_open_pair_is_over_range(bench):
    """Nothing closed: overload, no number."""
    bench.switch.open_all()
    reading = bench.multimeter.resistance_ohm(four_wire=False, range_ohm=1e6, nplc=1.0)
    assert reading.overload and reading.value is None


def test_a_range_that_the_meter_has_not(bench):
    """A refused integration time is told by the meter itself, and the next reading is right."""
    with pytest.raises(InstrumentRefused):
        bench.multimeter.resistance_ohm(four_wire=True, range_ohm=100.0, nplc=1e6)
    bench.switch.close_channels([1101, 1202])
    assert 8.5 < bench.multimeter.resistance_ohm(**COIL).value < 9.6
    bench.switch.open_all()


def test_volts(bench):
    """A dead pair has neither DC nor AC volts."""
    assert abs(bench.multimeter.dc_volts(range_v=10.0, nplc=1.0).value) < 1e-3
    assert abs(bench.multimeter.ac_volts_rms(range_v=10.0).value) < 1e-2


def test_excitation_is_sampled(bench):
    """3.5 V rms at the generator, twice that on the bus, half of it at the sampler; gone when switched off."""
    bench.switch.open_all()
    bench.switch.close_channels([1301, 1402, 1503, 1604, 1705, 1806])
    rate_hz = bench.sampler.configure(
        ranges_v=(10.0, 1.0, 10.0, 10.0),
        sample_rate_hz=241545.9,
        samples=4096,
        channels=("exc_v", "exc_i", "sin", "cos"),
    )
    assert rate_hz == pytest.approx(241545.9, rel=1e-3)
    bench.generator.prepare_sine(frequency_hz=7000.0, level_v_rms=2.0)
    assert not bench.generator.output_is_on()
    bench.generator.output(True)
    lit = _capture(bench.sampler)
    bench.generator.output(False)
    dark = _capture(bench.sampler)
    bench.switch.open_all()
    assert lit.codes.shape == (4, 4096)
    assert 1.0 < lit.volts()[0].std() < 2.2
    assert lit.volts()[1].std() > 0.01
    assert dark.volts()[0].std() < 0.01
    spectrum = np.abs(np.fft.rfft(lit.volts()[0] * np.hanning(4096)))
    assert np.argmax(spectrum) * rate_hz / 4096 == pytest.approx(7000.0, abs=60.0)


def _capture(sampler):
    sampler.arm()
    sampler.trigger()
    sampler.wait_captured()
    return sampler.fetch()


def test_a_level_that_the_generator_has_not(bench):
    """100 V is refused by the generator, and it goes on working."""
    with pytest.raises(InstrumentRefused):
        bench.generator.prepare_sine(frequency_hz=7000.0, level_v_rms=100.0)
    bench.generator.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0)


def test_the_axis_goes_where_it_is_told(bench):
    """Positions in steps, forth and back; the encoder follows within a tenth of a degree."""
    bench.axis.hold()
    assert bench.axis.index() == 0
    zero = _angle_at(bench, 0)
    for steps in (16, 800, 3200, -800):
        turned = (_angle_at(bench, steps) - zero + 180.0) % 360.0 - 180.0
        wanted = (steps * 360.0 / 3200 + 180.0) % 360.0 - 180.0
        assert abs((turned - wanted + 180.0) % 360.0 - 180.0) < 0.15
        assert bench.axis.position_steps() == steps
    assert abs(bench.axis.index()) <= 1


def _angle_at(bench, steps):
    bench.axis.move_to(steps)
    bench.axis.wait_stopped(0.2)
    return bench.encoder.angle_mech_deg()


def test_the_air_and_the_interlock(bench):
    """The world's air and closed guard."""
    air = bench.climate.read()
    assert (air.temperature_degc, air.humidity_pct) == (pytest.approx(22.0, abs=0.5), pytest.approx(45.0, abs=2.0))
    assert bench.interlock.state().safe_to_run


def test_a_halt_in_motion(slow):
    """At real speed: a move of ten turns is halted from another thread within a second, the position is lost."""
    axis = slow.axis
    axis.hold()
    axis.index()
    axis.move_to(32000)
    lost = []

    def wait():
        try:
            axis.wait_stopped()
        except PositionLost as fault:
            lost.append(fault)

    thread = threading.Thread(target=wait)
    thread.start()
    time.sleep(0.4)
    start = time.monotonic()
    axis.halt()
    took_s = time.monotonic() - start
    thread.join(2.0)
    assert took_s < 0.5
    assert len(lost) == 1
    assert not axis.position_known
    assert axis.index() == 0


def test_the_safe_state_of_every_driver(slow):
    """Each within 2 s, twice, from a bench that is excited and moving; then nothing is on."""
    slow.axis.hold()
    slow.axis.index()
    slow.switch.close_channels([1301, 1402])
    slow.generator.prepare_sine(frequency_hz=7000.0, level_v_rms=1.0)
    slow.generator.output(True)
    slow.axis.move_to(32000)
    for _ in range(2):
        for driver in slow.values():
            start = time.monotonic()
            driver.safe_state()
            assert time.monotonic() - start < 1.0
    assert not slow.generator.output_is_on()
    assert slow.switch.closed_channels() == ()
    assert not slow.axis.position_known
