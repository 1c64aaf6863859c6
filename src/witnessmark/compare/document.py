"""The comparison as a report: verdict, every finding with what became of it, pictures and tables before and after."""

from __future__ import annotations

import os
from dataclasses import replace

from witnessmark.compare import terminal
from witnessmark.compare.compare import named
from witnessmark.compare.draw import teeth_picture
from witnessmark.compare.model import Comparison, Judged
from witnessmark.findings.model import Finding
from witnessmark.report import collect, phrases
from witnessmark.report.html import Tone, html
from witnessmark.report.model import Analysis, Document, Picture, Section, Sentence, Table
from witnessmark.report.words import plural
from witnessmark.spans import Evidence

DASH = "–"
KICKER = "Before and after the repair"
MARKS = (
    "before-F, after-F and a number: the finding of that record which the sentence rests on, listed above.",
    "m: measured over all decoded turns of the crank line.",
    "r: said of both records as a whole.",
    "k: general knowledge of the trade, not read from these records.",
)


def comparison_html(c: Comparison) -> str:
    """The report as one HTML file."""
    tone: Tone = {"repaired": "clear", "not-proven": "unknown", "partly-proven": "unknown",
                  "nothing-to-compare": "unknown"}.get(c.overall, "fault")  # type: ignore[assignment]  # fmt: skip
    names = " and ".join(os.path.basename(a.recording.path) for a in (c.before, c.after))
    return html(compose(c), tone=tone, source=names, kicker=KICKER)


def compose(c: Comparison, *, with_pictures: bool = True) -> Document:
    """The whole report as a renderer-neutral document."""
    sections = [
        Section("findings-compared", "What became of each finding", tuple(_finding(c, j) for j in c.findings)),
        _teeth(c, with_pictures),
        _turn_maps(c) if with_pictures else Section("turn-maps", ""),
        _cams(c),
        _starts(c),
        Section("cautions", "Cautions", tuple(Sentence(f"Caution: {t}", basis="knowledge") for t in c.cautions)),
        _appendix(c),
        Section("basis", "Appendix: what the marks say", tuple(_mark(c, m) for m in MARKS)),
    ]
    kept = tuple(s for s in sections if s.sentences or s.pictures or s.tables)
    return Document(_title(c), _whole(c, c.statement), kept, _facts(c))


def _mark(c: Comparison, text: str) -> Sentence:
    return Sentence(text, basis="knowledge")


def _title(c: Comparison) -> str:
    said = c.after.setup.vehicle.description
    return said[0].upper() + said[1:] if said else phrases.file_name(c.after)


def _facts(c: Comparison) -> dict[str, str]:
    facts = {}
    for name, a in (("Before", c.before), ("After", c.after)):
        wheel = "not decoded" if a.wheel.layout is None else f"{a.wheel.layout.name}, {phrases.turns(a)}"
        facts[name] = f"{phrases.file_name(a)} ({a.recording.duration_s:.4g} s, {wheel})"
    vehicle = c.after.setup.vehicle
    if vehicle.complaint:
        facts["Complaint"] = vehicle.complaint
    return facts


# --- what a sentence rests on ----------------------------------------------------------------------------------------


def _tagged(when: str, ranges: tuple[Evidence, ...]) -> tuple[Evidence, ...]:
    """Stretches with the record they lie in before the channel's name: two records may name their lines alike."""
    return tuple(replace(r, channel=f"{when} {r.channel}") for r in ranges)


def _ids(*pairs: tuple[str, Finding | None]) -> tuple[str, ...]:
    return tuple(f"{when}-{f.id}" for when, f in pairs if f is not None)


def _decoded(c: Comparison) -> tuple[Evidence, ...]:
    both = (("before", c.before), ("after", c.after))
    return tuple(r for when, a in both for r in _tagged(when, collect.decoded_ranges(a)))


def _whole(c: Comparison, text: str) -> Sentence:
    """A sentence on both records: on what was decoded, else on all of them."""
    ranges = _decoded(c)
    if ranges:
        return Sentence(text, (), ranges, "measurement")
    both = (("before", c.before), ("after", c.after))
    return Sentence(text, (), tuple(r for w, a in both for r in _tagged(w, collect.whole_record(a))), "record")


# --- sections --------------------------------------------------------------------------------------------------------


def _finding(c: Comparison, j: Judged) -> Sentence:
    hint = "" if j.weighty or j.shown.kind.startswith("record-") else "Hint only. "
    text = f"{hint}{j.verdict[0].upper()}{j.verdict[1:]}: {named(j)}; {j.because}."
    ids = _ids(("before", j.before), ("after", j.after))
    ranges = tuple(
        r for when, f in (("before", j.before), ("after", j.after)) if f is not None for r in _tagged(when, f.ranges)
    )
    return Sentence(text, ids, ranges)


def _teeth(c: Comparison, with_pictures: bool) -> Section:
    if c.teeth_why_not:
        said = (_whole(c, f"Not compared tooth by tooth: {c.teeth_why_not}."),)
        return Section("teeth", "Tooth by tooth", said)
    svg = teeth_picture(c) if with_pictures else None
    caption = "Every slot before (cross) and after (circle): share of passages seen, lateness of its edge"
    caption += ", pulse of the median tooth's." if svg is not None and "pulse" in svg else "."
    shown = () if svg is None else (Picture("teeth-compared", svg, _whole(c, caption)),)
    sentences = tuple(_whole(c, f"{text[0].upper()}{text[1:]}.") for text in terminal.wheel_lines(c))
    return Section("teeth", "Tooth by tooth", sentences, shown, (_teeth_table(c),))


def _teeth_table(c: Comparison) -> Table:
    told = {j.shown.slot for j in c.findings if j.weighty}
    rows, marked = [], []
    for i, p in enumerate(c.teeth):
        cells = [str(p.slot)]
        for t in (p.before, p.after):
            cells += [DASH, DASH, DASH] if t is None else [
                f"{t.seen} of {t.passages}" if t.passages else DASH,
                DASH if t.error_deg is None else f"{t.error_deg:+.3f}°",
                DASH if t.amplitude is None else f"{t.amplitude:.2f}",
            ]  # fmt: skip
        rows.append(tuple(cells))
        marked += [i] if p.slot in told else []
    columns = ("Slot", "Seen before", "Error", "Ampl.", "Seen after", "Error", "Ampl.")
    caption = "Error: lateness of the edge against its neighbours; amplitude: over speed, of the median tooth's."
    return Table("teeth", columns, tuple(rows), tuple(marked), caption)


def _turn_maps(c: Comparison) -> Section:
    from witnessmark.report.draw_turn_map import turn_map

    shown = []
    for when, a in (("before", c.before), ("after", c.after)):
        drawn = turn_map(a, f"turnmap-{when}")
        if drawn is not None:
            counts = f"{plural(drawn.missed, 'missing edge')}, {plural(drawn.extra, 'extra edge')}"
            counts += f", {drawn.weak} pulses under a control unit's nominal threshold" if drawn.weak else ""
            text = f"{when.capitalize()} the repair: turns from left to right, slots upwards ({counts})."
            ranges = _tagged(when, collect.decoded_ranges(a))
            shown.append(Picture(f"turn-map-{when}", drawn.svg, Sentence(text, (), ranges, "measurement")))
    return Section("turn-maps", "Every turn before and after", (), tuple(shown))


def _cams(c: Comparison) -> Section:
    if not c.cams:
        return Section("cams", "")
    columns = ("Cam line", "Record", "Edges", "Cycles", "Offset", "Largest spread", "Seen at least")
    rows = []
    for p in c.cams:
        for when, s in (("before", p.before), ("after", p.after)):
            rows.append((p.name, when, *((DASH,) * 5 if s is None else (
                str(s.edges), str(s.cycles), DASH if s.offset_deg is None else f"{s.offset_deg:+.1f}°",
                DASH if s.spread_deg is None else f"{s.spread_deg:.2f}°",
                DASH if s.present is None else f"{100.0 * s.present:.0f} %",
            ))))  # fmt: skip
    said = tuple(_whole(c, f"{terminal.cam_line(p)}.") for p in c.cams)
    return Section("cams", "Cam by cam", said, (), (Table("cams", columns, tuple(rows)),))


def _starts(c: Comparison) -> Section:
    said = tuple(
        _whole(c, f"{when.capitalize()}: {terminal.start_line(s)}.")
        for when, s in zip(("before", "after"), c.starts, strict=True)
    )
    return Section("starts", "The starts", said)


def _appendix(c: Comparison) -> Section:
    tables = []
    for when, a in (("before", c.before), ("after", c.after)):
        tables += [_table(when, a, f) for f in a.findings.found]
    return Section("findings", "Appendix: findings of both records and the stretches they rest on", (), (),
                   tuple(tables))  # fmt: skip


def _table(when: str, analysis: Analysis, finding: Finding) -> Table:
    level = "stated as found" if finding.stated else "a hint"
    caption = f"{when} {finding.id} {finding.kind}, {level} ({finding.confidence:.2f}): {finding.statement}"
    rows = tuple(
        (r.channel, DASH if r.turn is None else str(r.turn + 1), f"{r.start_s:.5f}–{r.end_s:.5f}",
         f"{r.start_sample}–{r.stop_sample}")
        for r in finding.ranges
    )  # fmt: skip
    return Table(f"{when}-{finding.id}", ("Channel", "Turn", "Time s", "Samples"), rows, (), caption)
