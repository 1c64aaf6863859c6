"""The shop's own closed cases as priors: which of them count, and the resets that leave earlier ones out.

A reset leaves out what was closed before it: the priors then begin anew with the next closed case. It is a row of its
own in the database, is never removed, and can be taken back; the reset before it counts again then. When a case was
closed is the time of the entry that closed it, by the clock of the machine that wrote it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, insert, select
from sqlalchemy.exc import IntegrityError

from witnessmark.cases.codec import named
from witnessmark.cases.database import translated
from witnessmark.cases.model import Case
from witnessmark.cases.store import TRIES, Cases, translated_but_conflicts
from witnessmark.cases.tables import prior_resets
from witnessmark.cases.weighing import closed_counts
from witnessmark.cases.words import clean
from witnessmark.errors import BadCase, CaseChanged


@dataclass(frozen=True, slots=True)
class Reset:
    """One row: the priors set back at ``at_utc``; or, with ``takes_back``, the reset of that number taken back."""

    number: int
    at_utc: str
    by: str
    why: str
    takes_back: int | None = None


@dataclass(frozen=True)
class History:
    """The closed cases that move priors.

    counts: closed cases by cause, after the reset that holds. left_out: how many before it name a cause. since: that
    reset; None where none holds. resets: every row, oldest first.
    """

    counts: Mapping[str, int]
    left_out: int
    since: Reset | None
    resets: tuple[Reset, ...]

    @property
    def since_utc(self) -> str:
        """When the reset that holds was made; empty where none does."""
        return "" if self.since is None else self.since.at_utc


def holding(resets: Sequence[Reset]) -> Reset | None:
    """The last reset that was not taken back."""
    back = {r.takes_back for r in resets}
    return next((r for r in reversed(resets) if r.takes_back is None and r.number not in back), None)


def history(store: Cases, but: str = "", *, since_begin: bool = False) -> History:
    """What counts now. ``but``: the case that is not to weigh on itself. since_begin: as if no reset held."""
    rows = resets(store)
    since = None if since_begin else holding(rows)
    made = store.read_each()[0]
    if since is None:
        return History(closed_counts(made, but), 0, None, rows)
    later = [c for c in made if closed_utc(c) > since.at_utc]
    earlier = [c for c in made if closed_utc(c) <= since.at_utc]
    return History(closed_counts(later, but), _naming(earlier, but), since, rows)


def closed_utc(case: Case) -> str:
    """When a case was closed last; empty while it is open."""
    if case.is_open:
        return ""
    return next(e.entry.at_utc for e in reversed(case.log) if e.entry.kind == "closed")


def _naming(cases: Iterable[Case], but: str) -> int:
    return sum(bool(closed_counts([c], but)) for c in cases)


def resets(store: Cases) -> tuple[Reset, ...]:
    """Every row, oldest first."""
    with translated(store.place), store.engine.connect() as connection:
        return _rows(connection)


def reset(store: Cases, by: str, why: str) -> Reset:
    """Leave out, from now on, every case that is closed by now. BadCase without a reason."""
    return _added(store, by, why, taking_back=False)


def take_back(store: Cases, by: str, why: str) -> Reset:
    """Take the reset that holds back. BadCase where none does, and without a reason."""
    return _added(store, by, why, taking_back=True)


def _rows(connection: Connection) -> tuple[Reset, ...]:
    found = connection.execute(select(prior_resets).order_by(prior_resets.c.number)).mappings()
    return tuple(Reset(r["number"], r["at_utc"], r["by"], r["why"], r["takes_back"]) for r in found)


def _added(store: Cases, by: str, why: str, *, taking_back: bool) -> Reset:
    who, reason = named(by), _reason(why)
    for _ in range(TRIES):
        try:
            with translated_but_conflicts(store.place), store.writes() as connection:
                rows = _rows(connection)
                held = holding(rows)
                if taking_back and held is None:
                    raise BadCase(f"{store.place}: no reset of the priors holds, so there is none to take back; "
                                  "case priors shows them")  # fmt: skip
                at = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
                made = Reset(len(rows) + 1, at, who, reason, held.number if taking_back and held else None)
                row = {"number": made.number, "at_utc": at, "by": who, "why": reason, "takes_back": made.takes_back}
                connection.execute(insert(prior_resets), row)
            return made
        except IntegrityError:
            continue  # another process was first: what holds is read anew
    raise CaseChanged(f"{store.place}: others wrote to it {TRIES} times in between; try again")


def _reason(why: str) -> str:
    try:
        said = clean(why)
    except ValueError as error:
        raise BadCase(f"--why: {error}") from None
    if not said:
        raise BadCase("--why: is empty; say why, it stays in the database")
    return said
