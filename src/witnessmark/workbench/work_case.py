"""What the work process does for a case: analyse a recording of it, and hold two recordings against each other."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from witnessmark.cases.bodies import Analysed, Body, RecordingAdded
from witnessmark.cases.evidence import evidence
from witnessmark.cases.model import Case
from witnessmark.cases.store import Cases
from witnessmark.cases.weighing import works_before
from witnessmark.cases.work import Recorded
from witnessmark.errors import BadCase
from witnessmark.workbench.folder import Card, Folder

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis

Tell = Callable[[Mapping[str, Any]], None]
AFTER_DONE, BEFORE_DONE = 0.5, 0.95  # share of a comparison when each recording is analysed


def analysed_for_case(
    folder: Folder, card: Card, run: Callable[..., Analysis], told: Tell, cases: str | None
) -> Analysis:
    """Analyse with what the case knows; enter it where somebody wants it entered.

    That is what tests showed by hand and control units said since the last work before the recording, and the shop's
    closed cases. A case that takes no entry any more is no reason to show nothing: the card then says so.
    """
    from witnessmark.pipeline import with_scan

    store = Cases.open(cases)
    case, path, setup = store.read(card.case), str(folder.original(card)), folder.setup(card.id)
    entry = entry_of(case, card, os.path.abspath(path))
    known = evidence(store, case, works=None if entry is None else works_before(case, entry))

    def analyse(_path: str, _setup: str | None, /, **weighed: Any) -> Analysis:
        return run(**weighed)

    told_setup = None if setup is None else str(setup)
    if not card.by:
        return known.analysis(path, told_setup, analyse, with_scan)
    made = known.weighed(path, told_setup, card.note, analyse, with_scan, "" if setup is None else setup.name)
    try:
        _enter(store, card, made, told)
    except BadCase as error:
        told({"said": f"not entered in the case: {folder.without_places(str(error))}", "by": ""})
    return made.analysis


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
    return a.file == b.file and a.weighed == b.weighed and a.scanned == b.scanned


def entry_of(case: Case, card: Card, path: str) -> int | None:
    """The entry of a recording in its case: as its card says, else by where it lies; None where it has none."""
    entries = dict(case.of(RecordingAdded))
    if card.entry in entries:
        return card.entry
    return next((n for n, r in entries.items() if r.path == path), None)


def evidence_in(case: Case, place: Path) -> tuple[int, ...]:
    """The entries of recordings that lie in a folder and count."""
    return tuple(n for n, r in case.of(RecordingAdded) if Path(r.path).is_relative_to(place.absolute()))


def compared(folder: Folder, case_id: str, asked: Mapping[str, Any], told: Tell, cases: str | None) -> None:
    """Hold a recording made after a repair against one made before, and enter it in the case.

    asked: ``path`` of the one after; ``before``: entry of the other, None for the last before the last work; ``by``:
    who writes. Raises what the case or the analysis refuses.
    """
    from witnessmark.cases.verify import checked_repair
    from witnessmark.pipeline import analyze

    store = Cases.open(cases)
    stores = {os.path.abspath(folder.original(c)): str(folder.of(c.id) / "store") for c in folder.cards()}
    begun: list[str] = []

    def analyse(path: str, setup: str | None) -> Analysis:
        which, start = ("the one before", AFTER_DONE) if begun else ("the one after the repair", 0.0)
        span = (BEFORE_DONE if begun else AFTER_DONE) - start
        begun.append(path)
        place = stores.get(os.path.abspath(path))

        def tell(_stage: str, share: float) -> None:
            told({"share": round(start + span * share, 3), "said": f"{which} is being analysed"})

        made = analyze(place if place and os.path.exists(f"{place}/recording.json") else path, setup, told=tell)
        return replace(made, recording=replace(made.recording, path=path))

    checked = checked_repair(store, store.read(case_id), str(asked["path"]), analyse, asked.get("before"))
    case = store.add(case_id, checked.bodies, str(asked["by"]), checked.files)
    told({"case_last": case.last})
