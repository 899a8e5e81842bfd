"""Alembic's environment: runs revisions on the connection that ``migrate`` was given, in its transaction."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], version_table="schema_version")
with context.begin_transaction():
    context.run_migrations()
