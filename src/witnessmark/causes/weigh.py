"""Findings in, verdict out: prior weights times what each finding says about each cause.

The share of "nothing wrong seen" comes first: it falls with the confidence of every stated finding that accuses the
vehicle, and with how much of the rotation could not be judged: silence is evidence only where something would have
been seen. Where only symptoms are stated, causes that show themselves pay for having kept silent. What is left is
shared among the causes by Bayes' rule, a finding weighing by its confidence (1 when sure, 0.75 at the line: whether it
is there at all is paid for by the first step already). Hints move the figures a little and never which cause stands
first. Two stated findings that point to two causes open a pair of them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from witnessmark.causes.catalogue import Bound, CauseRow, Knowledge, LikelihoodRow, load_knowledge
from witnessmark.causes.engines import EngineFacts
from witnessmark.causes.ids import MEASUREMENT, NONE_FOUND, NONE_OF_THESE
from witnessmark.causes.model import Cause, Verdict
from witnessmark.findings.model import Finding, Findings

if TYPE_CHECKING:
    from witnessmark.causes.observations import Observation

# A hint is a fifth of a finding at most: it was below the line at which a healthy record is not to be accused.
HINT_WEIGHT = 0.2
# All hints together may take this much from "nothing wrong seen", which so stays above 0.9.
HINT_SHIFT = 0.03
# Consequences (late, no spark, no start) hang together: n of them weigh as sqrt(n), each at half a direct finding.
CONSEQUENCE_WEIGHT = 0.5
# A finding already accounted for by another (dropouts beside a tooth that fails) weighs a fifth.
EXPLAINED_WEIGHT = 0.2
# A stated finding is above the line that healthy records do not cross, so "nothing wrong" falls faster than 1 - c.
NOTHING_POWER = 3.0
NOTHING_FLOOR = 0.0005
# Causes below this share are not listed; their sum goes to "none of these".
LISTED = 0.0005
WHOLE_RECORD = 0.9
# Share of the rotation that must be judged for silence to count as usual, and at or below which it counts for nothing.
# Between them in proportion. Start-up edges and run-downs leave some of it out on sound records: of 25 simulated
# healthy ones with a start 24 had 0.93 or more of their turns decoded, one 0.88.
JUDGED_WELL = 0.9
JUDGED_POORLY = 0.5


@dataclass(frozen=True, slots=True)
class Context:
    """What the rest of the record says around the findings. Unknown stays None (or empty).

    ``crank_judged``: the wheel could be decoded over enough turns to judge it. ``history``: complaint and what was
    done, in free words. ``codes``: stored trouble codes. ``polarity``: "as expected", "reversed" or "unknown".
    ``turning_s``: time in s over which something turns (to tell a line that is dead from end to end). ``judged``: share
    of the rotation over which the crank signal could be judged. ``engine``: what kind of engine it is.
    ``runs``: False where the record holds start attempts and none of them started the engine.
    """

    sensor: str | None = None
    has_setup_wheel: bool = False
    roles: frozenset[str] = frozenset()
    crank_channel: str | None = None
    crank_judged: bool | None = None
    polarity: str = "unknown"
    tdc_known: bool = False
    history: str = ""
    codes: tuple[str, ...] = ()
    turning_s: float | None = None
    turns: float | None = None
    motion: bool | None = None
    judged: float | None = None
    engine: EngineFacts = field(default_factory=EngineFacts)
    runs: bool | None = None

    @property
    def worth_of_silence(self) -> float:
        """0 where seeing nothing wrong says nothing (nothing was judged), 1 where it says what it usually does."""
        if self.crank_judged is False or self.motion is False:
            return 0.0
        if self.judged is None:
            return 1.0
        return min(max((self.judged - JUDGED_POORLY) / (JUDGED_WELL - JUDGED_POORLY), 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class Entry:
    """One hypothesis with its probability: a cause, or a pair of causes (the stronger first)."""

    id: str
    probability: float
    with_: str | None = None

    @property
    def members(self) -> tuple[str, ...]:
        """The causes of the entry."""
        return (self.id,) if self.with_ is None else (self.id, self.with_)


@dataclass(frozen=True, slots=True)
class Weighed:
    """A finding with the row that judges it and the weight it got."""

    finding: Finding
    row: LikelihoodRow
    weight: float

    def log(self, cause: str) -> float:
        """Weighted log likelihood of the finding under one cause."""
        return self.weight * math.log(self.row.likelihood.get(cause, self.row.others))


@dataclass(frozen=True, slots=True)
class Balance:
    """Entries sorted by probability (sum 1), and the findings as they were weighed."""

    entries: tuple[Entry, ...]
    weighed: tuple[Weighed, ...]
    order: tuple[str, ...] = field(default=())  # single causes, most probable first
    sharpness: float = 1.0  # exponent that the shares of the causes were raised to


def weigh(
    findings: Findings,
    context: Context | None = None,
    knowledge: Knowledge | None = None,
    *,
    observations: Sequence[Observation] = (),
    closed: Mapping[str, int] | None = None,
) -> Verdict:
    """The verdict on ``findings``: causes with probabilities, next tests, cautions, and what would change the order.

    observations: what was seen or measured by hand. closed: the shop's own closed cases by cause, which update the
    priors. Raises BadKnowledge when a knowledge file fails its schema.
    """
    from witnessmark.causes.experience import updated
    from witnessmark.causes.next_test import advise
    from witnessmark.causes.observations import observe
    from witnessmark.causes.say import what_would_change, words

    about = context or Context()
    known, priors = updated(knowledge or load_knowledge(), closed)
    balance, observed = observe(balance_of(findings, about, known), observations, known)
    causes = _whole(tuple(words(entry, balance, findings, about, known) for entry in balance.entries))
    tests, advice = advise(balance, causes, findings, about, known, observed)
    return Verdict(
        causes=causes,
        next_tests=tests,
        cautions=known.headed_by(about.engine),
        what_would_change=what_would_change(balance, causes, findings, known),
        advice=advice,
        observed=observed,
        priors=priors,
    )


def _whole(causes: tuple[Cause, ...]) -> tuple[Cause, ...]:
    """Probabilities that sum to exactly 1 in order of listing (rounding goes to the first)."""
    rest = math.fsum(c.probability for c in causes[1:])
    return (replace(causes[0], probability=1.0 - rest), *causes[1:])


def balance_of(findings: Findings, context: Context, knowledge: Knowledge) -> Balance:
    """Probabilities of all entries; a hint never changes which cause is first."""
    stated = [f for f in findings.found if f.stated]
    hints = [f for f in findings.found if not f.stated]
    without = _balance(stated, [], context, knowledge)
    if not hints:
        return without
    with_hints = _balance(stated, hints, context, knowledge)
    same = with_hints.entries[0].members == without.entries[0].members
    return with_hints if same else replace(without, weighed=with_hints.weighed)


def _balance(stated: list[Finding], hints: list[Finding], context: Context, knowledge: Knowledge) -> Balance:
    weighed = _weighed(stated, hints, context, knowledge)
    accusing = [w for w in weighed if w.finding.stated and w.row.accuses >= 0.1]
    heard = context.worth_of_silence
    nothing = knowledge.none_unjudged + (knowledge.none_found - knowledge.none_unjudged) * heard
    for w in weighed:
        if w.finding.stated:
            nothing *= (1.0 - min(w.finding.confidence, 0.999) * w.row.accuses) ** NOTHING_POWER
    hinted = max((w.finding.confidence / 0.5 * w.row.accuses for w in weighed if not w.finding.stated), default=0.0)
    nothing = max(nothing - HINT_SHIFT * min(hinted, 1.0) * nothing, NOTHING_FLOOR)

    factors = _history_factors(context, knowledge)
    logs: dict[str, float] = {}
    # symptoms alone: a cause that mostly shows itself has kept silent all the same
    symptoms = bool(accusing) and all(w.row.consequence for w in accusing)
    for cause in knowledge.cause:
        prior = math.log(cause.prior * factors.get(cause.id, 1.0))
        listened = not accusing or (symptoms and _shows_itself(cause, context))
        silent = math.log(1.0 - heard * (1.0 - cause.silent)) if listened else 0.0
        logs[cause.id] = prior + silent + math.fsum(w.log(cause.id) for w in weighed)
    pairs = _pair_logs(accusing, weighed, factors, knowledge)
    top = max([*logs.values(), *pairs.values()])
    # symptoms alone stay as unsure as they are
    sharp = knowledge.sharpness if any(not w.row.consequence for w in accusing) else 1.0
    masses: dict[tuple[str, ...], float] = {(c,): math.exp(sharp * (v - top)) for c, v in logs.items()}
    masses.update({members: math.exp(sharp * (v - top)) for members, v in pairs.items()})
    total = math.fsum(masses.values())
    shares = {m: (1.0 - nothing) * v / total for m, v in masses.items()}
    shares[(NONE_FOUND,)] = nothing
    order = tuple(sorted(logs, key=lambda c: (-logs[c], c)))
    return Balance(_entries(shares, order), tuple(weighed), order, sharp)


def _shows_itself(cause: CauseRow, context: Context) -> bool:
    """Whether a cause has a sign of its own in this record beside what follows from it.

    What withholds an output shows in what follows only, and rows for symptoms beside a crank signal that was judged
    hold the silence of the crank's causes already.
    """
    return cause.side in ("start", "engine") or (cause.side == "cam" and "cam" in context.roles)


def _entries(shares: dict[tuple[str, ...], float], order: tuple[str, ...]) -> tuple[Entry, ...]:
    """Entries sorted by probability; slivers fold into "none of these"."""
    keep = {(NONE_OF_THESE,), (MEASUREMENT,), (NONE_FOUND,)}
    folded = math.fsum(v for m, v in shares.items() if v < LISTED and m not in keep)
    listed = {m: v for m, v in shares.items() if v >= LISTED or m in keep}
    listed[(NONE_OF_THESE,)] += folded
    out = []
    for members, value in listed.items():
        ranked = sorted(members, key=lambda c: order.index(c) if c in order else -1)
        out.append(Entry(ranked[0], value, ranked[1] if len(ranked) > 1 else None))
    return by_probability(out)


def by_probability(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Entries, the most probable first."""
    return tuple(sorted(entries, key=lambda e: (-e.probability, e.id, e.with_ or "")))


# --- findings and their rows -----------------------------------------------------------------------------------------


def _weighed(
    stated: list[Finding], hints: list[Finding], context: Context, knowledge: Knowledge
) -> tuple[Weighed, ...]:
    """One finding per row (the most confident speaks for its like), with its weight; order given is of no matter."""
    kinds = {f.kind for f in stated}
    best: dict[tuple[int, bool], tuple[Finding, LikelihoodRow]] = {}
    for finding in sorted([*stated, *hints], key=lambda f: (-f.confidence, f.kind, f.slot or 0, f.id)):
        found = row_for(finding, kinds - {finding.kind}, context, knowledge)
        if found is not None:
            best.setdefault((id(found), finding.stated), (finding, found))
    told = {f.kind for f, _ in best.values() if f.stated}
    chosen = [(f, r) for f, r in best.values() if f.stated or f.kind not in told]
    direct = _direct(chosen)
    consequences = sum(1 for f, r in chosen if r.consequence and f.stated)
    out = []
    for finding, row in chosen:
        weight = 0.5 + 0.5 * finding.confidence if finding.stated else HINT_WEIGHT * finding.confidence
        if row.consequence:
            weight *= (CONSEQUENCE_WEIGHT if direct else 1.0) / math.sqrt(max(consequences, 1))
        if kinds & set(row.explained_by):
            weight *= EXPLAINED_WEIGHT
        out.append(Weighed(finding, row, weight))
    return tuple(sorted(out, key=lambda w: (-w.weight, w.finding.kind, w.finding.id)))


def _direct(chosen: list[tuple[Finding, LikelihoodRow]]) -> bool:
    """Whether a stated finding that is no mere consequence accuses the vehicle."""
    return any(f.stated and not r.consequence and r.accuses >= 0.1 for f, r in chosen)


def row_for(finding: Finding, beside: set[str], context: Context, knowledge: Knowledge) -> LikelihoodRow | None:
    """The first row whose conditions hold for this finding; None for a kind outside the closed list."""
    return next((r for r in knowledge.row if r.kind == finding.kind and _holds(r, finding, beside, context)), None)


def _holds(row: LikelihoodRow, finding: Finding, beside: set[str], context: Context) -> bool:
    checks = (
        row.lock is None or finding.lock in row.lock,
        row.sensor is None or context.sensor in row.sensor,
        row.beside is None or bool(beside & set(row.beside)),
        row.whole_record is None or row.whole_record == _whole_record(finding, context),
        row.crank_judged is None or row.crank_judged == context.crank_judged,
        row.setup_wheel is None or row.setup_wheel == context.has_setup_wheel,
        all(_within(finding.evidence.get(name), bound) for name, bound in row.evidence.items()),
    )
    return all(checks)


def _within(value: object, bound: Bound) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float) or math.isnan(value):
        return False
    low_ok = bound.at_least is None or value >= bound.at_least
    return low_ok and (bound.at_most is None or value <= bound.at_most)


def _whole_record(finding: Finding, context: Context) -> bool:
    """Whether the finding covers nearly all of the time in which something turns."""
    told = finding.evidence.get("whole_record")
    if isinstance(told, bool):
        return told
    if finding.start_s is None or finding.end_s is None or not context.turning_s:
        return False
    return finding.end_s - finding.start_s >= WHOLE_RECORD * context.turning_s


def _history_factors(context: Context, knowledge: Knowledge) -> dict[str, float]:
    """Factors on the priors by complaint and stored codes."""
    factors: dict[str, float] = {}
    for row in knowledge.history:
        by_words = row.words is not None and re.search(row.words, context.history) is not None
        by_code = row.codes is not None and bool(set(row.codes) & set(context.codes))
        if by_words or by_code:
            for cause, factor in row.factor.items():
                factors[cause] = factors.get(cause, 1.0) * factor
    return factors


# --- pairs -----------------------------------------------------------------------------------------------------------


def _pair_logs(
    accusing: list[Weighed], weighed: tuple[Weighed, ...], factors: dict[str, float], knowledge: Knowledge
) -> dict[tuple[str, ...], float]:
    """Log masses of pairs: the second fault as rare as its prior share, the better of the two explains each finding.

    Only pairs of causes that two direct stated findings each put first are opened.
    """
    priors = {c.id: c.prior * factors.get(c.id, 1.0) for c in knowledge.cause}
    total = math.fsum(priors.values())
    firsts = set()
    for w in accusing:
        if not w.row.consequence and w.weight >= 0.4:
            firsts.add(max(priors, key=lambda c: (math.log(priors[c]) + w.log(c), c)))
    firsts -= {NONE_OF_THESE, MEASUREMENT}
    out: dict[tuple[str, ...], float] = {}
    for a in sorted(firsts):
        for b in sorted(firsts):
            if a < b:
                best = math.fsum(max(w.log(a), w.log(b)) for w in weighed)
                out[(a, b)] = math.log(priors[a]) + math.log(priors[b] / total) + best
    return out
