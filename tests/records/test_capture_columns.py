"""Columns of a table from elsewhere: by name, by unit, by answer; never by a guess."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.errors import UsageError
from rig.records.elsewhere.columns import answers_of, column_of
from rig.records.elsewhere.csv_files import columns_of, read_phasors, read_waves


def written(path: Path, lines: list[str]) -> Path:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def rows(separator: str = ",", decimal: str = ".") -> list[str]:
    """Twenty samples: time in ms, 7000 mV of excitation, 2000 mV of sine, 100 mV of cosine."""
    cells = [(0.01 * i, 7000 * np.sin(i), 2000 * np.sin(i), 100.5) for i in range(20)]
    return [separator.join(f"{value:.3f}".replace(".", decimal) for value in row) for row in cells]


@pytest.mark.parametrize(
    "header",
    [
        ["Time (ms),exc [mV],sin (mV),cos (mV)"],
        ["t_ms,exc_mv,sin_mv,cos_mv"],
        ["time,Exc,Sine,cosine", "ms,mV,mV,mV"],
        ['"t","exc","sin","cos"', '"(ms)","(mV)","(mV)","(mV)"'],
    ],
)
def test_units_of_the_header_are_read(tmp_path: Path, header: list[str]) -> None:
    """A unit beside the name, in the name or in a line of its own turns the column into seconds and volts."""
    table = read_waves(written(tmp_path / "w.csv", [*header, *rows()]))
    assert table.sample_rate_hz == pytest.approx(1e5) and table.volts[0, 1] == pytest.approx(7 * np.sin(1), abs=1e-6)
    assert table.volts[2, 0] == pytest.approx(0.1005) and table.digit_v == pytest.approx(0.5e-6)


def test_semicolons_and_decimal_commas_with_units(tmp_path: Path) -> None:
    """A spreadsheet of another country: semicolons, decimal commas, units in brackets."""
    table = read_waves(written(tmp_path / "w.csv", ["Time [ms];exc [mV];sin [mV];cos [mV]", *rows(";", ",")]))
    assert table.volts[2, 0] == pytest.approx(0.1005) and table.sample_rate_hz == pytest.approx(1e5)


def test_names_that_nobody_knows_are_asked_about(tmp_path: Path) -> None:
    """Columns of an oscilloscope are named by an answer; without one the message says how, and lists what there is."""
    path = written(tmp_path / "w.csv", ["Time (ms),CH1 (mV),CH2 (mV),CH3 (mV)", *rows()])
    with pytest.raises(UsageError, match="no column exc_v, sin_v, cos_v; found Time") as fault:
        read_waves(path)
    assert "--columns" in str(fault.value.next_action)
    table = read_waves(path, answers=answers_of("exc=CH1,sin=CH2,cos=CH3"))
    assert table.volts[0, 1] == pytest.approx(7 * np.sin(1), abs=1e-6)
    assert [column.name for column in columns_of(path)] == ["time", "ch1", "ch2", "ch3"]
    with pytest.raises(UsageError, match="0 columns are called 'CH9'"):
        read_waves(path, answers={"exc": "CH9"})
    with pytest.raises(UsageError, match="ROLE=NAME"):
        answers_of("CH1")


def test_two_channels_are_enough_where_two_are_wanted(tmp_path: Path) -> None:
    """A recorder with two channels gives excitation and one output."""
    path = written(tmp_path / "w.csv", ["t_s,exc_v,sin_v", *[f"{i * 1e-5:.6f},{np.sin(i):.4f},0.5" for i in range(20)]])
    table = read_waves(path, roles=("exc", "sin"))
    assert table.channels == ("exc", "sin") and table.volts.shape == (2, 20)


def test_the_last_digit_is_the_finest_that_any_cell_shows(tmp_path: Path) -> None:
    """A constant column written short does not make the file coarse; an exponent counts."""
    header = "stepper_deg,exc_re,exc_im,sin_re,sin_im,cos_re,cos_im"
    path = written(tmp_path / "p.csv", [header, *[f"{i},7,0,0.{i}234,0,2.5e-3,0" for i in range(5)]])
    assert read_phasors(path).digit_v == pytest.approx(0.5e-4)
    assert column_of("Excitation").factor == 1.0
