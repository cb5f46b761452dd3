"""Whether this machine will sleep or update itself during a night, as its system says; else it is not known.

Asked are systemd's log-in manager (what it does when nobody types) and its timers. A desktop's own energy settings are
not read, and said so.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

ANSWER_S = 5.0
QUIET = ("ignore", "lock")  # idle actions that leave the machine running
UPDATERS = (
    "apt-daily-upgrade",
    "unattended-upgrades",
    "dnf-automatic",
    "dnf5-automatic",
    "packagekit",
    "snapd.refresh",
    "transactional-update",
    "rpm-ostreed-automatic",
    "reboot",
)
Answer = Callable[[Sequence[str]], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """holds: None where the system says nothing."""

    what: str
    figure: str
    holds: bool | None
    do: str = ""


def ask(words: Sequence[str]) -> str:
    """What a command of this system prints. Raises OSError where it is not there, does not answer or refuses."""
    try:
        done = subprocess.run(words, capture_output=True, text=True, timeout=ANSWER_S, check=False)
    except subprocess.TimeoutExpired as fault:
        raise OSError(f"{words[0]} does not answer") from fault
    if done.returncode:
        told = (done.stderr.strip() or f"status {done.returncode}").splitlines()[0]
        raise OSError(f"{words[0]}: {told}")
    return done.stdout


def planned_on_machine(now: datetime, until: datetime, ask_system: Answer = ask) -> list[Planned]:
    """Sleep and updates between now and the end of a night."""
    return [_sleep(ask_system), _updates(now, until, ask_system)]


def _sleep(ask_system: Answer) -> Planned:
    try:
        if "masked" in ask_system(["systemctl", "show", "sleep.target", "--property=LoadState"]):
            return Planned(what="sleep", figure="this machine can't sleep: sleep.target is masked", holds=True)
        told = dict(row.split("=", 1) for row in ask_system(["loginctl", "show"]).splitlines() if "=" in row)
    except OSError as fault:
        return _unknown("sleep", fault)
    action, after = told.get("IdleAction", ""), told.get("IdleActionUSec", "")
    if not action:
        return _unknown("sleep", OSError("no idle action is stated"))
    if action in QUIET:
        figure = f"idle action: {action}; a desktop's own setting is not read"
        return Planned(what="sleep", figure=figure, holds=True)
    do = "sudo systemctl mask sleep.target suspend.target hibernate.target"
    return Planned(what="sleep", figure=f"idle action: {action} after {after}", holds=False, do=do)


def _updates(now: datetime, until: datetime, ask_system: Answer) -> Planned:
    try:
        rows = json.loads(ask_system(["systemctl", "list-timers", "--all", "--no-pager", "--output=json"]))
        due = [(_when(row.get("next")), str(row["unit"])) for row in rows]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as fault:
        return _unknown("updates", fault)
    begin, end = now.astimezone(UTC), until.astimezone(UTC)
    updaters = sorted((at, unit) for at, unit in due if at is not None and unit.startswith(UPDATERS))
    within = [(at, unit) for at, unit in updaters if begin <= at <= end]
    if within:
        at, unit = within[0]
        figure = f"{unit} at {at.astimezone():%H:%M}" + (f", and {len(within) - 1} more" if len(within) > 1 else "")
        return Planned(what="updates", figure=figure, holds=False, do=f"sudo systemctl stop {unit}, until the morning")
    later = f", the next {updaters[0][1]} at {updaters[0][0].astimezone():%a %H:%M}" if updaters else ""
    figure = f"none of {len(due)} timers updates before the end{later}"
    return Planned(what="updates", figure=figure, holds=True)


def _when(usec: object) -> datetime | None:
    """A timer's next time: microseconds since 1970, or None for one that is not set."""
    return datetime.fromtimestamp(usec / 1e6, UTC) if isinstance(usec, int) and usec > 0 else None


def _unknown(what: str, fault: Exception) -> Planned:
    return Planned(what=what, figure=f"not known ({fault})", holds=None, do="Look into the machine's own settings.")
