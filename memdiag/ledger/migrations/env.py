"""Runs the migrations on the connection that `database` holds, within its transaction."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
