"""What somebody saw or measured by hand, as evidence: a test of the catalogue, its outcome, when, by whom."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from witnessmark.causes.catalogue import Knowledge, TestRow
from witnessmark.causes.model import Observed
from witnessmark.causes.weigh import Balance, Entry, by_probability
from witnessmark.errors import BadObservation

CLOSEST = 3
CLEARLY = 0.5  # an outcome less likely than this share of what it is otherwise speaks clearly against a cause


@dataclass(frozen=True, slots=True)
class Observation:
    """One test done by hand. test: its id. outcome: which of its outcomes, from 0. when, by, note: free text."""

    test: str
    outcome: int
    when: str = ""
    by: str = ""
    note: str = ""


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, coerce_numbers_to_str=True)

    test: Annotated[str, Field(min_length=1)]
    outcome: Annotated[str, Field(min_length=1)]
    when: str = ""
    by: str = ""
    note: str = ""


def observation(test: str, outcome: str, knowledge: Knowledge, *, when: str = "", by: str = "", note: str = "",
                origin: str = "observation") -> Observation:  # fmt: skip
    """An observation from words. outcome: its number from 1, or words that only one of the test's outcomes holds.

    Raises BadObservation (one line) for a test that is not in the catalogue or an outcome that is none of its own.
    """
    row = find_test(test, knowledge, origin)
    return Observation(row.id, _outcome(row, outcome.strip(), origin), when, by, note)


def find_test(test: str, knowledge: Knowledge, origin: str) -> TestRow:
    """The test of this id. Raises BadObservation (one line) with the ids that come closest."""
    row = next((t for t in knowledge.test if t.id == test.strip()), None)
    if row is None:
        close = ", ".join(_closest(test, [t.id for t in knowledge.test]))
        raise BadObservation(f'{origin}: "{test}" is no test of the catalogue; perhaps {close} (witnessmark tests)')
    return row


def _outcome(row: TestRow, said: str, origin: str) -> int:
    results = [o.result for o in row.outcomes]
    if said.isdigit() and 1 <= int(said) <= len(results):
        return int(said) - 1
    hits = [k for k, result in enumerate(results) if said and said.lower() in result.lower()]
    exact = [k for k in hits if results[k].lower() == said.lower()]
    if len(exact or hits) == 1:
        return (exact or hits)[0]
    listed = "; ".join(f"{k}: {result}" for k, result in enumerate(results, start=1))
    what = "fits several outcomes" if hits else "is no outcome"
    raise BadObservation(f'{origin}: "{said}" {what} of {row.id}; give its number ({listed})')


def _closest(word: str, names: Sequence[str]) -> list[str]:
    import difflib

    close = difflib.get_close_matches(word, names, n=CLOSEST, cutoff=0.3)
    return close or list(names[:CLOSEST])


def parse_observed(text: str, knowledge: Knowledge) -> Observation:
    """``TEST=OUTCOME`` as an observation. Raises BadObservation (one line)."""
    test, sign, outcome = text.partition("=")
    if not sign or not test.strip() or not outcome.strip():
        raise BadObservation(f'"{text}": expected TEST=OUTCOME, as in look-at-the-tooth=1 (witnessmark tests)')
    return observation(test, outcome, knowledge, origin=f'"{text}"')


def read_observations(path: str, knowledge: Knowledge) -> tuple[Observation, ...]:
    """Observations from a TOML file of ``[[observation]]`` tables. Raises BadObservation (one line)."""
    try:
        with Path(path).open("rb") as file:
            data = tomllib.load(file)
    except OSError as error:
        what = (error.strerror or str(error)).lower()
        raise BadObservation(f"{path}: {what}; expected a readable TOML file of [[observation]] tables") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadObservation(f"{path}: not valid TOML ({str(error).splitlines()[0]}); correct that line") from None
    rows: Any = data.pop("observation", [])
    if data or not isinstance(rows, list) or not rows:
        extra = f'unknown key "{next(iter(data))}"' if data else "no [[observation]] table"
        raise BadObservation(f"{path}: {extra}; expected [[observation]] tables with test and outcome")
    out = []
    for n, row in enumerate(rows, start=1):
        origin = f"{path}: observation {n}"
        try:
            checked = _Row.model_validate(row)
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(str(p) for p in first["loc"]) or "table"
            what = "unknown key" if first["type"] == "extra_forbidden" else first["msg"].lower()
            raise BadObservation(f"{origin}: {where}: {what}; expected test, outcome, when, by, note") from None
        out.append(
            observation(
                checked.test, checked.outcome, knowledge, when=checked.when, by=checked.by, note=checked.note,
                origin=origin,
            )
        )  # fmt: skip
    return tuple(out)


def latest(observations: Iterable[Observation]) -> tuple[Observation, ...]:
    """One observation a test: done twice, the later one (by its date where both are dated, else by order) counts.

    The same test repeated is no independent evidence, so it is never counted twice.
    """
    kept: dict[str, Observation] = {}
    for one in observations:
        before = kept.get(one.test)
        if before is not None and _dated(one.when) and _dated(before.when) and one.when < before.when:
            continue
        kept.pop(one.test, None)
        kept[one.test] = one
    return tuple(kept.values())


def _dated(when: str) -> bool:
    return re.match(r"\d{4}-\d{2}-\d{2}", when) is not None


def observe(
    balance: Balance, observations: Sequence[Observation], knowledge: Knowledge
) -> tuple[Balance, tuple[Observed, ...]]:
    """The balance after the observations, and what each of them did to the cause that was first before it.

    Each outcome multiplies every entry by its chance under that entry (Bayes' rule, tests independent given the cause);
    one that the recording made in the test says itself leaves them as they are.
    """
    said: list[Observed] = []
    for one in latest(observations):
        test = next(t for t in knowledge.test if t.id == one.test)
        first = balance.entries[0]
        weights = [e.probability * test.weight(e.members, one.outcome) for e in balance.entries]
        total = sum(weights)
        entries = tuple(replace(e, probability=w / total) for e, w in zip(balance.entries, weights, strict=True))
        after = next(e.probability for e in entries if e.members == first.members)
        balance = replace(balance, entries=by_probability(entries), order=_order(entries, balance.order))
        outcome = test.outcomes[one.outcome]
        said.append(
            Observed(
                test=one.test, result=outcome.result, then=outcome.then, sees=tuple(outcome.sees), when=one.when,
                by=one.by, note=one.note, cause=first.id, with_=first.with_, before=first.probability, after=after,
                against=_against(test, one.outcome),
            )
        )  # fmt: skip
    return balance, tuple(said)


def _against(test: TestRow, outcome: int) -> tuple[str, ...]:
    """Causes that the test looks for at the part, and that this outcome speaks clearly against."""
    return tuple(
        c
        for c in test.observes
        if c not in test.outcomes[outcome].sees and test.chances([c])[outcome] < CLEARLY * test.others[outcome]
    )


def _order(entries: Sequence[Entry], order: tuple[str, ...]) -> tuple[str, ...]:
    """Single causes by their probability now; those not listed keep their place behind."""
    now = {e.id: e.probability for e in entries if e.with_ is None}
    return tuple(sorted(order, key=lambda c: -now.get(c, 0.0)))


def seen_at_the_part(observed: Sequence[Observed]) -> frozenset[str]:
    """Causes that an observation shows directly."""
    return frozenset(c for o in observed for c in o.sees)
