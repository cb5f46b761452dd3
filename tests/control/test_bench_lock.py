"""One controller a bench: who comes second is told who was first, and nobody's death keeps a bench shut."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drivers.exclusive.bench_lock import BenchLock, lock_folder
from drivers.exclusive.interfaces import interfaces
from rig.errors import BenchBusy, RecordError

HOLD = """
import sys, time
from drivers.exclusive.bench_lock import BenchLock
BenchLock(sys.argv[1:], "full_test of S-7").take()
print("held", flush=True)
time.sleep(60)
"""


def _holder(*links: str) -> subprocess.Popen[str]:
    process = subprocess.Popen([sys.executable, "-c", HOLD, *links], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None and process.stdout.readline() == "held\n"
    return process


def test_who_comes_second_is_told_who_holds_it_and_what_for() -> None:
    """Sequence, serial, process, since when; another home changes nothing."""
    first = _holder("tcp://127.0.0.1:5025", "tcp://127.0.0.1:5026")
    try:
        with pytest.raises(BenchBusy, match=rf"5026 is held by full_test of S-7 \(process {first.pid} of .+, since 20"):
            BenchLock(["tcp://127.0.0.1:5024", "tcp://127.0.0.1:5026"], "bench check").take()
        with BenchLock(["tcp://127.0.0.1:5024"], "bench check"):
            pass  # what the refused one had taken is free
    finally:
        first.kill()
        first.wait()
        assert first.stdout is not None
        first.stdout.close()


def test_a_killed_owner_leaves_nothing_behind() -> None:
    """Neither a lock nor a name."""
    first = _holder("tcp://127.0.0.1:5025")
    first.kill()
    first.wait()
    assert first.stdout is not None
    first.stdout.close()
    with BenchLock(["tcp://127.0.0.1:5025"], "the next"):
        pass


def test_a_watchdog_keeps_the_bench_until_it_has_ended() -> None:
    """Whoever inherits the descriptors holds the lock after the controller's death; the next one waits for that."""
    script = HOLD.replace(
        "time.sleep(60)",
        "",
    ).replace(
        'BenchLock(sys.argv[1:], "full_test of S-7").take()',
        "import subprocess\n"
        'lock = BenchLock(sys.argv[1:], "full_test of S-7"); lock.take()\n'
        "null = subprocess.DEVNULL\n"
        'subprocess.Popen(["sleep", "1.0"], pass_fds=lock.descriptors, stdout=null, stderr=null)\n'
        "import os; os.write(1, b'held\\n'); os._exit(9)",
    )
    done = subprocess.run(
        [sys.executable, "-c", script, "tcp://127.0.0.1:5025"], capture_output=True, text=True, check=False
    )
    assert done.stdout == "held\n", done.stderr
    begun_s = time.monotonic()
    with BenchLock(["tcp://127.0.0.1:5025"], "the next"):
        assert time.monotonic() - begun_s > 0.3


def test_two_in_one_process_keep_apart_too() -> None:
    """A panel and a thread of its own."""
    with BenchLock(["tcp://127.0.0.1:5025"], "the first"), pytest.raises(BenchBusy, match="the first"):
        BenchLock(["tcp://127.0.0.1:5025"], "the second").take()


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("tcp://localhost:5025", "tcp://127.0.0.1:5025"),
        ("tcp://127.0.0.1:5025", "visa://TCPIP0::127.0.0.1::5025::SOCKET"),
        ("tcp://127.0.0.1:5025", "spy+tcp://127.0.0.1:5025"),
        ("tcp://127.0.0.1:5025", "visa://TCPIP::127.0.0.1::inst0::INSTR"),
        ("visa://TCPIP::127.0.0.1::hislip0::INSTR", "visa+ivi://TCPIP1::localhost::INSTR"),
        ("visa://USB0::0x2A8D::0x1301::MY57::INSTR", "visa://USB::10893::4865::my57::0::INSTR"),
        ("visa://GPIB0::22::INSTR", "visa://GPIB::22::INSTR"),
        ("nidaqmx://Dev1", "nidaqmx://DEV1"),
    ],
)
def test_spellings_of_one_instrument_meet(one: str, other: str) -> None:
    """Each way round."""
    for first, second in ((one, other), (other, one)):
        with BenchLock([first], "the first"), pytest.raises(BenchBusy):
            BenchLock([second], "the second").take()


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("tcp://127.0.0.1:4001", "tcp://127.0.0.1:4002"),
        ("tcp://127.0.0.1:5025", "tcp://127.0.0.2:5025"),
        ("visa://TCPIP::127.0.0.1::gpib0,22::INSTR", "visa://TCPIP::127.0.0.1::gpib0,9::INSTR"),
        ("visa://USB0::0x2A8D::0x1301::MY57::INSTR", "visa://USB0::0x2A8D::0x1301::MY58::INSTR"),
        ("visa://GPIB0::22::INSTR", "visa://GPIB1::22::INSTR"),
    ],
)
def test_two_instruments_do_not_meet(one: str, other: str) -> None:
    """Ports of a terminal server, instruments behind one gateway, serial numbers, buses."""
    with BenchLock([one], "the first"), BenchLock([other], "the second"):
        pass


def test_a_port_by_id_and_its_device_meet(tmp_path: Path) -> None:
    """With pyserial and through VISA; the lasting name stays held when the device comes back under another number."""
    master, slave = os.openpty()
    device = os.ttyname(slave)
    by_id = tmp_path / "usb-adapter"
    by_id.symlink_to(device)
    try:
        with BenchLock([f"serial://{by_id}?baud=9600"], "the first"):
            for link in (f"serial://{device}", f"visa://ASRL{device}::INSTR"):
                with pytest.raises(BenchBusy):
                    BenchLock([link], "the second").take()
            by_id.unlink()
            by_id.symlink_to("/dev/null")
            with pytest.raises(BenchBusy):
                BenchLock([f"serial://{by_id}"], "the second").take()
    finally:
        os.close(master)
        os.close(slave)


def test_one_bench_may_name_an_interface_twice() -> None:
    """A mainframe's relays and its inputs."""
    links = ["tcp://127.0.0.1:5025", "tcp://localhost:5025", "visa://TCPIP::127.0.0.1::INSTR"]
    assert interfaces(links)["host:127.0.0.1"] is True
    with BenchLock(links, "the first"):
        pass


def test_the_folder_is_for_every_user(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the umask; files that another user made are opened, not made again."""
    monkeypatch.setenv("ANGLEWRIGHT_LOCKS", str(tmp_path / "locks"))
    before = os.umask(0o077)
    try:
        with BenchLock(["tcp://127.0.0.1:5025"], "the first"):
            pass
    finally:
        os.umask(before)
    assert lock_folder().stat().st_mode & 0o7777 == 0o1777
    files = list(lock_folder().iterdir())
    assert files and all(path.stat().st_mode & 0o777 == 0o666 for path in files)


def test_a_place_that_is_none_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file in its place, and a link that somebody laid."""
    (tmp_path / "locks").write_text("")
    (tmp_path / "laid").symlink_to(tmp_path)
    for name in ("locks", "laid"):
        monkeypatch.setenv("ANGLEWRIGHT_LOCKS", str(tmp_path / name))
        with pytest.raises(RecordError, match="no folder"):
            BenchLock(["tcp://127.0.0.1:5025"], "the first").take()
