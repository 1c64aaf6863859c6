"""From a log to the state of its case: a pure function that also refuses a log which cannot have come about."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, fields
from typing import Any

from witnessmark.cases import codec
from witnessmark.cases.bodies import (
    KIND_OF,
    Analysed,
    Body,
    ChosenTest,
    Closed,
    Correction,
    Decision,
    Disabled,
    Opened,
    Outcome,
    RecordingAdded,
    Reopened,
    Restored,
    Retraction,
    Snapshot,
    Verified,
)
from witnessmark.cases.model import Case, Entry, Logged, alters
from witnessmark.cases.words import MOST_ENTRIES
from witnessmark.errors import BadCase

NAMES: dict[type, str] = {
    Opened: "the opening", RecordingAdded: "a recording", Analysed: "an analysis", Disabled: "a disabled item",
    ChosenTest: "a chosen test", Snapshot: "a snapshot",
}  # fmt: skip
NEEDS: dict[type, type] = {Analysed: RecordingAdded, ChosenTest: Analysed, Outcome: ChosenTest, Restored: Disabled,
                           Verified: RecordingAdded}  # fmt: skip
"""The kind of entry that one of this kind rests on, first of all where it rests on several kinds."""


def fold(entries: Iterable[Entry]) -> Case:
    """The state after these entries of one case, in order. BadCase names the first entry that cannot stand there."""
    ledger = _Ledger()
    for entry in entries:
        ledger.add(entry)
    return ledger.case()


def folded(case: Case, *more: Entry) -> Case:
    """The state after further entries."""
    ledger = _Ledger()
    for entry in (e.entry for e in case.log):
        ledger.add(entry)
    ledger.adding = True
    for entry in more:
        ledger.add(entry)
    return ledger.case()


@dataclass
class _Ledger:
    """Built entry by entry: what counts, what is withdrawn, whether the case is open. Numbers count from 1.

    adding: what comes now is new, so that a refusal need not say which entry it is about.
    """

    entries: list[Entry] = field(default_factory=list)
    bodies: list[Body] = field(default_factory=list)  # as corrected
    corrected: list[list[int]] = field(default_factory=list)
    corrections: dict[int, list[int]] = field(default_factory=dict)  # entry -> all corrections of it
    leaning: list[tuple[int, tuple[int, ...]]] = field(default_factory=list)  # (entry, what it rests on)
    gone: dict[int, int] = field(default_factory=dict)  # number -> the retraction that took it away
    restored: set[int] = field(default_factory=set)
    answered: set[int] = field(default_factory=set)
    is_open: bool = True
    adding: bool = False

    def case(self) -> Case:
        """The state now."""
        log = tuple(
            Logged(e, self.bodies[i], tuple(self.corrected[i]), self.gone.get(e.number))
            for i, e in enumerate(self.entries)
        )
        return Case(self.entries[0].case_id if self.entries else "", log, self.is_open)

    def add(self, entry: Entry) -> None:
        """Take an entry in, or refuse it."""
        where = f"case {entry.case_id}" + ("" if self.adding else f", entry {entry.number}")
        self._in_order(entry, where)
        self._fitting(entry, where)
        self.entries.append(entry)
        self.bodies.append(entry.body)
        self.corrected.append([])
        body = entry.body
        if body.rests_on():
            self.leaning.append((entry.number, body.rests_on()))
        if isinstance(body, Closed | Reopened):
            self.is_open = isinstance(body, Reopened)
        elif isinstance(body, Restored):
            self.restored.add(body.disabled)
        elif isinstance(body, Outcome):
            self.answered.add(body.chosen)
        elif isinstance(body, Correction):
            self.corrections.setdefault(body.entry, []).append(entry.number)
            self._correct(body.entry)
        elif isinstance(body, Retraction):
            self._settle()

    def _in_order(self, entry: Entry, where: str) -> None:
        last = self.entries[-1] if self.entries else None
        if entry.number > MOST_ENTRIES:
            raise BadCase(f"{where}: a case takes {MOST_ENTRIES} entries at most; open another case")
        if entry.number != len(self.entries) + 1 or entry.previous != ("" if last is None else last.hash):
            raise BadCase(f"{where}: does not follow the entry before it; the log has a hole or was changed")
        if last is not None and entry.case_id != last.case_id:
            raise BadCase(f"{where}: belongs to another case than the entries before it")
        if isinstance(entry.body, Opened) != (last is None):
            raise BadCase(f"{where}: a case is opened once, by its first entry")

    def _fitting(self, entry: Entry, where: str) -> None:
        body = entry.body
        if isinstance(body, Reopened) == self.is_open:
            raise BadCase(f"{where}: the case is open already" if self.is_open else
                          f"{where}: the case is closed; reopen it first")  # fmt: skip
        scanned = body.scanned if isinstance(body, Analysed) else ()
        for number in body.rests_on():
            self._counting(number, where, Snapshot if number in scanned else NEEDS.get(type(body)))
        if isinstance(body, Decision):
            for number in body.because:
                self._counting(number, where)
        elif isinstance(body, Restored) and body.disabled in self.restored:
            raise BadCase(f"{where}: entry {body.disabled} is confirmed as restored already")
        elif isinstance(body, Outcome) and body.chosen in self.answered:
            raise BadCase(f"{where}: test {body.chosen} has an outcome already; correct that or choose the test again")
        elif isinstance(body, Verified):
            self._proves(body, where)
        elif isinstance(body, Closed):
            self._all_restored(where)
        elif isinstance(body, Correction):
            self._correctable(body, where)
        elif isinstance(body, Retraction):
            self._retractable(body, where)

    def _counting(self, number: int, where: str, kind: type | None = None) -> Body:
        """The entry with this number, which must exist, count, and be of this kind."""
        if number > len(self.entries):
            raise BadCase(f"{where}: there is no entry {number} before it; case show lists them")
        if number in self.gone:
            raise BadCase(f"{where}: entry {number} was withdrawn by entry {self.gone[number]}; name another")
        body = self.bodies[number - 1]
        if kind is not None and not isinstance(body, kind):
            raise BadCase(f"{where}: entry {number} is not {NAMES[kind]} ({KIND_OF[type(body)]}); name one that is")
        return body

    def _proves(self, body: Verified, where: str) -> None:
        """A recording proves a repair only if it was added after it."""
        if body.before == body.after:
            raise BadCase(f"{where}: before and after are the same recording; give the one made after the repair")
        recorded = [
            (n, b.sha256) for n, b in enumerate(self.bodies, 1) if isinstance(b, RecordingAdded) and n not in self.gone
        ]
        content = dict(recorded)[body.after]
        made = next(n for n, sha256 in recorded if sha256 == content)  # added again later, it is still the old one
        for number in range(len(self.bodies), made, -1):
            if number not in self.gone and alters(self.bodies[number - 1]):
                kind = KIND_OF[type(self.bodies[number - 1])]
                raise BadCase(f"{where}: recording {made} is older than entry {number} ({kind}); make a recording now "
                              "and give that")  # fmt: skip

    def _all_restored(self, where: str) -> None:
        open_ = [
            (n, b.item) for n, b in enumerate(self.bodies, 1) if isinstance(b, Disabled) and n not in self.restored
        ]
        if open_:
            items = ", ".join(f"{n} {item}" for n, item in open_)
            raise BadCase(f"{where}: not closed, still to restore: {items}; confirm that each is back (case restore)")

    def _correctable(self, body: Correction, where: str) -> None:
        old = self._counting(body.entry, where)
        if old.FIXED is None:
            raise BadCase(f"{where}: a {KIND_OF[type(old)]} takes no correction; withdraw it and make it anew")
        known = {f.name for f in fields(old)}
        for name in body.changes:
            if name not in known:
                raise BadCase(f'{where}: entry {body.entry} has no field "{name[:40]}", expected one of '
                              f"{', '.join(sorted(known - old.FIXED))}")  # fmt: skip
            if name in old.FIXED:
                raise BadCase(f"{where}: {name} of entry {body.entry} is fixed; withdraw the entry and make it anew")
        new = with_changes(old, body.changes, where)
        if new == old:
            raise BadCase(f"{where}: changes nothing in entry {body.entry}")
        for number in new.because if isinstance(new, Decision) else ():
            self._counting(number, where)

    def _retractable(self, body: Retraction, where: str) -> None:
        old = self._counting(body.entry, where)
        if isinstance(old, Opened | Closed | Reopened):
            raise BadCase(f"{where}: a {KIND_OF[type(old)]} entry cannot be withdrawn; correct it, close or reopen")
        if isinstance(old, Disabled):
            raise BadCase(f"{where}: what was disabled is not withdrawn but confirmed as restored; use case restore")

    def _correct(self, number: int) -> None:
        """The entry's body with all corrections of it that count, if these are others than before."""
        held = [n for n in self.corrections.get(number, ()) if n not in self.gone]
        if held == self.corrected[number - 1]:
            return
        entry = self.entries[number - 1]
        changes: dict[str, Any] = {}
        for n in held:
            correction = self.entries[n - 1].body
            changes |= correction.changes if isinstance(correction, Correction) else {}
        where = f"case {entry.case_id}, entry {held[-1] if held else number}"
        self.bodies[number - 1] = with_changes(entry.body, changes, where) if held else entry.body
        self.corrected[number - 1] = held

    def _settle(self) -> None:
        """What counts, found anew: a retraction came, which may bring back what an earlier one took away."""
        self.gone = {}
        for e in reversed(self.entries):
            if isinstance(e.body, Retraction) and e.number not in self.gone:
                self.gone[e.body.entry] = e.number
        for number, on in self.leaning:
            by = [self.gone[n] for n in on if n in self.gone]
            if by and number not in self.gone:
                self.gone[number] = by[0]
        count = [e for e in self.entries if e.number not in self.gone]
        self.restored = {e.body.disabled for e in count if isinstance(e.body, Restored)}
        self.answered = {e.body.chosen for e in count if isinstance(e.body, Outcome)}
        for number in self.corrections:
            self._correct(number)


def with_changes(old: Body, changes: dict[str, Any], where: str) -> Body:
    """A body with the new values of corrections, checked as a whole."""
    return codec.body_from(KIND_OF[type(old)], codec.canonical({**codec.body_data(old), **changes}), where)
