"""The tables of the case database: rows are added, never changed; triggers of the database itself refuse the rest."""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

HEAD = "0002"
"""The newest migration; databases of this revision are used as they are."""

metadata = MetaData()

cases = Table("cases", metadata, Column("id", String(8), primary_key=True))

entries = Table(
    "entries",
    metadata,
    Column("case_id", String(8), ForeignKey("cases.id", name="entry_of_case"), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("at_utc", String(24), nullable=False),
    Column("by", String(200), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("corrects", Integer),
    Column("text", Text, nullable=False),
    Column("previous", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
    CheckConstraint("number >= 1", name="counted_from_one"),
    CheckConstraint("corrects IS NULL OR corrects < number", name="corrects_an_earlier_one"),
    ForeignKeyConstraint(["case_id", "corrects"], ["entries.case_id", "entries.number"], name="corrects_an_entry"),
)

attachments = Table(
    "attachments",
    metadata,
    Column("case_id", String(8), ForeignKey("cases.id", name="attachment_of_case"), primary_key=True),
    Column("sha256", String(64), primary_key=True),
    Column("media_type", String(60), nullable=False),
    Column("size_bytes", Integer, nullable=False),
    Column("private", Boolean(create_constraint=False), nullable=False),
    Column("data", LargeBinary, nullable=False),
)

prior_resets = Table(
    "prior_resets",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("at_utc", String(24), nullable=False),
    Column("by", String(200), nullable=False),
    Column("why", Text, nullable=False),
    Column("takes_back", Integer, ForeignKey("prior_resets.number", name="takes_back_a_reset"), unique=True),
    CheckConstraint("number >= 1", name="resets_counted_from_one"),
    CheckConstraint("takes_back IS NULL OR takes_back < number", name="takes_back_an_earlier_one"),
)

FIRST = ("cases", "entries", "attachments")
"""What a database of any revision has: one without them is another program's."""

APPEND_ONLY = (*FIRST, "prior_resets")
