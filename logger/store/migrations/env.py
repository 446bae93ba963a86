"""Run the migrations on the connection that `schema.py` hands over.

Law: everything happens in that connection's open transaction (SQLite's DDL is transactional too).
"""

from alembic import context

from logger.store.schema import VERSION_TABLE
from logger.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
context.run_migrations()
