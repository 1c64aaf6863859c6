"""What the control-unit replay says: turns to find the place as recorded and with the suspect teeth put right."""

from __future__ import annotations

from dataclasses import dataclass

# Turns by which the medians of the same rule must differ for the suspect teeth to explain a late synchronisation.
EXPLAINS_TURNS = 1.0


@dataclass(frozen=True, slots=True)
class ReplayedRule:
    """One rule set over all start positions. Medians in turns, None where half of the starts never find the place.

    synced, synced_restored: share of the starts that do. wrong: share that believe a wrong place before.
    """

    id: str
    words: str
    starts: int
    median_turns: float | None
    synced: float
    wrong: float
    median_turns_restored: float | None
    synced_restored: float


@dataclass(frozen=True, slots=True)
class ReplayedAttempt:
    """One attempt: turns of cranking decoded, turns to the first good spark as observed and as predicted."""

    number: int
    turns: float
    observed_turns: float | None
    from_start_turns: tuple[float | None, ...]


def _range(values: list[float | None]) -> tuple[float | None, float | None]:
    known = [v for v in values if v is not None]
    return (min(known), None if len(known) < len(values) else max(known)) if known else (None, None)


def _words(low: float | None, high: float | None) -> str:
    if low is None:
        return "never finds its place in the record"
    if high is None:
        return f"needs {low:.1f} turns or, by other rules, never finds its place in the record"
    return f"needs {low:.1f} turns" if f"{low:.1f}" == f"{high:.1f}" else f"needs {low:.1f} to {high:.1f} turns"


@dataclass(frozen=True, slots=True)
class Replay:
    """suspects: slots put right. Ranges run over the medians of the rule sets; high None: at least one never does."""

    suspects: tuple[int, ...]
    attempts: tuple[ReplayedAttempt, ...]
    rules: tuple[ReplayedRule, ...]

    @property
    def range_recorded(self) -> tuple[float | None, float | None]:
        """(low, high) turns as recorded."""
        return _range([r.median_turns for r in self.rules])

    @property
    def range_restored(self) -> tuple[float | None, float | None]:
        """(low, high) turns with the suspects put right."""
        return _range([r.median_turns_restored for r in self.rules])

    @property
    def never_recorded(self) -> int:
        """Rule sets of which half of the starts never find the place as recorded."""
        return sum(r.median_turns is None for r in self.rules)

    @property
    def explains(self) -> bool | None:
        """Whether for most rule sets the suspects make the difference; None without suspects."""
        if not self.suspects:
            return None
        worse = [
            r.median_turns_restored is not None
            and (r.median_turns is None or r.median_turns > r.median_turns_restored + EXPLAINS_TURNS)
            for r in self.rules
        ]
        return 2 * sum(worse) > len(worse)

    @property
    def sentence(self) -> str:
        """In words, with the range over rule sets; never more than "consistent with"."""
        now = _words(*self.range_recorded)
        text = f"A counter with generic rules ({len(self.rules)} sets) run over the recorded edges {now}"
        if not self.suspects:
            quick = self.range_recorded[1] is not None and self.range_recorded[1] <= 3.0
            return f"{text}{': nothing in the crank signal alone holds it up.' if quick else '.'}"
        which = f"slot{'s' if len(self.suspects) > 1 else ''} {', '.join(str(s) for s in self.suspects)}"
        end = (
            "that is consistent with the delay coming from there." if self.explains
            else "the suspect alone does not explain the delay."
        )  # fmt: skip
        return f"{text}; with {which} put right it {_words(*self.range_restored)}: {end}"
