"""From an analysis to the report's document: verdict, evidence, pictures, what cannot be told, what to do next.

Every sentence carries the findings and stretches it rests on, or says that it rests on the record as a whole, on a
measurement over all decoded turns, or on general knowledge.
"""

from __future__ import annotations

import numpy as np

from witnessmark.findings.model import Finding
from witnessmark.report import collect, phrases
from witnessmark.report.compose_advice import next_section, observed_section, priors_section
from witnessmark.report.compose_appendix import appendix
from witnessmark.report.compose_cams import cams_section
from witnessmark.report.compose_cylinders import cylinders_section
from witnessmark.report.compose_outputs import outputs_section
from witnessmark.report.compose_parts import (
    attempts_section,
    bounds_section,
    causes_section,
    cautions_section,
    known_ids,
    measured,
    not_assessed_section,
    teeth_section,
    where_lines,
    where_section,
)
from witnessmark.report.compose_pressures import pressures_section
from witnessmark.report.compose_replay import replay_section
from witnessmark.report.figures import Pictures, pictures
from witnessmark.report.model import Analysis, Document, Section, Sentence
from witnessmark.report.words import degrees, plural, wheel_words
from witnessmark.scan.vin import masked


def compose(analysis: Analysis, *, with_pictures: bool = True) -> Document:
    """The whole report as a renderer-neutral document. ``with_pictures`` False leaves the drawing out (quick)."""
    drawn = pictures(analysis) if with_pictures else Pictures()
    sections = [
        _short(analysis),
        _evidence(analysis, drawn),
        teeth_section(analysis),
        attempts_section(analysis, drawn),
        replay_section(analysis),
        cams_section(analysis, drawn),
        outputs_section(analysis),
        cylinders_section(analysis),
        pressures_section(analysis),
        observed_section(analysis),
        causes_section(analysis),
        priors_section(analysis),
        not_assessed_section(analysis),
        bounds_section(analysis),
        next_section(analysis),
        where_section(analysis, drawn),
        cautions_section(analysis),
        *appendix(analysis),
    ]
    kept = tuple(s for s in sections if s.sentences or s.pictures or s.tables)
    return Document(_title(analysis), phrases.verdict(analysis), kept, _facts(analysis))


def _title(analysis: Analysis) -> str:
    vehicle = analysis.setup.vehicle.description
    return vehicle[0].upper() + vehicle[1:] if vehicle else phrases.file_name(analysis)


def _facts(analysis: Analysis) -> dict[str, str]:
    """What was examined, for the head of the report."""
    recording, vehicle, wheel = analysis.recording, analysis.setup.vehicle, analysis.wheel
    facts = {"Recording": phrases.file_name(analysis)}
    if vehicle.vin:
        facts["VIN"] = masked(vehicle.vin)
    if vehicle.complaint:
        facts["Complaint"] = vehicle.complaint
    if vehicle.codes:
        facts["Codes"] = ", ".join(vehicle.codes)
    facts["Recorded"] = f"{plural(len(recording.channels), 'channel')}, {recording.duration_s:.4g} s"
    if wheel.layout is not None:
        source = phrases.wheel_source(analysis)
        facts["Crank wheel"] = f"{wheel.layout.name} ({source})"
        facts["Decoded"] = phrases.turns(analysis)
    else:
        facts["Crank wheel"] = "not decoded"
    counted = analysis.engine.counted
    if counted is not None and counted.source == "inferred":
        facts["Cylinders"] = f"{counted.cylinders} (inferred from {counted.because}; certainty {counted.certainty:.2f})"
    return facts


def _short(analysis: Analysis) -> Section:
    """The first screen: where to look and what to do next."""
    out = list(where_lines(analysis))[:3]
    tests, advice = analysis.verdict.next_tests, analysis.verdict.advice
    out += [Sentence(a.statement, basis="knowledge") for a in (advice.actions if advice is not None else ())]
    if tests:
        because = analysis.verdict.causes[0].because if analysis.verdict.causes else ()
        text = f"Next: {tests[0].statement.rstrip('.')} ({tests[0].minutes} min)."
        out.append(Sentence(text, known_ids(analysis, because), (), "knowledge"))
        if tests[0].cautions:
            out.append(Sentence(f"Caution: {tests[0].cautions[0]}", basis="knowledge"))
    if analysis.wheel.undecidable:
        out.append(measured(analysis, analysis.wheel.undecidable))
    return Section("short", "In short", tuple(out))


def _evidence(analysis: Analysis, drawn: Pictures) -> Section:
    sentences: list[Sentence] = []
    for finding in collect.by_weight(analysis):
        sentences += _finding_sentences(finding)
    if not any(f.stated for f in analysis.findings.found):
        sentences.insert(0, measured(analysis, "Nothing reaches the confidence to be stated as a fault."))
    sentences += _wheel_sentences(analysis)
    shown = tuple(p for p in (drawn.strip, drawn.turn_map) if p is not None)
    return Section("evidence", "What the record shows", tuple(sentences), shown)


def _finding_sentences(finding: Finding) -> list[Sentence]:
    out = [Sentence(phrases.hint(finding), (finding.id,), finding.ranges)]
    text = phrases.numbers(finding)
    if text and finding.stated:
        out.append(Sentence(f"In numbers: {text}.", (finding.id,), finding.ranges))
    return out


def _wheel_sentences(analysis: Analysis) -> list[Sentence]:
    """What was measured on the wheel as a whole, good or bad."""
    wheel = analysis.wheel
    if wheel.layout is None:
        why = wheel.why_not or "no wheel pattern stands out"
        if wheel.channel is None:
            return [
                Sentence("No channel was recognised as the crank signal.", (), collect.whole_record(analysis), "record")
            ]
        return [measured(analysis, f"The crank line could not be decoded: {why}.")]
    out = [measured(analysis, _decoded(analysis))]
    out += [measured(analysis, text) for text in (_other_teeth(analysis), _largest_error(analysis)) if text]
    if wheel.runout_deg is not None:
        spread = f" (± {wheel.runout_se_deg:.3f}°)" if wheel.runout_se_deg is not None else ""
        out.append(measured(analysis, f"Once-per-turn error of the whole wheel: {wheel.runout_deg:.3f}°{spread}."))
    if wheel.polarity != "unknown" and wheel.polarity_reason:
        out.append(measured(analysis, f"Polarity {wheel.polarity}: {wheel.polarity_reason.rstrip('.')}."))
    return out


def _decoded(analysis: Analysis) -> str:
    wheel = analysis.wheel
    assert wheel.layout is not None
    parts = plural(len(wheel.angle.segments), "stretch", "stretches")
    text = f"{phrases.turns(analysis)} of the {wheel_words(wheel.layout.name)} were decoded in {parts}"
    lost = sum(s.end_s - s.start_s for s in wheel.angle.undecoded)
    return f"{text}; {lost:.3g} s of rotation could not be." if lost > 0 else f"{text}."


def _other_teeth(analysis: Analysis) -> str:
    suspects = collect.suspects(analysis)
    rest = [t for t in analysis.wheel.teeth if t.expected and t.slot not in suspects and t.passages]
    if not rest:
        return ""
    seen, passages = sum(t.seen for t in rest), sum(t.passages for t in rest)
    which = "other teeth" if suspects else "teeth"
    if seen == passages:
        return f"The {len(rest)} {which} gave their edge in every one of {plural(passages, 'passage')}."
    return f"The {len(rest)} {which} gave {seen:,} edges in {plural(passages, 'passage')}.".replace(",", " ")


def _largest_error(analysis: Analysis) -> str:
    teeth = phrases.plain_teeth(analysis)
    if not teeth:
        return ""
    errors = np.array([t.error_deg for t in teeth], dtype=np.float64)
    worst = teeth[int(np.abs(errors).argmax())]
    assert worst.error_deg is not None
    spread = f" ± {degrees(worst.error_se_deg, 3)}" if worst.error_se_deg is not None else ""
    way = "late" if worst.error_deg >= 0 else "early"
    apart = sum(t.expected and t.error_deg is not None for t in analysis.wheel.teeth) - len(teeth)
    which = " (teeth beside a gap or a suspect left out: a pick-up shifts them by itself)" if apart else ""
    size = f"{degrees(abs(worst.error_deg), 3)}{spread} {way}, at slot {worst.slot}"
    return f"Largest error of a tooth's edge: {size}{which}."
