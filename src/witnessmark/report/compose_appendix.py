"""The appendix: every finding with its numbers and sample ranges, the channels, parameters and provenance."""

from __future__ import annotations

import json

from witnessmark.findings.kinds import SCAN_KINDS
from witnessmark.findings.model import Finding
from witnessmark.report import collect, phrases
from witnessmark.report.compose_parts import channel_rows
from witnessmark.report.model import Analysis, Section, Sentence, Table
from witnessmark.report.plain import plain
from witnessmark.report.words import LOCKS, plural

MARKS = (
    "F and a number: the finding the sentence rests on, listed above with the stretches of the recording it shows in.",
    "m: measured over all decoded turns of the crank line.",
    "r: said of the record as a whole.",
    "k: general knowledge of the trade, not read from this record.",
)


def appendix(analysis: Analysis) -> tuple[Section, ...]:
    """The appendix's parts, in order."""
    return (_findings(analysis), _marks(), _channels(analysis), _steps(analysis))


def _findings(analysis: Analysis) -> Section:
    tables: list[Table] = []
    for finding in analysis.findings.found:
        tables += _finding_tables(finding)
    return Section("findings", "Appendix: findings and the stretches they rest on", (), (), tuple(tables))


def _finding_tables(finding: Finding) -> list[Table]:
    """The ranges as a table that carries the finding's id, and its numbers."""
    place = [finding.channel]
    place += [f"slot {finding.slot}"] if finding.slot is not None else []
    place += [f"cylinder {finding.cylinder}"] if finding.cylinder is not None else []
    level = "stated as found" if finding.stated else "a hint"
    about = f"{', '.join(place)}; {LOCKS.get(finding.lock, finding.lock)}"
    rests = plural(len(finding.ranges), "stretch", "stretches")
    if finding.kind in SCAN_KINDS:  # what control units said has no place in the recording
        about, rests = f"control unit {finding.evidence.get('control_unit') or 'not named'}", "its answers, below"
    caption = f"{finding.id} {finding.kind}: {about}; confidence {finding.confidence:.2f}, {level}; {rests}"
    rows = tuple(
        (
            r.channel,
            "–" if r.turn is None else str(r.turn + 1),
            f"{r.start_s:.5f}–{r.end_s:.5f}",
            f"{r.start_sample}–{r.stop_sample}",
        )
        for r in finding.ranges
    )
    out = [Table(finding.id, ("Channel", "Turn", "Time s", "Samples"), rows, (), caption)]
    numbers = _number_rows(finding)
    if numbers:
        out.append(Table(f"{finding.id}-numbers", ("Number", "Value"), numbers, (), f"{finding.id} in numbers"))
    return out


def _number_rows(finding: Finding) -> tuple[tuple[str, str], ...]:
    out = []
    if finding.value is not None:
        out.append(("value", f"{finding.value:.5g} {finding.unit}".strip()))
    for key, value in plain(finding.evidence).items():
        if key == "ranges":
            continue
        text = f"{value:.6g}" if isinstance(value, float) else value if isinstance(value, str) else json.dumps(value)
        out.append((key, text if len(text) <= 160 else text[:157] + "..."))
    return tuple(out)


def _marks() -> Section:
    return Section("basis", "Appendix: how to read the marks", tuple(Sentence(t, basis="knowledge") for t in MARKS))


def _channels(analysis: Analysis) -> Section:
    columns = ("Channel", "Label", "Role", "From", "Sensor", "Samples", "Rate Hz", "Edges")
    table = Table("channels", columns, channel_rows(analysis), (), f"Lines of {phrases.file_name(analysis)}")
    return Section("channels", "Appendix: the lines recorded", (), (), (table,))


def _steps(analysis: Analysis) -> Section:
    """Each step with what it used of what it saw, and why the rest was left out."""
    rows = []
    for step in collect.steps(analysis):
        seen = "" if step.seen is None else f" of {step.seen} seen"
        used = "–" if step.used is None else f"{step.used} used{seen}"
        used += f", because {step.because}" if step.because else ""
        parameters = "; ".join(f"{k} = {_short(v)}" for k, v in plain(step.parameters).items())
        rows.append((step.stage, step.what, used, parameters or "–"))
    table = Table("provenance", ("Stage", "Step", "Used", "Parameters"), tuple(rows), (), "What was done, in order")
    return Section("steps", "Appendix: steps and parameters", (), (), (table,) if rows else ())


def _short(value: object) -> str:
    text = f"{value:.6g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 80 else text[:77] + "..."
