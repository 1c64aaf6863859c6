"""What was found, hinted at and not assessed, each finding with its numbers and the stretches it rests on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from witnessmark.report import collect
from witnessmark.report.phrases import line_name, with_unit
from witnessmark.report.plain import plain
from witnessmark.report.words import KINDS, LOCKS, plural
from witnessmark.workbench.views.arrays import number

if TYPE_CHECKING:
    from witnessmark.findings.model import Finding
    from witnessmark.report.model import Analysis

MOST_RANGES = 200
MARGIN = 1.0  # of a stretch, shown on each side of it
LEAST_SHOWN_S = 0.05
LONGEST_SHOWN_S = 2.0  # a longer stretch is shown as it is, without a margin


def found_view(analysis: Analysis) -> dict[str, Any]:
    """Findings weightiest first; ``look``: the stretch of the strip that shows one."""
    return {
        "findings": [_finding(analysis, f) for f in collect.by_weight(analysis)],
        "not_assessed": [
            {"question": n.question, "reason": n.reason, "needs": n.needs} for n in analysis.findings.not_assessed
        ],
        "bounds": list(analysis.findings.bounds),
        "says": _says(analysis),
    }


def _finding(analysis: Analysis, finding: Finding) -> dict[str, Any]:
    ranges = finding.ranges[:MOST_RANGES]
    return {
        "id": finding.id,
        "kind": finding.kind,
        "words": KINDS[finding.kind],
        "channel": finding.channel,
        "line": line_name(analysis, finding.channel) if finding.channel in _names(analysis) else finding.channel,
        "slot": finding.slot,
        "cylinder": finding.cylinder,
        "lock": LOCKS[finding.lock],
        "statement": finding.statement,
        "confidence": number(finding.confidence, 6),
        "stated": finding.stated,
        "start_s": number(finding.start_s, 7),
        "end_s": number(finding.end_s, 7),
        "numbers": _numbers(finding),
        "ranges": [
            [number(r.start_s, 6), number(r.end_s, 6), r.turn, int(r.start_sample), int(r.stop_sample), r.channel]
            for r in ranges
        ],
        "more_ranges": len(finding.ranges) - len(ranges),
        "look": _look(analysis, finding),
    }


def _names(analysis: Analysis) -> set[str]:
    return {line.name for line in analysis.signals.lines}


def _numbers(finding: Finding) -> list[str]:
    """The evidence in numbers, one a line."""
    out = []
    for name, value in plain(finding.evidence).items():
        if isinstance(value, bool) or name == "ranges":
            continue
        if isinstance(value, int | float) and math.isfinite(value):
            out.append(with_unit(name, value))
    return out


def _look(analysis: Analysis, finding: Finding) -> list[float] | None:
    """The stretch of time that shows the finding: its first range with a margin, else all of it."""
    if finding.ranges:
        start, end = finding.ranges[0].start_s, finding.ranges[0].end_s
    elif finding.start_s is not None and finding.end_s is not None:
        start, end = finding.start_s, finding.end_s
    else:
        return None
    length = end - start
    room = 0.0 if length > LONGEST_SHOWN_S else max(MARGIN * length, (LEAST_SHOWN_S - length) / 2.0)
    first, last = analysis.recording.start_s, analysis.recording.end_s
    return [round(max(start - room, first), 6), round(min(end + room, last), 6)]


def _says(analysis: Analysis) -> str:
    stated = sum(f.stated for f in analysis.findings.found)
    hints = len(analysis.findings.found) - stated
    left = len(analysis.findings.not_assessed)
    open_ = f"; {plural(left, 'question')} could not be judged" if left else ""
    told = f"{plural(stated, 'finding')} stated" if stated else "Nothing stands out: no finding is stated"
    return f"{told}, {plural(hints, 'hint')} below the line of 0.5{open_}." if hints else f"{told}{open_}."
