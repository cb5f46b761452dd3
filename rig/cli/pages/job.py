"""What the terminal shows of a job: its data, the units taken in and handed back, the runs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.jobs.kept.removing.erasing import Erased

OF_A_JOB = ("customer", "reference", "decision", "remark")
OF_A_UNIT = ("condition", "complaint", "remark")


def job_rows(found: Mapping[str, Any]) -> list[str]:
    """A job in words; `found` as rig/records/index/history.py gives it."""
    opened = found["job"]
    if opened is None:
        rows = ["this job was not opened"]
    else:
        rows = [f"job {opened['job']}"]
        rows += [f"  {name:<10} {opened[name]}" for name in OF_A_JOB if opened[name]]
    for one in found["intakes"]:
        rows.append(f"in   {one['received_utc'][:16]}  {one['part']} {one['serial']}  tag {one['tag']}")
        rows += [f"       {name}: {one[name]}" for name in OF_A_UNIT if one[name]]
    for one in found["returns"]:
        to = f"  to {one['handed_to']}" if one["handed_to"] else ""
        rows.append(f"out  {one['returned_utc'][:16]}  {one['part']} {one['serial']}{to}")
    for one in found["runs"]:
        mark = " (simulated)" if one["simulated"] else ""
        outcome = ", ".join(filter(None, (one["outcome"], one["awaits"], one["suspect"])))
        rows.append(f"run  {one['run']}  {one['part']} {one['serial']}  {one['sequence']}: {outcome}{mark}")
    return rows


def erasure_rows(done: Erased, keep_reports: bool) -> list[str]:
    """What an erasure did and what it can't reach."""
    rows = [f"erased: {done.names} name{'s' if done.names != 1 else ''}, from {len(done.runs)} runs"]
    if keep_reports:
        rows.append("reports: kept as they are; those that print the name still do")
    else:
        rows.append(f"reports: {done.reports} files deleted; stubs keep their hashes, the register stays as it is")
    if done.before:
        rows.append(
            f"not erased: {len(done.before)} runs were kept before names were kept apart (first {done.before[0]})"
        )
    rows.append("not reached: backups, job files and bundles made before, reports in other hands")
    return rows
