"""The customer's page: what was wrong, how we know, what was done, how it was checked, on one printed page."""

from __future__ import annotations

import textwrap

from witnessmark.cases import pictures
from witnessmark.cases.bodies import Analysed, Disabled, Outcome, Photo, RecordingAdded, Verified, Work
from witnessmark.cases.document import Files, facts, title, tone
from witnessmark.cases.model import Case
from witnessmark.cases.phrases import changed_since
from witnessmark.cases.plain import load_plain
from witnessmark.cases.weighing import judged as weighed
from witnessmark.causes.ids import MEASUREMENT, NONE_FOUND, NONE_OF_THESE
from witnessmark.report.html import html
from witnessmark.report.model import Document, Picture, Section, Sentence, Table
from witnessmark.report.words import listed, percent, plural

KICKER = "For the owner of the vehicle"
HEADING = "In short"
LONGEST = 150  # characters of one text of the shop's on the page; the shop's report has the whole
MOST_WORKS, MOST_OUTCOMES, MOST_PHOTOS, MOST_ITEMS = 3, 2, 2, 4  # so that it stays one page
SHORT, BRIEF = 80, 40  # the same for what stands in a line, and in a row of several
SURE = 0.9  # below this probability a cause is one of several


def customer_html(case: Case, vin: str, files: Files) -> str:
    """The page as one HTML file. ``vin``: the vehicle number as it may be shown; ``files`` gives a file."""
    return html(compose(case, vin, files), tone=tone(case), source=f"case {case.id}", kicker=KICKER, heading=HEADING,
                style="customer")  # fmt: skip


def compose(case: Case, vin: str, files: Files) -> Document:
    """The page as a renderer-neutral document. Its sentences carry no marks: the shop's report does."""
    sections = (
        _not_ready(case),
        _told(case),
        _looked(case),
        _photos(case, files),
        _done(case),
        _checked(case),
        _put_back(case),
    )
    kept = tuple(s for s in sections if s.sentences or s.pictures or s.tables)
    told = {k: v for k, v in facts(case, vin).items() if k != "Codes"}
    if case.verification is not None:
        told["Repair checked"] = case.log[case.verification[0] - 1].entry.at_utc[:10]
    return Document(_cut(title(case), SHORT), Sentence(_in_short(case)), kept, told)


def _cut(text: str, most: int = LONGEST) -> str:
    return textwrap.shorten(text, most, placeholder=" …")


def _plain(text: str) -> Sentence:
    return Sentence(_cut(text) if len(text) > 2 * LONGEST else text)


def _in_short(case: Case) -> str:
    """What was wrong, how sure that is, and whether it is put right."""
    closed, verified = case.closed, case.verification
    check = f" {load_plain().checked.get(verified[1].overall, '')}" if verified is not None else _no_longer(case)
    if closed is not None and closed.cause:
        words = load_plain().cause.get(closed.cause, closed.cause)
        check = check or " No recording after the repair was made."
        return f"The cause, as the workshop found it: {words[:1].lower() + words[1:]}.{check}"
    judged = weighed(case)
    if judged is None or not judged[1].causes:
        return f"We are still looking for the cause.{check}"
    return f"{_probable(judged[1])}{check}"


def _no_longer(case: Case) -> str:
    """A sentence where an earlier check of the repair counts no more; nothing where there is none."""
    if case.outdated is None:
        return ""
    return f" An earlier check of the repair counts no more: {changed_since(case.outdated[2])}."


def _probable(made: Analysed) -> str:
    first = made.causes[0]
    words = load_plain().cause.get(first.id, "")
    if first.id in (NONE_FOUND, NONE_OF_THESE, MEASUREMENT) or not words:
        return f"{words or 'The cause is not found yet'}."
    if first.probability < SURE:
        second = made.causes[1] if len(made.causes) > 1 and made.causes[1].probability >= 1.0 - SURE else None
        other = "" if second is None else load_plain().cause.get(second.id, "")
        rest = f" It could also be this: {other[0].lower() + other[1:]}." if other else ""
        return f"Not decided yet. Most likely ({percent(first.probability)}): {words[0].lower() + words[1:]}.{rest}"
    return (f"Most likely ({percent(first.probability)}): {words[0].lower() + words[1:]}. "
            "A recording shows where a signal is wrong, it does not see the part.")  # fmt: skip


def _told(case: Case) -> Section:
    out = [_plain(f"{_cut(case.opened.complaint).rstrip('.')}.")]
    tried = [w.text for _, w in case.of(Work) if w.earlier]
    if tried:
        more = f" and {len(tried) - MOST_WORKS} more" if len(tried) > MOST_WORKS else ""
        out.append(_plain(f"Already tried before: {listed([_cut(t, BRIEF) for t in tried[:MOST_WORKS]])}{more}."))
    return Section("told", "What you told us", tuple(out))


def _looked(case: Case) -> Section:
    out = []
    recordings = case.of(RecordingAdded)
    if recordings:
        many = "one recording" if len(recordings) == 1 else f"{len(recordings)} recordings"
        out.append(_plain(f"We made {many} of the engine's own electrical signals and examined them turn by turn."))
    judged = weighed(case)
    if judged is not None and case.verification is None and not case.is_open:
        out.append(_plain(_probable(judged[1])))
    done = case.of(Outcome)
    out += [_plain(f"A test by hand showed: {_cut(o.result).rstrip('.')}.") for _, o in done[-MOST_OUTCOMES:]]
    return Section("looked", "How we looked for it", tuple(out))


def _photos(case: Case, files: Files) -> Section:
    shown = []
    for number, photo in case.of(Photo)[-MOST_PHOTOS:]:
        svg = pictures.photo_svg(files(photo.file), photo.note)
        if svg is not None:
            shown.append(Picture(f"photo-{number}", svg, Sentence(_cut(photo.note, SHORT))))
    return Section("photos", "What it looks like", (), tuple(shown))


def _done(case: Case) -> Section:
    works = [w for _, w in case.of(Work) if not w.earlier]
    out = [
        _plain(f"{'Part fitted: ' if w.what == 'part' else ''}{_cut(w.text, SHORT).rstrip('.')}.")
        for w in works[:MOST_WORKS]
    ]
    if len(works) > MOST_WORKS:
        out.append(_plain(f"And {plural(len(works) - MOST_WORKS, 'further piece')} of work."))
    return Section("done", "What was done", tuple(out))


def _checked(case: Case) -> Section:
    if case.verification is None:
        return Section("checked", "")
    _, made = case.verification
    out = [_plain(load_plain().checked.get(made.overall, made.overall))]
    if case.closed is not None and not case.closed.cause:
        out.append(_plain("Which part was to blame is not recorded."))
    return Section("checked", "How it was checked", tuple(out), (), _starts(made))


def _starts(made: Verified) -> tuple[Table, ...]:
    if made.starts is None or not any(s.attempts for s in made.starts):
        return ()
    rows = [
        (when, f"{s.started} of {s.attempts}", "–" if s.time_to_run_s is None else f"{s.time_to_run_s:.1f} s")
        for when, s in zip(("before", "after"), made.starts, strict=True)
    ]
    return (Table("starts", ("Recording", "Starts that ran", "Time until it ran"), tuple(rows)),)


def _not_ready(case: Case) -> Section:
    """What must be put back before anybody drives: first on the page."""
    open_ = case.to_restore
    if not open_:
        return Section("not-ready", "")
    items = listed([_cut(d.item, BRIEF) for _, d in open_[:MOST_ITEMS]])
    more = f" and {len(open_) - MOST_ITEMS} more" if len(open_) > MOST_ITEMS else ""
    text = f"Caution: still disconnected and to be put back before the vehicle is driven: {items}{more}."
    return Section("not-ready", "Not ready yet", (Sentence(text),))


def _put_back(case: Case) -> Section:
    many = len(case.of(Disabled))
    if not many or case.to_restore:
        return Section("back", "")
    said = f"Everything that was disconnected for the tests is back in place ({plural(many, 'item')}, each confirmed)."
    return Section("back", "Put back", (_plain(said),))
