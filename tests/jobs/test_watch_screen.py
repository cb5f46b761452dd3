"""What a watch shows: big digits, one line a drop-out, a sound; nothing at all for a program."""

from __future__ import annotations

import io

from rig.cli.pages.watch import FONT, ROWS, WatchDisplay, big
from rig.quantity import Reading


class Terminal(io.StringIO):
    """A text stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def reading(at_s: float, ohm: float | None) -> Reading:
    return Reading(
        step="watch",
        quantity="watch_resistance",
        value=ohm,
        unit="ohm",
        instrument="meter",
        bench_time_s=at_s,
        time_utc=f"2026-11-25T08:00:{at_s:06.3f}Z",
        overload=ohm is None,
    )


def watched(values: list[float | None], out: io.StringIO, **how: bool) -> str:
    shown = WatchDisplay("sin", out=out, **how)
    for i, value in enumerate(values):
        shown.reading(reading(0.1 * i, value))
    shown.close()
    return out.getvalue()


def test_digits_are_seven_rows_of_one_width() -> None:
    """Every picture has seven rows as wide as its first; a number is as tall as the rest."""
    assert all(len(rows) == ROWS and len({len(row) for row in rows}) == 1 for rows in FONT.values())
    assert len(big("15.12")) == ROWS and "█" in big("15.12")[0]


def test_a_pipe_gets_the_drop_outs_only() -> None:
    """One line at the loss, one at the return with its length, each with a bell."""
    told = watched([15.0, 15.0, None, None, 15.0], io.StringIO())
    lines = told.splitlines()
    assert len(lines) == 2 and told.count("\a") == 2
    assert "2026-11-25T08:00:00.200Z" in lines[0] and "over range" in lines[1]
    assert "\x1b" not in told


def test_a_terminal_gets_big_digits_least_and_most() -> None:
    """The block names coil, state, least, most and how many were lost."""
    told = watched([15.0, 15.01, None], Terminal())
    assert "█" in told and "LOST" in told and "min 15   max 15.01   drop-outs 1" in told


def test_quiet_makes_no_sound_and_silent_shows_nothing() -> None:
    """--quiet keeps the lines; --json keeps standard error clean."""
    assert "\a" not in watched([15.0, None], io.StringIO(), quiet=True)
    assert watched([15.0, None], Terminal(), silent=True) == ""
