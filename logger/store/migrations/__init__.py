"""Migrations (Alembic): imported only when the store is at another revision than the code."""
