"""Migrations of the case database, run by alembic when a database is opened that is not there yet or older."""
