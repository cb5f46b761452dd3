"""What a bench does while hands teach it a holder, call by call."""

from __future__ import annotations

from typing import cast

from fake_bench import FakeBench, FakeWorld

from rig.control.bench import Bench
from sequences.teaching import Joined, joined, lead_zero_ohm


def test_looking_for_a_touch_drives_nothing_and_leaves_no_relay_closed() -> None:
    """Only the meter's rows are used, one column at a time, and the generator is never spoken to."""
    fakes = FakeWorld()
    fakes.ohms[frozenset((15, 6))] = 0.2
    bench = cast(Bench, FakeBench(fakes))
    assert joined(bench, 15, range(1, 13)) == (Joined(column=6, ohm=0.2),)
    assert lead_zero_ohm(bench) == 0.1
    assert fakes.switch.closed == set() and not fakes.words("generator", "axis", "sampler")
    closed = [channel for _, word, *what in fakes.words("switch") if word == "close" for channel in what[0]]
    assert {channel // 100 for channel in closed} == {11, 12, 20}
