"""What the shop's own rule lets go of old runs: listed, and deleted with stubs. Known-good units stay whole."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from rig.certificate.shop import load_shop
from rig.errors import UsageError
from rig.records.book.entries import read_entries
from rig.records.files import read_json_quickly, utc_now
from rig.records.retention import Due, delete_due, due_files
from rig.records.run.stored import StoredRun
from rig.records.store import Store


def due_now(store: Store) -> list[Due]:
    """What may go today. Raises UsageError without a rule in shop.toml."""
    shop = load_shop(store.home)
    rule = shop.retention if shop is not None else None
    if rule is None or (rule.raw_years is None and rule.faces_years is None):
        raise UsageError(
            "shop.toml has no rule of what may be deleted.",
            next_action="Write [retention] with raw_years and faces_years; without it everything stays.",
        )
    taught = read_entries(store.home / "book", "good-unit") if (store.home / "book").is_dir() else []
    return due_files(
        (StoredRun(store.folder / run, read=read_json_quickly) for run in store.ids()),
        datetime.now(UTC).date(),
        raw_years=rule.raw_years,
        faces_years=rule.faces_years,
        keep_jobs=rule.keep_jobs,
        keep_runs=[str(run) for _, data in taught for run in data.get("runs", ())],
    )


def let_go(store: Store, due: Sequence[Due], who: str) -> None:
    """Delete what is due, each run's stub first."""
    at_utc = utc_now()
    for one in due:
        delete_due(store.folder, one, who=who, at_utc=at_utc)
