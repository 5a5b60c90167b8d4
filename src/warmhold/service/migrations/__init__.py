"""How the tables of a service came about, for Alembic."""
