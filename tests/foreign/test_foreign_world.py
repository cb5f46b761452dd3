"""The foreign world's own ground: physics against closed forms, draws, and what it may import."""

from __future__ import annotations

import ast
import math
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from foreign.bench_run import BenchRun
from foreign.bench_trial import one_bench_run
from foreign.circuit import Copper, Ports
from foreign.magnetics import LOOP, Inductances, Mount, Rotor, Stator
from foreign.recordings import KINDS, write_recording
from foreign.rig_errors import sum_of_waves, wave
from foreign.truths import fine_turn, turn_truths
from foreign.wires import ForeignBench
from foreign.world import foreign_world

TOP = Path(__file__).parents[2]
ALLOWED = (
    "rig.observed",
    "rig.measurands",
    "rig.quantity",
    "rig.description",
    "rig.signal.waveform",
)
TRIALS = ("bench_trial.py", "wires_trial.py", "recordings_trial.py")  # these hand the foreign world to the product


def imports_of(path: Path) -> set[str]:
    """Dotted names that a file imports."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found


def test_the_foreign_world_knows_only_the_interface() -> None:
    """Of the product it imports the types of a run and the description files, no science and no simulated bench."""
    for path in sorted((TOP / "tests" / "foreign").glob("*.py")):
        if path.name in TRIALS or path.name.startswith("test_"):
            continue
        ours = {name for name in imports_of(path) if name.split(".")[0] in ("rig", "drivers", "sequences")}
        assert all(name.startswith(ALLOWED) for name in ours), f"{path.name}: {ours}"


def test_the_product_does_not_know_the_foreign_world() -> None:
    """No file of the product imports from tests."""
    for room in ("rig", "drivers", "sequences"):
        for path in (TOP / room).rglob("*.py"):
            assert not {name for name in imports_of(path) if name.split(".")[0] in ("foreign", "tests")}, path


def plain(p: int, z: int, turns: np.ndarray) -> tuple[Stator, Rotor]:
    """A perfect part: even teeth, equal lobes, no iron, no leakage."""
    pitch = 2.0 * math.pi / z
    stator = Stator(
        radius_mm=30.0,
        stack_mm=8.0,
        centre_rad=pitch * np.arange(z),
        face_rad=np.full(z, 0.65 * pitch),
        recess_mm=np.zeros(z),
        iron_mm=np.full(z, 1e-9 + 0j),
        turns=turns,
        slot_leakage_h=0.0,
        end_leakage_h=np.zeros(LOOP + 1),
    )
    even = np.zeros(p)
    rotor = Rotor(mean_gap_mm=0.75, height=even + 0.5, width=even, place_rad=even, second=0.0, third=0.0)
    return stator, rotor


def windings(p: int, z: int) -> np.ndarray:
    """Sine windings without rounding; the loop row is empty."""
    sign = np.where(np.arange(z) % 2 == 0, 1.0, -1.0)
    electrical = 2.0 * math.pi * p * np.arange(z) / z
    return np.stack([24.0 * sign, 36.0 * sign * np.sin(electrical), 36.0 * sign * np.cos(electrical), np.zeros(z)])


def copper(**keys: object) -> Copper:
    """Coils without stray capacitance or leaks."""
    stray = Copper(
        r20_ohm=np.array([9.0, 15.0, 15.0]), capacitance_f=np.zeros((3, 3)), leak_s=np.zeros((5, 5)), loop_ohm=1e9
    )
    return replace(stray, **keys)


def test_a_uniform_gap_has_the_inductance_of_the_textbook() -> None:
    """No lobes: each coil's inductance is mu0 r l times the integral of its force squared over the path, and sine and
    cosine do not couple to the excitation."""
    stator, rotor = plain(4, 16, windings(4, 16))
    smooth = Inductances(stator, replace(rotor, height=np.zeros(4)), Mount()).at(np.array([0.0, 0.3]))
    pitch, face = 2.0 * math.pi / 16, 0.65 * 2.0 * math.pi / 16
    x = np.linspace(0.0, pitch - face, 20_001)
    in_slot = np.trapezoid(
        (1.0 - 2.0 * x / (pitch - face)) ** 2 / (0.75 + math.pi / 2 * 30 * np.minimum(x, x[::-1])), x
    )
    expected = 4e-10 * math.pi * 30.0 * 8.0 * 16 * 24.0**2 * (face / 0.75 + in_slot)
    assert smooth[0, 0, 0].real == pytest.approx(expected, rel=5e-3)
    assert abs(smooth[:, 0, 1:3]).max() < 1e-6 * abs(smooth[0, 0, 0])


def test_a_perfect_part_has_little_error_and_the_right_sense() -> None:
    """Sine windings on sine permeance: only the slots disturb the sine, pole pairs and direction as wound."""
    for p, z in ((2, 16), (4, 24), (5, 24)):
        stator, rotor = plain(p, z, windings(p, z))
        part = replace(foreign_world(0).part, copper=copper(), pole_pairs=p, teeth=z)
        coils = Inductances(stator, rotor, Mount(clock_rad=1.0))
        found = turn_truths(fine_turn(part, coils, 10_000.0, 20.0), np.zeros(3, dtype=complex), 7.0)
        assert (found["pole_pairs"], found["direction"]) == (p, 1.0)
        assert found["error_max_elec_arcmin"] < 10.0
        assert abs(found["orthogonality_elec_deg"]) < 0.01 and abs(found["tr_imbalance"]) < 5e-3


def test_one_shorted_loop_takes_what_its_resistance_lets_it() -> None:
    """Reciprocity and a passive network: y is symmetric, its real part is positive, a loop only adds loss."""
    world = foreign_world(3)
    ports = [Ports(world.coils, copper(loop_ohm=ohm), np.array([0.2]), 10_000.0, 20.0).y[0] for ohm in (1e9, 0.5)]
    for y in ports:
        assert np.allclose(y, y.T, rtol=1e-9)
        assert np.all(np.linalg.eigvalsh(y.real) > 0.0)
    loss = [1.0 / y[0, 0] for y in ports]
    assert loss[1].real > loss[0].real and loss[1].imag < loss[0].imag


def test_eccentricity_of_rotor_and_stator_makes_once_a_turn() -> None:
    """The stator's offset alone repeats each electrical cycle; with run-out of the rotor there are orders that are no
    multiple of p. The rotor's clock angle turns the part's own orders along, and the spindle's run-out stays."""
    stator, rotor = plain(2, 12, windings(2, 12))
    part = replace(foreign_world(0).part, copper=copper(), pole_pairs=2, teeth=12)

    def order_1(mount: Mount) -> float:
        coils = Inductances(stator, rotor, mount)
        found = turn_truths(fine_turn(part, coils, 10_000.0, 20.0), np.zeros(3, dtype=complex), 7.0)
        return found["order_1_mech_arcmin"]

    assert order_1(Mount(stator_mm=0.05)) < 1e-3
    both = order_1(Mount(stator_mm=0.05, rotor_mm=0.05))
    assert both > 1.0
    assert order_1(Mount(stator_mm=0.05, rotor_mm=0.05, clock_rad=1.2)) == pytest.approx(both, rel=1e-3)
    apart = [order_1(Mount(stator_mm=0.05, rotor_mm=0.05, runout_mm=0.03, clock_rad=a)) for a in (0.0, math.pi)]
    assert abs(apart[0] - apart[1]) > 0.5


def test_leaks_are_those_of_the_network() -> None:
    """Two leaks in series through a floating core, one in parallel."""
    leak = np.zeros((5, 5))
    leak[0, 3] = leak[3, 0] = leak[1, 3] = leak[3, 1] = 1e-7
    leak[0, 1] = leak[1, 0] = 1e-7
    found = copper(leak_s=leak)
    assert found.between_ohm("exc", "sin") == pytest.approx(1.0 / (1e-7 + 0.5e-7), rel=1e-4)
    assert found.between_ohm("exc", "core") == pytest.approx(1.0 / (1e-7 + 0.5e-7), rel=1e-4)
    assert found.between_ohm("cos", "core") > 1e12


def test_draws_are_those_that_the_bench_file_states() -> None:
    """Divider and shunt normal, probe and clock even, an order of the axis even in each component."""
    worlds = [foreign_world(seed) for seed in range(60)]
    stated = worlds[0].bench
    divider = np.array([abs(w.rig.sampler.divider) / stated.sampler.exc_divider - 1.0 for w in worlds])
    assert np.std(divider) == pytest.approx(stated.sampler.exc_divider_u, rel=0.3)
    probe = np.array([w.rig.probe_k for w in worlds])
    assert np.max(np.abs(probe)) <= 0.3 and np.std(probe) == pytest.approx(0.3 / math.sqrt(3.0), rel=0.2)
    rng = np.random.default_rng(1)
    parts = np.array([a * math.cos(phase) for _, a, phase in (wave(rng, 1, 2.0) for _ in range(5000))])
    assert np.quantile(np.abs(parts), 0.5) == pytest.approx(1.0, rel=0.05) and np.max(np.abs(parts)) <= 2.0
    assert sum_of_waves(((1, 60.0, 0.0),), np.array([math.pi / 2]))[0] == pytest.approx(math.radians(1.0))


def test_a_seed_gives_the_same_world_and_noise_can_be_drawn_anew() -> None:
    """Figures repeat by seed; another repeat changes the noise and nothing else; a quiet one has none."""
    world = foreign_world(11)
    assert world.truths() == foreign_world(11).truths()
    codes = [BenchRun(w).whole().captures.stack("sweep_ccw").codes for w in (world.again(1), world.again(2))]
    assert not np.array_equal(*codes) and np.max(np.abs(codes[0].astype(int) - codes[1])) < 100
    quiet = [BenchRun(world.again(i, quiet=True)).whole().captures.stack("sweep_ccw").codes for i in (1, 2)]
    assert np.array_equal(*quiet)


def test_a_full_test_of_a_foreign_part_is_evaluated() -> None:
    """Every group of lines is there, and most of the intervals hold the truth."""
    rows = [row for seed in (21, 22) for row in one_bench_run(seed)]
    names = {row.measurand for row in rows}
    wanted = {"r20_sin", "thermistor_ohm", "z_exc_mod", "l_cos", "tr_sin", "null_total_cos_v", "quadrature_sin"}
    assert wanted <= names
    assert np.mean([abs(row.error) <= row.U for row in rows]) > 0.85


@pytest.mark.parametrize("kind", KINDS)
def test_a_recording_is_a_file_of_its_kind(kind: str, tmp_path: Path) -> None:
    """Sweeps with codes and scale, phasors and waves with their headers, a bench file beside them on demand."""
    made = write_recording(foreign_world(5), kind, tmp_path, with_bench=True)
    assert made.bench is not None and made.bench.exists()
    if kind == "sweep":
        with h5py.File(made.path) as file:
            volts = file["samples"][()] * file["samples"].attrs["scale_v"][None, :, None]
            assert volts[:, 0].max() == pytest.approx(7.0 * math.sqrt(2.0), rel=0.02)
    else:
        header = made.path.read_text(encoding="utf-8").splitlines()[0]
        assert header.startswith("stepper_deg,exc_re" if kind == "phasors" else "t_s,exc_v")


def test_the_world_behind_the_wires_is_the_same_world() -> None:
    """Relays, meter, axis and sampler of the object that the simulated instruments call."""
    pins = {name: i + 1 for i, name in enumerate(foreign_world(4).part_file.pins)}
    bench = ForeignBench(foreign_world(4).again(0, quiet=True), pins)
    bench.relays_set(0.0, frozenset({1101, 1202}))
    ohm = bench.meter_resistance_ohm(0.0, four_wire=True, offset_compensation=True, nplc=10.0)
    assert ohm == pytest.approx(float(bench.world.part.copper.ohm(bench.rig.part_degc)[0]), rel=3e-4)
    end = bench.axis_index(1.0)
    assert bench.axis_commanded_steps(end) == 0.0
    end = bench.axis_move(end, 400.0, 3200.0, 20_000.0)
    assert bench.axis.spindle_rad(np.array([end + 1.0]))[0] % (2 * math.pi) == pytest.approx(math.pi / 4, abs=5e-3)
    bench.relays_set(end, frozenset({1301, 1402, 1503, 1604, 1705, 1806}))
    bench.generator_set(end + 1.0, on=True, frequency_hz=10_000.0, open_circuit_v_peak=4.0)
    codes = bench.sample(end + 2.0, rate_hz=241_545.9, n=1000, ranges_v=(10.0,) * 4)
    assert codes.shape == (4, 1000) and np.ptp(codes[0]) > 10_000
