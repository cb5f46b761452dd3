"""Runs carry the witness that their outcome waits for; indexes of before are filled from the folders again.

Frozen: a later change of the schema is a migration of its own.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the column; runs of before await nothing."""
    with op.batch_alter_table("runs") as batch:
        batch.add_column(sa.Column("awaits", sa.String(), server_default="", nullable=False))
