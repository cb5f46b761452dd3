"""What the terminal shows of runs that were judged again: what changed in one, the counts of an archive."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rig.certificate.words.wording import short_name
from rig.review.archive.archive import ArchiveReport
from rig.review.archive.changes import in_words


def changed_rows(changed: Mapping[str, Any]) -> list[str]:
    """The outcome, and each line that changed, before and after."""
    before, after = changed["outcome"]
    rows = [f"outcome: {after}" if before == after else f"outcome: {before} -> {after}"]
    for line in changed["lines"]:
        moved = [
            f"{key} {in_words(pair[0])} -> {in_words(pair[1])}" for key, pair in line.items() if key != "measurand"
        ]
        rows.append(f"{short_name(line['measurand'], alone=True)}: {'; '.join(moved)}")
    return rows if len(rows) > 1 or before != after else [*rows, "nothing changed"]


def archive_rows(report: ArchiveReport) -> list[str]:
    """How many runs were judged, how they came out, which could not be judged."""
    summary = report.to_dict()["summary"]
    rows = [f"{summary['runs']} runs judged, {summary['unchanged']} unchanged, {len(report.faults)} not judged"]
    rows += [f"{count:>6}  {what}" for what, count in (*summary["outcomes"].items(), *summary["verdicts"].items())]
    return rows + [f"{name}: {fault}" for name, fault in report.faults.items()]
