"""What every route asks for: the panel, who asks, a run by its id."""

from __future__ import annotations

from starlette.requests import HTTPConnection

from rig.errors import UsageError
from rig.jobs.kept.which_run import RunKind, find_run
from rig.records.run.stored import StoredRun
from rig.web.access.who import Who
from rig.web.panel import Panel
from rig.web.problem import Refusal


def panel_of(connection: HTTPConnection) -> Panel:
    """The panel that is asked."""
    found: Panel = connection.app.state.panel
    return found


def asking(connection: HTTPConnection) -> Who:
    """Who asks, as the gate found."""
    who: Who = connection.state.who
    return who


def run_named(panel: Panel, what: str, fit: RunKind | None = None) -> StoredRun:
    """A run by its id, a serial or a report's number. Raises Refusal (404) where there is none, or more than one."""
    if not what or len(what) > 128 or "/" in what or what.startswith(".") or "\x00" in what:
        raise Refusal(404, "no run is called so.", "Take one of the list.")
    try:
        return find_run(panel.store, what, fit)
    except UsageError as fault:
        raise Refusal(404, fault.message, fault.next_action) from fault
