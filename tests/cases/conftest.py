"""The same tests on SQLite and on PostgreSQL, which is skipped with the reason where no server can be started."""

from __future__ import annotations

import hashlib
import os
import shutil
import uuid
from pathlib import Path

import pytest

from witnessmark.cases.bodies import Opened
from witnessmark.cases.store import Cases

from . import story


@pytest.fixture(scope="session")
def postgresql():
    """URL of a server of this session's own."""
    pytest.importorskip("psycopg", reason="psycopg is not installed")
    pytest.importorskip("pwd", reason="PostgreSQL is started by these tests on POSIX systems only")
    from . import server

    try:
        with server.running() as url:
            yield url
    except server.NoPrograms as error:
        pytest.skip(str(error))
    except server.NoServer as error:
        if os.environ.get("CI"):
            pytest.fail(f"PostgreSQL is here and does not start: {error}")
        pytest.skip(f"PostgreSQL is here and does not start: {error}")


def new_place(url: str) -> str:
    """A place of its own on the server: a fresh schema, which costs a hundredth of a fresh database."""
    import psycopg

    name = f"t{uuid.uuid4().hex}"
    with psycopg.connect(f"{url}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {name}")
    return f"{url}/postgres?options=-csearch_path%3D{name}"


@pytest.fixture(scope="session")
def template(tmp_path_factory):
    """A SQLite database without cases, to be copied: making one takes a third of a second."""
    path = tmp_path_factory.mktemp("template") / "cases.db"
    Cases.open(str(path))
    return path


@pytest.fixture
def fresh(template, tmp_path):
    """A function: the path of a SQLite database without cases, by its name."""
    return lambda name="cases.db": shutil.copy(template, tmp_path / name)


@pytest.fixture(params=["sqlite", "postgresql"])
def bare_place(request, tmp_path):
    """Where a database of cases can be made, and nothing is yet."""
    if request.param == "sqlite":
        return str(tmp_path / "bare.db")
    return new_place(request.getfixturevalue("postgresql"))


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request, fresh):
    """A place for cases without any."""
    if request.param == "sqlite":
        return str(fresh())
    return new_place(request.getfixturevalue("postgresql"))


@pytest.fixture
def store(place):
    return Cases.open(place)


@pytest.fixture
def van(store):
    """A case of the bakery's van, just opened."""
    opened = Opened("Cranks long, starts at the third try", "a bakery's delivery van, inline four", "the bakery")
    return store.new(opened, "R. Test")


@pytest.fixture(scope="package", autouse=True)
def _each_recording_is_analysed_once():
    """The same content with the same setup gives the same analysis, path aside: here it is made once for all tests."""
    from witnessmark import pipeline

    made, analyse = {}, pipeline.analyze

    def once(path, setup_path=None, **more):
        if not all(Path(p).is_file() for p in (path, setup_path) if p is not None):
            return analyse(path, setup_path, **more)
        setup = None if setup_path is None else Path(setup_path).read_bytes()
        more = {k: v for k, v in more.items() if v}
        key = str(path), hashlib.sha256(Path(path).read_bytes()).hexdigest(), setup, repr(more)
        if key not in made:
            made[key] = analyse(path, setup_path, **more)
        return made[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "analyze", once)
        yield


@pytest.fixture(scope="package")
def job(tmp_path_factory):
    """The folder of a small job: see story.made. Do not write into it."""
    return story.made(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="package")
def done(job, tmp_path_factory):
    """(place, id) of the job worked to its end. Do not write into it."""
    place = tmp_path_factory.mktemp("done") / "cases.db"
    return place, story.worked(place, job)
