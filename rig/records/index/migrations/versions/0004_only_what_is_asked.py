"""Takes away tables and columns that no list, history or comparison reads; the folders hold what stood in them.

Frozen: a later change of the schema is a migration of its own.
"""

from __future__ import annotations

from alembic import op

revision = "0004"
down_revision = "0003"

TABLES = ("certificates", "evaluations", "findings", "readings", "remarks", "check_standards", "holders", "limits")
COLUMNS = {"instruments": ("since_utc",), "calibrations": ("issuer", "since_utc")}


def upgrade() -> None:
    """Drop them."""
    for table in (*TABLES, "parts", "library"):
        op.drop_table(table)
    for table, names in COLUMNS.items():
        with op.batch_alter_table(table) as batch:
            for name in names:
                batch.drop_column(name)
