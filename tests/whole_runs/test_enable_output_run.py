"""A whole run with the enable timer fitted: with the bench's key it runs as ever, without it nothing is excited."""

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from rig.description.places import packaged_fixtures
from rig.errors import RigError
from rig.jobs.run_job import Request, run_job

KEY = 'driver = "scpi-switch-inputs"\n'


def bench_file(folder: Path, *, pulsed: bool) -> Path:
    text = (packaged_fixtures() / "benches" / "simulated.toml").read_text(encoding="utf-8")
    assert KEY in text
    if pulsed:
        text = text.replace(KEY, KEY + "enable_channel = 5201\n")
    path = folder / f"pulsed_{pulsed}.toml"
    text = text.replace(
        'holder = "adapter_8"\n', 'holder = "adapter_8"\nworld_settings = { "interlock.enable_timer_s" = 0.47 }\n'
    )
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    return tmp_path


def request(folder: Path, *, pulsed: bool) -> Request:
    return Request(
        sequence="quick_screen",
        part="KX4-2207",
        serial="E-1",
        bench=str(bench_file(folder, pulsed=pulsed)),
        bench_log=folder / "bench.log",
    )


def events(folder: Path) -> list[str]:
    return [json.loads(line)["event"] for line in (folder / "bench.log").read_text(encoding="utf-8").splitlines()]


def test_a_pulsed_bench_runs_to_its_end(home: Path) -> None:
    """The timer closes once, holds over the whole run and opens when the controller has left."""
    finished = run_job(request(home, pulsed=True))
    assert finished.judgement.outcome == "within limits"
    told = events(home)
    assert told.index("enable") < told.index("generator_on")
    assert told.count("enable") <= 2


def test_without_pulses_nothing_is_excited(home: Path) -> None:
    """The same bench without the key: no excitation, no motion, and the run says so."""
    try:
        outcome = run_job(request(home, pulsed=False)).judgement.outcome
    except RigError:
        outcome = "stopped"
    assert outcome in ("stopped", "unsound measurement", "incomplete")
    assert "generator_on" not in events(home) and "axis_moving" not in events(home)


FREEZES = """
import sys, time
from rig.control.bench import open_bench
from rig.control.guard import Ceilings
from rig.description.benches import load_bench
from rig.description.holders import load_holder
with open_bench(load_bench(sys.argv[1]), load_holder("adapter_8"), speed="real", log=sys.argv[2]) as bench:
    bench.guard.ceilings = Ceilings(v_rms=8.0, a_rms=0.5)
    bench.generator.prepare_sine(frequency_hz=10e3, level_v_rms=0.5)
    bench.generator.output(True)
    bench.guard.check_measured(1.0, 0.01)
    print("on", flush=True)
    time.sleep(60)
"""


def test_a_frozen_controller_is_cut_off_by_the_timer(home: Path) -> None:
    """kill -STOP with the excitation on: the hardware is off within 0.6 s, before the watchdog has to act."""
    log = home / "bench.log"
    words = [sys.executable, "-c", FREEZES, str(bench_file(home, pulsed=True)), str(log)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None and process.stdout.readline() == "on\n"
            time.sleep(1.0)
            assert "generator_off" not in events(home)
            process.send_signal(signal.SIGSTOP)
            frozen_s = time.time()
            time.sleep(1.5)
        finally:
            process.kill()
    told = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    opened = next(one for one in told if one["event"] == "enable" and not one["on"])
    off = next(one for one in told if one["event"] == "generator_off")
    assert off["bench_s"] == opened["bench_s"]
    assert 0.3 < off["wall_s"] - frozen_s < 0.6
