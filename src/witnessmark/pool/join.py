"""Findings of several recordings joined: alike ones become one, with counts over all recordings that could show it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from witnessmark.findings.model import Finding
from witnessmark.findings.statistics import clopper_pearson
from witnessmark.pool.model import PooledFinding
from witnessmark.report.model import Analysis
from witnessmark.spans import Evidence

Marked = tuple[str, Analysis]
Key = tuple[str, str, int | None, int | None]

# Counts that add up over recordings; everything else of the evidence is the strongest member's.
COUNTED = (
    "missed", "passages", "single_losses", "stretches", "stray_edges", "elsewhere_missed", "elsewhere_passages",
    "attempts", "attempts_failed", "of_attempts",
)  # fmt: skip
# Kinds that do not come and go: a recording that judges the same line and does not show it speaks against them.
STEADY = frozenset({
    "tooth-absent", "tooth-displaced", "tooth-extra", "wheel-runout", "wheel-shifted", "wheel-unexpected",
    "polarity-reversed", "cam-offset", "cam-edge-absent",
})  # fmt: skip
# Further recordings of the same engine are not independent of the first (same wheel, same hookup, same method): each
# counts half. An estimate, no source.
FURTHER = 0.5
MOST = 0.99
LEAST_TURNS = 10.0  # a recording with fewer turns says nothing against a finding of another
SHOWN = 40  # stretches kept of each recording


def joined(marked: Sequence[Marked]) -> tuple[PooledFinding, ...]:
    """All findings over all recordings, the most confident first, numbered P1, P2, ..."""
    groups: dict[Key, list[tuple[str, Analysis, Finding]]] = {}
    for mark, analysis in marked:
        for finding in analysis.findings.found:
            groups.setdefault(_key(finding, analysis), []).append((mark, analysis, finding))
    pooled = [_pooled(key, rows, marked) for key, rows in groups.items()]
    pooled.sort(key=lambda p: (-p.finding.confidence, p.finding.kind, p.finding.slot or 0, p.finding.channel))
    return tuple(replace(p, finding=replace(p.finding, id=f"P{n}")) for n, p in enumerate(pooled, start=1))


def steady(finding: Finding) -> bool:
    """Whether it does not come and go: its kind, or a pulse that is small in every turn."""
    return finding.kind in STEADY or (finding.kind == "tooth-weak" and "relative_amplitude" in finding.evidence)


def _key(finding: Finding, analysis: Analysis) -> Key:
    """What makes two findings alike: kind, the line by what it is (names may differ), slot, cylinder."""
    return finding.kind, _line(finding.channel, analysis), finding.slot, finding.cylinder


def _line(channel: str, analysis: Analysis) -> str:
    for line in analysis.signals.lines:
        if line.name == channel:
            bank = f" {line.bank}" if line.bank is not None else ""
            cylinder = f" {line.cylinder}" if line.cylinder is not None else ""
            return f"{line.role}{bank}{cylinder}"
    return channel


def _pooled(key: Key, rows: list[tuple[str, Analysis, Finding]], marked: Sequence[Marked]) -> PooledFinding:
    strongest = max(rows, key=lambda r: r[2].confidence)[2]
    found_in = tuple(dict.fromkeys(mark for mark, _, _ in rows))
    against = tuple(mark for mark, a in marked if mark not in found_in and _judges(key, a, rows))
    judged = tuple(mark for mark, _ in marked if mark in found_in or mark in against)
    confidence = _confidence([f.confidence for f in _best_of_each(rows)])
    if against and steady(strongest):
        confidence *= len(found_in) / len(judged)
    evidence = dict(strongest.evidence)
    for name in COUNTED:
        values = [_count(f.evidence.get(name)) for _, _, f in rows]
        if any(v is not None for v in values):
            evidence[name] = sum(v for v in values if v is not None)
    if "of_attempts" in evidence:  # recordings that do not show it made attempts, too
        tried = sum(len(a.engine.attempts) for mark, a in marked if mark in against)
        evidence["of_attempts"] = (_count(evidence["of_attempts"]) or 0) + tried
    whole = [f.evidence.get("whole_record") for _, _, f in rows]
    if any(w is not None for w in whole):
        evidence["whole_record"] = all(w is True for w in whole) and not against
    evidence["recordings_found"], evidence["recordings_judged"] = len(found_in), len(judged)
    hits, chances = _counts(rows, key, [a for mark, a in marked if mark in against])
    if hits is not None and chances is not None:
        evidence["missed"], evidence["passages"] = hits, chances
    low, high = (None, None) if hits is None or chances is None else clopper_pearson(hits, chances)
    names = {f.channel for _, _, f in rows}
    finding = replace(
        strongest,
        channel=strongest.channel if len(names) == 1 else key[1],
        confidence=confidence,
        statement=_statement(strongest, found_in, judged),
        ranges=tuple(_tagged(mark, r) for mark, _, f in rows for r in f.ranges[:SHOWN]),
        start_s=None,
        end_s=None,
        evidence=evidence,
    )
    return PooledFinding(
        finding=finding,
        members=tuple((mark, f.id) for mark, _, f in rows),
        judged=judged,
        hits=hits,
        chances=chances,
        low_95=low,
        high_95=high,
    )


def _best_of_each(rows: list[tuple[str, Analysis, Finding]]) -> list[Finding]:
    best: dict[str, Finding] = {}
    for mark, _, finding in rows:
        if mark not in best or finding.confidence > best[mark].confidence:
            best[mark] = finding
    return list(best.values())


def _confidence(values: list[float]) -> float:
    """Of the strongest, raised by half of each further recording that states it; hints alone stay hints."""
    ordered = sorted(values, reverse=True)
    if ordered[0] < 0.5:
        return ordered[0]
    doubt = 1.0 - ordered[0]
    for value in ordered[1:]:
        doubt *= 1.0 - (FURTHER * value if value >= 0.5 else 0.0)
    return max(min(1.0 - doubt, MOST), ordered[0])


def _judges(key: Key, analysis: Analysis, rows: list[tuple[str, Analysis, Finding]]) -> bool:
    """Whether a recording could have shown the finding: its line is there, and enough turns of the same wheel."""
    kind, line, slot, _ = key
    lines = {_line(one.name, analysis) for one in analysis.signals.lines}
    layout, theirs = analysis.wheel.layout, rows[0][1].wheel.layout
    if line not in lines or analysis.in_motion is False:
        return False
    if layout is None or analysis.wheel.angle.turns < LEAST_TURNS:
        return False
    same = theirs is not None and (layout.slots, layout.missing) == (theirs.slots, theirs.missing)
    counted_alike = analysis.wheel.slot_reference == rows[0][1].wheel.slot_reference
    return slot is None or (same and counted_alike) or kind == "wheel-unexpected"


def _counts(
    rows: list[tuple[str, Analysis, Finding]], key: Key, against: list[Analysis]
) -> tuple[int | None, int | None]:
    """Passages missed and passages over all recordings that judge it; None where some member does not count them."""
    pairs = [(_count(f.evidence.get("missed")), _count(f.evidence.get("passages"))) for _, _, f in rows]
    if any(hit is None or chance is None for hit, chance in pairs):
        return None, None
    hits = sum(hit for hit, _ in pairs if hit is not None)
    chances = sum(chance for _, chance in pairs if chance is not None)
    for analysis in against:
        teeth = [t for t in analysis.wheel.teeth if (key[2] is None and t.expected) or t.slot == key[2]]
        chances += sum(t.passages for t in teeth)
        hits += sum(t.passages - t.seen for t in teeth)
    return (hits, chances) if 0 <= hits <= chances and chances > 0 else (None, None)


def _count(value: object) -> int | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or math.isnan(value):
        return None
    return int(value) if float(value).is_integer() else None


def _statement(finding: Finding, found_in: tuple[str, ...], judged: tuple[str, ...]) -> str:
    """The strongest member's sentence, with where else it was found and where it was not."""
    text = finding.statement.rstrip(".")
    others = [mark for mark in judged if mark not in found_in]
    if len(judged) == 1:
        return f"{text} ({found_in[0]} only; the other recordings cannot tell)." if found_in else f"{text}."
    tail = f"found in {', '.join(found_in)}" + (f", not in {', '.join(others)}" if others else "")
    return f"{text} ({tail})."


def _tagged(mark: str, stretch: Evidence) -> Evidence:
    return replace(stretch, channel=f"{mark} {stretch.channel}")
