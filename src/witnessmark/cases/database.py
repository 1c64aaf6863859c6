"""Where the cases lie: a SQLite file by default, PostgreSQL by URL; brought up to date when it is opened."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, OperationalError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from witnessmark.cases.tables import APPEND_ONLY, FIRST, HEAD
from witnessmark.errors import BadCase

PLACE = "WITNESSMARK_CASES"
BUSY_S = 30.0  # how long a process waits while others write; a write takes milliseconds
CONNECT_S = 10
MIGRATING = 0x77697473  # key of the lock in PostgreSQL under which one process at a time migrates
SQLITE_HEAD = b"SQLite format 3\x00"  # published: the file format of SQLite, header string
WRITES = "writes"  # execution option of a connection whose transaction writes


def default_place() -> str:
    """The database in the user's data folder."""
    from platformdirs import user_data_dir

    return str(Path(user_data_dir("witnessmark", appauthor=False)) / "cases.db")


def chosen_place(given: str | None = None) -> str:
    """The place as given, else by the environment, else the user's data folder."""
    return given or os.environ.get(PLACE) or default_place()


def open_engine(place: str) -> Engine:
    """A ready database at a file or URL. BadCase of one line where it cannot be used; no password is ever shown."""
    url = _url(place)
    shown = url.render_as_string(hide_password=True) if "://" in place else place
    if url.get_backend_name() == "sqlite":
        _folder_for(url, shown)
    try:
        engine = create_engine(url, poolclass=NullPool, connect_args=_arguments(url))
    except ModuleNotFoundError:
        raise BadCase(f"{shown}: PostgreSQL needs the package psycopg; pip install 'witnessmark[postgresql]'") from None
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    with translated(shown):
        _bring_up_to_date(engine, shown)
    return engine


@contextmanager
def translated(shown: str) -> Iterator[None]:
    """What the database complains of, in one line that names the place."""
    try:
        yield
    except OperationalError as error:
        raise BadCase(f"{shown}: {_complaint(error)}") from None
    except DBAPIError as error:
        raise BadCase(f"{shown}: the database refused: {_first_line(error)}; restore a backup or name another place") \
            from None  # fmt: skip
    except SQLAlchemyError as error:
        raise BadCase(f"{shown}: {_first_line(error)}; name another place with --cases") from None


def _first_line(error: Exception) -> str:
    said = str(getattr(error, "orig", None) or error).strip()
    return said.splitlines()[0][:300] if said else type(error).__name__


def _complaint(error: DBAPIError) -> str:
    said = _first_line(error)
    if "locked" in said:
        return f"still locked by another program after {BUSY_S:.0f} s; end that and try again"
    if "readonly" in said or "read-only" in said or "unable to open" in said:
        return f"{said}; check the rights of file and folder or name another place with --cases"
    if "full" in said:
        return "the disk is full; make room and try again"
    return f"{said}; check that the server runs and that name, user and password are right, or use --cases FILE"


def _url(place: str) -> URL:
    if "\0" in place:
        raise BadCase("--cases: holds a null character; name a file or a URL")
    if "://" not in place:
        if not place or place.endswith(("/", os.sep)) or os.path.isdir(place):
            raise BadCase(f"{place}: is a folder; name the file of the database in it, such as cases.db")
        return URL.create("sqlite", database=os.path.abspath(place))
    try:
        url = make_url(place)
    except ArgumentError:
        raise BadCase("--cases: not a URL that can be read, expected postgresql://user@host/name or a file") from None
    if url.drivername in ("postgresql", "postgres", "postgresql+psycopg"):
        return url.set(drivername="postgresql+psycopg")
    if url.drivername == "sqlite" and url.database and url.database != ":memory:":
        return url
    raise BadCase(f"{url.render_as_string(hide_password=True)}: expected postgresql://user@host/name or a file")


def _arguments(url: URL) -> dict[str, Any]:
    if url.get_backend_name() == "sqlite":
        return {"timeout": BUSY_S}
    return {"connect_timeout": CONNECT_S}


def _folder_for(url: URL, shown: str) -> None:
    file = Path(url.database or "")
    try:
        if file.parent == Path(default_place()).parent:
            file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not file.parent.is_dir():
            raise BadCase(
                f"{shown}: there is no folder {file.parent}; make it first or name another place with --cases"
            )
        if not file.exists():
            return
        if not file.is_file():
            raise BadCase(f"{shown}: is no regular file; name another with --cases")
        with file.open("rb") as raw:
            head = raw.read(len(SQLITE_HEAD))
    except (OSError, ValueError) as error:
        said = str(getattr(error, "strerror", None) or error).lower()
        raise BadCase(f"{shown}: {said}; check name and rights or name another place with --cases") from None
    if head not in (b"", SQLITE_HEAD):
        raise BadCase(f"{shown}: is no case database; name another file with --cases")
    if head:
        _ours(file, shown)


def _ours(file: Path, shown: str) -> None:
    """Refuse a database that holds tables and none of ours, before anything of it is set: it is only read."""
    link = sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_S)
    try:
        tables = {name for (name,) in link.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    except sqlite3.Error:
        return  # locked, damaged or in need of its log: opening it says what it is
    finally:
        link.close()
    if tables and not {"alembic_version", *FIRST} <= tables:
        raise BadCase(f"{shown}: holds tables of another program; name another database with --cases")


def _set_up_sqlite(connection: sqlite3.Connection, _: object) -> None:
    """Each connection: transactions are ours to begin, others are waited for, references are checked, WAL."""
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {int(BUSY_S * 1000)}")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA synchronous = FULL")  # an entry that was acknowledged survives a power cut
    if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        _to_wal(cursor)
    cursor.close()


def _to_wal(cursor: sqlite3.Cursor) -> None:
    """Write-ahead log. The change needs the file alone and does not wait by itself for others that open it."""
    until = time.monotonic() + BUSY_S
    while True:
        try:
            cursor.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(0.02)


def _begin_sqlite(connection: Connection) -> None:
    """A transaction that will write takes the write lock at once: what it has read cannot grow old meanwhile."""
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def revision_of(connection: Connection) -> str | None:
    """The migration this database has; None for an empty one."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return found


def _bring_up_to_date(engine: Engine, shown: str) -> None:
    with engine.connect() as connection:
        found = revision_of(connection)
        if found == HEAD and set(APPEND_ONLY) <= set(inspect(connection).get_table_names()):
            return
        if found == HEAD:
            raise BadCase(f"{shown}: holds tables of another program; name another database with --cases")
    with engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": MIGRATING})
        found, tables = revision_of(connection), set(inspect(connection).get_table_names())
        if tables and (found is None or not set(FIRST) <= tables):
            raise BadCase(f"{shown}: holds tables of another program; name another database with --cases")
        if found != HEAD:
            migrate(connection, found, shown)


def migrate(connection: Connection, found: str | None, shown: str) -> None:
    """Run what is missing, within the connection's transaction; BadCase for a database newer than this program."""
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    known = {s.revision for s in ScriptDirectory.from_config(config).walk_revisions()}
    if found is not None and found not in known:
        raise BadCase(f"{shown}: written by a newer version of this program (revision {found}); update witnessmark")
    command.upgrade(config, "head")
