"""Raw waveforms: bit for bit what the sampler gave, readable after a kill, never half there."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
from records_samples import a_waveform

from rig.errors import RecordError
from rig.records.run.raw import RawFile, RawReader, part_of

WRITER = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from records_samples import a_waveform
from rig.records.run.raw import RawFile
raw = RawFile(Path(sys.argv[1]))
for n in range(1_000_000):
    print(raw.append("sweep_ccw", a_waveform(n, 1500)), flush=True)
"""


def test_captures_come_back_bit_for_bit(tmp_path: Path) -> None:
    """Codes, scaling, rate, channels and rails of every capture come back as they were written."""
    raw = RawFile(tmp_path / "raw.h5")
    waves = [a_waveform(n) for n in range(3)]
    assert [raw.append("sweep_cw", w) for w in waves] == ["sweep_cw/0", "sweep_cw/1", "sweep_cw/2"]
    assert raw.append("loopback", waves[0]) == "loopback/0"
    digest = raw.close()
    assert digest == sha256((tmp_path / "raw.h5").read_bytes()).hexdigest()
    reader = RawReader(tmp_path / "raw.h5")
    assert reader.series() == ("loopback", "sweep_cw")
    stack = reader.stack("sweep_cw")
    assert len(stack) == reader.count("sweep_cw") == 3
    for n, wave in enumerate(waves):
        one = stack.one(n)
        assert np.array_equal(one.codes, wave.codes)
        assert one.codes.dtype == np.int16
        assert np.array_equal(one.volts(), wave.volts())
        assert (one.channels, one.rail_low, one.rail_high) == (wave.channels, wave.rail_low, wave.rail_high)
    assert reader.path.suffix == ".h5"
    with pytest.raises(KeyError):
        reader.stack("spots")


def test_the_file_is_part_until_it_is_closed(tmp_path: Path) -> None:
    """Under its final name a raw file is always whole."""
    raw = RawFile(tmp_path / "raw.h5")
    raw.append("ramp", a_waveform())
    assert part_of(tmp_path / "raw.h5").exists()
    assert not (tmp_path / "raw.h5").exists()
    first = raw.close()
    assert not part_of(tmp_path / "raw.h5").exists()
    assert raw.close() == first
    with pytest.raises(RecordError, match="closed"):
        raw.append("ramp", a_waveform())


def test_without_a_capture_there_is_no_file(tmp_path: Path) -> None:
    """A run that sampled nothing leaves no raw file, and reads as one without series."""
    assert RawFile(tmp_path / "raw.h5").close() == ""
    assert list(tmp_path.iterdir()) == []
    assert RawReader(tmp_path / "raw.h5").series() == ()


def test_unlike_captures_do_not_share_a_series(tmp_path: Path) -> None:
    """A capture with another scale, rate or length than the first of its series is refused by what differs."""
    raw = RawFile(tmp_path / "raw.h5")
    raw.append("ramp", a_waveform())
    with pytest.raises(RecordError, match="scale_v"):
        raw.append("ramp", replace(a_waveform(), scale_v=np.full(4, 1.0)))
    with pytest.raises(RecordError, match="shape"):
        raw.append("ramp", a_waveform(samples=10))
    raw.close()
    assert RawReader(tmp_path / "raw.h5").count("ramp") == 1


def test_a_full_disk_is_told_before_it_does_harm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With too little space the error names the .part file; what was stored before stays readable."""
    raw = RawFile(tmp_path / "raw.h5")
    raw.append("ramp", a_waveform())
    monkeypatch.setattr("rig.records.run.raw.SPARE_BYTES", 1 << 62)
    with pytest.raises(RecordError, match=r"raw\.h5\.part: the disk is full"):
        raw.append("ramp", a_waveform(1))
    raw.close()
    assert RawReader(tmp_path / "raw.h5").count("ramp") == 1


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    """A flipped byte in the waveforms, or a file cut in half, is an error that names the file."""
    raw = RawFile(tmp_path / "raw.h5")
    for n in range(4):
        raw.append("ramp", a_waveform(n))
    raw.close()
    data = (tmp_path / "raw.h5").read_bytes()
    flipped = bytearray(data)
    flipped[len(data) - 2000] ^= 0xFF
    (tmp_path / "raw.h5").write_bytes(bytes(flipped))
    with pytest.raises(RecordError, match=r"raw\.h5: series 'ramp' fails its checksum"):
        RawReader(tmp_path / "raw.h5").stack("ramp")
    (tmp_path / "raw.h5").write_bytes(data[: len(data) // 2])
    with pytest.raises(RecordError, match=r"raw\.h5: can't be opened"):
        RawReader(tmp_path / "raw.h5").series()


def test_kill_loses_no_acknowledged_capture(tmp_path: Path) -> None:
    """Killed at five moments while writing, the .part file opens and holds every acknowledged capture, bit for bit."""
    for trial in range(5):
        path = tmp_path / f"raw{trial}.h5"
        words = [sys.executable, "-c", WRITER, str(path), str(Path(__file__).parent)]
        writer = subprocess.Popen(words, stdout=subprocess.PIPE)
        assert writer.stdout is not None
        writer.stdout.readline()
        time.sleep(0.02 + 0.013 * trial)
        writer.send_signal(signal.SIGKILL)
        acknowledged = len(writer.stdout.read().split()) + 1
        writer.wait()
        writer.stdout.close()
        reader = RawReader(path)
        assert reader.path.suffix == ".part"
        stack = reader.stack("sweep_ccw")
        assert len(stack) >= acknowledged > 1
        for n in range(len(stack)):
            assert np.array_equal(stack.codes[n], a_waveform(n, 1500).codes)
