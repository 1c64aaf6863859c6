"""The first tables: cases, entries, attachments, with the triggers that let them only grow.

There is no way down: it would throw the log away.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

TABLES = ("cases", "entries", "attachments")
KEYS = {
    "cases": "id = NEW.id",
    "entries": "case_id = NEW.case_id AND number = NEW.number",
    "attachments": "case_id = NEW.case_id AND sha256 = NEW.sha256",
}
REFUSED = "rows of a case are never changed or removed; add a correction"
GAP = "entries of a case are numbered without a hole"


def upgrade() -> None:
    """Make tables and triggers."""
    op.create_table("cases", sa.Column("id", sa.String(8), primary_key=True))
    op.create_table(
        "entries",
        sa.Column("case_id", sa.String(8), sa.ForeignKey("cases.id", name="entry_of_case"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("at_utc", sa.String(24), nullable=False),
        sa.Column("by", sa.String(200), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("corrects", sa.Integer),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("previous", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.CheckConstraint("number >= 1", name="counted_from_one"),
        sa.CheckConstraint("corrects IS NULL OR corrects < number", name="corrects_an_earlier_one"),
        sa.ForeignKeyConstraint(
            ["case_id", "corrects"], ["entries.case_id", "entries.number"], name="corrects_an_entry"
        ),
    )
    op.create_table(
        "attachments",
        sa.Column("case_id", sa.String(8), sa.ForeignKey("cases.id", name="attachment_of_case"), primary_key=True),
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("media_type", sa.String(60), nullable=False),
        sa.Column("size_bytes", sa.Integer, nullable=False),
        sa.Column("private", sa.Boolean(create_constraint=False), nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
    for statement in _triggers(op.get_bind().dialect.name):
        op.execute(sa.text(statement))


def _triggers(dialect: str) -> list[str]:
    return _postgresql() if dialect == "postgresql" else _sqlite()


def _sqlite() -> list[str]:
    """SQLite: a REPLACE would delete without firing a trigger, so an INSERT over an existing row is refused as well."""
    out = []
    for table in TABLES:
        for event in ("UPDATE", "DELETE"):
            out.append(
                f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{REFUSED}'); END"
            )
        out.append(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {KEYS[table]}) "
            f"BEGIN SELECT RAISE(ABORT, '{REFUSED}'); END"
        )
    out.append(
        "CREATE TRIGGER entries_in_order BEFORE INSERT ON entries WHEN NEW.number <> "
        "(SELECT coalesce(max(number), 0) + 1 FROM entries WHERE case_id = NEW.case_id) "
        f"BEGIN SELECT RAISE(ABORT, '{GAP}'); END"
    )
    return out


def _postgresql() -> list[str]:
    refuse = f"BEGIN RAISE EXCEPTION '{REFUSED}' USING ERRCODE = 'integrity_constraint_violation'; END"
    order = (
        "BEGIN IF NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM entries WHERE case_id = NEW.case_id) THEN "
        f"RAISE EXCEPTION '{GAP}' USING ERRCODE = 'integrity_constraint_violation'; END IF; RETURN NEW; END"
    )
    out = [
        f"CREATE FUNCTION case_rows_stay() RETURNS trigger LANGUAGE plpgsql AS $${refuse}$$",
        f"CREATE FUNCTION case_entries_in_order() RETURNS trigger LANGUAGE plpgsql AS $${order}$$",
        "CREATE TRIGGER entries_in_order BEFORE INSERT ON entries FOR EACH ROW "
        "EXECUTE FUNCTION case_entries_in_order()",
    ]
    for table in TABLES:
        out.append(
            f"CREATE TRIGGER {table}_stay BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW "
            "EXECUTE FUNCTION case_rows_stay()"
        )
        out.append(
            f"CREATE TRIGGER {table}_not_emptied BEFORE TRUNCATE ON {table} FOR EACH STATEMENT "
            "EXECUTE FUNCTION case_rows_stay()"
        )
    return out
