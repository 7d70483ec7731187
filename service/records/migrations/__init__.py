"""The changes of the tables, one revision after another (Alembic)."""
