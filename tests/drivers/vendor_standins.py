"""Stand-ins for the libraries of makers that give an API and no bytes; they talk to a world.

Only what the adapters use is there, named and shaped as in the libraries' own documentation. `wrong` options make them
misbehave: short reads, overflows, reserved resources. Nothing here was checked against hardware.
"""

import sys
import threading
import types
from contextlib import contextmanager
from enum import Enum, IntEnum
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "simulated"))

from dialogue_bench import PlainWorld

from drivers.shelf import open_driver

BITS = 16
PIECES = 4  # reads of one LabJack stream at most


@contextmanager
def installed(**modules):
    """The modules are importable under their names while the block lasts."""
    names = {name.replace("__", "."): module for name, module in modules.items()}
    before = {name: sys.modules.get(name) for name in names}
    sys.modules.update(names)
    try:
        yield
    finally:
        for name, module in before.items():
            if module is None:
                sys.modules.pop(name, None)
            else:
                sys.modules[name] = module


class Clock:
    """Bench time of a stand-in: it passes by captures."""

    def __init__(self):
        self.now_s = 0.0

    def take(self, world, rate_hz, n, ranges_v):
        """Volts (channels, n) of a capture that starts now."""
        four = tuple(list(ranges_v) + [10.0] * 4)[:4]
        codes = world.sample(self.now_s, rate_hz=rate_hz, n=n, ranges_v=four)
        self.now_s += n / rate_hz
        return (codes * (np.array(four) / 2 ** (BITS - 1))[:, None])[: len(ranges_v)]


# ---- NI-DAQmx -------------------------------------------------------------------------------------------------------


def nidaqmx_module(world, *, simultaneous=True, fail_read=0, fail_start=0, short_by=0):
    module = types.ModuleType("nidaqmx")
    clock = Clock()
    module.open_tasks = 0

    class DaqError(Exception):
        def __init__(self, message, error_code):
            super().__init__(message)
            self.error_code = error_code

    class Channels:
        def __init__(self):
            self.ranges_v = []

        def add_ai_voltage_chan(self, name, *, min_val, max_val):
            assert name.startswith("Dev1/ai") and min_val == -max_val
            self.ranges_v.append(max_val)

    class Timing:
        def cfg_samp_clk_timing(self, rate, *, sample_mode, samps_per_chan):
            assert sample_mode == module.constants.AcquisitionType.FINITE
            self.samp_clk_rate = 100e6 / round(100e6 / rate)
            self.samples = samps_per_chan
            self.ai_conv_rate = 1.0 / (1.0 / 500e3 + 10e-6)

    class Task:
        def __init__(self):
            module.open_tasks += 1
            self.ai_channels, self.timing = Channels(), Timing()
            self._data = None

        def start(self):
            if fail_start:
                raise DaqError("The specified resource is reserved.", fail_start)
            self._data = clock.take(world, self.timing.samp_clk_rate, self.timing.samples, self.ai_channels.ranges_v)

        def stop(self):
            pass

        def wait_until_done(self, timeout):
            if self._data is None:
                raise DaqError("Wait Until Done did not indicate that the task was done.", -200560)

        def read(self, number_of_samples_per_channel, timeout):
            if fail_read:
                raise DaqError("Onboard device memory overflow.", fail_read)
            return self._data[:, : number_of_samples_per_channel - short_by].tolist()

        def close(self):
            module.open_tasks -= 1

    device = types.SimpleNamespace(
        name="Dev1",
        product_type="PCI-6143",
        serial_num=0x51,
        is_simulated=True,
        ai_simultaneous_sampling_supported=simultaneous,
        ai_physical_chans=[f"Dev1/ai{i}" for i in range(8)],
        ai_voltage_rngs=[-1.0, 1.0, -10.0, 10.0],
        ai_max_single_chan_rate=250e3,
        ai_max_multi_chan_rate=250e3,
    )
    local = types.SimpleNamespace(devices=[device])
    module.system = types.SimpleNamespace(System=types.SimpleNamespace(local=lambda: local))
    module.constants = types.SimpleNamespace(AcquisitionType=Enum("AcquisitionType", "FINITE CONTINUOUS"))
    module.errors = types.SimpleNamespace(DaqError=DaqError)
    module.Task = Task
    return module


@contextmanager
def ni_sampler(world=None, **wrong):
    """(driver, module), opened."""
    module = nidaqmx_module(world or PlainWorld(), **wrong)
    with installed(nidaqmx=module):
        driver = open_driver("nidaqmx", "ni://Dev1", "sampler")
        driver.open()
        yield driver, module
        driver.close()


# ---- uldaq ----------------------------------------------------------------------------------------------------------


def uldaq_module(world, *, product="USB-1808X", short_by=0, fail=0):
    module = types.ModuleType("uldaq")
    clock = Clock()
    module.InterfaceType = Enum("InterfaceType", "ANY USB")
    module.AiInputMode = Enum("AiInputMode", "DIFFERENTIAL SINGLE_ENDED")
    module.Range = Enum("Range", "BIP10VOLTS BIP5VOLTS BIP1VOLTS")
    module.ScanOption = Enum("ScanOption", "DEFAULTIO")
    module.AInScanFlag = Enum("AInScanFlag", "DEFAULT")
    module.ScanStatus = IntEnum("ScanStatus", "IDLE RUNNING", start=0)

    class ULException(Exception):
        def __init__(self, code):
            super().__init__(code)
            self.error_code, self.error_message = code, "Overrun"

    class AiQueueElement:
        def __init__(self, channel, mode, range_, _reserved):
            self.channel, self.range = channel, range_

    volts = {"BIP10VOLTS": 10.0, "BIP5VOLTS": 5.0, "BIP1VOLTS": 1.0}

    class Inputs:
        def get_info(self):
            return types.SimpleNamespace(
                get_ranges=lambda mode: list(module.Range),
                get_num_chans_by_mode=lambda mode: 4,
                get_resolution=lambda: 18,
                get_max_scan_rate=lambda: 200e3,
            )

        def a_in_load_queue(self, queue):
            self.queue = queue

        def a_in_scan(self, low, high, mode, range_, samples, rate, options, flags, buffer):
            if fail:
                raise ULException(fail)
            ranges_v = [volts[element.range.name] for element in self.queue]
            data = clock.take(world, rate, samples, ranges_v)
            flat = data.T.ravel()
            buffer[: len(flat)] = flat.tolist()
            self.count = len(flat) - short_by
            return rate

        def get_scan_status(self):
            return module.ScanStatus.IDLE, types.SimpleNamespace(current_total_count=self.count)

        def scan_stop(self):
            pass

    class DaqDevice:
        def __init__(self, descriptor):
            self.descriptor = descriptor

        def connect(self):
            pass

        def get_ai_device(self):
            return Inputs()

        def disconnect(self):
            pass

        def release(self):
            pass

    board = types.SimpleNamespace(unique_id="SIM01", product_name=product)
    module.get_daq_device_inventory = lambda interface: [board]
    module.DaqDevice, module.AiQueueElement, module.ULException = DaqDevice, AiQueueElement, ULException
    module.create_float_buffer = lambda channels, samples: [0.0] * (channels * samples)
    return module


@contextmanager
def mcc_sampler(world=None, **wrong):
    """The driver, opened."""
    with installed(uldaq=uldaq_module(world or PlainWorld(), **wrong)):
        driver = open_driver("uldaq", "mcc://SIM01", "sampler")
        driver.open()
        yield driver
        driver.close()


# ---- LabJack --------------------------------------------------------------------------------------------------------


def ljm_module(world, *, kind=8, skipped=0, fail=0):
    module = types.ModuleType("labjack.ljm")
    clock = Clock()
    module.running = False
    module.written = {}

    class LJMError(Exception):
        def __init__(self, code, text):
            super().__init__(text)
            self.errorCode = code

    def e_stream_start(handle, per_read, count, addresses, rate):
        if fail:
            raise LJMError(fail, "STREAM_IS_ACTIVE")
        module.running, module.per_read, module.rate, module.count = True, per_read, rate, count
        module.taken = 0
        return rate

    def e_stream_read(handle):
        ranges_v = [module.written.get(f"AIN{i}_RANGE", 10.0) for i in range(module.count)]
        if not module.taken:  # one record without a seam, read in one piece or in several
            pieces = PIECES if module.per_read >= 0.1 * module.rate else 1
            module.record = clock.take(world, module.rate, pieces * module.per_read, ranges_v)
        at = module.taken
        data = module.record[:, at : at + module.per_read].T.ravel()
        if skipped and not module.taken:
            data[:skipped] = -9999.0
        module.taken += module.per_read
        return data.tolist(), 0, 0

    def e_stream_stop(handle):
        if not module.running:
            raise LJMError(1303, "STREAM_NOT_RUNNING")
        module.running = False

    module.LJMError = LJMError
    module.openS = lambda device, connection, identifier: 1
    module.getHandleInfo = lambda handle: (kind, 1, "SIM4400001", 0, 0, 64)
    module.eWriteName = lambda handle, name, value: module.written.__setitem__(name, value)
    module.namesToAddresses = lambda n, names: ([2 * i for i in range(n)], [3] * n)
    module.eStreamStart, module.eStreamRead, module.eStreamStop = e_stream_start, e_stream_read, e_stream_stop
    module.close = lambda _handle: None
    return module


@contextmanager
def labjack_sampler(world=None, **wrong):
    """(driver, module), opened."""
    module = ljm_module(world or PlainWorld(), **wrong)
    with installed(labjack=types.ModuleType("labjack"), labjack__ljm=module):
        driver = open_driver("labjack", "labjack://ANY", "sampler")
        driver.open()
        yield driver, module
        driver.close()


# ---- sounddevice ----------------------------------------------------------------------------------------------------


def sounddevice_module(world, *, overflow=False, stops_after=10**9, on_demand=False, full_scale_v=1.0):
    """on_demand: frames come only while the driver takes some, so that the bench's fast time does not run away."""
    module = types.ModuleType("sounddevice")
    clock = Clock()

    class PortAudioError(Exception):
        pass

    class InputStream:
        def __init__(self, *, device, channels, samplerate, dtype, callback):
            assert dtype == "int32"
            self.samplerate, self._channels, self._callback = samplerate, channels, callback
            self._closed = threading.Event()

        def start(self):
            self._thread = threading.Thread(target=self._run, daemon=True)
            self._thread.start()

        def _run(self):
            blocks = 0
            while not self._closed.wait(0.001) and blocks < stops_after:
                frames = self._callback.__self__._missing if on_demand else 32
                if not frames:
                    continue
                volts = clock.take(world, self.samplerate, frames, [full_scale_v] * self._channels)
                data = (volts / full_scale_v * 2.0**31).astype(np.int32).T
                self._callback(data, frames, None, types.SimpleNamespace(input_overflow=overflow))
                blocks += 1

        def close(self):
            self._closed.set()
            self._thread.join(2.0)

    module.PortAudioError, module.InputStream = PortAudioError, InputStream
    module.query_devices = lambda name, _kind: {"name": f"USB Audio: {name}", "max_input_channels": 4}
    return module


@contextmanager
def audio_sampler(world=None, **wrong):
    """The driver, opened."""
    with installed(sounddevice=sounddevice_module(world or PlainWorld(), **wrong)):
        driver = open_driver("audio", "audio://hw:2,0", "sampler")
        driver.open()
        yield driver
        driver.close()
