"""Files from elsewhere: read whole, or refused with file, line and what was expected."""

from __future__ import annotations

import wave
from pathlib import Path

import h5py
import numpy as np
import pytest

from rig.errors import RecordError, UsageError
from rig.records.elsewhere.csv_files import read_phasors, read_waves
from rig.records.elsewhere.hdf5_sweep import read_sweep
from rig.records.elsewhere.tables import stack_of_volts

HEADER = "stepper_deg,exc_re,exc_im,sin_re,sin_im,cos_re,cos_im"
ROW = "{},7.0,0.0,0.1,0.0,2.0,0.0"


def written(path: Path, lines: list[str]) -> Path:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_phasors_with_remarks_and_their_lines(tmp_path: Path) -> None:
    """Remarks and blank lines count as lines of the file, so that a fault can be found."""
    path = written(tmp_path / "a.csv", ["# remark", HEADER, "", *[ROW.format(5 * i) for i in range(6)]])
    table = read_phasors(path)
    assert table.stepper_mech_deg.tolist() == [0, 5, 10, 15, 20, 25]
    assert table.lines.tolist() == [4, 5, 6, 7, 8, 9] and table.exc[0] == 7.0


def test_semicolons_decimal_commas_and_any_order(tmp_path: Path) -> None:
    """A file of a spreadsheet with decimal commas, a mark at its beginning and columns in another order."""
    columns = "cos_re;cos_im;Stepper_deg;exc_re;exc_im;sin_re;sin_im;note"
    lines = ["\ufeff" + columns, *[f"2,5;0;{i},5;7,0;0;0,25;0;x" for i in range(5)]]
    table = read_phasors(written(tmp_path / "b.csv", lines))
    assert table.stepper_mech_deg[1] == 1.5 and table.cosine[0] == 2.5 and table.sine[0] == 0.25


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ([HEADER, *[ROW.format(i) for i in range(4)], "20,7.0,0,abc,0,2,0"], ":6: sin_re is 'abc'"),
        ([HEADER, ROW.format(0), "5,7.0,0,0.1"], ":3: 4 cells where the header has 7"),
        ([HEADER, ROW.format(0), "5,7.0,0,inf,0,2,0"], ":3: sin_re is 'inf'"),
        (["stepper_deg,exc_re,exc_im,sin_re,sin_im"], ":1: no column cos_re, cos_im"),
        ([HEADER, ROW.format(0)], "1 rows of numbers"),
        ([], "holds no lines"),
    ],
)
def test_faults_of_a_table_name_the_line(tmp_path: Path, lines: list[str], told: str) -> None:
    """What is no number, a short line, a missing column: file, line and name."""
    with pytest.raises(UsageError) as fault:
        read_phasors(written(tmp_path / "c.csv", lines))
    assert told in str(fault.value) and "c.csv" in str(fault.value)


def test_rows_without_numbers_are_left_aside(tmp_path: Path) -> None:
    """An empty cell is a missing point, not a zero."""
    lines = [HEADER, *[ROW.format(i) for i in range(5)], "25,7.0,0,,0,2,0", "30,7.0,0,nan,0,2,0"]
    table = read_phasors(written(tmp_path / "d.csv", lines))
    assert table.left_aside == (7, 8) and table.exc.size == 5


def test_files_that_are_not_there_or_no_text(tmp_path: Path) -> None:
    """A missing file and a binary one are records that can't be read."""
    with pytest.raises(RecordError, match="can't be read"):
        read_phasors(tmp_path / "none.csv")
    (tmp_path / "bin.csv").write_bytes(bytes(range(128, 256)))
    with pytest.raises(RecordError, match="is not a text file"):
        read_phasors(tmp_path / "bin.csv")


def wave_lines(rate_hz: float, count: int, digits: int, *, jump_at: int | None = None) -> list[str]:
    t = np.arange(count) / rate_hz + (0 if jump_at is None else (np.arange(count) >= jump_at) * 5 / rate_hz)
    return ["t_s,exc_v,sin_v,cos_v", *[f"{x:.{digits}f},{np.sin(x):.5f},0.1,0.2" for x in t]]


@pytest.mark.parametrize(("rate_hz", "digits"), [(44100.0, 7), (44100.0, 6), (1e6 / 3, 7), (200e3, 7)])
def test_the_rate_is_taken_over_the_whole_record(tmp_path: Path, rate_hz: float, digits: int) -> None:
    """Rounded times give the rate within its stated uncertainty."""
    table = read_waves(written(tmp_path / "w.csv", wave_lines(rate_hz, 600, digits)))
    assert abs(table.sample_rate_hz / rate_hz - 1) < 4 * table.u_rate_relative + 1e-9
    assert table.u_rate_relative < 1e-4 and table.volts.shape == (3, 600)


def test_gaps_and_times_that_go_back_are_refused(tmp_path: Path) -> None:
    """A record with a gap, or whose time goes back, names the line."""
    with pytest.raises(UsageError, match=r"w\.csv:102: the samples are not evenly spaced"):
        read_waves(written(tmp_path / "w.csv", wave_lines(50e3, 300, 7, jump_at=100)))
    lines = wave_lines(50e3, 30, 7)
    lines[10], lines[20] = lines[20], lines[10]
    with pytest.raises(UsageError, match="does not rise"):
        read_waves(written(tmp_path / "w.csv", lines))


@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_wav_of_any_width_and_order(tmp_path: Path, width: int) -> None:
    """Channels go by the order given; rails are those of the width; volts only with a full scale."""
    full = 2 ** (8 * width - 1)
    codes = np.array([[0.5, -0.25, 0.125]]).repeat(40, 0) * full
    codes = codes.astype(np.int64) + (128 if width == 1 else 0)
    data = b"".join(int(c).to_bytes(width, "little", signed=width > 1) for c in codes.ravel())
    path = tmp_path / "x.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(3)
        file.setsampwidth(width)
        file.setframerate(96000)
        file.writeframes(data)
    table = read_waves(path, ("cos", "exc", "sin"), full_scale_v=10.0)
    assert table.volts[:, 0].tolist() == [-2.5, 1.25, 5.0] and table.sample_rate_hz == 96000 and table.scaled
    assert table.rail_v is not None and table.rail_v[0] == -10.0
    assert not read_waves(path, ("cos", "exc", "sin")).scaled
    with pytest.raises(UsageError, match="3 channels, 4 were named"):
        read_waves(path, ("exc", "sin", "cos", "other"))
    with pytest.raises(UsageError, match="once each"):
        read_waves(path, ("exc", "sin", "sin"))


def test_a_wav_that_is_none(tmp_path: Path) -> None:
    """Something else under that name is told."""
    path = written(tmp_path / "y.wav", ["no sound"])
    with pytest.raises(RecordError, match="no PCM WAV"):
        read_waves(path)


def sweep_file(path: Path, *, scale: bool = True, positions: int = 5, channels: str = "exc,sin,cos") -> Path:
    with h5py.File(path, "w") as file:
        file["positions_deg"] = np.arange(positions) * 72.0
        file["samples"] = (np.arange(5 * 3 * 8).reshape(5, 3, 8) - 60).astype(np.int16)
        if scale:
            file["samples"].attrs["scale_v"] = [0.1, 0.2, 0.3]
        file.attrs["sample_rate_hz"] = 1e5
        file.attrs["channels"] = channels
    return path


def test_a_sweep_of_codes_and_of_volts(tmp_path: Path) -> None:
    """Codes keep their scale and rails; volts come back as they were."""
    found = read_sweep(sweep_file(tmp_path / "s.h5"))
    assert found.stack.volts()[0, 1, 0] == pytest.approx(-52 * 0.2) and found.stack.rail_low == -32768
    volts = np.random.default_rng(1).standard_normal((5, 3, 8))
    assert np.allclose(stack_of_volts(volts, ("exc", "sin", "cos"), 1e5).volts(), volts, atol=1e-8)


def test_faults_of_a_sweep(tmp_path: Path) -> None:
    """Missing scale, other counts, other channels, no HDF5: each by name."""
    for name, fault in (
        ({"scale": False}, "without the attribute scale_v"),
        ({"positions": 4}, "beside 4 positions"),
        ({"channels": "exc,sin,other"}, "cos must be there once"),
    ):
        with pytest.raises(UsageError, match=fault):
            read_sweep(sweep_file(tmp_path / "f.h5", **name))  # type: ignore[arg-type]
    with pytest.raises(RecordError, match="HDF5"):
        read_sweep(written(tmp_path / "t.h5", ["text"]))
