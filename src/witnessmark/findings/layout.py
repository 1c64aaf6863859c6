"""A wheel other than the one the setup names."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from witnessmark.findings.measured import Family, Measured, Outcome
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.slots import intervals
from witnessmark.wheel.layouts import from_setup
from witnessmark.wheel.model import Layout

_PLACES = frozenset({"tooth-absent", "tooth-weak", "tooth-displaced", "tooth-extra"})
# Two drawings of one wheel differ by less than this; two wheels by more (a tenth of the finest pitch in use).
SAME_DEG = 0.6


def find(m: Measured, earlier: Outcome) -> Outcome:
    """wheel-unexpected where the believed design is not the setup's; without one in the setup the question is open."""
    if m.layout is None or m.wheel.channel is None:
        return Outcome()
    wanted = m.setup.crank_wheel
    said = wanted is not None and (wanted.slots is not None or wanted.teeth_deg is not None)
    if not said or wanted is None:
        return Outcome(not_assessed=(_no_setup(m),))
    if m.wheel.source == "setup" or m.layout.source == "setup" or _same_wheel(m.layout, from_setup(m.setup)):
        return Outcome()
    expected = (
        f"{wanted.slots} slots, {len(wanted.missing or ())} missing"
        if wanted.slots
        else f"{len(wanted.teeth_deg or ())} teeth"
    )
    least = m.limits["layout.turns_min"]
    turns = m.wheel.angle.turns
    confidence = min(0.98, m.wheel.belief) * min(1.0, turns / least)
    others = ", ".join(f"{a.layout.name} ({a.probability:.2f})" for a in m.wheel.alternatives[:2])
    rows = _turns(m)
    p = m.wheel.passes
    finding = Finding(
        "", "wheel-unexpected", m.channel, "wheel",
        f"The line shows {m.layout.name} ({len(m.layout.teeth_deg)} teeth a turn) over {turns:.1f} turns, the "
        "setup says "
        f"{expected}" + (f"; next best: {others}" if others else "") + ".",
        confidence, m.around(p.time_s[rows], p.speed_rpm[rows], 180.0), None,
        start_s=m.wheel.angle.segments[0].start_s, end_s=m.wheel.angle.segments[-1].end_s,
        value=float(len(m.layout.teeth_deg)), unit="teeth a turn",
        evidence={
            "layout": m.layout.name, "expected": expected, "belief": m.wheel.belief, "turns": turns,
            "nats_per_turn": m.wheel.nats_per_turn,
        },
    )  # fmt: skip
    return Outcome((finding,))


OTHER_COUNT = 0.1  # share by which two designs' teeth a turn differ where their turns do (a tooth or gap more does not)
# What rests on the length of a turn: place on the wheel, speed, turns to a spark.
_FROM_TURN = frozenset({*_PLACES, "wheel-runout", "cranking-slow", "late-sync", "no-start"})


def turn_guessed(m: Measured) -> bool:
    """Teeth a turn named neither by the setup nor clearly by cams or the line's own gaps: a turn is a guess.

    So on a wheel without a gap, and on any where designs of another count stay open.
    """
    layout = m.layout
    if layout is None or layout.source == "setup" or m.wheel.belief >= m.limits["layout.turn_belief"]:
        return False
    teeth = len(layout.teeth_deg)
    if layout.periods == teeth and teeth > 1:
        return True
    other = [a.probability for a in m.wheel.alternatives if abs(len(a.layout.teeth_deg) / teeth - 1.0) > OTHER_COUNT]
    return sum(other) > 1.0 - m.limits["layout.turn_belief"]


def doubted(m: Measured, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """What the layout cannot carry is a hint: see ``turn_guessed``, and ``_strange`` for a damaged unexpected wheel."""
    if turn_guessed(m):
        words = "; the teeth a turn of this wheel are a guess, so this is no more than a hint."
        found = tuple(
            replace(f, confidence=0.3, statement=f.statement.rstrip(".") + words)
            if f.kind in _FROM_TURN and f.stated
            else f
            for f in found
        )
    return _strange(m, _misread(m, _misnumbered(m, found)))


def _misnumbered(m: Measured, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """A tooth gone and the design's only gap filled in the same turns: the sound wheel, counted from another place.

    Nothing breaks a tooth out and grows one in the gap; the decoding lost count of the turn, so what rests on slots,
    and edges missed beside the slip, is a hint.
    """
    if m.layout is None or len(m.layout.missing) != 1:
        return found
    stated = [f for f in found if f.stated]
    filled = [f for f in found if f.kind == "tooth-extra" and f.slot == m.layout.missing[0] and f.confidence > 0.4]
    gone = [f for f in stated if f.kind in ("tooth-absent", "tooth-weak") and _mostly_gone(m, f)]
    if not filled or len(gone) != 1:
        return found
    words = "; so counted, a tooth is gone and the only gap filled: rather the turn was counted wrongly."
    return tuple(
        replace(f, confidence=0.3, statement=f.statement.rstrip(".") + words)
        if f.stated and f.kind in (*_PLACES, "edges-dropped")
        else f
        for f in found
    )


def _misread(m: Measured, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """A tooth gone and metal too many at another place, on a wheel that is neither named nor in any list.

    Two rare faults at once on a wheel nobody is known to make: rather another wheel, whose teeth ripple bends.
    """
    if m.layout is None or m.layout.source not in ("family", "learnt"):
        return found
    stated = [f for f in found if f.stated]
    gone = any(f.kind in ("tooth-absent", "tooth-weak") and _mostly_gone(m, f) for f in stated)
    if not gone or not any(f.kind == "tooth-extra" for f in stated):
        return found
    words = (
        "; a tooth gone and one too many on a wheel in no list: rather the wheel is another, so this is only a hint."
    )
    return tuple(
        replace(f, confidence=0.3, statement=f.statement.rstrip(".") + words)
        if f.stated and f.kind in (*_PLACES, "edges-dropped")
        else f
        for f in found
    )


def _mostly_gone(m: Measured, finding: Finding) -> bool:
    tooth = next((t for t in m.wheel.teeth if t.slot == finding.slot), None)
    return tooth is not None and tooth.passages > 0 and tooth.seen <= 0.3 * tooth.passages


def _strange(m: Measured, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """An unexpected wheel that is damaged too: the damage becomes a hint, and with several places the wheel as well.

    Edges that fit neither the setup's wheel nor another one whole were rather taken for the wrong wheel.
    """
    strange = [f for f in found if f.kind == "wheel-unexpected" and f.stated]
    places = [f for f in found if f.kind in _PLACES and f.stated]
    if not strange or not places:
        return found
    out = []
    for f in found:
        if f in places:
            f = replace(f, confidence=0.45)
        elif f in strange:
            most = 0.6 if len(places) < m.limits["layout.places_doubted"] else 0.45
            words = f.statement.rstrip(".") + "; even so not all edges fit, so the wheel may be another one still."
            f = replace(f, confidence=min(f.confidence, most), statement=words)
        out.append(f)
    return tuple(out)


def _same_wheel(a: Layout, b: Layout | None) -> bool:
    """Whether two layouts are one ring of teeth, turned against each other."""
    if b is None or len(a.teeth_deg) != len(b.teeth_deg):
        return False
    mine, theirs = intervals(a), intervals(b)
    return any(np.allclose(mine, np.roll(theirs, k), atol=SAME_DEG) for k in range(mine.size))


def _turns(m: Measured) -> np.ndarray:
    """One passage of each decoded turn."""
    _, first = np.unique(m.wheel.passes.turn, return_index=True)
    return np.asarray(first)


def _no_setup(m: Measured) -> NotAssessed:
    more = f" {m.wheel.undecidable}" if m.wheel.undecidable else ""
    return NotAssessed(
        "Is it the wheel this engine should have?",
        f"no setup names the wheel by design; the line shows {m.layout.name if m.layout else 'none'}.{more}",
        "the wheel's slots and missing teeth in the setup",
    )


FAMILY = Family(
    "layout",
    ("wheel-unexpected",),
    ("believed layout and its alternatives", "setup.crank_wheel"),
    ("layout.turns_min", "layout.places_doubted", "layout.turn_belief"),
    "comparison of designs on the same edges",
    find,
)
