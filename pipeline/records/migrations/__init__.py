"""How the tables came to be, for Alembic."""
