"""The libraries of known-good units: units in and out, limits approved.

Frozen: a later change of the schema is a migration of its own.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

TEXTS = ("part", "serial", "kind", "how", "who", "why", "rotor", "at_utc", "runs")
NUMBERS = ("coverage", "confidence", "rejected")


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "library",
        sa.Column("entry", sa.String(), nullable=False),
        *(sa.Column(name, sa.String(), server_default="", nullable=False) for name in TEXTS),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=True),
        sa.Column("units", sa.Integer(), nullable=True),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        *(sa.Column(name, sa.Float(), nullable=True) for name in NUMBERS),
        sa.PrimaryKeyConstraint("entry"),
    )
    op.create_index("library_by_part", "library", ["part", "n"], unique=False)


def downgrade() -> None:
    """Take it away again."""
    op.drop_table("library")
