"""A world whose samples come over a socket from the simulated digitiser: what a stand-in library measures in a run.

Bench time passes as for any client: the digitiser holds its answer until the capture is in.
"""

import numpy as np

from drivers.shelf import open_driver

FULL_SCALE = 2**15
RANGE_V = 10.0
NAMES = ("exc_v", "exc_i", "sin", "cos")


class WiredWorld:
    """`sample` as the physical world has it; the time is the bench's own, whatever is passed."""

    def __init__(self, link):
        self._link, self._driver, self._plan = link, None, None

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self._driver is not None:
            self._driver.close()

    def sample(self, _t_s, *, rate_hz, n, ranges_v):
        """Codes of the ranges that are passed, int16 (4, n)."""
        if self._driver is None:
            self._driver = open_driver("scpi-digitiser", self._link, "behind the library")
            self._driver.open()
        if self._plan != (rate_hz, n):
            got_hz = self._driver.configure(ranges_v=(RANGE_V,) * 4, sample_rate_hz=rate_hz, samples=n, channels=NAMES)
            assert abs(got_hz / rate_hz - 1.0) < 1e-6, (got_hz, rate_hz)
            self._plan = (rate_hz, n)
        self._driver.arm()
        self._driver.trigger()
        self._driver.wait_captured()
        volts = self._driver.fetch().volts()
        codes = np.rint(volts / np.array(ranges_v)[:, None] * FULL_SCALE)
        return np.clip(codes, -FULL_SCALE, FULL_SCALE - 1).astype(np.int16)
