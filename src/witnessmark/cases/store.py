"""The cases of one database: read, and add to. Nothing here changes or removes a row."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import groupby

from sqlalchemy import Connection, Engine, insert, select
from sqlalchemy.exc import IntegrityError

from witnessmark.cases import codec
from witnessmark.cases.bodies import Body, Correction, Opened, Retraction
from witnessmark.cases.database import WRITES, chosen_place, open_engine, translated
from witnessmark.cases.fold import fold, folded
from witnessmark.cases.model import Attachment, Case, Entry
from witnessmark.cases.tables import attachments, cases, entries
from witnessmark.errors import BadCase, CaseChanged

ALPHABET = "23456789abcdefghjkmnpqrstuvwxyz"  # no 0 o, 1 l i: ids are read aloud in a workshop
ID_LENGTH = 8
ID_FORM = re.compile(f"[{ALPHABET}]{{{ID_LENGTH}}}")
TRIES = 200  # each costs a transaction; with dozens of processes on one case a few are needed
LARGEST_FILE = 64 * 1024 * 1024  # bytes; a photo has some 5 MB
Make = Callable[[Case], Sequence[Body]]


def new_id() -> str:
    """A random id of a case: one in 8e11 for two of them to be alike."""
    return "".join(secrets.choice(ALPHABET) for _ in range(ID_LENGTH))


def attachment(data: bytes, media_type: str, name: str, private: bool = False) -> Attachment:
    """A file's content with its hash; BadCase where it is too large to keep."""
    if len(data) > LARGEST_FILE:
        raise BadCase(f"{name}: {len(data)} bytes, expected at most {LARGEST_FILE}; make it smaller")
    return Attachment(hashlib.sha256(data).hexdigest(), media_type, data, private)


@dataclass(frozen=True)
class Cases:
    """An open database of cases. ``place``: how to name it, without a password."""

    engine: Engine
    place: str

    @classmethod
    def open(cls, given: str | None = None) -> Cases:
        """The database at this file or URL, made where there is none (see :mod:`witnessmark.cases.database`)."""
        place = chosen_place(given)
        engine = open_engine(place)
        return cls(engine, engine.url.render_as_string(hide_password=True) if "://" in place else place)

    @property
    def file_read(self) -> tuple[str, ...]:
        """The database's file, which no output may overwrite; empty where it is none."""
        name = self.engine.url.database if self.engine.dialect.name == "sqlite" else None
        return () if name is None else (name,)

    # ---- reading

    def ids(self) -> tuple[str, ...]:
        """All cases, the one opened last first."""
        first = select(entries.c.case_id).where(entries.c.number == 1).order_by(entries.c.at_utc.desc())
        with self._reads() as connection:
            return tuple(connection.execute(first).scalars())

    def resolve(self, beginning: str) -> str:
        """The id that begins so; BadCase where none or several do."""
        found = [i for i in self.ids() if i.startswith(beginning.lower())] if beginning else []
        if not found:
            raise BadCase(f"{beginning}: no case begins so in {self.place}; case list shows them")
        if len(found) > 1:
            raise BadCase(f"{beginning}: {len(found)} cases begin so ({', '.join(found[:4])}); write more of the id")
        return found[0]

    def read(self, case_id: str) -> Case:
        """The case with this id."""
        with self._reads() as connection:
            return self._read(connection, case_id)

    def read_all(self) -> tuple[Case, ...]:
        """Every case, the one opened last first. BadCase where one is damaged."""
        made, damaged = self.read_each()
        if damaged:
            raise BadCase(damaged[0])
        return made

    def read_each(self) -> tuple[tuple[Case, ...], tuple[str, ...]]:
        """(every case that can be read, the one opened last first; one line for each that is damaged)."""
        rows = select(entries).order_by(entries.c.case_id, entries.c.number)
        with self._reads() as connection:
            found = [dict(r) for r in connection.execute(rows).mappings()]
        made, damaged = [], []
        for key, group in groupby(found, key=lambda r: r["case_id"]):
            try:
                made.append(fold(codec.restored(r, f"{self.place}: case {key}") for r in group))
            except BadCase as error:
                damaged.append(str(error))
        return tuple(sorted(made, key=lambda c: c.log[0].entry.at_utc, reverse=True)), tuple(damaged)

    def file(self, case_id: str, sha256: str) -> Attachment | None:
        """A file of a case; None where it was left out of what was imported. BadCase where it is damaged."""
        with self._reads() as connection:
            return self._file(connection, case_id, sha256)

    def _file(self, connection: Connection, case_id: str, sha256: str) -> Attachment | None:
        wanted = select(attachments).where(attachments.c.case_id == case_id, attachments.c.sha256 == sha256)
        row = connection.execute(wanted).mappings().first()
        if row is None:
            return None
        data = bytes(row["data"])
        if hashlib.sha256(data).hexdigest() != sha256:
            raise BadCase(f"{self.place}: case {case_id}: file {sha256[:12]} is not as it was added; restore a backup")
        return Attachment(sha256, row["media_type"], data, bool(row["private"]))

    def _read(self, connection: Connection, case_id: str) -> Case:
        rows = connection.execute(select(entries).where(entries.c.case_id == case_id).order_by(entries.c.number))
        case = fold(codec.restored(dict(r), f"{self.place}: case {case_id}") for r in rows.mappings())
        if not case.log:
            raise BadCase(f"{case_id}: no such case in {self.place}; case list shows them")
        return case

    # ---- adding

    def new(self, opened: Opened, by: str, files: Iterable[Attachment] = ()) -> Case:
        """Open a case."""
        entry = codec.made(new_id(), 1, by, opened, "")
        case = fold([entry])
        with translated(self.place), self.writes() as connection:
            connection.execute(insert(cases), {"id": entry.case_id})
            self._keep(connection, entry.case_id, files)
            self._insert(connection, [entry])
        return case

    def add(
        self,
        case_id: str,
        make: Make | Body,
        by: str,
        files: Iterable[Attachment] = (),
        expected: int | None = None,
    ) -> Case:
        """Append entries and return the case with them: all of them or none, directly after one another.

        ``make``: the body, or what gives the bodies for the case as it is at that moment. Where another process comes
        first, it is asked again for the case as it then is, so that nothing rests on an old reading. ``expected``:
        number of the last entry the caller has seen; CaseChanged where the log is longer by then.
        """
        kept = tuple(files)
        for _ in range(TRIES):
            try:
                with translated_but_conflicts(self.place), self.writes() as connection:
                    case = self._read(connection, case_id)
                    if expected is not None and case.last != expected:
                        raise CaseChanged(f"case {case_id}: has {case.last} entries, expected {expected}: another "
                                          "process wrote to it; read it again")  # fmt: skip
                    bodies = make(case) if callable(make) else (make,)
                    more = _after(case, bodies, by)
                    after = folded(case, *more)
                    self._keep(connection, case_id, kept)
                    self._insert(connection, more)
                return after
            except IntegrityError:
                continue
        raise CaseChanged(f"case {case_id}: others wrote to it {TRIES} times in between; try again")

    def merge(self, log: Sequence[Entry], files: Sequence[Callable[[], Attachment]]) -> tuple[Case, int]:
        """Take in a whole log from elsewhere: (the case, number of entries that were new).

        Nothing happens where it is here already; what is here may be a beginning of it, or it of what is here. BadCase
        where the two have gone different ways.
        """
        case_id = fold(log).id
        for _ in range(TRIES):
            try:
                with translated_but_conflicts(self.place), self.writes() as connection:
                    new = self._merge(connection, case_id, log, files)
                return self.read(case_id), new
            except IntegrityError:
                continue  # another process took in the same, or wrote to it
        raise CaseChanged(f"case {case_id}: others wrote to it {TRIES} times in between; try again")

    def _merge(
        self, connection: Connection, case_id: str, log: Sequence[Entry], files: Sequence[Callable[[], Attachment]]
    ) -> int:
        mine = select(entries.c.hash).where(entries.c.case_id == case_id).order_by(entries.c.number)
        here = connection.execute(mine).scalars().all()
        same = min(len(here), len(log))
        if list(here[:same]) != [e.hash for e in log[:same]]:
            raise BadCase(f"case {case_id}: is here already and has gone another way since; export the one here and "
                          "compare them by hand")  # fmt: skip
        if not here:
            connection.execute(insert(cases), {"id": case_id})
        for file in files:
            self._keep(connection, case_id, [file()])
        self._insert(connection, log[same:])
        return len(log) - same

    def _keep(self, connection: Connection, case_id: str, files: Iterable[Attachment]) -> None:
        """Add files that the case does not have yet."""
        for file in files:
            held = select(attachments.c.sha256).where(
                attachments.c.case_id == case_id, attachments.c.sha256 == file.sha256
            )
            if connection.execute(held).first() is None:
                connection.execute(
                    insert(attachments),
                    {"case_id": case_id, "sha256": file.sha256, "media_type": file.media_type, "data": file.data,
                     "size_bytes": len(file.data), "private": file.private},
                )  # fmt: skip

    def _insert(self, connection: Connection, more: Iterable[Entry]) -> None:
        for e in more:
            corrects = e.body.entry if isinstance(e.body, Correction | Retraction) else None
            connection.execute(
                insert(entries),
                {"case_id": e.case_id, "number": e.number, "at_utc": e.at_utc, "by": e.by, "kind": e.kind,
                 "corrects": corrects, "text": e.text, "previous": e.previous, "hash": e.hash},
            )  # fmt: skip

    @contextmanager
    def _reads(self) -> Iterator[Connection]:
        with translated(self.place), self.engine.connect() as connection:
            yield connection

    @contextmanager
    def writes(self) -> Iterator[Connection]:
        """A transaction that writes: all of it or nothing."""
        with self.engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
            yield connection


@contextmanager
def translated_but_conflicts(place: str) -> Iterator[None]:
    """As ``translated``, but a number that another process took goes on to the caller."""
    conflict: IntegrityError | None = None
    with translated(place):
        try:
            yield
        except IntegrityError as error:
            conflict = error
    if conflict is not None:
        raise conflict


def _after(case: Case, bodies: Sequence[Body], by: str) -> list[Entry]:
    """Entries that follow the case's last one."""
    out: list[Entry] = []
    previous = case.head
    for i, body in enumerate(bodies):
        out.append(codec.made(case.id, case.last + 1 + i, by, body, previous))
        previous = out[-1].hash
    return out
