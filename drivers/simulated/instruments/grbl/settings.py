"""The settings of the axis controller ($0 to $132), as the bench's controller holds them, and what may be written.

Pure. Units of grbl with "mm = mechanical degrees": $100 steps a degree, $110 degrees a minute, $120 degrees a second
squared. The bench's values (hardware/stepper.md): homing on ($22), hold torque kept ($1 = 255), no soft limits (the
axis turns freely), 4.5 degrees of pull-off ($27).
Source: gnea/grbl 1.1h, doc/markdown/settings.md; numbers of the refusals from doc/csv/error_codes_en_US.csv.
"""

from __future__ import annotations

from drivers.simulated.instruments.grbl.gcode import GrblError

_WHOLE = frozenset((0, 1, 2, 3, 4, 5, 6, 10, 13, 20, 21, 22, 23, 26, 32))


def bench_settings(steps_per_turn: int) -> dict[int, float]:
    """The settings at switching on; steps_per_turn microsteps a mechanical turn."""
    settings: dict[int, float] = {
        0: 10,
        1: 255,
        2: 0,
        3: 0,
        4: 0,
        5: 0,
        6: 0,
        10: 1,
        11: 0.010,
        12: 0.002,
        13: 0,
        20: 0,
        21: 0,
        22: 1,
        23: 0,
        24: 60.0,
        25: 3600.0,
        26: 250,
        27: 4.5,
        30: 1000,
        31: 0,
        32: 0,
    }
    for i in range(3):
        settings[100 + i] = steps_per_turn / 360.0 if i == 0 else 250.0
        settings[110 + i] = 21_600.0 if i == 0 else 500.0
        settings[120 + i] = 2000.0 if i == 0 else 10.0
        settings[130 + i] = 360.0 if i == 0 else 200.0
    return settings


def listing(settings: dict[int, float]) -> bytes:
    """The answer to $$ without its ok."""
    return "".join(f"${n}={_text(n, value)}\r\n" for n, value in settings.items()).encode()


def _text(number: int, value: float) -> str:
    return f"{value:.0f}" if number in _WHOLE or number in (30, 31) else f"{value:.3f}"


def write(settings: dict[int, float], number: int, value: float) -> None:
    """Stores one setting. Raises GrblError 3 (unknown), 4 (negative), 6 (step pulse), 10 (soft limits need homing)."""
    if value < 0.0:
        raise GrblError(4)
    if number not in settings:
        raise GrblError(3)
    if number == 0 and value < 3:
        raise GrblError(6)
    if number == 20 and value and not settings[22]:
        raise GrblError(10)
    if number in _WHOLE:
        value = float(int(value) & 0xFF)
    if number == 22 and not value:
        settings[20] = 0.0
    settings[number] = value
