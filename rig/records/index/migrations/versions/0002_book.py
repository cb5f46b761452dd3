"""The shop's book (jobs, intakes, returns, check standards) and what runs were made with (parts, instruments).

Frozen: a later change of the schema is a migration of its own.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "calibrations",
        sa.Column("instrument", sa.String(), nullable=False),
        sa.Column("calibrated", sa.String(), nullable=False),
        sa.Column("certificate", sa.String(), nullable=False),
        sa.Column("due", sa.String(), server_default="", nullable=False),
        sa.Column("issuer", sa.String(), server_default="", nullable=False),
        sa.Column("since_utc", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("instrument", "calibrated", "certificate"),
    )
    op.create_table(
        "check_standards",
        sa.Column("entry", sa.String(), nullable=False),
        sa.Column("part", sa.String(), server_default="", nullable=False),
        sa.Column("serial", sa.String(), server_default="", nullable=False),
        sa.Column("measurand", sa.String(), server_default="", nullable=False),
        sa.Column("unit", sa.String(), server_default="", nullable=False),
        sa.Column("since_utc", sa.String(), server_default="", nullable=False),
        sa.Column("certificate", sa.String(), server_default="", nullable=False),
        sa.Column("remark", sa.String(), server_default="", nullable=False),
        sa.Column("estimate", sa.Float(), nullable=True),
        sa.Column("U", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("entry"),
    )
    op.create_index("check_standards_by_unit", "check_standards", ["serial", "part"], unique=False)
    op.create_table(
        "entries",
        sa.Column("home", sa.String(), nullable=False),
        sa.Column("entry", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), server_default="", nullable=False),
        sa.Column("made_utc", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("home", "entry"),
    )
    op.create_table(
        "holders",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("since_utc", sa.String(), server_default="", nullable=False),
        sa.Column("data", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("name", "digest"),
    )
    op.create_table(
        "instruments",
        sa.Column("instrument", sa.String(), nullable=False),
        sa.Column("role", sa.String(), server_default="", nullable=False),
        sa.Column("identity", sa.String(), server_default="", nullable=False),
        sa.Column("asset", sa.String(), server_default="", nullable=False),
        sa.Column("since_utc", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("instrument"),
    )
    op.create_table(
        "intakes",
        sa.Column("entry", sa.String(), nullable=False),
        sa.Column("job", sa.String(), server_default="", nullable=False),
        sa.Column("part", sa.String(), server_default="", nullable=False),
        sa.Column("serial", sa.String(), server_default="", nullable=False),
        sa.Column("received_utc", sa.String(), server_default="", nullable=False),
        sa.Column("condition", sa.String(), server_default="", nullable=False),
        sa.Column("complaint", sa.String(), server_default="", nullable=False),
        sa.Column("fault_codes", sa.String(), server_default="", nullable=False),
        sa.Column("rotor", sa.String(), server_default="", nullable=False),
        sa.Column("tag", sa.String(), server_default="", nullable=False),
        sa.Column("received_by", sa.String(), server_default="", nullable=False),
        sa.Column("remark", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("entry"),
    )
    op.create_index("intakes_by_job", "intakes", ["job"], unique=False)
    op.create_index("intakes_by_serial", "intakes", ["serial"], unique=False)
    op.create_table(
        "jobs",
        sa.Column("job", sa.String(), nullable=False),
        sa.Column("customer", sa.String(), server_default="", nullable=False),
        sa.Column("reference", sa.String(), server_default="", nullable=False),
        sa.Column("opened_utc", sa.String(), server_default="", nullable=False),
        sa.Column("decision", sa.String(), server_default="", nullable=False),
        sa.Column("remark", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("job"),
    )
    op.create_table(
        "limits",
        sa.Column("number", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("measurand", sa.String(), nullable=False),
        sa.Column("lower", sa.Float(), nullable=True),
        sa.Column("upper", sa.Float(), nullable=True),
        sa.Column("origin", sa.String(), server_default="", nullable=False),
        sa.Column("note", sa.String(), server_default="", nullable=False),
        sa.Column("required", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("number", "digest", "measurand"),
    )
    op.create_table(
        "parts",
        sa.Column("number", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("revision", sa.String(), server_default="", nullable=False),
        sa.Column("title", sa.String(), server_default="", nullable=False),
        sa.Column("since_utc", sa.String(), server_default="", nullable=False),
        sa.Column("data", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("number", "digest"),
    )
    op.create_table(
        "returns",
        sa.Column("entry", sa.String(), nullable=False),
        sa.Column("job", sa.String(), server_default="", nullable=False),
        sa.Column("part", sa.String(), server_default="", nullable=False),
        sa.Column("serial", sa.String(), server_default="", nullable=False),
        sa.Column("returned_utc", sa.String(), server_default="", nullable=False),
        sa.Column("handed_to", sa.String(), server_default="", nullable=False),
        sa.Column("remark", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("entry"),
    )
    op.create_index("returns_by_job", "returns", ["job"], unique=False)
    op.create_index("returns_by_serial", "returns", ["serial"], unique=False)


def downgrade() -> None:
    """Take them away again."""
    op.drop_table("returns")
    op.drop_table("parts")
    op.drop_table("limits")
    op.drop_table("jobs")
    op.drop_table("intakes")
    op.drop_table("instruments")
    op.drop_table("holders")
    op.drop_table("entries")
    op.drop_table("check_standards")
    op.drop_table("calibrations")
