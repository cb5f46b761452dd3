"""Runs and what was made of them: evaluations, results, findings, readings, certificates, remarks.

Frozen: a later change of the schema is a migration of its own.
"""

from __future__ import annotations

from alembic import op
from sqlalchemy import Boolean, Column, Integer

from rig.records.index.columns import keys, numbers, texts

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "certificates",
        *keys("home", "run", "file"),
        *texts("sha256", "written_utc", "number", "issue", "replaces"),
    )
    op.create_table(
        "evaluations",
        *keys("home", "run"),
        Column("n", Integer, primary_key=True),
        *texts("file", "made_utc", "software", "campaign", "part_digest", "outcome"),
    )
    op.create_table(
        "findings",
        *keys("home", "run"),
        Column("line", Integer, primary_key=True),
        *texts("kind", "code", "evidence"),
        *numbers("probability"),
    )
    op.create_table(
        "marks",
        *keys("home", "name"),
        *texts("value"),
    )
    op.create_table(
        "readings",
        *keys("home", "run", "step", "quantity", "unit"),
        Column("n", Integer, nullable=False),
        Column("overloads", Integer, nullable=False),
        Column("captures", Integer, nullable=False),
        *numbers("lowest", "highest", "mean"),
    )
    op.create_table(
        "remarks",
        *keys("home", "run", "file"),
        *texts("made_utc", "author", "step", "text", "photo", "sha256"),
    )
    op.create_table(
        "results",
        *keys("home", "run"),
        Column("line", Integer, primary_key=True),
        *texts("part", "serial", "measurand", "unit", "qualifier", "verdict"),
        *numbers("estimate", "U", "k", "lower", "upper"),
    )
    op.create_index("results_by_measurand", "results", ["part", "measurand", "run"])
    op.create_index("results_by_part", "results", ["part", "run"])
    op.create_table(
        "runs",
        *keys("home", "run"),
        Column("simulated", Boolean, nullable=False),
        Column("closed", Boolean, nullable=False),
        *texts(
            "sequence",
            "part",
            "revision",
            "part_digest",
            "holder",
            "serial",
            "job",
            "customer",
            "condition",
            "operator",
            "rotor",
            "clamping",
            "bench",
            "software",
            "started_utc",
            "ended_utc",
            "ended",
            "outcome",
            "retest_of",
            "note",
            "stamp",
        ),
    )
    op.create_index("runs_by_job", "runs", ["job", "run"])
    op.create_index("runs_by_part", "runs", ["part", "run"])
    op.create_index("runs_by_unit", "runs", ["serial", "part", "run"])
    op.create_index("runs_open", "runs", ["home", "closed"])
