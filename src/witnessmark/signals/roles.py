"""Which line is which: by the setup, else by names where they speak, else by what the signal does."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import ChannelInfo
from witnessmark.recording.setup import ChannelSetup
from witnessmark.signals import role_words
from witnessmark.signals.model import GLITCH, Edges, Levels, Line, Sensor

CRANK_LEAST = 12
"""Edges of one kind a line needs to be called a rotating wheel: three turns of the coarsest wheel (4 teeth)."""

TIGHT = 0.6
"""Spread of a pulse in crank teeth over its spread in time below which it is held to turn with the crank."""

COMMAND_S = (0.4e-3, 8e-3)
"""Width of a coil's dwell in s (common practice: 2-5 ms, longer at low voltage, shorter at speed)."""

SPIKE_INJECTOR = (1.0, 12.0)
"""Height of the spike at the end of an injector's pulse over its swing: 50-100 V over 12 V (common practice); a coil's
primary reaches 250-400 V."""

LONG_COMMAND_S = 9e-3
"""Two pulses longer than this: injection while cranking (5-50 ms), seldom a dwell (common practice)."""

MIRROR = -0.8
"""Correlation of battery voltage and starter current over a start (their ratio is the battery's resistance)."""

REST_V = (9.0, 16.0)
"""Range of a still line that can be a 12 V supply, in V (common practice)."""

BATTERY_RATIO = 2.6
"""Battery at rest over battery while the starter pulls: 12.6 V over the 5 V at which nothing turns any more."""

BATTERY_V = (5.0, 32.0)
"""Range of a vehicle supply in V, 12 and 24 V systems, cranking and charging (common practice)."""


SAME_S, SAME_PITCH = 5e-5, 0.1
"""How far apart in s, and in intervals of the crank line, two ends of one line switch at most (common practice: filters
at an input take some ten microseconds)."""

SAME_SHARE, SAME_EDGES = 0.3, 0.9
"""Share of the crank line's edges the other end has at least, and share of its own that come with those."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A line read, before its role is known."""

    info: ChannelInfo
    sensor: Sensor
    sensor_told: bool
    levels: Levels
    edges: Edges
    said: ChannelSetup | None
    scale_known: bool
    trend: NDArray[np.float64]  # middle of the line at even steps over the record, native units (empty: change list)


@dataclass(frozen=True, slots=True)
class Guess:
    """A role with how sure (0..1) and why."""

    role: str
    confidence: float
    reason: str
    source: Literal["setup", "inferred"] = "inferred"


def assign(candidates: list[Candidate]) -> list[Line]:
    """Every candidate with its role."""
    hints = [role_words.hint(c.info.name) for c in candidates]
    guesses: list[Guess | None] = [_told(c, h) for c, h in zip(candidates, hints, strict=True)]
    crank = _find_crank(candidates, guesses)
    for i, c in enumerate(candidates):
        guess = guesses[i]
        if guess is None:
            other = candidates[crank] if crank is not None and crank != i else None
            guess = _same_line(c, other) or _by_signal(c, other)
        guesses[i] = guess
    _find_starter_current(candidates, guesses)
    lines = [_line(c, g, h) for c, g, h in zip(candidates, guesses, hints, strict=True) if g is not None]
    name = "" if crank is None else candidates[crank].info.name
    inferred = ("second-tap", "inferred")
    return [replace(x, of=x.of or name) if (x.role, x.role_source) == inferred else x for x in lines]


def _find_starter_current(candidates: list[Candidate], guesses: list[Guess | None]) -> None:
    """A line of unknown kind that rises as the battery dips is the current that makes it dip."""
    batteries = [c for c, g in zip(candidates, guesses, strict=True) if g is not None and g.role == "battery"]
    for i, c in enumerate(candidates):
        g = guesses[i]
        if g is None or g.role != "other" or not len(c.trend):
            continue
        for battery in batteries:
            if len(battery.trend) and _mirrors(
                c.trend * np.sign(c.info.gain), battery.trend * np.sign(battery.info.gain)
            ):
                guesses[i] = Guess("starter-current", 0.7, "rises as the battery dips")


def _mirrors(a: NDArray[np.float64], b: NDArray[np.float64]) -> bool:
    if not (np.isfinite(a).all() and np.isfinite(b).all()) or np.ptp(a) == 0 or np.ptp(b) == 0:
        return False
    return float(np.corrcoef(a, b)[0, 1]) < MIRROR


def _line(c: Candidate, guess: Guess, hint: role_words.NameHint | None) -> Line:
    said = c.said
    named = hint if hint is not None and hint.role == guess.role else None
    return Line(
        info=c.info,
        label=(said.label if said is not None else None) or c.info.name,
        role=guess.role,
        role_source=guess.source,
        role_confidence=guess.confidence,
        role_reason=guess.reason,
        sensor=c.sensor,
        sensor_source="setup" if c.sensor_told else "inferred",
        levels=c.levels,
        edges=c.edges,
        of=(said.of if said is not None else None) or "",
        bank=said.bank if said is not None and said.bank is not None else (named.bank if named else None),
        cylinder=said.cylinder
        if said is not None and said.cylinder is not None
        else (named.cylinder if named else None),
        scale_known=c.scale_known,
    )


def _told(c: Candidate, hint: role_words.NameHint | None) -> Guess | None:
    """The role the setup or the name gives."""
    if c.said is not None and c.said.role is not None:
        return Guess(c.said.role, 1.0, "said in the setup", "setup")
    if hint is None:
        return None
    return Guess(hint.role, 0.9, f'its name says "{hint.word}"')


def plain_times(edges: Edges) -> NDArray[np.float64]:
    """Times in s of one edge a pulse, glitches left out: the direction with more of them."""
    use = edges.label != GLITCH
    rising, falling = edges.time_s[use & edges.rising], edges.time_s[use & ~edges.rising]
    times: NDArray[np.float64] = rising if len(rising) >= len(falling) else falling
    return times


def _find_crank(candidates: list[Candidate], guesses: list[Guess | None]) -> int | None:
    """Place of the crank line; fills its guess where neither setup nor name gave one."""
    for i, g in enumerate(guesses):
        if g is not None and g.role == "crank":
            return i
    counts = [
        len(plain_times(c.edges)) if guesses[i] is None and _may_rotate(c) else 0 for i, c in enumerate(candidates)
    ]
    if not counts or max(counts) < CRANK_LEAST:
        return None
    best = int(np.argmax(counts))
    others = sorted(counts[:best] + counts[best + 1 :])
    ratio = counts[best] / others[-1] if others and others[-1] else np.inf
    confidence = 0.6 if ratio < 1.2 else (0.8 if ratio < 2 else 0.9)
    what = "the only line that turns" if ratio == np.inf else f"{ratio:.1f} times the edges of the next line"
    guesses[best] = Guess("crank", confidence, what)
    return best


def _may_rotate(c: Candidate) -> bool:
    """Pick-ups may; two-level lines may unless they keep nearly always to one level with long rests, like commands."""
    return c.sensor != "analog" and len(c.edges) >= 2 * CRANK_LEAST


def _same_line(c: Candidate, crank: Candidate | None) -> Guess | None:
    """A line whose edges come with the crank line's own, of either kind: the same line at its other end.

    A second sensor at the wheel stands at another angle, so that its edges do not come within microseconds.
    """
    if crank is None or c.sensor != crank.sensor or c.info.kind != "sampled":
        return None
    mine, its = plain_times(c.edges), crank.edges.time_s
    if len(mine) < max(CRANK_LEAST, SAME_SHARE * len(plain_times(crank.edges))):
        return None
    at = np.clip(np.searchsorted(its, mine), 1, len(its) - 1)
    apart = np.minimum(np.abs(mine - its[at - 1]), np.abs(its[at] - mine))
    near = min(SAME_S, SAME_PITCH * float(np.median(np.diff(its))))
    near = max(near, 2.0 / float(c.info.rate_hz or 1e9))
    if float(np.mean(apart < near)) < SAME_EDGES:
        return None
    return Guess("second-tap", 0.6, f"{np.mean(apart < near):.0%} of its edges come with the crank line's")


def _by_signal(c: Candidate, crank: Candidate | None) -> Guess:
    if c.sensor == "analog":
        return _analog(c)
    if not c.levels.moving:
        return Guess("other", 0.3, "does not move")
    if crank is None or len(plain_times(crank.edges)) < CRANK_LEAST:
        return Guess("other", 0.2, "nothing turns that it could be compared with")
    return _cam_or_command(c, crank)


def _cam_or_command(c: Candidate, crank: Candidate) -> Guess:
    """A pulse that lasts as many crank teeth at any speed belongs to a wheel, one of constant time to a command."""
    widths, start, share = _pulses(c.edges)
    if len(widths) < 2:
        return Guess("other", 0.2, "too few pulses")
    teeth = plain_times(crank.edges)
    inside = (start > teeth[0]) & (start + widths < teeth[-1])
    in_time, in_teeth = _spread(widths[inside]), _spread(_teeth_inside(teeth, start[inside], widths[inside]))
    width_s = float(np.median(widths))
    if c.sensor == "vr":
        return Guess("cam", 0.7, "a pick-up with fewer edges than the crank")
    if share > 0.2:
        return Guess("cam", 0.8, f"at its rarer level for {share:.0%} of the time")
    if inside.sum() >= 4 and in_teeth < TIGHT * in_time:
        return Guess("cam", 0.8, "its pulses last as many crank teeth at any speed")
    sure = 0.7 if inside.sum() >= 4 and in_time < TIGHT * in_teeth else 0.5
    spike = max(c.levels.maximum - c.levels.high, c.levels.low - c.levels.minimum) / max(c.levels.swing, 1e-30)
    if share < 0.12 and SPIKE_INJECTOR[0] < spike < SPIKE_INJECTOR[1]:
        return Guess("injector", sure, f"pulses of {width_s * 1e3:.1f} ms that end in a spike of an injector's size")
    longer = np.count_nonzero(widths > LONG_COMMAND_S) >= 2 and spike < SPIKE_INJECTOR[1]
    if COMMAND_S[0] <= width_s <= COMMAND_S[1] and share < 0.12 and not longer:
        return Guess("coil", sure, f"short pulses of {width_s * 1e3:.1f} ms")
    if in_time < TIGHT * in_teeth or share < 0.12 or longer:
        return Guess("injector", 0.5, f"pulses of {width_s * 1e3:.1f} ms, {share:.0%} of the time")
    return Guess("cam", 0.5, "fewer edges than the crank")


def _pulses(edges: Edges) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Widths and starts in s of the pulses at the line's rarer level, and that level's share of the time."""
    use = edges.label != GLITCH
    time, rising = edges.time_s[use], edges.rising[use]
    if len(time) < 4:
        return np.empty(0), np.empty(0), 0.0
    width, up = np.diff(time), rising[:-1]
    high, low = float(width[up].sum()), float(width[~up].sum())
    rarer = up if high <= low else ~up
    return width[rarer], time[:-1][rarer], min(high, low) / max(high + low, 1e-30)


def _teeth_inside(
    teeth: NDArray[np.float64], start: NDArray[np.float64], width: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Crank teeth passed during each pulse, with fractions."""
    count = np.arange(len(teeth), dtype=np.float64)
    return np.asarray(np.interp(start + width, teeth, count) - np.interp(start, teeth, count))


def _spread(values: NDArray[np.float64]) -> float:
    """Robust relative spread; large where there is too little to tell."""
    if len(values) < 4:
        return 1.0
    middle = float(np.median(values))
    return float(np.median(np.abs(values - middle))) / middle if middle > 0 else 1.0


def _analog(c: Candidate) -> Guess:
    unit = c.info.unit.strip().lower()
    lv = c.levels
    if unit in ("a", "ma", "ampere", "amps"):
        return Guess("starter-current", 0.7, "a current")
    if unit in ("bar", "kpa", "psi", "mbar", "pa", "mpa"):
        return Guess("cylinder-pressure", 0.4, "a pressure")
    if unit in ("c", "°c", "degc", "k", "f", "°f", "degf"):
        return Guess("temperature", 0.7, "a temperature")
    middle = 0.5 * (lv.low + lv.high)
    if not lv.moving and not (c.scale_known and REST_V[0] < middle < REST_V[1]):
        return Guess("other", 0.3, "does not move")
    if c.scale_known and BATTERY_V[0] < middle < BATTERY_V[1] and lv.minimum > 1.0 and lv.high < BATTERY_RATIO * lv.low:
        return Guess("battery", 0.7, f"{lv.low:.1f} to {lv.high:.1f} V, never near zero")
    if c.scale_known and lv.maximum > 40.0 and lv.maximum > 1.8 * max(lv.high, 1e-9):
        return Guess("starter-current", 0.5, f"an inrush to {lv.maximum:.0f}, then less")
    return Guess("other", 0.2, "an analog line of no known kind")
