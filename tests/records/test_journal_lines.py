"""The journal: what was acknowledged is there, whatever happens to the process or the disk."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from rig.errors import RecordError
from rig.records.run.journal import Journal, read_journal

WRITER = """
import sys
from pathlib import Path
from rig.records.run.journal import Journal
journal = Journal(Path(sys.argv[1]))
for n in range(1_000_000):
    journal.append("reading", {"n": n, "text": "x" * (n % 300)})
    print(n, flush=True)
"""


def filled(path: Path, count: int = 5) -> Path:
    journal = Journal(path)
    for n in range(count):
        journal.append("reading", {"n": n, "text": "Ω"})
    journal.close()
    return path


def test_every_entry_comes_back_in_order(tmp_path: Path) -> None:
    """A journal gives back every entry, with its kind, in the order of writing."""
    journal = Journal(tmp_path / "j")
    journal.append("header", {"a": 1})
    journal.append("event", {"b": None})
    journal.close()
    journal.close()
    read = read_journal(tmp_path / "j")
    assert [(e.n, e.kind, e.data) for e in read.lines] == [(1, "header", {"a": 1}), (2, "event", {"b": None})]
    assert read.cut == ""


def test_a_cut_last_line_is_reported_not_fatal(tmp_path: Path) -> None:
    """Cut anywhere in its last line, a journal gives every earlier entry and says where it was cut."""
    data = filled(tmp_path / "j").read_bytes()
    last = data[:-1].rfind(b"\n") + 1
    for end in range(last + 1, len(data)):
        (tmp_path / "j").write_bytes(data[:end])
        read = read_journal(tmp_path / "j")
        assert len(read.lines) == 4
        assert f"{tmp_path / 'j'}:5" in read.cut


def test_one_changed_digit_names_file_and_line(tmp_path: Path) -> None:
    """A changed byte in an earlier line is an error that names the file and the line."""
    data = bytearray(filled(tmp_path / "j").read_bytes())
    at = data.index(b'"n":2,"text"') + 4
    data[at : at + 1] = b"7"
    (tmp_path / "j").write_bytes(bytes(data))
    with pytest.raises(RecordError, match=r"j:3: .*checksum"):
        read_journal(tmp_path / "j")


def test_a_line_taken_out_is_found(tmp_path: Path) -> None:
    """A line that was removed whole is missed by its number."""
    lines = filled(tmp_path / "j").read_bytes().splitlines(keepends=True)
    (tmp_path / "j").write_bytes(b"".join(lines[:1] + lines[2:]))
    with pytest.raises(RecordError, match=r"j:2: .*entry 3 stands where 2 belongs"):
        read_journal(tmp_path / "j")


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    """A journal that is there already is refused and left as it is."""
    before = filled(tmp_path / "j").read_bytes()
    with pytest.raises(RecordError, match="can't be written"):
        Journal(tmp_path / "j")
    assert (tmp_path / "j").read_bytes() == before


@pytest.mark.parametrize("value", [float("nan"), float("inf"), {1, 2}])
def test_what_json_cannot_carry_is_refused(tmp_path: Path, value: object) -> None:
    """NaN, infinity and foreign objects never reach the file."""
    journal = Journal(tmp_path / "j")
    with pytest.raises(RecordError, match="can't carry"):
        journal.append("reading", {"value": value})
    journal.append("reading", {"value": 1})
    journal.close()
    assert len(read_journal(tmp_path / "j").lines) == 1


def test_a_full_disk_takes_back_the_part_written_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the disk fills in mid-line the error names the file and the journal still ends with a whole line."""
    journal = Journal(tmp_path / "j")
    journal.append("reading", {"n": 0})
    real = os.write

    def short(handle: int, data: bytes) -> int:
        if len(data) < 30:
            raise OSError(28, "No space left on device")
        return real(handle, bytes(data)[:20])

    monkeypatch.setattr("rig.records.run.journal.os.write", short)
    with pytest.raises(RecordError, match=rf"{tmp_path / 'j'}: .*No space left"):
        journal.append("reading", {"n": 1, "text": "y" * 100})
    monkeypatch.undo()
    journal.append("reading", {"n": 2})
    journal.close()
    read = read_journal(tmp_path / "j")
    assert [e.data["n"] for e in read.lines] == [0, 2]


def test_kill_loses_nothing_acknowledged(tmp_path: Path) -> None:
    """Killed at six moments while writing, a journal holds every entry whose append had returned."""
    for trial in range(6):
        path = tmp_path / f"j{trial}"
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE)
        assert writer.stdout is not None
        writer.stdout.readline()
        time.sleep(0.01 + 0.017 * trial)
        writer.send_signal(signal.SIGKILL)
        acknowledged = len(writer.stdout.read().split()) + 1
        writer.wait()
        writer.stdout.close()
        assert len(read_journal(path).lines) >= acknowledged > 1
