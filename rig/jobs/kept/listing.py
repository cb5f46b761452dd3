"""The list of kept runs. It loads neither benches nor sequences, so that the list is there at once."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from rig.description.places import default_home
from rig.records.run.listing import RunRow, newest_runs
from rig.records.run.suspect import suspect_state


def kept_runs(*, serial: str = "", part: str = "", most: int | None = None) -> list[dict[str, Any]]:
    """Rows of the list of runs, newest first; at most so many, of this serial and part number where they are given."""
    if most is not None and not serial and not part:
        return [_row(found) for found in newest_runs(default_home() / "runs", most)]
    from rig.records.store import Store

    where = {key: value for key, value in (("serial", serial), ("part", part)) if value}
    return [_row(found) for found in Store().list(most, **where)]


def _row(found: RunRow) -> dict[str, Any]:
    """suspect: what stands beside the run ("suspect", "confirmed", "cleared"), "" for nothing."""
    return asdict(found) | {"suspect": suspect_state(default_home() / "runs" / found.run)}
