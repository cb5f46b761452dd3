"""Samplers behind a maker's library, against stand-in modules that talk to a world. Not run on hardware."""

import numpy as np
import pytest
from vendor_standins import PlainWorld, audio_sampler, installed, labjack_sampler, mcc_sampler, ni_sampler

from drivers.shelf import open_driver
from rig.errors import BadReply, InstrumentRefused, LinkDown, NoReply, UsageError

FOUR = ("exc_v", "exc_i", "sin", "cos")


class SineWorld(PlainWorld):
    """A sine of half of full scale on every channel, each a quarter period later."""

    def sample(self, t_s, *, rate_hz, n, ranges_v):
        t = t_s + np.arange(n) / rate_hz
        phases = np.arange(4)[:, None] * np.pi / 2
        return np.round(16384 * np.sin(2 * np.pi * 1000.0 * t - phases)).astype(np.int16)


def capture(driver):
    driver.arm()
    driver.trigger()
    driver.wait_captured()
    return driver.fetch()


def check(driver, *, range_v, rate_hz):
    samples = 4 * round(rate_hz / 1000.0)
    got_hz = driver.configure(ranges_v=(range_v,) * 4, sample_rate_hz=rate_hz, samples=samples, channels=FOUR)
    wave = capture(driver)
    assert wave.channels == FOUR
    assert wave.codes.shape == (4, samples)
    assert got_hz == pytest.approx(rate_hz, rel=1e-2)
    volts = wave.volts()
    assert np.abs(volts).max() == pytest.approx(wave.scale_v[0] * (wave.rail_high + 1) / 2, rel=0.02)
    phasors = volts @ np.exp(-2j * np.pi * 1000.0 / got_hz * np.arange(samples))
    assert np.angle(phasors[0] / phasors[1]) == pytest.approx(np.pi / 2, abs=0.02)
    return wave


def test_nidaqmx():
    """Simultaneous board: volts right, one task however many captures."""
    with ni_sampler(SineWorld()) as (driver, module):
        wave = check(driver, range_v=10.0, rate_hz=240e3)
        assert wave.simultaneous and driver.identity().is_simulated
        for _ in range(20):
            capture(driver)
        assert module.open_tasks == 1
    assert module.open_tasks == 0


def test_nidaqmx_multiplexed():
    """Its rate is shared by the channels, and skew and waveform say one after the other."""
    with ni_sampler(SineWorld(), simultaneous=False) as (driver, _):
        with pytest.raises(UsageError, match="62500 Hz"):
            driver.configure(ranges_v=(10.0,) * 4, sample_rate_hz=240e3, samples=10, channels=FOUR)
        wave = check(driver, range_v=10.0, rate_hz=60e3)
        assert not wave.simultaneous
        assert driver.abilities.skew_s[1] == pytest.approx(12e-6)


@pytest.mark.parametrize(
    ("wrong", "kind", "word"),
    [
        ({"fail_read": -200279}, InstrumentRefused, "-200279"),
        ({"fail_start": -50103}, InstrumentRefused, "-50103"),
        ({"short_by": 1}, BadReply, "959"),
    ],
)
def test_nidaqmx_faults(wrong, kind, word):
    """Overflow, reserved resource, short read: named, never a shorter waveform."""
    with ni_sampler(**wrong) as (driver, _), pytest.raises(kind, match=word):
        check(driver, range_v=10.0, rate_hz=240e3)


def test_uldaq():
    """18 bits, simultaneous by its name."""
    with mcc_sampler(SineWorld()) as driver:
        wave = check(driver, range_v=10.0, rate_hz=200e3)
        assert wave.codes.dtype == np.int32 and wave.simultaneous


@pytest.mark.parametrize(
    ("wrong", "kind"), [({"short_by": 4}, BadReply), ({"short_by": 1}, BadReply), ({"fail": 37}, InstrumentRefused)]
)
def test_uldaq_faults(wrong, kind):
    """A scan that is short or refused is named."""
    with mcc_sampler(**wrong) as driver, pytest.raises(kind):
        check(driver, range_v=10.0, rate_hz=200e3)


def test_labjack_t8():
    """Simultaneous, 24 bits, 40 kS/s a channel and no more."""
    with labjack_sampler(SineWorld()) as (driver, module):
        wave = check(driver, range_v=9.6, rate_hz=40e3)
        assert wave.simultaneous and not module.running
        stream = {name: value for name, value in module.written.items() if name.startswith("STREAM_")}
        assert len(stream) == 4 and set(stream.values()) == {0}, "nothing of the device's last user is left"
        with pytest.raises(UsageError, match="40000 Hz"):
            driver.configure(ranges_v=(9.6,) * 4, sample_rate_hz=48e3, samples=10, channels=FOUR)


def test_labjack_t7():
    """One after the other, 25 kS/s on four channels."""
    with labjack_sampler(SineWorld(), kind=7) as (driver, module):
        wave = check(driver, range_v=10.0, rate_hz=25e3)
        assert not wave.simultaneous
        assert module.written["AIN2_NEGATIVE_CH"] == 3
        with pytest.raises(UsageError, match="25000 Hz"):
            driver.configure(ranges_v=(10.0,) * 4, sample_rate_hz=30e3, samples=10, channels=FOUR)


def test_labjack_faults():
    """Skipped scans and a stream that is in use are named."""
    with labjack_sampler(skipped=4) as (driver, _), pytest.raises(BadReply, match="skipped 4"):
        check(driver, range_v=9.6, rate_hz=40e3)
    with labjack_sampler(fail=2605) as (driver, _), pytest.raises(InstrumentRefused, match="2605"):
        check(driver, range_v=9.6, rate_hz=40e3)


def test_audio():
    """One range, its full scale; the trigger says which sample is the first."""
    with audio_sampler(SineWorld()) as driver:
        check(driver, range_v=1.0, rate_hz=96e3)
        with pytest.raises(UsageError, match="no range of 5 V"):
            driver.configure(ranges_v=(5.0,) * 4, sample_rate_hz=96e3, samples=10, channels=FOUR)


def test_audio_faults():
    """An overflow spoils the capture; a stream that ends is a time-out; a resampling device is refused."""
    with audio_sampler(overflow=True) as driver, pytest.raises(BadReply, match="overflow"):
        check(driver, range_v=1.0, rate_hz=96e3)
    with audio_sampler(stops_after=0) as driver:
        driver.configure(ranges_v=(1.0,) * 4, sample_rate_hz=96e3, samples=64, channels=FOUR)
        driver.trigger()
        driver._plan = driver._plan
        with pytest.raises(NoReply, match="64 of 64"):
            driver._await(driver._plan, 0.1)
    driver = open_driver("audio", "audio://default", "sampler")
    with installed(sounddevice=__import__("types").ModuleType("sounddevice")), pytest.raises(UsageError, match="hw:"):
        driver.open()


@pytest.mark.parametrize(
    ("driver", "scheme", "package"),
    [
        ("nidaqmx", "ni", "nidaqmx"),
        ("uldaq", "mcc", "uldaq"),
        ("labjack", "labjack", "labjack-ljm"),
        ("audio", "audio", "sounddevice"),
    ],
)
def test_a_library_that_is_not_installed(driver, scheme, package, monkeypatch):
    """The error names a package that exists in the registry, not an extra that this project does not have."""
    import sys

    one = open_driver(driver, f"{scheme}://hw:0", "sampler")
    monkeypatch.setitem(sys.modules, one.library, None)
    with pytest.raises(UsageError, match=f"pip install {package},"):
        one.open()


def test_a_device_that_is_not_there():
    """Is LinkDown with its name."""
    with ni_sampler() as _:
        other = open_driver("nidaqmx", "ni://Dev7", "sampler")
        with pytest.raises(LinkDown, match="Dev7"):
            other.open()
