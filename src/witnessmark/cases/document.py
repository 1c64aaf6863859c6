"""The proof for the shop: complaint, evidence, tests, work, check, and the whole log behind every sentence.

Every sentence carries the numbers of the log's entries it rests on (E and the number); the appendix holds each entry as
it was written, with what corrected or withdrew it.
"""

from __future__ import annotations

import os
from collections.abc import Callable

from witnessmark.cases import pictures, weighing
from witnessmark.cases.bodies import (
    Analysed,
    Body,
    CauseLine,
    ChosenTest,
    Decision,
    Disabled,
    FindingLine,
    Observation,
    Outcome,
    Photo,
    RecordingAdded,
    Restored,
    Snapshot,
    Verified,
    Work,
)
from witnessmark.cases.model import Attachment, Case, Logged
from witnessmark.cases.phrases import STATED, WORTH_A_LINE, cause, closed_words, marks, out_of_date, say, starts
from witnessmark.report.html import Tone, html
from witnessmark.report.model import Document, Picture, Section, Sentence, Table
from witnessmark.report.words import KINDS, listed, percent

KICKER = "Report of a case"
CAUSES = 4
HASH_SHOWN = 16  # characters: enough to tell files apart; the case holds the whole
DASH = "–"
Files = Callable[[str], Attachment | None]
MARKS = (
    "E and a number: the entry of the log that the sentence rests on, listed above as it was written.",
    "k: general knowledge of the trade, not from this log.",
)


def shop_html(case: Case, vin: str, files: Files) -> str:
    """The shop's report as one HTML file. ``vin``: the vehicle number as it may be shown; ``files`` gives a file."""
    return html(compose(case, vin, files), tone=tone(case), source=f"case {case.id}", kicker=KICKER, heading="Verdict")


def tone(case: Case) -> Tone:
    """Clear once the repair is proven; a fault while one of more than the record itself is stated; else unknown."""
    if case.verification is not None:
        overall = case.verification[1].overall
        return "clear" if overall == "repaired" else "unknown" if overall.endswith(("proven", "compare")) else "fault"
    judged = case.verdict
    stated = [] if judged is None else [f for f in judged[1].findings if f.confidence >= STATED]
    return "fault" if any(not f.kind.startswith("record-") for f in stated) else "unknown"


def compose(case: Case, vin: str, files: Files) -> Document:
    """The report as a renderer-neutral document."""
    sections = (
        _short(case),
        _before(case),
        _scans(case),
        _recordings(case),
        _causes(case),
        _tests(case),
        _photos(case, files),
        _work(case),
        _checked(case, files),
        _disabled(case),
        Section("used", "Appendix: what was used", (), (), (_used(case),)),
        Section("log", "Appendix: the log, entry by entry", (), (), (_log(case),)),
        Section("basis", "Appendix: what the marks say", tuple(Sentence(m, basis="knowledge") for m in MARKS)),
    )
    kept = tuple(s for s in sections if s.sentences or s.pictures or s.tables)
    return Document(title(case), _verdict(case), kept, facts(case, vin))


def title(case: Case) -> str:
    """The vehicle, else the complaint."""
    name = case.opened.vehicle or case.opened.complaint
    return name[0].upper() + name[1:]


def facts(case: Case, vin: str) -> dict[str, str]:
    """What case it is, for the head of a page."""
    out = {"Case": f"{case.id} ({'open' if case.is_open else 'closed'})", "Opened": case.log[0].entry.at_utc[:10]}
    for name, text in (("Customer", case.opened.customer), ("VIN", vin), ("Codes", ", ".join(case.opened.codes))):
        if text:
            out[name] = text
    return out


def rests(text: str, *numbers: int) -> Sentence:
    """A sentence with the entries it rests on."""
    return Sentence(text, tuple(f"E{n}" for n in numbers))


def _caution(text: str) -> Sentence:
    return Sentence(f"Caution: {text}", basis="knowledge")


def _verdict(case: Case) -> Sentence:
    verified, judged = case.verification, weighing.judged(case)
    if verified is not None:
        return rests(verified[1].statement, verified[0])
    if judged is None or not judged[1].causes:
        return rests("No recording is analysed yet: nothing can be said of the cause.", 1)
    number, made = judged
    if made.causes[0].id == "none-found":
        return rests(f"Nothing wrong is seen in recording {made.recording}.", number)
    probable = f"{cause(made.causes[0])} ({percent(made.causes[0].probability)})"
    return rests(f"Most probable after recording {made.recording}: {probable}.", number)


def _short(case: Case) -> Section:
    out = [rests(f"Complaint: {case.opened.complaint.rstrip('.')}.", 1)]
    if not case.is_open:
        closed = case.log[-1]
        out.append(rests(f"Closed: {say(closed.body)}", closed.number))
    if case.to_restore:
        items = "; ".join(d.item for _, d in case.to_restore)
        out.append(rests(f"Caution: still disabled and to be put back: {items}.", *(n for n, _ in case.to_restore)))
    if case.outdated is not None:
        number, _, since = case.outdated
        out.append(rests(f"{out_of_date(case.outdated)}.", number, since.number))
    proposed = case.proposed
    if case.tests_open:
        number, test = case.tests_open[0]
        out.append(rests(f"Next: {test.statement.rstrip('.')}.", number))
        out += [_caution(c) for c in test.cautions]
    elif case.is_open and case.verification is None and proposed is not None:
        number, first = proposed
        out.append(rests(f"Proposed next: {first.statement.rstrip('.')} ({first.minutes} min).", number))
        out += [_caution(c) for c in first.cautions]
    return Section("short", "In short", tuple(out))


def _before(case: Case) -> Section:
    earlier = [rests(f"{say(w)}.", n) for n, w in case.of(Work) if w.earlier]
    return Section("before", "What was known and tried before", tuple(earlier))


def _scans(case: Case) -> Section:
    out = []
    for number, snapshot in case.of(Snapshot):
        out.append(rests(f"Snapshot {number}: {say(snapshot).rstrip('.')}.", number))
        out += [_finding(f, number) for f in snapshot.findings]
    return Section("scans", "What the control units said", tuple(out))


def _recordings(case: Case) -> Section:
    out: list[Sentence] = []
    latest = {made.recording: entry for entry, made in case.of(Analysed)}
    for number, added in case.of(RecordingAdded):
        note = f", {added.note}" if added.note else ""
        name = os.path.basename(added.path)
        out.append(rests(f"Recording {number}: {name}{note} (content {added.sha256[:12]}...).", number))
        for entry, made in case.of(Analysed):
            if made.recording == number and entry == latest[number]:
                out += _findings(entry, made)
    return Section("evidence", "What the recordings show", tuple(out))


def _findings(entry: int, made: Analysed) -> list[Sentence]:
    if not any(f.confidence >= STATED for f in made.findings):
        out = [rests("Nothing reaches the confidence to be stated as a fault.", entry)]
    else:
        out = []
    out += [_finding(f, entry) for f in made.findings if f.snapshot is None]
    if made.scanned:
        ids = listed([f"{f.id} in snapshot {f.snapshot}" for f in made.findings if f.snapshot is not None])
        out.append(rests(f"Weighed with what the control units said{f': {ids}' if ids else ''}.", entry, *made.scanned))
    return out


def _finding(f: FindingLine, entry: int) -> Sentence:
    hint = f"Hint only (confidence {f.confidence:.2f}). " if f.confidence < STATED else ""
    return rests(f"{hint}{f.id} {f.statement.rstrip('.')}.", entry)


def _causes(case: Case) -> Section:
    judged = weighing.judged(case)
    if judged is None:
        return Section("causes", "")
    number, made = judged
    *_, last = moved = weighing.balances(case)
    basis = dict.fromkeys((number, last.number))
    out = [rests(f"{percent(c.probability)} {cause(c)}", *basis) for c in _worth(made.causes)]
    if made.closed_cases:
        out.append(rests(f"The shop's own history moved the priors: {closed_words(made)}.", number))
    if made.what_would_change:
        out.append(rests(made.what_would_change, number))
    table = _balance(case, moved)
    return Section("causes", f"Causes and how probable each is, after recording {made.recording}", tuple(out), (),
                   (table,) if len(table.rows) > 1 else ())  # fmt: skip


def _balance(case: Case, moved: tuple[weighing.Balance, ...]) -> Table:
    """The causes after each entry: by the recordings before the one that counts, then by all that moved that one."""
    before = tuple(weighing.Balance(n, a.causes) for n, a in case.of(Analysed) if n < moved[0].number)
    rows = tuple(
        (f"E{b.number}", "; ".join(f"{cause(c)} {percent(c.probability)}" for c in _worth(b.causes)))
        for b in (*before, *moved)
    )
    return Table("balance", ("After", "Causes"), rows, (), "What each entry did to the causes.")


def _worth(causes: tuple[CauseLine, ...]) -> list[CauseLine]:
    return [c for c in causes if c.probability >= WORTH_A_LINE][:CAUSES]


def _tests(case: Case) -> Section:
    """Tests with what they showed, observations and decisions, in the order in which they came."""
    done = {d.chosen: (n, d) for n, d in case.of(Outcome)}
    said: list[tuple[int, Sentence]] = []
    for number, test in case.of(ChosenTest):
        if number not in done:
            said.append((number, rests(f"Chosen, no outcome yet: {test.statement}", number)))
            continue
        entry, seen = done[number]
        then = f" {seen.then}" if seen.then else ""
        note = f" ({seen.note})" if seen.note else ""
        text = f"{test.statement.rstrip('.')}: {seen.result.rstrip('.')}.{note}{then}"
        said.append((number, rests(text, number, entry)))
    said += [(n, rests(f"Seen by hand: {say(o).rstrip('.')}.", n)) for n, o in case.of(Observation)]
    for number, decision in case.of(Decision):
        lost = [b for b in decision.because if not case.log[b - 1].counts]
        doubt = f" (withdrawn since: {', '.join(map(str, lost))})" if lost else ""
        said.append((number, rests(f"Decided: {decision.text.rstrip('.')}{doubt}.", number, *decision.because)))
    return Section("tests", "Tests, observations and decisions", tuple(s for _, s in sorted(said, key=lambda p: p[0])))


def _photos(case: Case, files: Files) -> Section:
    shown, out = [], []
    for number, photo in case.of(Photo):
        svg = pictures.photo_svg(files(photo.file), photo.note)
        if svg is None:
            out.append(rests(f"{say(photo)}: the picture cannot be shown here.", number))
        else:
            shown.append(Picture(f"photo-{number}", svg, rests(photo.note, number)))
    return Section("photos", "Photos", tuple(out), tuple(shown))


def _work(case: Case) -> Section:
    out = [rests(f"{say(w)}.", n) for n, w in case.of(Work) if not w.earlier]
    return Section("work", "Work done", tuple(out))


def _checked(case: Case, files: Files) -> Section:
    checked, old = case.verification, case.outdated
    if checked is None and old is not None:
        checked = old[:2]
    if checked is None:
        return Section("checked", "")
    number, made = checked
    out = [] if old is None else [rests(f"{out_of_date(old)}.", number, old[2].number)]
    out += [rests(f"Recording {made.after} held against recording {made.before}: {made.overall}.", number, made.before,
                 made.after)]  # fmt: skip
    tables = (_compared(made), *([_starts(made)] if made.starts is not None else []))
    svg = pictures.slots_svg(files(made.file))
    drawn = () if svg is None else (Picture("slots", svg, rests(
        "Every slot before (cross) and after (circle): share of passages seen, lateness of its edge, pulse where it "
        "was measured.", number)),)  # fmt: skip
    out += [_caution(c) for c in made.cautions if case.is_open]
    return Section("checked", "Before and after the repair", tuple(out), drawn, tables)


def _compared(made: Verified) -> Table:
    rows = tuple(
        (f.became, KINDS.get(f.kind, f.kind), DASH if f.slot is None else str(f.slot), f.channel or DASH, f.because)
        for f in made.findings
    )
    still = tuple(i for i, f in enumerate(made.findings) if f.became in ("still there", "new", "changed"))
    return Table("compared", ("Became", "Finding", "Slot", "Line", "Because"), rows, still,
                 "What became of each finding.")  # fmt: skip


def _starts(made: Verified) -> Table:
    assert made.starts is not None
    rows = tuple((when, starts(s)) for when, s in zip(("before", "after"), made.starts, strict=True))
    return Table("starts", ("Recording", "Starts"), rows)


def _disabled(case: Case) -> Section:
    back = {r.disabled: (n, r) for n, r in case.of(Restored)}
    out = []
    for number, item in case.of(Disabled):
        if number in back:
            how = f" ({back[number][1].how})" if back[number][1].how else ""
            out.append(rests(f"{say(item)}: confirmed to be back as it was{how}.", number, back[number][0]))
        else:
            out.append(rests(f"Caution: {say(item)}: not confirmed to be back.", number))
    return Section("disabled", "Disabled for the tests, and restored", tuple(out))


def _used(case: Case) -> Table:
    """Recordings, setups, snapshots and photos with the beginning of their content's hash, and the program."""
    rows: list[tuple[str, str, str, str]] = []
    for e in case.log:
        body, entry = e.body, f"E{e.number}"
        if not e.counts:
            continue
        if isinstance(body, RecordingAdded):
            rows.append((entry, "recording", f"{os.path.basename(body.path)}, {body.size_bytes} bytes", body.sha256))
            if body.setup_file is not None:
                rows.append((entry, "setup", os.path.basename(body.setup_path), body.setup_file))
        elif isinstance(body, Snapshot | Photo):
            rows.append((entry, e.entry.kind, body.name, body.file))
        elif isinstance(body, Analysed):
            rows.append((entry, "program", body.program, body.file))
    short = tuple((*row[:3], f"{row[3][:HASH_SHOWN]}...") for row in rows)
    return Table("used", ("Entry", "What", "Name", "SHA-256 of its content or result"), short)


def _log(case: Case) -> Table:
    """Every entry as it was written, and as it counts now where that is something else."""
    return Table("entries", ("Entry", "When (UTC)", "Who", "What", "It says"), tuple(_entry(e) for e in case.log))


def _entry(e: Logged) -> tuple[str, ...]:
    written, told = _said(e.entry.body), marks(e)
    text = f"As written: {written} As corrected: {_said(e.body)}" if e.corrected_by else written
    when = e.entry.at_utc[:16].replace("T", " ")
    return f"E{e.number}", when, e.entry.by, e.entry.kind, f"{text}{f' ({told})' if told else ''}"


def _said(body: Body) -> str:
    """What an entry says; a recording by its name, its folder and hash stand elsewhere."""
    if isinstance(body, RecordingAdded):
        return f"{os.path.basename(body.path)}{f', {body.note}' if body.note else ''}."
    return f"{say(body).rstrip('.')}."
