"""What tests showed by hand, and what the shop's closed cases were, in the weighing of causes.

An analysis takes in what was seen before it (``Analysed.weighed``). What is seen, corrected or withdrawn later moves
its causes by Bayes' rule, with the chances of :mod:`witnessmark.causes.observations`: what counts now over what counted
then. Work on the vehicle parts the evidence: what was seen before it says nothing of a recording made after it, nor
the other way round.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from witnessmark.cases.bodies import Analysed, CauseLine, Work
from witnessmark.cases.model import Case
from witnessmark.causes.ids import CAUSES, NONE_FOUND
from witnessmark.errors import BadObservation

if TYPE_CHECKING:
    from witnessmark.causes.observations import Observation

LEAST = 1e-6  # chance of an outcome below which nothing is divided by it


@dataclass(frozen=True, slots=True)
class Balance:
    """Causes after an entry: the analysis itself, or something seen later."""

    number: int
    causes: tuple[CauseLine, ...]


def closed_counts(cases: Iterable[Case], but: str = "") -> dict[str, int]:
    """Closed cases by the cause that was proven; ``but``: the case that is not to weigh on itself."""
    from witnessmark.causes.experience import counts_of

    ends = [c.closed for c in cases if c.id != but]
    return counts_of([e.cause] for e in ends if e is not None and e.cause in CAUSES and e.cause != NONE_FOUND)


def seen(case: Case, since_work: int | None = None) -> tuple[tuple[int, Observation], ...]:
    """(entry, observation) of what counts, is a test of the catalogue, and was seen on the vehicle as it is now.

    ``since_work``: as it was then, after so many works.
    """
    if not case.observed:
        return ()
    from witnessmark.causes.catalogue import load_knowledge
    from witnessmark.causes.observations import observation

    works = works_before(case, case.last + 1) if since_work is None else since_work
    knowledge, found = load_knowledge(), []
    for number, test, outcome in case.observed:
        if works_before(case, number) != works:
            continue
        try:
            entry = case.log[number - 1].entry
            found.append((number, observation(test, outcome, knowledge, when=entry.at_utc, by=entry.by)))
        except BadObservation:
            continue  # a test or an outcome in own words: it is told, and cannot be weighed
    return tuple(found)


def works_before(case: Case, number: int) -> int:
    """How often the vehicle was worked on before an entry."""
    return sum(n < number and not w.earlier for n, w in case.of(Work))


def balances(case: Case) -> tuple[Balance, ...]:
    """The causes by the first analysis of the recording that counts, then after each entry that moved them.

    Among those are further analyses of it: a snapshot was weighed with it, or it was analysed anew.
    """
    judged = case.verdict
    if judged is None:
        return ()
    number, counting = judged
    told = seen(case, works_before(case, counting.recording))
    made = [(n, a) for n, a in case.of(Analysed) if a.recording == counting.recording and n <= number]
    ends = [*(n for n, _ in made[1:]), case.last + 1]
    return tuple(b for (n, a), end in zip(made, ends, strict=True) for b in _after(case, n, a, told, end))


def _after(
    case: Case, number: int, made: Analysed, told: tuple[tuple[int, Observation], ...], end: int
) -> list[Balance]:
    """The causes of one analysis, then after each entry before ``end`` that moved them."""
    then = [o for _, o in _as_analysed(case, number, made)]
    kept = [(n, o) for n, o in told if n in made.weighed]
    out = [Balance(number, _moved(made.causes, [o for _, o in kept], then))]
    for entry, one in told:
        if entry not in made.weighed and entry < end:
            kept.append((entry, one))
            if _by_record(one):
                continue
            out.append(Balance(entry, _moved(made.causes, [o for _, o in sorted(kept, key=lambda p: p[0])], then)))
    return out


def _by_record(one: Observation) -> bool:
    """Whether the recording made in the test says it itself, so that the word for it moves nothing."""
    from witnessmark.causes.catalogue import load_knowledge

    test = next(t for t in load_knowledge().test if t.id == one.test)
    return test.outcomes[one.outcome].by_record


def judged(case: Case) -> tuple[int, Analysed] | None:
    """The analysis that says what is wrong, its causes with all that was seen since."""
    verdict, moved = case.verdict, balances(case)
    return None if verdict is None else (verdict[0], replace(verdict[1], causes=moved[-1].causes))


def _as_analysed(case: Case, number: int, made: Analysed) -> tuple[tuple[int, Observation], ...]:
    """What the analysis of entry ``number`` took in, as those entries were then: withdrawn and corrected ones, too."""
    if not made.weighed:
        return ()
    from witnessmark.cases.fold import fold

    then = fold(e.entry for e in case.log[: number - 1])
    works = works_before(case, made.recording)
    return tuple((n, o) for n, o in seen(then, works) if n in made.weighed)


def _moved(
    causes: tuple[CauseLine, ...], now: Iterable[Observation], then: Iterable[Observation]
) -> tuple[CauseLine, ...]:
    """The causes with what counts now instead of what counted then."""
    from witnessmark.causes.catalogue import load_knowledge
    from witnessmark.causes.observations import latest

    more, less = latest(now), latest(then)
    if {(o.test, o.outcome) for o in more} == {(o.test, o.outcome) for o in less}:
        return causes
    tests = {t.id: t for t in load_knowledge().test}

    def chance(line: CauseLine, one: Observation) -> float:
        members = (line.id,) if line.with_ is None else (line.id, line.with_)
        return max(tests[one.test].weight(members, one.outcome), LEAST)

    weights = [
        c.probability * math.prod(chance(c, o) for o in more) / math.prod(chance(c, o) for o in less) for c in causes
    ]
    total = math.fsum(weights)
    moved = [replace(c, probability=min(w / total, 1.0)) for c, w in zip(causes, weights, strict=True)]
    return tuple(sorted(moved, key=lambda c: -c.probability))
