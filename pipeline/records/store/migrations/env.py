"""Runs the migrations on the connection that `database.migrate` hands over."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=False)
context.run_migrations()
