"""Stretches of a recording that a statement rests on, or that must not be used."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time in s, end excluded, with the reason it was set apart."""

    start_s: float
    end_s: float
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Evidence:
    """A stretch of one channel that a finding rests on.

    ``start_sample``/``stop_sample`` count samples of the channel (of changes, in a change list), stop excluded;
    ``turn`` is the decoded turn (0 = first) the stretch lies in, None where nothing turns.
    """

    channel: str
    start_s: float
    end_s: float
    start_sample: int
    stop_sample: int
    turn: int | None = None


def merge(spans: list[Span]) -> list[Span]:
    """Overlapping or touching spans joined, in order of time; the first reason of a joined run is kept."""
    out: list[Span] = []
    for span in sorted(spans, key=lambda s: s.start_s):
        if out and span.start_s <= out[-1].end_s:
            out[-1] = Span(out[-1].start_s, max(out[-1].end_s, span.end_s), out[-1].reason or span.reason)
        else:
            out.append(span)
    return out
