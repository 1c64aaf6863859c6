"""A case: its log as written, and its state, which is nothing but a fold over the log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

from witnessmark.cases.bodies import (
    Analysed,
    Body,
    ChosenTest,
    Closed,
    Disabled,
    Observation,
    Opened,
    Outcome,
    ProposedTest,
    Reopened,
    Restored,
    Verified,
    Work,
)

B = TypeVar("B")


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as written: never changed.

    number: 1, 2, 3, ... within its case, without a hole. at_utc: ISO 8601 in UTC. text: the body as canonical JSON.
    previous, hash: SHA-256 of the entry before and of this one (over everything here, ``previous`` too), so that a
    change of any entry shows in all after it.
    """

    case_id: str
    number: int
    at_utc: str
    by: str
    kind: str
    text: str
    previous: str
    hash: str
    body: Body


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file of a case, kept whole under the SHA-256 of its content. ``private``: leaves the house only when asked."""

    sha256: str
    media_type: str
    data: bytes
    private: bool = False


@dataclass(frozen=True, slots=True)
class Logged:
    """An entry as it counts now: ``body`` with its corrections.

    corrected_by: numbers of the corrections that hold, oldest first. withdrawn_by: number of the retraction of this
    entry, or of one it rests on; None where it counts.
    """

    entry: Entry
    body: Body
    corrected_by: tuple[int, ...] = ()
    withdrawn_by: int | None = None

    @property
    def number(self) -> int:
        """Its place in the log."""
        return self.entry.number

    @property
    def counts(self) -> bool:
        """Whether it has not been withdrawn."""
        return self.withdrawn_by is None


@dataclass(frozen=True, slots=True)
class Case:
    """State of a case after its whole log. ``is_open``: whether it still takes entries."""

    id: str
    log: tuple[Logged, ...]
    is_open: bool

    @property
    def last(self) -> int:
        """Number of the last entry; 0 before the first."""
        return len(self.log)

    @property
    def head(self) -> str:
        """Hash of the last entry: it stands for the whole log."""
        return self.log[-1].entry.hash if self.log else ""

    @property
    def opened(self) -> Opened:
        """Complaint and vehicle, as corrected."""
        body = self.log[0].body
        assert isinstance(body, Opened)
        return body

    def of(self, kind: type[B]) -> tuple[tuple[int, B], ...]:
        """(number, body) of every entry of a kind that counts, in order."""
        return tuple((e.number, e.body) for e in self.log if e.counts and isinstance(e.body, kind))

    @property
    def to_restore(self) -> tuple[tuple[int, Disabled], ...]:
        """Disabled items that nobody has confirmed to be back."""
        back = {r.disabled for _, r in self.of(Restored)}
        return tuple((n, d) for n, d in self.of(Disabled) if n not in back)

    @property
    def tests_open(self) -> tuple[tuple[int, ChosenTest], ...]:
        """Chosen tests without an outcome."""
        done = {d.chosen for _, d in self.of(Outcome)}
        return tuple((n, t) for n, t in self.of(ChosenTest) if n not in done)

    @property
    def verification(self) -> tuple[int, Verified] | None:
        """The last comparison before and after the repair, while nothing after it puts it out of date."""
        made = self.of(Verified)
        return made[-1] if made and self.outdated is None else None

    @property
    def outdated(self) -> tuple[int, Verified, Logged] | None:
        """The last comparison with the first entry that puts it out of date; None where it holds or there is none.

        Work done since, the case opened again, or another recording analysed: then it says nothing of the vehicle now.
        """
        made = self.of(Verified)
        if not made:
            return None
        number, last = made[-1]
        since = next(
            (e for e in self.log[number:] if e.counts and (alters(e.body) or _of_another(e.body, last.after))), None
        )
        return None if since is None else (number, last, since)

    @property
    def verdict(self) -> tuple[int, Analysed] | None:
        """The analysis that says what is wrong: while a check of the repair holds, that of the recording before it."""
        made, verified = self.of(Analysed), self.verification
        if verified is not None:
            made = tuple(a for a in made if a[1].recording == verified[1].before) or made
        return made[-1] if made else None

    @property
    def proposed(self) -> tuple[int, ProposedTest] | None:
        """The first test that the last analysis proposes and that was not done since, with the analysis' entry."""
        made = self.of(Analysed)
        if not made:
            return None
        number, last = made[-1]
        done = {test for n, test, _ in self.observed if n > number}
        return next(((number, t) for t in last.next_tests if t.id not in done), None)

    @property
    def closed(self) -> Closed | None:
        """How a closed case ended; its cause, where one is named, is what was proven. None while it is open."""
        if self.is_open:
            return None
        body = next(e.body for e in reversed(self.log) if isinstance(e.body, Closed))
        return body if isinstance(body, Closed) else None

    @property
    def observed(self) -> tuple[tuple[int, str, str], ...]:
        """(entry, test, outcome) of everything that tests showed by hand, in order."""
        tests = {n: t.test for n, t in self.of(ChosenTest)}
        seen = [(n, tests[o.chosen], o.result) for n, o in self.of(Outcome)]
        seen += [(n, o.test, o.outcome) for n, o in self.of(Observation) if o.test and o.outcome]
        return tuple(sorted(seen))


def alters(body: Body) -> bool:
    """Whether the vehicle is another since this entry: work was done on it, or it came back."""
    return isinstance(body, Reopened) or (isinstance(body, Work) and not body.earlier)


def _of_another(body: Body, recording: int) -> bool:
    return isinstance(body, Analysed) and body.recording != recording
