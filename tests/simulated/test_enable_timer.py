"""The enable timer of the simulated bench: pulses hold the chain, their end cuts amplifier and motor driver."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest
from dialogue_bench import PlainWorld, hand_on, silent

from drivers.generator_scpi_335xx import Generator335xx
from drivers.shelf import start_simulated
from drivers.simulated.instruments.switch_box import SwitchBox
from drivers.simulated.world.safety_chain import SafetyChain
from drivers.switch_scpi import SwitchInputs

TIMER_S = 0.47


class Bench:
    """A chain with a timer, and what it told the log."""

    def __init__(self) -> None:
        self.events: list[tuple[float, str]] = []
        self.world = PlainWorld()
        self.chain = SafetyChain(self.world, self._emit, TIMER_S)

    def _emit(self, t_s: float, event: str, **_: object) -> None:
        self.events.append((t_s, event))

    def excite(self, t_s: float) -> None:
        self.chain.generator_set(t_s, on=True, frequency_hz=10e3, open_circuit_v_peak=1.0)

    def turn(self, t_s: float) -> bool:
        self.chain.axis_energise(t_s, True)
        return self.chain.axis_move(t_s, 5000.0, 100.0, 1000.0)


def test_nothing_passes_before_the_first_pulse() -> None:
    """Off at power-up."""
    bench = Bench()
    bench.excite(0.0)
    assert not bench.turn(0.0)
    assert not any(order[0] == "generator" and order[1] for order in bench.world.orders)


def test_the_end_of_the_pulses_cuts_excitation_and_motor() -> None:
    """At the timer's time after the last pulse, which the chain announces as its next event."""
    bench = Bench()
    for i in range(10):
        bench.chain.pulse(0.1 * i)
    bench.excite(0.9)
    assert bench.turn(0.9)
    assert bench.chain.due_s() == pytest.approx(0.9 + TIMER_S)
    bench.chain.check(1.36)
    assert ("generator", False, 10e3, 1.0) not in bench.world.orders
    bench.chain.check(1.38)
    assert bench.world.orders[-3:] == [("generator", False, 10e3, 1.0), ("halt",), ("energise", False)]
    assert {"enable", "generator_off", "axis_halted", "axis_released"} <= {
        event for t, event in bench.events if t == 1.38
    }


def test_pulses_that_come_back_bring_nothing_back() -> None:
    """Excitation has to be set anew."""
    bench = Bench()
    bench.chain.pulse(0.0)
    bench.excite(0.1)
    bench.chain.pulse(1.0)
    assert bench.world.orders[-1] == ("generator", False, 10e3, 1.0)
    bench.excite(1.1)
    assert bench.world.orders[-1] == ("generator", True, 10e3, 1.0)


def test_a_line_that_is_stuck_gives_no_edge() -> None:
    """High or low: only a rise counts, and only at a level that the timer takes for high."""
    rises: list[float] = []
    box = hand_on(SwitchBox(PlainWorld(), silent, rises.append))
    for level in (1.66, 5.0):
        box.say(f"SOUR:DIG:LEV {level},(@5201)")
        for byte in (1, 1, 0, 0, 1, 0):
            box.say(f"SOUR:DIG:DATA:BYTE {byte},(@5201)")
    assert len(rises) == 2


def test_over_the_wire_the_output_goes_off_when_the_pulses_stop(tmp_path: Path) -> None:
    """Real time, real sockets: excitation stands while the line is pulsed and is cut within 0.6 s of the last."""
    log = tmp_path / "bench.log"
    with start_simulated("good_4", log=log, settings={"interlock.enable_timer_s": TIMER_S}) as simulated:
        inputs = SwitchInputs("interlock", simulated.links["interlock"], enable_channel=5201)
        generator = Generator335xx("generator", simulated.links["generator"])
        inputs.open()
        generator.open()
        inputs.pulse()
        generator.prepare_sine(frequency_hz=10e3, level_v_rms=1.0)
        generator.output(True)
        for _ in range(10):
            time.sleep(0.1)
            inputs.pulse()
        last_s = time.time()
        on, off = _times(log, "generator_on"), _times(log, "generator_off")
        time.sleep(0.8)
        assert on and not off
        cut_s = _times(log, "generator_off")[0] - last_s
        generator.close()
        inputs.close()
    assert 0.35 < cut_s < 0.6


def _times(log: Path, event: str) -> list[float]:
    told: list[dict[str, Any]] = [json.loads(line) for line in log.read_text().splitlines()]
    return [one["wall_s"] for one in told if one["event"] == event]
