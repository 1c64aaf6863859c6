"""What the looks at a growing record say, held against each other: stated, changed, withdrawn, seen again."""

from __future__ import annotations

from dataclasses import dataclass, replace

from witnessmark.findings.model import Finding
from witnessmark.findings.statistics import upper_rate_of_none
from witnessmark.follow.lines import line
from witnessmark.follow.model import Change
from witnessmark.report.model import Analysis
from witnessmark.report.words import KINDS

# What a start attempt shows only once it is over: not said while the starter still turns the engine.
AT_ITS_END = frozenset({"no-start", "late-sync", "spark-absent", "fuel-absent", "fuel-without-spark"})
# Confidence from which a single look is enough. The one false line seen on 43 simulated healthy records had 0.65.
SURE = 0.85
# What is said of the wheel as a whole always waits for a second look: few turns of a slow start can look like another.
OF_THE_WHEEL = frozenset({"wheel-unexpected", "wheel-shifted", "wheel-runout"})
CONFIDENCE_STEP = 0.2  # a change of confidence worth a line
VALUE_SHARE = 0.25  # a change of the measured value, as share of the larger, worth a line

Key = tuple[str, str, int | None, int | None]


@dataclass(frozen=True, slots=True)
class _Seen:
    finding: Finding
    start_s: float
    stop_s: float
    present: bool = True  # stated by the last look at where it is
    doubted: bool = False  # one look at all it rests on did not state it


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
    """Takes one look after another and says what changed; counts the turns that were looked at.

    A look at an engine that still turns ends anywhere, within a turn or a compression. What it alone says without being
    ``SURE``, or no longer says, waits for the next look: a second one that has seen more must agree.
    """

    def __init__(self) -> None:
        """Nothing seen yet."""
        self._seen: dict[Key, _Seen] = {}
        self._once: set[Key] = set()  # stated by one look so far
        self._from_s = self._counted_to = float("-inf")
        self.turns = 0.0

    @property
    def stated(self) -> tuple[Finding, ...]:
        """Everything said by now and not withdrawn."""
        return tuple(s.finding for s in self._seen.values())

    @property
    def in_doubt(self) -> bool:
        """Whether something waits for the next look."""
        return bool(self._once) or any(s.doubted for s in self._seen.values())

    def look(self, analysis: Analysis, start_s: float, stop_s: float, is_last: bool = False) -> list[Change]:
        """Changes since the look before, of a look at [start_s, stop_s]; ``is_last``: nothing is held back."""
        self._count(analysis, start_s, stop_s, is_last)
        turns_on = _turns_on(analysis) and not is_last
        held = AT_ITS_END if turns_on and not analysis.engine.attempts[-1].started else frozenset()
        now = {key_of(f): f for f in analysis.findings.found if f.stated and f.kind not in held}
        once = self._once if turns_on else set(now)
        fresh = {key for key, f in now.items() if self._is_news(key, f, start_s, stop_s)}
        self._once = {key for key in fresh - once if now[key].confidence < SURE or now[key].kind in OF_THE_WHEEL}
        changes = [self._judge(key, f, start_s, stop_s) for key, f in now.items() if key not in self._once]
        gone = self._gone(set(now), held, start_s, stop_s, turns_on)
        return [*(c for c in changes if c is not None), *(_withdrawn(f, stop_s, at_s, analysis) for f, at_s in gone)]

    def _is_news(self, key: Key, finding: Finding, start_s: float, stop_s: float) -> bool:
        """Whether it was not said before, or is back at a later place."""
        before = self._seen.get(key)
        return before is None or (not before.present and extent(finding, start_s, stop_s)[0] > before.stop_s)

    def _judge(self, key: Key, finding: Finding, start_s: float, stop_s: float) -> Change | None:
        begins, ends = extent(finding, start_s, stop_s)
        before, news = self._seen.get(key), self._is_news(key, finding, start_s, stop_s)
        if before is None:
            self._seen[key] = _Seen(finding, begins, ends)
            return Change("stated", finding, stop_s, begins)
        self._seen[key] = _Seen(finding, before.start_s, max(before.stop_s, ends))
        if news:
            return Change("again", finding, stop_s, begins)
        note = _difference(before.finding, finding)
        return Change("changed", finding, stop_s, begins, note) if note else None

    def _gone(
        self, now: set[Key], held: frozenset[str], start_s: float, stop_s: float, turns_on: bool
    ) -> list[tuple[Finding, float]]:
        """What is withdrawn, with where it was."""
        out = []
        for key, seen in list(self._seen.items()):
            if key in now or seen.finding.kind in held:
                continue
            if seen.start_s < start_s:  # not all of what it rests on was looked at
                self._seen[key] = replace(seen, present=False)
            elif turns_on and not seen.doubted:
                self._seen[key] = replace(seen, doubted=True)
            else:
                del self._seen[key]
                out.append((seen.finding, seen.start_s))
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


def _turns_on(analysis: Analysis) -> bool:
    """Whether the part looked at ends with the engine turning."""
    attempts = analysis.engine.attempts
    return bool(attempts) and attempts[-1].turning_at_end


def _withdrawn(finding: Finding, stop_s: float, at_s: float, analysis: Analysis) -> Change:
    """Gone, and why: the longer record shows only a hint, or nothing."""
    hint = next((f for f in analysis.findings.found if key_of(f) == key_of(finding)), None)
    why = "the longer record no longer shows it" if hint is None else f"only a hint now ({hint.confidence:.2f})"
    return Change("withdrawn", finding, stop_s, at_s, why)


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
        text = f"{KINDS.get(finding.kind, finding.kind)}; {change.note}"
    elif change.note:
        text = f"{text} ({change.note})"
    else:
        text = f"{text} (confidence {finding.confidence:.2f})"
    return line(change.seen_s, change.what, f"{_where(finding, text)}{text}")


def _where(finding: Finding, text: str) -> str:
    """Channel, slot and cylinder, as far as the text does not name them: ``crank sensor, slot 23: ``."""
    parts = [finding.channel]
    parts += [f"slot {finding.slot}" if finding.slot is not None else ""]
    parts += [f"cylinder {finding.cylinder}" if finding.cylinder is not None else ""]
    said = ", ".join(p for p in parts if p and p.lower() not in text.lower())
    return f"{said}: " if said else ""
