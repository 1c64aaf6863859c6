"""What a shell is offered for a word that is begun: cases, their entries, tests, outcomes, causes.

A completion makes no database, prints nothing and never complains: where something is wrong it offers nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import wraps
from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from witnessmark.errors import WitnessmarkError

if TYPE_CHECKING:
    from witnessmark.cases.model import Case
    from witnessmark.cases.store import Cases
    from witnessmark.causes.catalogue import TestRow

Offer = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _offering(pairs: Callable[[click.Context, str], Iterable[tuple[str, str]]]) -> Offer:
    """From a function that gives (word, what it is): those that begin as the word that is begun."""

    @wraps(pairs)
    def offered(context: click.Context, parameter: click.Parameter, incomplete: str) -> list[CompletionItem]:
        try:
            return [
                CompletionItem(w, help=h or None) for w, h in pairs(context, incomplete) if w.startswith(incomplete)
            ]
        except (WitnessmarkError, OSError):
            return []

    return offered


@_offering
def case_ids(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """The ids in the database, with vehicle and complaint."""
    store = _store(context)
    made = () if store is None else store.read_each()[0]
    return [(c.id, "; ".join(t for t in (c.opened.vehicle, c.opened.complaint) if t)) for c in made]


@_offering
def causes(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """The closed list of causes."""
    from witnessmark.causes.ids import CAUSES
    from witnessmark.report.words import CAUSES as NAMES

    return [(c, NAMES.get(c, "")) for c in CAUSES]


@_offering
def tests(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """The tests of the catalogue."""
    return [(t.id, t.statement) for t in _catalogue()]


@_offering
def outcomes(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """The outcomes of the test that --test names, by number."""
    return _numbered(next((t for t in _catalogue() if t.id == context.params.get("test")), None))


@_offering
def observed(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """TEST=, and behind it the numbers of its outcomes."""
    test, sign, _ = incomplete.partition("=")
    if not sign:
        return [(f"{t.id}=", t.statement) for t in _catalogue()]
    numbered = _numbered(next((t for t in _catalogue() if t.id == test), None))
    return [(f"{test}={number}", said) for number, said in numbered]


@_offering
def tests_open(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """The chosen tests of the case that have no outcome, by entry."""
    case = _case(context)
    return [] if case is None else [(str(n), t.statement) for n, t in case.tests_open]


@_offering
def results(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """The foreseen outcomes of the chosen test, by number."""
    from witnessmark.cases.bodies import ChosenTest

    case = _case(context)
    chosen = dict([] if case is None else case.of(ChosenTest)).get(context.params.get("number") or 0)
    return [] if chosen is None else [(str(k), o.result) for k, o in enumerate(chosen.outcomes, start=1)]


@_offering
def to_restore(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """What is still disabled in the case, by entry."""
    case = _case(context)
    return [] if case is None else [(str(n), d.item) for n, d in case.to_restore]


@_offering
def recordings(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """The recordings of the case, by entry."""
    from witnessmark.cases.bodies import RecordingAdded

    case = _case(context)
    return [] if case is None else [(str(n), r.path) for n, r in case.of(RecordingAdded)]


@_offering
def entries(context: click.Context, incomplete: str) -> Iterable[tuple[str, str]]:
    """The entries of the case that count, by number."""
    from witnessmark.cases.phrases import say

    case = _case(context)
    return [] if case is None else [(str(e.number), f"{e.entry.kind}: {say(e.body)}") for e in case.log if e.counts]


def _numbered(test: TestRow | None) -> list[tuple[str, str]]:
    return [] if test is None else [(str(k), o.result) for k, o in enumerate(test.outcomes, start=1)]


def _catalogue() -> list[TestRow]:
    from witnessmark.causes.catalogue import load_knowledge

    return load_knowledge().test


def _store(context: click.Context) -> Cases | None:
    """The database, if there is one."""
    from pathlib import Path

    from witnessmark.cases.database import chosen_place
    from witnessmark.cases.store import Cases

    place = chosen_place(context.params.get("cases"))
    return Cases.open(place) if "://" in place or Path(place).exists() else None


def _case(context: click.Context) -> Case | None:
    """The case that the words before name, if there is one.

    Behind an option whose value is being completed, click has not put the words to their arguments yet.
    """
    store, named = _store(context), context.params.get("case_id") or next(iter(context.args), "")
    return None if store is None or not named else store.read(store.resolve(named))
