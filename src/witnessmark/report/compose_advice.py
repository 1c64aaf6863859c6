"""The report's advice: what was seen by hand, the next test and why it and no other, and the priors used."""

from __future__ import annotations

from witnessmark.causes.model import Advice, NextTest, Observed, Share
from witnessmark.report.model import Analysis, Section, Sentence, Table
from witnessmark.report.words import CAUSES, local_once, opening, percent, uncapitalised

OTHER_TESTS = 2  # further tests worth a line: more would not be done before the record is repeated
PRIORS_SHOWN = 12


def known(text: str) -> Sentence:
    """A sentence that rests on knowledge and numbers rather than on a stretch of the record."""
    return Sentence(text, basis="knowledge")


def observed_section(analysis: Analysis) -> Section:
    """What was seen or measured by hand, and what it did to the balance."""
    return Section(
        "observed", "What was seen by hand", tuple(known(observed_words(o)) for o in analysis.verdict.observed)
    )


def observed_words(seen: Observed) -> str:
    """One observation in a sentence."""
    who = ", ".join(part for part in (seen.when, seen.by) if part)
    note = f" Note: {seen.note.rstrip('.')}." if seen.note else ""
    name = CAUSES.get(seen.cause, seen.cause)
    with_ = f" with {CAUSES.get(seen.with_, seen.with_)}" if seen.with_ else ""
    direct = f" It shows {' and '.join(CAUSES.get(c, c) for c in seen.sees)} at the part." if seen.sees else ""
    before, after = percent(seen.before), percent(seen.after)
    moved = (
        f"It moved {name}{with_} from {before} to {after}." if before != after else f"It left {name}{with_} at {after}."
    )
    test = f"{seen.test.replace('-', ' ').capitalize()}{f' ({who})' if who else ''}"
    return f"{test}: {seen.result.rstrip('.')}. {moved}{direct}{note}"


def next_section(analysis: Analysis) -> Section:
    """The next test in full with its outcomes and why it, the one or two after it in a line each."""
    tests, advice = analysis.verdict.next_tests, analysis.verdict.advice
    if not tests:
        done = [known(a.statement) for a in advice.actions] if advice is not None else []
        return Section("next", "What may be done" if done else "The next test", tuple(done))
    out = _test(tests[0])
    out += _argued(advice) if advice is not None else []
    for other in tests[1 : 1 + OTHER_TESTS]:
        caution = f" Caution: {opening(other.cautions[0])}" if other.cautions else ""
        out.append(known(f"After that: {other.statement.rstrip('.')} ({other.minutes} min).{caution}"))
    return Section("next", "The next test", tuple(out), (), _tables(analysis))


def _test(test: NextTest) -> list[Sentence]:
    said = " bit" in test.why or test.gain_bits <= 0.0
    gain = "" if said else f"; it tells {test.gain_bits:.2f} bit about the cause"
    out = [known(f"{test.statement.rstrip('.')} ({test.minutes} min{gain}).")]
    out += [known(f"Caution: {c}") for c in local_once(test.cautions)]
    out += [known(f"It takes {', '.join(test.equipment)}.")] if test.equipment else []
    out += [known(f"Why: {test.why}")] if test.why else []
    return out + [known(f"If {uncapitalised(o.result).rstrip('.')}: {o.then.rstrip('.')}.") for o in test.outcomes]


def _argued(advice: Advice) -> list[Sentence]:
    """Why not the other test, what would change the choice, and whether a part may be named."""
    return [known(text) for text in (advice.why_not, advice.robust, advice.stop) if text]


def _tables(analysis: Analysis) -> tuple[Table, ...]:
    tests = analysis.verdict.next_tests
    rows = tuple(
        (o.result, percent(o.probability), share_words(o.after), "yes" if o.sees else "no")
        for o in tests[0].outcomes
        if o.probability is not None
    )
    out = []
    if rows:
        columns = ("It shows", "Expected in", "Then", "Seen at the part")
        out.append(
            Table("outcome-table", columns, rows, (), "What each outcome of the next test would do to the balance.")
        )
    return tuple(out)


def share_words(after: tuple[Share, ...]) -> str:
    """The most probable causes after an outcome."""
    parts = []
    for one in after:
        with_ = f" with {CAUSES.get(one.with_, one.with_)}" if one.with_ else ""
        parts.append(f"{CAUSES.get(one.id, one.id)}{with_} {percent(one.probability)}")
    return "; ".join(parts)


def priors_section(analysis: Analysis) -> Section:
    """The shop's closed cases beside the knowledge's priors, where there are any."""
    priors = sorted(analysis.verdict.priors, key=lambda p: (-p.cases, -p.used))[:PRIORS_SHOWN]
    if not priors:
        return Section("priors", "Your closed cases")
    total = sum(p.cases for p in analysis.verdict.priors)
    rows = tuple(
        (
            CAUSES.get(p.cause, p.cause), percent(p.knowledge), str(p.cases), percent(p.used),
            f"{percent(p.low_90)} to {percent(p.high_90)}",
        )
        for p in priors
    )  # fmt: skip
    columns = ("Cause", "Prior as delivered", "Closed cases", "Prior used", "90 % interval")
    text = (
        f"{total} closed case{'s' if total != 1 else ''} of your own moved the priors; leave them out to go back to "
        "those delivered."
    )
    return Section("priors", "Your closed cases", (known(text),), (), (Table("prior-table", columns, rows),))
