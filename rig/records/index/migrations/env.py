"""Alembic's entry: runs the migrations of versions/ on the connection that rig/records/index/database.py hands over.

One transaction for all of them, on SQLite too; tables that SQLite can't alter are copied (batch mode).
"""

from __future__ import annotations

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    render_as_batch=True,
    transactional_ddl=True,
    transaction_per_migration=False,
)
context.run_migrations()
