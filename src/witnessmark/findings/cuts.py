"""Places where a recorder left out a block and ran the samples together: the wheel jumps on while no time passes.

A crank cannot pass teeth without edges or without time. Between two gaps of the wheel there is one number of teeth; a
stretch of another number, of even intervals but at most one, with whole turns on both sides, is none of the wheel's, of
the sensor's or of the line's: teeth lost leave a pause, stray edges leave short intervals, teeth broken out come again.
"""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Bools, Floats, Measured, Outcome
from witnessmark.findings.model import Finding

# A gap is at least this share of its designed length against the longer of its neighbours.
GAP_SHARE = 0.75
# Even: within this ratio of both neighbours; ripple makes 1.3 from tooth to tooth on the coarsest wheels.
EVEN = 1.45
# The interval that a cut goes through is what was left of two: less than two pitches.
MOST_ODD = 2.1
# Whole turns on both sides of a cut, and teeth by which its stretch is off at least: one or two may be lost singly.
WHOLE_TURNS, LEAST_OFF = 2, 3
# Findings about teeth and edges that most lie within this of a cut, in s, may be made by it: a turn of cranking.
NEAR_S = 0.35
# On a fine wheel a single jump is plain: no pace of a crank mimics teeth that pass in no time.
FINE = 30
_DOUBTED = frozenset({
    "tooth-absent", "tooth-weak", "tooth-extra", "tooth-displaced", "edges-dropped", "edges-spurious", "signal-lost",
    "wheel-unexpected", "cam-wander", "cam-edge-absent",
})  # fmt: skip


def cuts_s(m: Measured) -> Floats:
    """Times in s of the edges at which a block is missing; empty on wheels with no gap or several."""
    layout, line = m.layout, m.line
    if layout is None or line is None or not layout.regular or line.info.kind != "sampled":
        return np.empty(0)
    steps = np.diff(np.append(np.asarray(layout.teeth_deg), layout.teeth_deg[0] + 360.0)) / layout.pitch_deg
    if int(np.sum(steps > 1.4)) != 1:
        return np.empty(0)
    t = line.edges.time_s[line.edges.rising == m.wheel.marking_rising]
    return _cuts(t, len(steps), float(steps.max()))


def _cuts(t: Floats, teeth: int, gap: float) -> Floats:
    """Cuts among marking edges of a wheel of so many teeth with one gap of ``gap`` pitches."""
    step = np.diff(t)
    if step.size < 4 * teeth:
        return np.empty(0)
    left, right = np.append(np.inf, step[:-1]), np.append(step[1:], np.inf)
    is_gap = (step > GAP_SHARE * gap * np.maximum(left, right)) & (step < 1.5 * gap * np.minimum(left, right))
    gaps = np.flatnonzero(is_gap)
    count = np.diff(gaps)  # intervals from gap to gap: as many as teeth
    whole = count == teeth
    out = []
    for i in np.flatnonzero(~whole):
        beside = whole[max(0, i - WHOLE_TURNS) : i], whole[i + 1 : i + 1 + WHOLE_TURNS]
        if any(x.size < WHOLE_TURNS or not x.all() for x in beside) or not _other_number(int(count[i]), teeth):
            continue
        at = _jump(step[gaps[i] + 1 : gaps[i + 1]])
        if at is not None:
            out.append(float(t[gaps[i] + 1 + at]))
    return np.asarray(out)


def _other_number(count: int, teeth: int) -> bool:
    """Whether a number of intervals is that of no whole turn, one gap between two filled or a tooth or two lost."""
    over = count % teeth
    return count < 2 * teeth and min(over, teeth - over) >= LEAST_OFF


def _jump(step: Floats) -> int | None:
    """Place of the one odd interval among even ones (their middle where there is none); None where more are odd."""
    odd = np.flatnonzero(_uneven(step))
    if odd.size == 0:
        return step.size // 2
    rest = np.delete(step, odd[0])
    if _uneven(rest).any() or step[odd[0]] > MOST_ODD * np.median(rest):
        return None
    return int(odd[0])


def _uneven(step: Floats) -> Bools:
    """Intervals unlike the one before them."""
    ratio = step[1:] / step[:-1]
    return np.append(False, (ratio > EVEN) | (ratio < 1.0 / EVEN))


def find(m: Measured) -> Outcome:
    """record-blocks-lost where the wheel jumps."""
    times = cuts_s(m)
    if times.size == 0:
        return Outcome()
    many = f"{times.size} times" if times.size > 1 else "once"
    when = ", ".join(f"{t:.3f}" for t in times[:5])
    finding = Finding(
        "", "record-blocks-lost", m.channel, "time",
        f"The wheel jumps on {many} (at {when} s) by teeth that pass in no time, between whole turns: no crank does "
        "that; the recorder left samples out and ran the rest together.",
        min(0.97, (0.7 if m.teeth >= FINE else 0.55) + 0.2 * (times.size - 1)),
        tuple(m.stretch(m.channel, t - 0.02, t + 0.02) for t in times[:40]), None,
        start_s=float(times[0]), end_s=float(times[-1]), value=float(times.size), unit="jumps",
        evidence={"jumps": int(times.size), "plain": int(times.size > 1 or m.teeth >= FINE)},
    )  # fmt: skip
    return Outcome((finding,))


def near(m: Measured, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """The findings that a cut makes as well: about teeth and edges, most of it beside one or all of it after one."""
    times = cuts_s(m)
    if times.size == 0:
        return ()

    def beside(f: Finding) -> bool:
        hit = [np.any((times > r.start_s - NEAR_S) & (times < r.end_s + NEAR_S)) for r in f.ranges]
        return bool(hit) and float(np.mean(hit)) > 0.5

    def since(f: Finding) -> bool:
        """A tooth that is there in all turns before a cut and gone ever after: the count of teeth slipped there."""
        first = min((r.start_s for r in f.ranges), default=-np.inf)
        return f.kind.startswith("tooth-") and bool(np.any(times < first))

    return tuple(f for f in found if f.kind in _DOUBTED and (beside(f) or since(f)))
