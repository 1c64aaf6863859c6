"""Design or damage: which layout to believe, with what else could have made the same edges."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from witnessmark.signals.model import Line
from witnessmark.wheel import identify, layouts, rings, spelt, turns, weighing
from witnessmark.wheel.damage import SOUND, Damage, is_even
from witnessmark.wheel.lattice import Tempo
from witnessmark.wheel.marks import Marks, marks_of
from witnessmark.wheel.model import Alternative, Layout
from witnessmark.wheel.rhythm import Ripple
from witnessmark.wheel.weighing import FEW_TEETH, Candidate

RISING_GAIN = 0.25  # nats a mark by which rising edges must fit better before they are taken for the marking ones
LEAST_MARGIN = 1.0  # nats a turn over "no pattern at all" below which no wheel is named
# Share of missed and extra edges that a layout may have where it beats no pattern by little (few teeth in hard ripple).
MOST_ODD = 0.1
# The setup's wheel against any other, in nats: wrong parts are rare, and a really different wheel beats this by
# hundreds.
SETUP_PRIOR = 20.0


@dataclass(frozen=True)
class Choice:
    """The layout believed, its damaged teeth (indices), which edge marks, and the alternatives."""

    layout: Layout
    damaged: tuple[int, ...]
    rising: bool
    belief: float
    alternatives: tuple[Alternative, ...]
    margin_per_turn: float
    undecidable: str
    tempo: Tempo
    damage: Damage = SOUND
    ripple: Ripple | None = None  # learnt under this layout where the crank slows down into stalls


def choose(line: Line, rising: bool, both: bool, designed: Layout | None, timed: tuple[Line, ...]) -> Choice | None:
    """Compare layouts on the line's marks; ``both``: the marking edge is open, falling preferred.

    timed: lines with something that happens once a cycle (cams, coils, injectors).
    """
    tried: dict[bool, tuple[Marks, list[Candidate]]] = {}
    for way in (rising, not rising) if both else (rising,):
        marks = marks_of(line, way)
        if marks.time_s.size >= 8:
            found = rings.settled(identify.compare(marks, layouts.width_readings(designed) if designed else None))
            tried[way] = (marks, _with_setup(found, designed))
    if not tried:
        return None
    way = rising if rising in tried else not rising
    if both and len(tried) == 2:
        here, there = tried[rising][1][0], tried[not rising][1][0]
        gain = there.likelihood / there.marks - here.likelihood / here.marks
        alike = there.ripple is None or here.ripple is not None  # else one was given more to fit
        if alike and gain > RISING_GAIN and there.tally.missed.sum() <= here.tally.missed.sum() + 0.02 * there.marks:
            way = not rising
    marks, ranked = tried[way]
    if designed is None and (not way) in tried:
        ranked = turns.by_other_edges(_evened(ranked), tried[not way][1])
    ranked = turns.by_cycle(marks, ranked, timed)
    if designed is None:
        ranked = _vanes_bent(rings.with_filled(ranked))
    return _decide(marks, ranked, way, designed)


def _with_setup(ranked: list[Candidate], designed: Layout | None) -> list[Candidate]:
    """The setup's wheel, as it is read best, gets its prior and stands in for the same wheel of the catalogue."""
    if designed is None:
        return ranked
    out: list[Candidate] = []
    bent = max((c.score for c in ranked if _bent(designed, c)), default=-np.inf)
    for c in ranked:
        if c.layout.source == "setup":
            if not any(o.layout.source == "setup" for o in out):
                out.append(replace(c, score=max(c.score, bent) + SETUP_PRIOR))
        elif c.layout.teeth_deg != designed.teeth_deg:
            out.append(c)
    return sorted(out, key=lambda c: -c.score)


# How far a pattern fitted to cranking interval by interval may differ from the vanes behind it, longest over shortest:
# a swing of 2.6 : 1 within a compression event (published, a V8 at 150 rpm: 225 to 85), as a wave in the log of the
# speed, is one of 1.84 : 1 from one half of the event to the other (derived: 2.6 to the power of 2 / pi).
RIPPLE, CRANKED_RPM = 1.9, 450.0
BENT_DEG = 15.0  # by which ripple shifts vanes 70 and 110 degrees apart, measured at an even speed (simulated cranking)


def _bent(designed: Layout, other: Candidate) -> bool:
    """Whether another reading differs from the setup's few vanes only as far as ripple in step with them bends these.

    Where vanes repeat with the compressions no record of cranking alone tells their spacing from the ripple.
    """
    if len(designed.teeth_deg) > FEW_TEETH or other.layout.source == "setup" or other.damage.extra:
        return False
    gone = {tooth for tooth, share in other.damage.dead if share > 0.6}
    left = [a for i, a in enumerate(other.layout.teeth_deg) if i not in gone]
    mine, theirs = (np.diff(np.append(t, t[0] + 360.0)) for t in (designed.teeth_deg, left))
    if other.layout.source == "learnt" and 0.0 < other.rpm < CRANKED_RPM:
        # what repeats with the working cycle only, as with one cylinder, is learnt as a wheel of two turns
        turns = 2 if len(left) == 2 * len(mine) else 1
        mine = np.tile(mine, turns)
        ratios = [np.roll(theirs, k) / mine for k in range(len(left))] if len(left) == len(mine) else []
        return any(float(r.max() / r.min()) < RIPPLE for r in ratios)
    return len(left) == len(mine) and any(np.abs(np.roll(theirs, k) - mine).max() < BENT_DEG for k in range(len(left)))


CYLINDERS = (2, 3, 4, 5, 6, 8, 10, 12)
FEWEST_LEARNT = 5  # teeth: fewer are vanes, which are drawn with any spacing


def _evened(ranked: list[Candidate]) -> list[Candidate]:
    """A wheel of equal teeth fits as well as a pattern that it makes when compressions bend it alike again and again.

    Learnt interval by interval such a pattern is one compression long; teeth drawn so nearly equal are none. Widths are
    not bent so: a code learnt from them stays the coded wheel's.
    """
    learnt = [c for c in ranked if c.layout.source == "learnt" and not (c.layout.regular or layouts.coded(c.layout))]
    out = []
    for c in ranked:
        for other in learnt if is_even(c.layout) and not c.damage else ():
            step = np.diff(np.append(other.layout.teeth_deg, other.layout.teeth_deg[0] + 360.0))
            period = step.size * c.layout.pitch_deg
            fits = step.size >= FEWEST_LEARNT and step.max() < RIPPLE * step.min()
            if fits and any(abs(period - 720.0 / n) < 0.01 for n in CYLINDERS):
                gain = max(0.0, other.likelihood - c.likelihood)
                c = replace(c, score=c.score + gain, likelihood=c.likelihood + gain)
        out.append(c)
    return sorted(out, key=lambda c: -c.score)


def _vanes_bent(ranked: list[Candidate]) -> list[Candidate]:
    """A named wheel of few vanes fits as well as a damaged one whose teeth it has but for what ripple may bend them."""
    out = []
    for c in ranked:
        if c.layout.source == "catalogue" and len(c.layout.teeth_deg) <= FEW_TEETH and not c.damage:
            broken = [o for o in ranked if o.damage.dead and _bent(c.layout, o)]
            raw = [o.likelihood - spelt.damage_cost(o.layout, o.damage, o.tally, o.turns) for o in broken]
            most = max(raw, default=-np.inf)
            c = replace(c, score=c.score + max(0.0, most - c.likelihood), likelihood=max(c.likelihood, most))
        out.append(c)
    return sorted(out, key=lambda c: -c.score)


def _decide(marks: Marks, ranked: list[Candidate], way: bool, designed: Layout | None) -> Choice | None:
    best = ranked[0]
    margin = _margin(marks, best)
    odd = (int(best.tally.missed.sum()) + len(best.tally.extra_deg)) / max(best.marks, 1)
    if best.turns < 0.9 or (margin < LEAST_MARGIN and odd > MOST_ODD and best.layout.source != "setup"):
        return None
    scores = np.array([c.score for c in ranked])
    weights = np.exp(np.clip(scores - scores.max(), -700.0, 0.0))
    weights /= weights.sum()
    others = tuple(
        Alternative(
            c.layout,
            float(w),
            _why(c, best),
            (*(c.layout.tooth_slots[i] for i in c.damaged), *spelt.in_gap(c.layout, c.damage)),
        )
        for c, w in zip(ranked[1:6], weights[1:6], strict=True)
        if w > (1e-6 if c.damage.extra else 1e-4)  # foreign metal is rare, yet it leaves no other trace than its edges
    )
    return Choice(
        best.layout,
        best.damaged,
        way,
        float(weights[0]),
        others,
        margin,
        _undecidable(best, others, designed),
        best.tempo,
        best.damage,
        best.ripple,
    )


def _margin(marks: Marks, best: Candidate) -> float:
    """Nats a turn by which the layout beats "intervals of no pattern" (log intervals spread as they do, no memory)."""
    parts = weighing.windows_of(marks)
    blank = 0.0
    count = 0
    for part in parts:
        y = np.log(np.maximum(np.diff(part.time_s), 1e-9))
        if y.size < 4:
            continue
        blank += -y.size * (np.log(max(float(np.std(y)), 1e-3)) + 1.419)
        count += y.size
    if count == 0 or best.turns <= 0:
        return 0.0
    per_mark = best.likelihood / best.marks - blank / count
    return per_mark * best.marks / best.turns


def _why(c: Candidate, best: Candidate) -> str:
    gone = [c.layout.tooth_slots[i] for i in c.damaged]
    if gone:
        return f"then slot {', '.join(map(str, gone))} would have to be damaged"
    if c.damage.extra:
        places = ", ".join(f"{a:.0f}" for a, _ in c.damage.extra)
        return f"then metal that does not belong there would stand {places} degrees after slot 1"
    if c.layout.source in ("family", "learnt"):
        return "fits the same edges, but is no wheel in common use"
    return f"fits {best.score - c.score:.1f} nats worse on the same edges"


def _undecidable(best: Candidate, others: tuple[Alternative, ...], designed: Layout | None) -> str:
    """What the tooth pattern alone leaves open, as a sentence; empty when nothing important is."""
    layout = best.layout
    gone = [layout.tooth_slots[i] for i in best.damaged]
    ends = {layout.tooth_slots[0], layout.tooth_slots[-1]}
    beside = [s for s in gone if s in ends]
    if beside and layout.regular:
        twin = layout.tooth_slots[-1] if beside[0] == layout.tooth_slots[0] else layout.tooth_slots[0]
        both = f"slot {beside[0]} and slot {twin}"
        return f"The missing tooth lies beside the gap: {both} would leave the same pattern of teeth."
    if layout.source == "setup" and (full := spelt.in_gap(layout, best.damage)):
        same = "the setup's wheel leaves the same edges as one drawn with a tooth there"
        return f"With slot {full[0]} filled {same}: look at the wheel."
    if is_even(layout) and designed is None:
        open_too = "which tooth is slot 1 is open"
        return f"The wheel has no gap: the number of teeth a turn rests on cams or speed, and {open_too}."
    rivals = [a for a in others if a.probability > 0.05]
    if rivals:
        names = ", ".join(f"{a.layout.name} ({a.probability:.0%})" for a in rivals)
        return f"The record does not fully decide the design: {layout.name} or {names}."
    return ""
