"""Readiness of a night: each figure from what is kept or from the machine itself, the failed one first."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rig.cli.pages.night import readiness_rows
from rig.jobs.night.checks.machine import Planned, planned_on_machine
from rig.jobs.night.checks.readiness import Ready, readiness
from rig.jobs.night.notices import send_test
from rig.jobs.night.planning import add_looks, end_of, seconds_until
from rig.jobs.night.queue import Queue
from rig.jobs.run_job import Request
from rig.records.calibrations import Calibration, Calibrations

NOW = datetime(2031, 5, 6, 22, 0, tzinfo=UTC)
UNTIL = NOW + timedelta(hours=8)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    return tmp_path


def real_bench(home: Path) -> str:
    """A bench file that is no simulated one."""
    text = Path("fixtures/benches/simulated.toml").read_text(encoding="utf-8").replace('world = "good_4"', "")
    path = home / "real.toml"
    path.write_text(text.replace('name = "simulated"', 'name = "real"'), encoding="utf-8")
    return str(path)


def figures(home: Path, sequence: str = "quick_screen", bench: str = "") -> dict[str, Ready]:
    queue = Queue(home)
    add_looks(queue, Request(sequence=sequence, part="KX4-2207", serial="N-1", bench=bench or real_bench(home)))
    return {one.what: one for one in readiness(queue.entries(), UNTIL, NOW)}


def test_the_design_s_figures_are_all_there(home: Path) -> None:
    """On a real bench without a take of its standards the night is not ready; a planned take serves."""
    found = figures(home)
    assert {"disk", "calibrations", "bypass jumper", "standards", "standards taken", "loopback age"} <= set(found)
    assert {"step limits", "part ceilings", "plan", "test notice", "clock", "sleep", "updates"} <= set(found)
    assert found["standards taken"].holds is False and found["standards taken"].figure == "never"
    assert found["step limits"].holds is True and "silent for 60 s at most" in found["step limits"].figure
    assert "none is kept" in found["loopback age"].figure
    found = figures(home, "check_standard")
    assert found["standards taken"].holds is True and "1 planned" in found["standards taken"].figure


def test_the_loopback_is_as_old_as_what_is_kept(home: Path) -> None:
    """In hours of what the bench file allows."""
    made = (NOW - timedelta(hours=30)).isoformat()
    Calibrations().save(Calibration(kind="loopback", bench="real", made_utc=made, data={}))
    assert figures(home)["loopback age"].figure.startswith("30.0 h of 12 h")


def test_a_test_notice_counts_for_an_hour(home: Path) -> None:
    """Without anybody to tell a person has to look; a refused one stands against the night."""
    assert figures(home)["test notice"].holds is None
    (home / "notices.toml").write_text('smtp_host = "127.0.0.1"\nsmtp_port = 1\nfrom = "a"\nto = ["b"]\n', "utf-8")
    assert figures(home)["test notice"].figure == "never sent"
    assert send_test(pause_s=0.0)
    found = figures(home)["test notice"]
    assert found.holds is False and "mail refused" in found.figure
    for minutes, holds in ((50, True), (70, False)):
        utc = (NOW - timedelta(minutes=minutes)).isoformat()
        (home / "notices-tested.json").write_text(json.dumps({"utc": utc, "refused": []}))
        assert figures(home)["test notice"].holds is holds
    (home / "notices-tested.json").write_text("[]")
    assert figures(home)["test notice"].figure == "never sent"


def machine(idle: str = "ignore", masked: bool = False, timers: str = "[]") -> dict[str, Planned]:
    def answer(words: Sequence[str]) -> str:
        if words[0] == "loginctl":
            return f"EnableWallMessages=yes\nIdleAction={idle}\nIdleActionUSec=30min\n" if idle else "Docked=no\n"
        if "list-timers" in words:
            return timers
        return "LoadState=masked\n" if masked else "LoadState=loaded\n"

    return {one.what: one for one in planned_on_machine(NOW, UNTIL, answer)}


def timer(unit: str, hours: float) -> dict[str, object]:
    return {"next": int((NOW + timedelta(hours=hours)).timestamp() * 1e6), "unit": unit}


def test_sleep_and_updates_are_read_from_the_system() -> None:
    """An idle action that sleeps, an updater within the night; later ones and other timers don't count."""
    assert machine()["sleep"].holds is True and machine(idle="suspend", masked=True)["sleep"].holds is True
    bad = machine(idle="suspend")["sleep"]
    assert bad.holds is False and bad.figure == "idle action: suspend after 30min" and "mask" in bad.do
    assert machine(idle="")["sleep"].holds is None
    rows = [timer("apt-daily-upgrade.timer", 7.5), timer("logrotate.timer", 2.0), {"next": None, "unit": "a.timer"}]
    due = machine(timers=json.dumps(rows))["updates"]
    assert due.holds is False and due.figure.startswith("apt-daily-upgrade.timer at ")
    late = machine(timers=json.dumps([timer("apt-daily-upgrade.timer", 9.0)]))["updates"]
    assert late.holds is True and "the next apt-daily-upgrade.timer" in late.figure
    assert machine(timers="{")["updates"].holds is None


def test_a_system_that_says_nothing_is_not_known() -> None:
    """Never taken for good."""

    def refuse(words: Sequence[str]) -> str:
        raise OSError(f"{words[0]}: System has not been booted with systemd")

    for one in planned_on_machine(NOW, UNTIL, refuse):
        assert one.holds is None and "not known" in one.figure


def test_the_failed_figure_is_the_headline() -> None:
    """And stands first; no line is wider than 80 columns."""
    found = [
        Ready(what="disk", figure="1 GB free", holds=True),
        Ready(what="sleep", figure="not known " * 12, holds=None, do="Look."),
        Ready(what="test notice", figure="never sent", holds=False, do="anglewright night check --notice"),
    ]
    rows = readiness_rows(found, "06:00")
    assert rows[0] == "This stands against tonight: test notice: never sent."
    assert rows[2].startswith("NO") and "night check --notice" in rows[3] and max(map(len, rows)) <= 80
    assert readiness_rows(found[:2], "06:00")[0] == "Ready: ends 06:00."


@pytest.fixture
def berlin(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A place whose hour changes."""
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("berlin")
@pytest.mark.parametrize(
    ("evening", "hours", "figure"),
    [
        (datetime(2026, 3, 28, 22, 0), 7.5, "the hour changes: 1:00:00 to 2:00:00"),
        (datetime(2026, 10, 24, 22, 0), 9.5, "the hour changes: 2:00:00 to 1:00:00"),
        (datetime(2026, 7, 1, 22, 0), 8.5, "no change of the hour"),
    ],
)
def test_a_night_over_a_change_of_the_hour_ends_when_the_clock_says_so(
    home: Path, evening: datetime, hours: float, figure: str
) -> None:
    """By what passes, both ways; readiness names the change, and the plan is held against the hours there are."""
    assert seconds_until("06:30", evening) == 3600.0 * hours
    until = end_of("06:30", evening)
    assert (until.hour, until.minute) == (6, 30)
    queue = Queue(home)
    add_looks(queue, Request(sequence="quick_screen", part="KX4-2207", serial="N-1"))
    found = {one.what: one for one in readiness(queue.entries(), until, evening.astimezone())}
    assert found["clock"].figure.startswith(figure) and f"of {hours:.1f} h" in found["plan"].figure
