"""Run by Alembic. The connection, and the transaction around all of it, are the store's."""

from alembic import context

from andante.state.tables import VERSION_TABLE

context.configure(connection=context.config.attributes["connection"], version_table=VERSION_TABLE)
with context.begin_transaction():
    context.run_migrations()
