"""The shop's book (jobs, intakes, returns, check standards) and what runs were made with (parts, instruments).

Frozen: a later change of the schema is a migration of its own.
"""

from __future__ import annotations

from alembic import op
from sqlalchemy import Boolean, Column

from rig.records.index.columns import keys, numbers, texts

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "calibrations",
        *keys("instrument", "calibrated", "certificate"),
        *texts("due", "issuer", "since_utc"),
    )
    op.create_table(
        "check_standards",
        *keys("entry"),
        *texts("part", "serial", "measurand", "unit", "since_utc", "certificate", "remark"),
        *numbers("estimate", "U"),
    )
    op.create_index("check_standards_by_unit", "check_standards", ["serial", "part"])
    op.create_table(
        "entries",
        *keys("home", "entry"),
        *texts("kind", "made_utc"),
    )
    op.create_table(
        "holders",
        *keys("name", "digest"),
        *texts("since_utc", "data"),
    )
    op.create_table(
        "instruments",
        *keys("instrument"),
        *texts("role", "identity", "asset", "since_utc"),
    )
    op.create_table(
        "intakes",
        *keys("entry"),
        *texts(
            "job",
            "part",
            "serial",
            "received_utc",
            "condition",
            "complaint",
            "fault_codes",
            "rotor",
            "tag",
            "received_by",
            "remark",
        ),
    )
    op.create_index("intakes_by_job", "intakes", ["job"])
    op.create_index("intakes_by_serial", "intakes", ["serial"])
    op.create_table(
        "jobs",
        *keys("job"),
        *texts("customer", "reference", "opened_utc", "decision", "remark"),
    )
    op.create_table(
        "limits",
        *keys("number", "digest", "measurand"),
        Column("required", Boolean, nullable=False),
        *texts("origin", "note"),
        *numbers("lower", "upper"),
    )
    op.create_table(
        "parts",
        *keys("number", "digest"),
        *texts("revision", "title", "since_utc", "data"),
    )
    op.create_table(
        "returns",
        *keys("entry"),
        *texts("job", "part", "serial", "returned_utc", "handed_to", "remark"),
    )
    op.create_index("returns_by_job", "returns", ["job"])
    op.create_index("returns_by_serial", "returns", ["serial"])
