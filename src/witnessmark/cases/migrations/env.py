"""What alembic runs: the migrations on the connection that the program hands over, within its transaction."""

from __future__ import annotations

from alembic import context

from witnessmark.cases.tables import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, transactional_ddl=False)
context.run_migrations()
