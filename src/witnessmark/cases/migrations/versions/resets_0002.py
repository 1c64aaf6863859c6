"""When the shop's closed cases were set back as priors: a table that only grows, as those of the cases do.

There is no way down: it would throw the resets away.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

REFUSED = "resets of the priors are never changed or removed; take one back"
GAP = "resets of the priors are numbered without a hole"
NEXT = "(SELECT coalesce(max(number), 0) + 1 FROM prior_resets)"


def upgrade() -> None:
    """Make the table and its triggers."""
    op.create_table(
        "prior_resets",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("at_utc", sa.String(24), nullable=False),
        sa.Column("by", sa.String(200), nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("takes_back", sa.Integer, sa.ForeignKey("prior_resets.number", name="takes_back_a_reset"),
                  unique=True),
        sa.CheckConstraint("number >= 1", name="resets_counted_from_one"),
        sa.CheckConstraint("takes_back IS NULL OR takes_back < number", name="takes_back_an_earlier_one"),
    )  # fmt: skip
    for statement in _postgresql() if op.get_bind().dialect.name == "postgresql" else _sqlite():
        op.execute(sa.text(statement))


def _sqlite() -> list[str]:
    """A REPLACE would delete without firing a trigger: a number that is not the next is refused before it can."""
    refuse = f"BEGIN SELECT RAISE(ABORT, '{REFUSED}'); END"
    return [
        f"CREATE TRIGGER prior_resets_no_update BEFORE UPDATE ON prior_resets {refuse}",
        f"CREATE TRIGGER prior_resets_no_delete BEFORE DELETE ON prior_resets {refuse}",
        "CREATE TRIGGER prior_resets_no_replace BEFORE INSERT ON prior_resets WHEN EXISTS "
        f"(SELECT 1 FROM prior_resets WHERE number = NEW.number OR takes_back = NEW.takes_back) {refuse}",
        f"CREATE TRIGGER prior_resets_in_order BEFORE INSERT ON prior_resets WHEN NEW.number <> {NEXT} "
        f"BEGIN SELECT RAISE(ABORT, '{GAP}'); END",
    ]


def _postgresql() -> list[str]:
    error = "USING ERRCODE = 'integrity_constraint_violation'"
    stay = f"BEGIN RAISE EXCEPTION '{REFUSED}' {error}; END"
    order = f"BEGIN IF NEW.number <> {NEXT} THEN RAISE EXCEPTION '{GAP}' {error}; END IF; RETURN NEW; END"
    return [
        f"CREATE FUNCTION prior_resets_stay() RETURNS trigger LANGUAGE plpgsql AS $${stay}$$",
        f"CREATE FUNCTION prior_resets_in_order() RETURNS trigger LANGUAGE plpgsql AS $${order}$$",
        "CREATE TRIGGER prior_resets_in_order BEFORE INSERT ON prior_resets FOR EACH ROW "
        "EXECUTE FUNCTION prior_resets_in_order()",
        "CREATE TRIGGER prior_resets_stay BEFORE UPDATE OR DELETE ON prior_resets FOR EACH ROW "
        "EXECUTE FUNCTION prior_resets_stay()",
        "CREATE TRIGGER prior_resets_not_emptied BEFORE TRUNCATE ON prior_resets FOR EACH STATEMENT "
        "EXECUTE FUNCTION prior_resets_stay()",
    ]
