"""The same tests on SQLite and on PostgreSQL, which is skipped with the reason where no server can be started."""

from __future__ import annotations

import uuid

import pytest

from witnessmark.cases.bodies import Opened
from witnessmark.cases.store import Cases


@pytest.fixture(scope="session")
def postgresql():
    """URL of a server of this session's own."""
    pytest.importorskip("psycopg", reason="psycopg is not installed")
    pytest.importorskip("pwd", reason="PostgreSQL is started by these tests on POSIX systems only")
    from . import server

    try:
        with server.running() as url:
            yield url
    except server.NoServer as error:
        pytest.skip(f"no PostgreSQL server can be started: {error}")


def new_place(url: str) -> str:
    """A place of its own on the server: a fresh schema, which costs a hundredth of a fresh database."""
    import psycopg

    name = f"t{uuid.uuid4().hex}"
    with psycopg.connect(f"{url}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {name}")
    return f"{url}/postgres?options=-csearch_path%3D{name}"


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request, tmp_path):
    """Where an empty database of cases can be made."""
    if request.param == "sqlite":
        return str(tmp_path / "cases.db")
    return new_place(request.getfixturevalue("postgresql"))


@pytest.fixture
def store(place):
    return Cases.open(place)


@pytest.fixture
def van(store):
    """A case of the bakery's van, just opened."""
    opened = Opened("Cranks long, starts at the third try", "a bakery's delivery van, inline four", "the bakery")
    return store.new(opened, "R. Test")
