"""The libraries of known-good units: units in and out, limits approved.

Frozen: a later change of the schema is a migration of its own.
"""

from __future__ import annotations

from alembic import op
from sqlalchemy import Boolean, Column, Integer

from rig.records.index.columns import keys, numbers, texts

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "library",
        *keys("entry"),
        *texts("part", "serial", "kind", "how", "who", "why", "rotor", "at_utc", "runs"),
        Column("n", Integer, nullable=False),
        Column("version", Integer),
        Column("units", Integer),
        Column("simulated", Boolean, nullable=False),
        *numbers("coverage", "confidence", "rejected"),
    )
    op.create_index("library_by_part", "library", ["part", "n"])
