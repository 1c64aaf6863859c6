"""What the looks at a growing record say, held against each other: stated, changed, withdrawn, seen again."""

from __future__ import annotations

from dataclasses import dataclass

from witnessmark.findings.model import Finding
from witnessmark.findings.statistics import upper_rate_of_none
from witnessmark.follow.model import Change
from witnessmark.report.model import Analysis
from witnessmark.report.words import KINDS

# What a start attempt shows only once it is over: not said while the starter still turns the engine.
AT_ITS_END = frozenset({"no-start", "late-sync", "spark-absent", "fuel-absent", "fuel-without-spark"})
CONFIDENCE_STEP = 0.2  # a change of confidence worth a line
VALUE_SHARE = 0.25  # a change of the measured value, as share of the larger, worth a line

Key = tuple[str, str, int | None, int | None]


@dataclass(frozen=True, slots=True)
class _Seen:
    finding: Finding
    start_s: float
    stop_s: float
    present: bool  # stated by the last look


def key_of(finding: Finding) -> Key:
    """What makes two findings of two looks the same one."""
    return finding.kind, finding.channel, finding.slot, finding.cylinder


def extent(finding: Finding, start_s: float, stop_s: float) -> tuple[float, float]:
    """The stretch of the record that a finding rests on; the stretch looked at where it does not say."""
    if finding.ranges:
        return min(r.start_s for r in finding.ranges), max(r.end_s for r in finding.ranges)
    at = start_s if finding.start_s is None else finding.start_s
    return at, stop_s if finding.end_s is None else finding.end_s


class Watch:
    """Takes one look after another and says what changed; counts the turns that were looked at."""

    def __init__(self) -> None:
        """Nothing seen yet."""
        self._seen: dict[Key, _Seen] = {}
        self._from_s = self._counted_to = float("-inf")
        self.turns = 0.0

    @property
    def stated(self) -> tuple[Finding, ...]:
        """Everything stated by now and not withdrawn."""
        return tuple(s.finding for s in self._seen.values())

    def look(self, analysis: Analysis, start_s: float, stop_s: float, is_last: bool = False) -> list[Change]:
        """Changes since the look before, of a look at [start_s, stop_s]; ``is_last``: nothing is held back."""
        self._count(analysis, start_s, stop_s, is_last)
        held = frozenset() if is_last or not _cranks_on(analysis) else AT_ITS_END
        now = {key_of(f): f for f in analysis.findings.found if f.stated and f.kind not in held}
        changes = [c for key, f in now.items() if (c := self._judge(key, f, start_s, stop_s)) is not None]
        return changes + self._gone(set(now), held, start_s, stop_s, analysis, is_last)

    def _judge(self, key: Key, finding: Finding, start_s: float, stop_s: float) -> Change | None:
        begins, ends = extent(finding, start_s, stop_s)
        before = self._seen.get(key)
        known_to = begins if before is None else max(before.stop_s, ends)
        self._seen[key] = _Seen(finding, begins if before is None else before.start_s, known_to, True)
        if before is None:
            return Change("stated", finding, stop_s, begins)
        if not before.present and begins > before.stop_s:
            return Change("again", finding, stop_s, begins)
        note = _difference(before.finding, finding)
        return Change("changed", finding, stop_s, begins, note) if note else None

    def _gone(
        self, now: set[Key], held: frozenset[str], start_s: float, stop_s: float, analysis: Analysis, is_last: bool
    ) -> list[Change]:
        out = []
        for key, seen in list(self._seen.items()):
            if key in now or seen.finding.kind in held:
                continue
            if seen.start_s >= start_s:  # all it rested on was looked at again
                del self._seen[key]
                out.append(Change("withdrawn", seen.finding, stop_s, seen.start_s, _instead(key, analysis)))
            else:
                self._seen[key] = _Seen(seen.finding, seen.start_s, seen.stop_s, False)
        return out

    def _count(self, analysis: Analysis, start_s: float, stop_s: float, is_last: bool) -> None:
        """Turns that were looked at, each once; a last look at all of it counts them by itself."""
        first = self._counted_to == float("-inf")
        self._from_s = start_s if first else self._from_s
        if is_last and start_s <= self._from_s:
            self.turns, self._counted_to = 0.0, start_s
        for segment in analysis.wheel.angle.segments if analysis.wheel.layout is not None else ():
            long = segment.end_s - segment.start_s
            new = segment.end_s - max(segment.start_s, self._counted_to)
            if long > 0 and new > 0:
                self.turns += segment.turns * new / long
        self._counted_to = max(self._counted_to, stop_s)

    def nothing_seen(self) -> str:
        """What it is worth that nothing was stated: a bound on what comes and goes; "" where something was."""
        if self._seen:
            return ""
        turns = int(self.turns)
        if turns < 1:
            return "Nothing was stated, and no turn was decoded: this clears nothing."
        rate = 100 * upper_rate_of_none(turns)
        return (
            f"Nothing was stated in {turns} turns: a fault that comes and goes may still show in up to "
            f"{rate:.3g} % of the turns (95 % upper bound)."
        )


def _cranks_on(analysis: Analysis) -> bool:
    attempts = analysis.engine.attempts
    return bool(attempts) and attempts[-1].turning_at_end and not attempts[-1].started


def _instead(key: Key, analysis: Analysis) -> str:
    """Why it may be gone: the longer record shows only a hint, or nothing."""
    hint = next((f for f in analysis.findings.found if key_of(f) == key), None)
    return "the longer record no longer shows it" if hint is None else f"only a hint now ({hint.confidence:.2f})"


def _difference(before: Finding, now: Finding) -> str:
    """What changed, if it is worth a line."""
    if before.lock != now.lock:
        return f"repeats with {now.lock}, before: {before.lock}"
    if abs(now.confidence - before.confidence) >= CONFIDENCE_STEP:
        return f"confidence {now.confidence:.2f}, before: {before.confidence:.2f}"
    grows = now.kind in AT_ITS_END  # counts turns or attempts: a longer record has more of them
    if not grows and before.value is not None and now.value is not None and before.unit == now.unit:
        larger = max(abs(before.value), abs(now.value))
        if larger > 0 and abs(now.value - before.value) > VALUE_SHARE * larger:
            return f"{now.value:.4g} {now.unit}, before: {before.value:.4g}"
    return ""


def line_of(change: Change) -> str:
    """One line for the terminal."""
    finding = change.finding
    text = " ".join(finding.statement.split()).rstrip(".")
    if change.what == "withdrawn":
        text = f"{finding.kind}{_where(finding)}: {KINDS.get(finding.kind, finding.kind)}; {change.note}"
    elif change.note:
        text = f"{finding.kind}{_where(finding)}: {text} ({change.note})"
    else:
        text = f"{finding.kind}{_where(finding)}: {text} (confidence {finding.confidence:.2f})"
    return f"{change.seen_s:9.2f} s  {change.what:<9}  {text}"


def _where(finding: Finding) -> str:
    parts = [f"slot {finding.slot}" if finding.slot is not None else ""]
    parts += [f"cylinder {finding.cylinder}" if finding.cylinder is not None else "", finding.channel]
    said = ", ".join(p for p in parts if p)
    return f" ({said})" if said else ""
