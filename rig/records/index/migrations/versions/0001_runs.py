"""Runs and what was made of them: evaluations, results, findings, readings, certificates, remarks.

Frozen: a later change of the schema is a migration of its own.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "certificates",
        sa.Column("home", sa.String(), nullable=False),
        sa.Column("run", sa.String(), nullable=False),
        sa.Column("file", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), server_default="", nullable=False),
        sa.Column("written_utc", sa.String(), server_default="", nullable=False),
        sa.Column("number", sa.String(), server_default="", nullable=False),
        sa.Column("issue", sa.String(), server_default="", nullable=False),
        sa.Column("replaces", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("home", "run", "file"),
    )
    op.create_table(
        "evaluations",
        sa.Column("home", sa.String(), nullable=False),
        sa.Column("run", sa.String(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("file", sa.String(), server_default="", nullable=False),
        sa.Column("made_utc", sa.String(), server_default="", nullable=False),
        sa.Column("software", sa.String(), server_default="", nullable=False),
        sa.Column("campaign", sa.String(), server_default="", nullable=False),
        sa.Column("part_digest", sa.String(), server_default="", nullable=False),
        sa.Column("outcome", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("home", "run", "n"),
    )
    op.create_table(
        "findings",
        sa.Column("home", sa.String(), nullable=False),
        sa.Column("run", sa.String(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), server_default="", nullable=False),
        sa.Column("code", sa.String(), server_default="", nullable=False),
        sa.Column("evidence", sa.String(), server_default="", nullable=False),
        sa.Column("probability", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("home", "run", "line"),
    )
    op.create_table(
        "marks",
        sa.Column("home", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("value", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("home", "name"),
    )
    op.create_table(
        "readings",
        sa.Column("home", sa.String(), nullable=False),
        sa.Column("run", sa.String(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("overloads", sa.Integer(), nullable=False),
        sa.Column("captures", sa.Integer(), nullable=False),
        sa.Column("lowest", sa.Float(), nullable=True),
        sa.Column("highest", sa.Float(), nullable=True),
        sa.Column("mean", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("home", "run", "step", "quantity", "unit"),
    )
    op.create_table(
        "remarks",
        sa.Column("home", sa.String(), nullable=False),
        sa.Column("run", sa.String(), nullable=False),
        sa.Column("file", sa.String(), nullable=False),
        sa.Column("made_utc", sa.String(), server_default="", nullable=False),
        sa.Column("author", sa.String(), server_default="", nullable=False),
        sa.Column("step", sa.String(), server_default="", nullable=False),
        sa.Column("text", sa.String(), server_default="", nullable=False),
        sa.Column("photo", sa.String(), server_default="", nullable=False),
        sa.Column("sha256", sa.String(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("home", "run", "file"),
    )
    op.create_table(
        "results",
        sa.Column("home", sa.String(), nullable=False),
        sa.Column("run", sa.String(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(), server_default="", nullable=False),
        sa.Column("serial", sa.String(), server_default="", nullable=False),
        sa.Column("measurand", sa.String(), server_default="", nullable=False),
        sa.Column("unit", sa.String(), server_default="", nullable=False),
        sa.Column("qualifier", sa.String(), server_default="", nullable=False),
        sa.Column("verdict", sa.String(), server_default="", nullable=False),
        sa.Column("estimate", sa.Float(), nullable=True),
        sa.Column("U", sa.Float(), nullable=True),
        sa.Column("k", sa.Float(), nullable=True),
        sa.Column("lower", sa.Float(), nullable=True),
        sa.Column("upper", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("home", "run", "line"),
    )
    op.create_index("results_by_measurand", "results", ["part", "measurand", "run"], unique=False)
    op.create_index("results_by_part", "results", ["part", "run"], unique=False)
    op.create_table(
        "runs",
        sa.Column("home", sa.String(), nullable=False),
        sa.Column("run", sa.String(), nullable=False),
        sa.Column("sequence", sa.String(), server_default="", nullable=False),
        sa.Column("part", sa.String(), server_default="", nullable=False),
        sa.Column("revision", sa.String(), server_default="", nullable=False),
        sa.Column("part_digest", sa.String(), server_default="", nullable=False),
        sa.Column("holder", sa.String(), server_default="", nullable=False),
        sa.Column("serial", sa.String(), server_default="", nullable=False),
        sa.Column("job", sa.String(), server_default="", nullable=False),
        sa.Column("customer", sa.String(), server_default="", nullable=False),
        sa.Column("condition", sa.String(), server_default="", nullable=False),
        sa.Column("operator", sa.String(), server_default="", nullable=False),
        sa.Column("rotor", sa.String(), server_default="", nullable=False),
        sa.Column("clamping", sa.String(), server_default="", nullable=False),
        sa.Column("bench", sa.String(), server_default="", nullable=False),
        sa.Column("software", sa.String(), server_default="", nullable=False),
        sa.Column("started_utc", sa.String(), server_default="", nullable=False),
        sa.Column("ended_utc", sa.String(), server_default="", nullable=False),
        sa.Column("ended", sa.String(), server_default="", nullable=False),
        sa.Column("outcome", sa.String(), server_default="", nullable=False),
        sa.Column("retest_of", sa.String(), server_default="", nullable=False),
        sa.Column("note", sa.String(), server_default="", nullable=False),
        sa.Column("stamp", sa.String(), server_default="", nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("closed", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("home", "run"),
    )
    op.create_index("runs_by_job", "runs", ["job", "run"], unique=False)
    op.create_index("runs_by_part", "runs", ["part", "run"], unique=False)
    op.create_index("runs_by_unit", "runs", ["serial", "part", "run"], unique=False)
    op.create_index("runs_open", "runs", ["home", "closed"], unique=False)


def downgrade() -> None:
    """Take them away again."""
    op.drop_table("remarks")
    op.drop_table("certificates")
    op.drop_table("readings")
    op.drop_table("findings")
    op.drop_table("results")
    op.drop_table("evaluations")
    op.drop_table("runs")
    op.drop_table("marks")
