"""The pages of hardware/ agree with the software's own numbers, and their figures with arithmetic.

Reads only files and the bench file's defaults; opens no instrument.
"""

from __future__ import annotations

import cmath
import csv
import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from rig.description.benches import AxisDevice, InterlockDevice, SamplerDevice, SwitchDevice
from rig.description.holders import Holder, load_holder

HARDWARE = Path(__file__).parents[2] / "hardware"
PAGES = sorted(HARDWARE.glob("*.md"))
DRAWINGS = sorted(HARDWARE.glob("*.svg"))
TIERS = ("audio", "daq", "encoder")
LINK = re.compile(r"\]\(([^)#]+)\)")


def page(name: str) -> str:
    return (HARDWARE / name).read_text(encoding="utf-8")


def rows(name: str, *headings: str) -> list[list[str]]:
    """The body cells of the one table whose header starts with the headings; backticks stripped."""
    lines = page(name).splitlines()
    cells = [[cell.strip().replace("`", "") for cell in re.split(r"(?<!\\)\|", line.strip("|"))] for line in lines]
    starts = [i for i, line in enumerate(cells) if lines[i].startswith("|") and line[: len(headings)] == [*headings]]
    assert len(starts) == 1, f"{name}: {len(starts)} tables headed {headings}"
    end = next((i for i in range(starts[0], len(lines)) if not lines[i].startswith("|")), len(lines))
    body = cells[starts[0] + 2 : end]
    assert body, f"{name}: the table headed {headings} is empty"
    return body


def number(text: str) -> float:
    found = re.search(r"[-+]?\d+(?:\.\d+)?", text.replace("−", "-"))
    assert found, f"no number in {text!r}"
    return float(found.group())


def test_every_file_is_linked_from_the_map() -> None:
    """Whoever starts at hardware/README.md finds every page, drawing and list."""
    linked = set(LINK.findall(page("README.md")))
    there = {path.name for path in HARDWARE.iterdir() if path.is_file()} - {"README.md"}
    assert there <= linked


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_links_lead_to_files(path: Path) -> None:
    """No page points at something that isn't there."""
    missing = [target for target in LINK.findall(path.read_text(encoding="utf-8")) if not (HARDWARE / target).is_file()]
    assert not missing


@pytest.mark.parametrize("path", DRAWINGS, ids=lambda path: path.name)
def test_drawings_are_plain_and_described(path: Path) -> None:
    """Each drawing is well-formed, names itself for readers who can't see it, and uses neither gradient nor script."""
    root = ET.parse(path).getroot()
    svg = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{svg}svg"
    assert root.findtext(f"{svg}title") and root.findtext(f"{svg}desc")
    tags = {element.tag.removeprefix(svg) for element in root.iter()}
    assert not tags & {"linearGradient", "radialGradient", "script", "image", "foreignObject"}


def test_picture_of_the_bench_has_its_size() -> None:
    """The picture on top of the project's README is 900 by 380."""
    root = ET.parse(HARDWARE / "bench.svg").getroot()
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("900", "380", "0 0 900 380")


def test_matrix_rows_are_those_of_the_bench_file() -> None:
    """Row numbers, keys and channel ranges of wiring.md are the switch's defaults."""
    switch = SwitchDevice(driver="scpi-switch")
    table = rows("wiring.md", "row", "key", "carries", "channels")
    assert {key: int(row) for row, key, *_ in table} == switch.rows
    for _, key, _, channels in table:
        assert channels == f"{switch.channel(key, 1)} to {switch.channel(key, 16)}"


def test_standard_relays_are_those_of_the_bench_file() -> None:
    """2001 to 2004 mean on paper what they mean to the software."""
    switch = SwitchDevice(driver="scpi-switch")
    table = rows("wiring.md", "channel", "key", "closed, it")
    assert {key: int(channel) for channel, key, _ in table} == {
        key: getattr(switch, key) for key in ("loopback", "lead_short", "check_resistor", "ratio_standard")
    }


def test_interlock_bits_are_those_of_the_bench_file() -> None:
    """Guard and emergency stop arrive on the documented channel and bits, with the documented sense."""
    device = InterlockDevice(driver="scpi-switch-inputs")
    table = rows("wiring.md", "bit", "key")
    assert {key: int(bit) for bit, key, *_ in table} == {"guard_bit": device.guard_bit, "stop_bit": device.stop_bit}
    assert [row[2] for row in table] == ["guard closed", "emergency stop pressed"]
    assert str(device.channel) in page("wiring.md") and str(device.channel) in page("interlock.md")


def test_columns_are_those_of_the_packaged_holder() -> None:
    """A terminal's column is where adapter_8 has its pin, the core on its own column."""
    holder = load_holder("adapter_8")
    for _, pin, column, _ in rows("wiring.md", "terminal", "adapter pin", "column"):
        assert int(column) == holder.column(holder.core_pin if pin == "core" else pin)


def test_sampler_scales_are_those_of_the_bench_file() -> None:
    """Divider and shunt are built to the values that evaluation assumes; ratios don't reach the rail."""
    sampler = SamplerDevice(driver="scpi-digitiser")
    scale = {name: number(text) for _, name, _, text in rows("wiring.md", "sampler channel", "name")}
    assert scale == {"exc_v": sampler.exc_divider, "exc_i": sampler.shunt_ohm, "sin": 1.0, "cos": 1.0}
    assert 7.0 * math.sqrt(2) * sampler.exc_divider < sampler.range_v


def test_divider_gives_its_ratio_and_phase() -> None:
    """R1 999 ohm and R2 1 kohm under 1 Mohm make one half; without C1 the phase is the one told."""
    values = {part: text for part, text, _ in rows("amplifier.md", "part", "value", "tolerance")}
    omega, c_f = 2 * math.pi * 10e3, number(values["C1"]) * 1e-12

    def ratio(r1_ohm: float, c1_f: float) -> complex:
        top = 1 / r1_ohm + 1j * omega * c1_f
        return top / (top + 1e-3 + 1e-6 + 1j * omega * 220e-12)

    assert abs(ratio(number(values["R1"]), c_f)) == pytest.approx(0.5, abs=2e-6)
    assert abs(ratio(1000.0, c_f)) == pytest.approx(0.49975, abs=5e-6)
    assert math.degrees(cmath.phase(ratio(999.0, 0.0))) == pytest.approx(-0.40, abs=0.005)
    assert "0.49975" in page("amplifier.md") and "−0.40°" in page("amplifier.md")


def test_amplifier_figures_follow_from_the_load() -> None:
    """Every figure of the design point is recomputed from 7 V and 103 ohm at 85 degrees."""
    z_ohm = cmath.rect(103.0, math.radians(85.0))
    told = {row[0]: row[2] for row in rows("amplifier.md", "quantity", "formula", "value")}
    i_a, l_h = 7.0 / 103.0, z_ohm.imag / (2 * math.pi * 10e3)
    i_peak_a = i_a * math.sqrt(2)
    lifted_v = 7.0 * abs(z_ohm + 1.66) / 103.0

    def figures(key: str) -> list[float]:
        return [float(text) for text in re.findall(r"\d+(?:\.\d+)?", next(v for k, v in told.items() if key in k))]

    assert figures("coil current") == pytest.approx([1e3 * i_a, 1e3 * i_peak_a], rel=1e-3)
    assert figures("voltage before")[0] == pytest.approx(lifted_v, abs=6e-4)
    assert figures("generator level") == pytest.approx([lifted_v / 2, lifted_v / math.sqrt(2)], rel=1e-3)
    assert figures("largest output")[0] == pytest.approx(13.5 / math.sqrt(2), abs=0.05)
    assert figures("slew rate") == pytest.approx([0.62, 1.24], abs=0.005)
    assert figures("supply power, design") == pytest.approx([30 * i_peak_a / math.pi + 1.2], abs=0.05)
    assert figures("energy in the coil")[:2] == pytest.approx(
        [1e6 * l_h * a**2 / 2 for a in (i_peak_a, 0.35)], rel=0.01
    )
    assert figures("rise of a") == pytest.approx([1e3 * 1e-4 / (470e-6 * 15)], abs=0.3)


def test_ratio_standard_makes_its_ratio() -> None:
    """The two resistors of relay 2004 make the value of the bench file, and the loaded one as told."""
    switch = SwitchDevice(driver="scpi-switch")
    table = {row[1].split(",")[-1].strip(): row[2] for row in rows("relay_tree.md", "relay", "part")}
    upper, lower = next(v for k, v in table.items() if "R1" in k), next(v for k, v in table.items() if "R2" in k)
    r1 = sum(float(text) for text in re.findall(r"([\d.]+) Ω", upper))
    r2 = number(lower)
    assert r2 / (r1 + r2) == pytest.approx(switch.ratio_standard_value, abs=5e-6)
    loaded = 1 / r1 / (1 / r1 + 1 / r2 + 2e-6 + 1j * 2 * math.pi * 10e3 * 360e-12)
    assert f"{abs(loaded):.5f}" in page("relay_tree.md") and f"{abs(loaded):.5f}" in page("first_steps.md")
    assert math.degrees(cmath.phase(loaded)) == pytest.approx(-0.09, abs=0.005)
    check = next(row[2] for row in rows("relay_tree.md", "relay", "part") if row[0] == "2003")
    assert number(check) == switch.check_resistor_ohm


def test_phase_standard_makes_its_phase() -> None:
    """The RC box of first_steps.md reads what the formula beside it gives."""
    for frequency, ratio, phase in rows("first_steps.md", "frequency", "ratio", "phase (lead +)"):
        omega = 2 * math.pi * number(frequency) * 1e3
        value = 1j * omega * 10e-9 / (1e-4 + 2e-6 + 1j * omega * (10e-9 + 360e-12))
        assert abs(value) == pytest.approx(number(ratio), abs=6e-5)
        assert math.degrees(cmath.phase(value)) == pytest.approx(number(phase), abs=0.006)


def test_axis_settings_are_those_of_the_bench_file() -> None:
    """Steps a degree, speed and acceleration of the controller agree with the axis defaults; the table is whole."""
    axis = AxisDevice(driver="grbl")
    told = {int(key.removeprefix("$")): value for key, value, _ in rows("stepper.md", "setting", "value", "reason")}
    expected = {*range(7), *range(10, 14), *range(20, 28), *range(30, 33)}
    expected |= {base + axis_number for base in (100, 110, 120, 130) for axis_number in range(3)}
    assert set(told) == expected
    assert number(told[100]) == pytest.approx(axis.steps_per_turn / 360, abs=5e-4)
    assert number(told[110]) == axis.max_deg_s * 60
    assert number(told[120]) == axis.accel_deg_s2
    assert 1.5 * number(told[130]) > 360
    assert (number(told[27]) * axis.steps_per_turn / 360) % 1 == pytest.approx(0)
    assert (told[1], told[20], told[21], told[22]) == ("255", "0", "0", "1")


def test_moves_of_a_sweep_are_whole_microsteps() -> None:
    """Points, microsteps, degrees and times of the sweep table belong together."""
    axis = AxisDevice(driver="grbl")
    for points, steps, move, time in rows("stepper.md", "points a turn", "microsteps"):
        assert int(points) * int(steps) == axis.steps_per_turn
        assert number(move) == pytest.approx(360 / int(points))
        assert number(time) == pytest.approx(1e3 * 2 * math.sqrt(number(move) / axis.accel_deg_s2), abs=0.6)


def test_ringing_follows_from_the_inertia() -> None:
    """0.65 N m on 1.30e-4 kg m2 rings where the bench file says."""
    inertia_kg_m2 = 0.5 * math.pi * 0.0313**2 * 0.009 * 7650 * 0.0313**2 + 2.6e-5
    ring_hz = math.sqrt(50 * 0.65 / inertia_kg_m2) / (2 * math.pi)
    assert ring_hz == pytest.approx(79.6, abs=0.1) and "79.6 Hz" in page("stepper.md")
    assert ring_hz == pytest.approx(AxisDevice(driver="grbl").ring_hz, rel=0.02)


def test_scatter_starts_at_the_holder_defaults() -> None:
    """The figures to start a holder file with are those that the software assumes."""
    told = {key: number(text) for _, key, text in rows("holder.md", "figure", "key", "start with")}
    fields = Holder.model_fields
    assert told == {key: fields[key].default for key in ("centring_mm", "axial_mm", "lead_ohm", "lead_u_ohm")}


def test_dummy_part_angles_follow_from_its_resistors() -> None:
    """Each angle and ratio of the dummy part is recomputed from the E96 values of its chains."""
    chain = [number(row[1]) for row in rows("dummy_part.md", "resistor (0.1 %, 25 ppm/K, E96)")]
    e96 = {round(10 ** (i / 96), 2) for i in range(96)}
    assert all(round(r / 10 ** math.floor(math.log10(r)), 2) in e96 for r in chain)
    taps = [0.5 * sum(chain[: i + 1]) / sum(chain) for i in range(4)]
    sine_tap = {"00": 0, "10": 2, "01": 3, "11": 1}
    cosine_tap = {"00": 3, "10": 1, "01": 0, "11": 2}
    table = rows("dummy_part.md", "nominal deg elec", "A", "B", "S", "C")
    assert [int(row[0]) for row in table] == list(range(10, 370, 45))
    for nominal, a, b, s, c, *told in table:
        u = taps[sine_tap[a + b]] * (-1) ** int(s)
        v = taps[cosine_tap[a + b]] * (-1) ** int(c)
        angle, ratio = math.degrees(math.atan2(u, v)) % 360, math.hypot(u, v)
        computed = [u, v, angle, 60 * (angle - int(nominal)), ratio, 100 * (ratio / 0.286 - 1)]
        assert [number(text) for text in told] == pytest.approx(computed, rel=1e-3, abs=6e-3)


def test_enable_timer_meets_its_deadline() -> None:
    """Three missed pulses are forgiven, four are not, and everything is off within one second."""
    text = page("interlock.md")
    t_s = 1.0e6 * 0.47e-6
    assert f"{t_s:.2f} s" in text
    shortest_s, longest_s = t_s * 0.99 * 0.95, t_s * 1.01 * 1.05
    assert shortest_s > 0.4 and longest_s < 0.5
    assert longest_s + 0.010 + 0.020 + 0.010 + 0.001 < 0.6


def test_bill_of_materials_has_three_tiers() -> None:
    """Every line has a whole quantity for each tier, a purpose, a specification and a page that exists."""
    with (HARDWARE / "bill_of_materials.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file, strict=True))
    assert len(lines) > 30
    for line in lines:
        assert None not in line and all(line.values()), line
        assert any(int(line[tier]) for tier in (*TIERS, "hands"))
        assert (HARDWARE / line["page"]).is_file()
    owned = {tier: {line["item"] for line in lines if int(line[tier])} for tier in TIERS}
    assert "Encoder" in owned["encoder"] - owned["daq"]
    assert "Simultaneous sampler" in owned["daq"] - owned["audio"]
    assert "Audio interface" in owned["audio"] - owned["daq"]
    assert owned["daq"] < owned["encoder"]
    by_hand = {line["item"] for line in lines if int(line["hands"])}
    assert {"Two-channel oscilloscope", "Kelvin clip leads", "Excitation harness", "Thermometer"} <= by_hand
    assert {"Digital multimeter", "Function generator", "Emergency stop"} <= by_hand
    assert not by_hand & {"Relay matrix card", "Stepper motor", "Encoder", "Guard with switch"}
    for chain in ("Emergency stop", "Guard with switch", "Safety relay", "Enable timer parts"):
        assert all(chain in owned[tier] for tier in TIERS)


@pytest.mark.parametrize(
    "word",
    [
        "No gloves", "Short and tie the thermistor", "Discharge", "hot part", "Solvents", "Freeze spray", "pacemaker",
        "strong magnets", "Never unplug a live stepper", "high-voltage vehicle", "qualified", "Local electrical",
        "licensed practice", "One earth point", "guard",
    ],
)  # fmt: skip
def test_safety_page_says(word: str) -> None:
    """Each customary caution stands on the safety page."""
    assert word.lower() in " ".join(page("safety.md").lower().split())


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_daggers_are_explained(path: Path) -> None:
    """A dagger on any page is the one that the map explains: a figure from memory."""
    if "†" in path.read_text(encoding="utf-8"):
        assert "A dagger (†) marks a figure from memory" in " ".join(page("README.md").split())
