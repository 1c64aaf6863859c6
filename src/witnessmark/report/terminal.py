"""The human summary for the terminal: verdict first, then the evidence in numbers, what to do next and where to look.

Plain text in Latin-1 characters, at most 100 columns; nothing depends on colour.
"""

from __future__ import annotations

import re

from witnessmark.engine.model import Attempt
from witnessmark.findings.model import Finding
from witnessmark.report import collect, phrases, where
from witnessmark.report.blocks import block
from witnessmark.report.compose_advice import observed_words
from witnessmark.report.compose_parts import where_text
from witnessmark.report.model import Analysis
from witnessmark.report.words import KINDS, SYMPTOM_KINDS, degrees, opening, output_words, percent

FINDINGS = 3
ATTEMPTS = 4
CAUSES = 4
TOOTH = "trigger-wheel-tooth"
WORTH_A_LINE = 0.01  # a probability below this changes nothing that is done next


def summary(analysis: Analysis) -> str:
    """About 15 to 25 lines on the analysis, without a line break at the end."""
    lines = block("Verdict", [phrases.verdict(analysis).text])
    lines += block("Evidence", _evidence(analysis))
    lines += block("Wheel", _wheel(analysis))
    lines += block("Starts", _attempts(analysis))
    lines += block("Look", _look(analysis))
    lines += block("Observed", [observed_words(o) for o in analysis.verdict.observed])
    lines += block("Repair", _repair(analysis))
    lines += block("Next test", _next(analysis))
    lines += block("Otherwise", _otherwise(analysis))
    lines += block("Not told", _not_told(analysis))
    lines += block("Cautions", _cautions(analysis))
    return "\n".join(lines)


def _evidence(analysis: Analysis) -> list[str]:
    """Where a signal is wrong in full, what the start shows because of it by name, hints as hints."""
    found = collect.by_weight(analysis)
    stated = [f for f in found if f.stated]
    signal = [f for f in stated if f.kind not in SYMPTOM_KINDS]
    full = (signal or stated)[:FINDINGS]
    out = [f"{f.id} {f.statement.rstrip('.')} (confidence {f.confidence:.2f})." for f in full]
    rest = [f for f in stated if f not in full]
    if rest:
        kinds = dict.fromkeys(f.kind for f in rest)
        also = [_also(kind, [f for f in rest if f.kind == kind]) for kind in kinds]
        out.append(f"Also: {', '.join(also)}.")
    hints = [f for f in found if not f.stated]
    if hints:
        out.append(
            "Hints only: "
            + "; ".join(f"{f.id} {f.statement.rstrip('.')} ({f.confidence:.2f})" for f in hints[:2])
            + "."
        )
    if not stated:
        out.insert(0, _measured(analysis))
    return out


def _also(kind: str, alike: list[Finding]) -> str:
    """A kind of finding by name, with its ids and, where some start attempts only show it, how many."""
    of = {
        (f.evidence.get("attempts_failed") or f.evidence.get("attempts"), f.evidence.get("of_attempts")) for f in alike
    }
    some, every = of.pop() if len(of) == 1 else (None, None)
    part = f" in {some} of {every} attempts" if some is not None and every is not None and some != every else ""
    one = alike[0]
    name = output_words(kind, one.cylinder, one.channel, one.evidence) if len(alike) == 1 else KINDS[kind]
    return f"{name}{part} ({', '.join(f.id for f in alike)})"


def _measured(analysis: Analysis) -> str:
    """What was looked at where nothing was found."""
    teeth = [t for t in analysis.wheel.teeth if t.expected and t.passages]
    if not teeth:
        return "No finding reaches the confidence to be stated."
    seen, passages = sum(t.seen for t in teeth), sum(t.passages for t in teeth)
    errors = [abs(t.error_deg) for t in phrases.plain_teeth(analysis) if t.error_deg is not None]
    worst = f"; largest tooth error {degrees(max(errors), 3)}" if errors else ""
    runout = f"; once-per-turn error {analysis.wheel.runout_deg:.3f}°" if analysis.wheel.runout_deg is not None else ""
    return f"{seen} edges seen in {passages} passages of {len(teeth)} teeth{worst}{runout}."


def _wheel(analysis: Analysis) -> list[str]:
    wheel = analysis.wheel
    if wheel.layout is None:
        return []
    source = phrases.wheel_source(analysis)
    head = f"{wheel.layout.name} ({source}) on channel {wheel.channel}, {phrases.turns(analysis)} decoded"
    head += f"; {wheel.slot_reference.rstrip('.')}." if wheel.slot_reference else "."
    others = [a for a in wheel.alternatives if a.probability >= 0.005]
    out = [head]
    if others:
        out.append(
            "Could also be: " + ", ".join(f"{a.layout.name} ({percent(a.probability)})" for a in others[:3]) + "."
        )
    return out + ([wheel.undecidable] if wheel.undecidable else [])


def _attempts(analysis: Analysis) -> list[str]:
    attempts = analysis.engine.attempts
    out = [_attempt(n, a) for n, a in enumerate(attempts[:ATTEMPTS], start=1)]
    if len(attempts) > ATTEMPTS:
        ran = sum(a.started for a in attempts)
        out.append(f"and {len(attempts) - ATTEMPTS} more; {ran} of {len(attempts)} ran.")
    return out


def _attempt(number: int, attempt: Attempt) -> str:
    rpm = f", cranked at {attempt.cranking_rpm:.0f} rpm" if attempt.cranking_rpm is not None else ""
    after = attempt.turns_to_sync
    sync = f", first correctly timed spark after {after:.1f} turns" if after is not None else ""
    end = "ran" if attempt.started else "no start"
    return f"{number}: {attempt.start_s:.2f} to {attempt.end_s:.2f} s, {attempt.turns:.1f} turns{rpm}{sync}: {end}"


def _look(analysis: Analysis) -> list[str]:
    """How to bring the suspect to the sensor, unless it was looked at already (the report keeps it)."""
    if any(TOOTH in (*o.sees, *o.against) for o in analysis.verdict.observed):
        return []
    out = [where_text(spot) for spot in analysis.whereabouts[:2]]
    return [*out, f"Caution: {where.CAUTION}"] if out else []


def _repair(analysis: Analysis) -> list[str]:
    """What may be put right now."""
    advice = analysis.verdict.advice
    return [] if advice is None else [a.statement for a in advice.actions]


def _next(analysis: Analysis) -> list[str]:
    """The test, why it is next, and every caution's first sentence."""
    tests = analysis.verdict.next_tests
    if not tests:
        return []
    first = tests[0]
    why = re.split(r"[:;] ", first.why)[0].rstrip(".")  # the arithmetic behind the choice is in the report
    out = [f"{first.statement.rstrip('.')} ({first.minutes} min). {why + '.' if why else ''}".strip()]
    if first.cautions:
        out.append("Caution: " + " ".join(opening(c) for c in first.cautions))
    return out


def _otherwise(analysis: Analysis) -> list[str]:
    """Causes the verdict's sentence does not name; what would change the order is in the report."""
    if phrases.clears_nothing(analysis):
        return []  # what little is known of them is not from this record
    named = phrases.NAMED_CAUSES
    rest = sorted(analysis.verdict.causes, key=lambda c: -c.probability)[named : named + CAUSES]
    worth = [f"{phrases.cause_words(c)} {percent(c.probability)}" for c in rest if c.probability >= WORTH_A_LINE]
    return ["; ".join(worth)] if worth else []


def _not_told(analysis: Analysis) -> list[str]:
    """The first open question with its reason, the others by name, and what "nothing seen" is worth."""
    items = analysis.findings.not_assessed
    out = [f"{n.question} Not assessable, {n.reason.rstrip('.')}; needed: {n.needs.rstrip('.')}." for n in items[:1]]
    if len(items) > 1:
        out.append("Nor: " + " ".join(n.question for n in items[1:]))
    return out + list(analysis.findings.bounds[:1])


def _cautions(analysis: Analysis) -> list[str]:
    """Reservations about the record first; what is shown beside the next test is not said twice."""
    said = set(analysis.verdict.next_tests[0].cautions) if analysis.verdict.next_tests else set()
    return [c for c in collect.cautions(analysis) if c not in said][:3]
