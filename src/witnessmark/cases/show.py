"""A case for the terminal: how it stands, then its log."""

from __future__ import annotations

import textwrap

from witnessmark.cases.bodies import ChosenTest, FindingLine, ProposedTest, Snapshot, Work
from witnessmark.cases.history import History
from witnessmark.cases.model import Case, Logged
from witnessmark.cases.phrases import STATED, WORTH_A_LINE, cause, closed_words, marks, minute, out_of_date, say
from witnessmark.cases.weighing import Balance, balances
from witnessmark.causes.model import Prior
from witnessmark.report.blocks import WIDTH, block
from witnessmark.report.words import opening, percent, plural

LABEL = 12
LINES = 5  # of one entry in the log; case show --json and the report give all of it
CAUSES = 3


def standing(case: Case, vin: str) -> str:
    """How the case stands, without a line break at the end. ``vin``: the vehicle number as it may be shown."""
    state = "open" if case.is_open else "closed"
    lines = _block("Case", [f"{case.id}, {state}, {plural(case.last, 'entry', 'entries')}"])
    vehicle = "; ".join(t for t in (case.opened.vehicle, f"VIN {vin}" if vin else "") if t)
    lines += _block("Vehicle", [vehicle] if vehicle else [])
    lines += _block("Complaint", [say(case.opened)])
    lines += _block("Tried", [f"{n}  {say(w)}" for n, w in case.of(Work) if w.earlier])
    lines += _block("Scan", [f"{n}  {told(s.findings)}" for n, s in case.of(Snapshot) if s.findings])
    lines += _block("Verdict", _verdict(case))
    lines += _block("Test", _test(case))
    lines += _block("Work", [f"{n}  {say(w)}" for n, w in case.of(Work) if not w.earlier])
    lines += _block("Checked", [] if case.verification is None else [say(case.verification[1])])
    lines += _block("Checked", [] if case.outdated is None else [out_of_date(case.outdated)])
    lines += _block("To restore", [f"{n}  {say(d)}" for n, d in case.to_restore])
    lines += _block("Closed", [] if case.closed is None else [say(case.closed)])
    return "\n".join(lines)


def log(case: Case) -> str:
    """Every entry, the oldest first."""
    return "\n".join(entry(e) for e in case.log)


def entry(e: Logged) -> str:
    """One entry in some lines."""
    head = f"{e.number:>4}  {e.entry.at_utc[:16].replace('T', ' ')}  {e.entry.kind:<12}  "
    what = marks(e)
    text = f"{say(e.body)} [{e.entry.by}]" + (f" [{what}]" if what else "")
    lines = textwrap.wrap(text, WIDTH - 6, break_on_hyphens=False)
    if len(lines) > LINES:
        lines = [*lines[:LINES], "..."]
    return "\n".join([head.rstrip(), *(f"      {line}" for line in lines)])


def told(findings: tuple[FindingLine, ...]) -> str:
    """The findings of a snapshot in one line, those stated first; hints only counted."""
    stated = [f"{f.id} {opening(f.statement)}" for f in findings if f.confidence >= STATED]
    hints = len(findings) - len(stated)
    more = [f"{plural(hints, 'hint')}"] if hints else []
    return " ".join(stated or ["nothing stated"]) + (f" ({', '.join(more)})" if more else "")


def findings(found: tuple[FindingLine, ...]) -> str:
    """Findings of a snapshot, each with how sure it is, to be read when it is added."""
    lines = [f"{f.id} {f.statement} (confidence {f.confidence:.2f})" for f in found]
    return "\n".join(textwrap.fill(t, WIDTH - 8, initial_indent=" " * 6, subsequent_indent=" " * 8,
                                   break_on_hyphens=False) for t in lines)  # fmt: skip


def balance(case: Case) -> str:
    """The causes after all that counts now, in one line; empty where no recording is analysed."""
    moved = balances(case)
    return f"Causes now: {_causes(moved[-1])}" if moved else ""


def unproven(case: Case) -> str:
    """A remark on a case closed without a check that shows the fault gone; empty where there is one."""
    checked = case.verification
    if checked is None:
        what = "is out of date" if case.outdated is not None else "was not made"
        return f"Remark: a check of the repair {what}, so nothing shows that the fault is gone (case verify)."
    if checked[1].overall == "repaired":
        return ""
    return f"Remark: the check of the repair (entry {checked[0]}) does not prove the fault gone: {checked[1].overall}."


def cases(found: tuple[Case, ...]) -> str:
    """A line for each case."""
    out = []
    for c in found:
        state = "open" if c.is_open else "closed"
        name = c.opened.vehicle or "vehicle not described"
        extra = f"; {plural(len(c.to_restore), 'item')} to restore" if c.to_restore else ""
        line = f"{c.id}  {state:<6}  {c.log[0].entry.at_utc[:10]}  {name}: {c.opened.complaint}"
        out.append(textwrap.shorten(line, WIDTH - len(extra), placeholder="...") + extra)
    return "\n".join(out)


def priors(found: tuple[Prior, ...]) -> str:
    """The priors of causes that closed cases moved, beside those delivered."""
    rows = sorted((p for p in found if p.cases), key=lambda p: -p.cases)
    return "\n".join(
        f"{p.cause:<24}{plural(p.cases, 'closed case'):<16}prior {percent(p.used)} (90 %: {percent(p.low_90)} to "
        f"{percent(p.high_90)}), as delivered {percent(p.knowledge)}"
        for p in rows
    )  # fmt: skip


def resets(now: History) -> list[str]:
    """Each reset of the priors with its reason and whether it holds."""
    back = {r.takes_back: r for r in now.resets if r.takes_back is not None}
    out = []
    for r in now.resets:
        if r.takes_back is not None:
            continue
        text = f"Reset {r.number}, {minute(r.at_utc)}: {r.why} [{r.by}]"
        if r.number in back:
            b = back[r.number]
            text += f"; taken back {minute(b.at_utc)}: {b.why} [{b.by}]"
        elif r == now.since:
            text += f"; {plural(now.left_out, 'closed case')} before it left out"
        out.append(textwrap.fill(text, WIDTH, subsequent_indent="  ", break_on_hyphens=False))
    return out


def _verdict(case: Case) -> list[str]:
    judged = case.verdict
    if judged is None:
        return ["no recording is analysed yet"]
    made = judged[1]
    first, *later = balances(case)
    moved = f", with your {closed_words(made)}" if made.closed_cases else ""
    out = [f"{_causes(first) or 'no cause named'} (recording {made.recording}, entry {first.number}{moved})"]
    return out + [f"after entry {b.number}: {_causes(b)}" for b in later]


def _causes(balance: Balance) -> str:
    shown = [c for n, c in enumerate(balance.causes[:CAUSES]) if n == 0 or c.probability >= WORTH_A_LINE]
    return ", ".join(f"{cause(c)} {percent(c.probability)}" for c in shown)


def _test(case: Case) -> list[str]:
    out = [line for number, test in case.tests_open for line in (f"{number}  {test.statement}", *_foreseen(test, True))]
    proposed = case.proposed
    if not out and case.is_open and case.verification is None and proposed is not None:
        first = proposed[1]
        out = [f"proposed: {first.statement} ({first.minutes} min, {first.id})", *_foreseen(first, True)]
    return out


def _foreseen(test: ChosenTest | ProposedTest, short: bool) -> list[str]:
    """What a test may show, and its cautions, whole or by their first sentences."""
    out = [f"{n}: {p.result}" for n, p in enumerate(test.outcomes, 1)]
    if short and test.cautions:
        return [*out, f"Caution: {' '.join(opening(c) for c in test.cautions)}"]
    return out + [f"Caution: {c}" for c in test.cautions]


def foreseen(test: ChosenTest) -> str:
    """What a chosen test may show, and its cautions in full, to be read before it is begun."""
    lines = [textwrap.wrap(t, WIDTH - 8, break_on_hyphens=False) for t in _foreseen(test, False)]
    return "\n".join("\n".join(f"{'      ' if n == 0 else '        '}{t}" for n, t in enumerate(ts)) for ts in lines)


def _block(label: str, items: list[str]) -> list[str]:
    return block(label, items, LABEL)
