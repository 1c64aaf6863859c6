"""Each entry in a line or two of plain words."""

from __future__ import annotations

from functools import singledispatch

from witnessmark.cases.bodies import (
    Analysed,
    CauseLine,
    ChosenTest,
    Closed,
    Correction,
    Decision,
    Disabled,
    Observation,
    Opened,
    Outcome,
    Photo,
    RecordingAdded,
    Reopened,
    Restored,
    Retraction,
    Snapshot,
    StartLine,
    Verified,
    Work,
)
from witnessmark.cases.model import Logged
from witnessmark.report.words import CAUSES, listed, percent, plural, uncapitalised


@singledispatch
def say(body: object) -> str:
    """What an entry says, without its number, time and writer."""
    raise TypeError(type(body).__name__)  # a body without words is a fault of this program


@say.register
def _(body: Opened) -> str:
    codes = f" Codes {', '.join(body.codes)}." if body.codes else ""
    return f"{body.complaint.rstrip('.')}.{codes}"


@say.register
def _(body: Observation) -> str:
    test = f" (test {body.test}{': ' + body.outcome if body.outcome else ''})" if body.test else ""
    return body.text + test


@say.register
def _(body: Work) -> str:
    number = f" (part number {body.part_number})" if body.part_number else ""
    told = [t for t in (body.when, body.who, "before this case" if body.earlier else "") if t]
    said = f"; {', '.join(told)}" if told else ""
    return f"{'Part fitted: ' if body.what == 'part' else ''}{body.text}{number}{said}"


@say.register
def _(body: RecordingAdded) -> str:
    note = f": {body.note}" if body.note else ""
    setup = f", setup {body.setup_path}" if body.setup_path else ""
    return f"{body.path}{note} ({body.size_bytes} bytes{setup}, SHA-256 {body.sha256[:12]}...)"


@say.register
def _(body: Analysed) -> str:
    stated = sum(f.confidence >= STATED for f in body.findings)
    first = f"{cause(body.causes[0])} {percent(body.causes[0].probability)}" if body.causes else "no cause named"
    with_ = f", with {'snapshot' if len(body.scanned) == 1 else 'snapshots'} {listed([str(n) for n in body.scanned])}"
    return f"Recording {body.recording}{with_ if body.scanned else ''}: {first}; {plural(stated, 'finding')} stated"


WORTH_A_LINE = 0.01  # a probability below this changes nothing that is done next
STATED = 0.5  # confidence from which a finding is stated as found (docs/report.md)


@say.register
def _(body: Photo) -> str:
    return f"{body.note} ({body.name})"


@say.register
def _(body: Snapshot) -> str:
    codes = f"codes {', '.join(body.codes)}" if body.codes else "no codes in it"
    stated = sum(f.confidence >= STATED for f in body.findings)
    found = f"; {plural(stated, 'finding')} stated" if body.findings else ""
    return f"{body.name}: {codes}{found}{'; ' + body.note if body.note else ''}"


@say.register
def _(body: ChosenTest) -> str:
    return body.statement


@say.register
def _(body: Outcome) -> str:
    then = f"; then: {uncapitalised(body.then)}" if body.then else ""
    return f"Test {body.chosen}: {body.result.rstrip('.')}{then}{' (' + body.note + ')' if body.note else ''}"


@say.register
def _(body: Decision) -> str:
    because = f" (on {entries(body.because)})" if body.because else ""
    return body.text + because


@say.register
def _(body: Disabled) -> str:
    return body.item + (f" ({body.why})" if body.why else "")


@say.register
def _(body: Restored) -> str:
    return f"Item {body.disabled} is back as it was" + (f": {body.how}" if body.how else "")


@say.register
def _(body: Verified) -> str:
    return f"Recording {body.after} against recording {body.before}: {body.overall}. {body.statement}"


@say.register
def _(body: Closed) -> str:
    what = (
        f" Cause: {CAUSES.get(body.cause, body.cause)}{' ' + body.target if body.target else ''}." if body.cause else ""
    )
    return f"{body.text.rstrip('.')}.{what}"


@say.register
def _(body: Reopened) -> str:
    return body.why


@say.register
def _(body: Correction) -> str:
    return f"Entry {body.entry}: {listed([f'{k} is {value(v)}' for k, v in body.changes.items()])} ({body.why})"


@say.register
def _(body: Retraction) -> str:
    return f"Entry {body.entry} is withdrawn: {body.why}"


def value(v: object) -> str:
    """A field's value in words."""
    if v is None or v in ("", [], ()):
        return "empty"
    if isinstance(v, list | tuple):
        return ", ".join(value(x) for x in v)
    return f'"{v}"' if isinstance(v, str) else str(v)


def closed_words(made: Analysed) -> str:
    """How many closed cases moved the priors of an analysis, and since which reset they were closed."""
    since = f" (closed since the priors were reset, {minute(made.closed_since)})" if made.closed_since else ""
    return f"{plural(made.closed_cases, 'closed case')}{since}"


def minute(at_utc: str) -> str:
    """A time of an entry to the minute."""
    return f"{at_utc[:16].replace('T', ' ')} UTC"


def entries(numbers: tuple[int, ...]) -> str:
    """``entry 3``, ``entries 3 and 5``."""
    return f"{'entry' if len(numbers) == 1 else 'entries'} {listed([str(n) for n in numbers])}"


def cause(line: CauseLine) -> str:
    """A cause in a few words, with its target and its partner."""
    target = (
        "" if line.target is None else f", slot {line.target}" if isinstance(line.target, int) else f", {line.target}"
    )
    second = f" with {CAUSES.get(line.with_, line.with_)}" if line.with_ else ""
    return f"{CAUSES.get(line.id, line.id)}{target}{second}"


def starts(line: StartLine) -> str:
    """The starts of one recording."""
    out = [f"{line.started} of {plural(line.attempts, 'start')} ran"]
    if line.turns_to_sync is not None:
        out.append(f"first correctly timed spark after {line.turns_to_sync:.1f} turns")
    if line.cranking_rpm is not None:
        out.append(f"cranked at {line.cranking_rpm:.0f} rpm")
    if line.time_to_run_s is not None:
        out.append(f"ran after {line.time_to_run_s:.2f} s")
    return ", ".join(out)


def out_of_date(outdated: tuple[int, Verified, Logged]) -> str:
    """Which check of the repair counts no more, and since which entry."""
    number, made, since = outdated
    return (f"The check of entry {number} ({made.overall}) is out of date: {changed_since(since)} "
            f"(entry {since.number}); check again")  # fmt: skip


def changed_since(since: Logged) -> str:
    """What puts a check of the repair out of date."""
    if isinstance(since.body, Work):
        return "work was done after it"
    return "the case was opened again after it" if isinstance(since.body, Reopened) else "a later recording was made"


def marks(e: Logged) -> str:
    """What became of an entry: corrected or withdrawn, and by which."""
    out = [f"corrected by {entries(e.corrected_by)}"] if e.corrected_by else []
    out += [f"withdrawn by entry {e.withdrawn_by}"] if e.withdrawn_by is not None else []
    return "; ".join(out)
