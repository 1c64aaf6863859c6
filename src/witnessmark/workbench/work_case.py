"""The analysis of a recording that belongs to a case: with what the case knows, and entered in its log."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from witnessmark.cases.bodies import Analysed, Body, RecordingAdded
from witnessmark.cases.model import Case
from witnessmark.cases.store import Cases
from witnessmark.cases.weighing import closed_counts, seen
from witnessmark.cases.work import Recorded, recorded
from witnessmark.errors import BadCase
from witnessmark.workbench.folder import Card, Folder

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis

Tell = Callable[[Mapping[str, Any]], None]


def analysed_for_case(
    folder: Folder, card: Card, run: Callable[..., Analysis], told: Tell, cases: str | None
) -> Analysis:
    """Analyse with the observations of the case and the shop's closed cases; enter it where somebody wants it entered.

    A case that takes no entry any more is no reason to show nothing: the card then says so.
    """
    store = Cases.open(cases)
    case = store.read(card.case)
    observed = seen(case)
    counts = closed_counts(store.read_each()[0], case.id)
    analysis = run(observations=tuple(o for _, o in observed), closed=counts or None)
    if card.by:
        setup = folder.setup(card.id)
        made = recorded(str(folder.original(card)), None if setup is None else str(setup), card.note,
                        lambda *_: analysis, "" if setup is None else setup.name,
                        tuple(n for n, _ in observed))  # fmt: skip
        try:
            _enter(store, card, made, told)
        except BadCase as error:
            told({"said": f"not entered in the case: {folder.without_places(str(error))}", "by": ""})
    return analysis


def _enter(store: Cases, card: Card, made: Recorded, told: Tell) -> None:
    """Append what is not in the log yet: a server killed in between asks for the same again."""
    bodies: tuple[Body, ...] = ()

    def more(case: Case) -> tuple[Body, ...]:
        nonlocal bodies
        entry = entry_of(case, card, made.recording.path)
        if entry is None:
            bodies = made.after(case.last)
        else:
            last = next((a for _, a in reversed(case.of(Analysed)) if a.recording == entry), None)
            again = replace(made.analysed, recording=entry)
            bodies = () if last is not None and _same(last, again) else (again,)
        return bodies

    before = store.read(card.case)
    after = store.add(card.case, more, card.by, made.files) if more(before) else before
    told({"entry": entry_of(after, card, made.recording.path), "by": "", "case_last": after.last})


def _same(a: Analysed, b: Analysed) -> bool:
    return a.file == b.file and a.weighed == b.weighed


def entry_of(case: Case, card: Card, path: str) -> int | None:
    """The entry of a recording in its case: as its card says, else by where it lies; None where it has none."""
    entries = dict(case.of(RecordingAdded))
    if card.entry in entries:
        return card.entry
    return next((n for n, r in entries.items() if r.path == path), None)


def evidence(case: Case, place: Path) -> tuple[int, ...]:
    """The entries of recordings that lie in a folder and count."""
    return tuple(n for n, r in case.of(RecordingAdded) if Path(r.path).is_relative_to(place.absolute()))
