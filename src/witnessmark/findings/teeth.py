"""Damage at single teeth: absent, weak, displaced, extra.

A tooth is accused only where it stands out from all others turn after turn: a sensor, a wire or noise has no way to
know the slot, torque ripple spreads over many teeth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from witnessmark.findings import displaced, extra, valley, weak
from witnessmark.findings.measured import Family, Measured, Outcome, Rows, from_odds, speeds
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.place import Cluster, Standout, clusters, standing_out
from witnessmark.findings.slots import beside, same_without, slot_name, twin_words
from witnessmark.findings.slowest import with_compressions
from witnessmark.findings.statistics import clopper_pearson
from witnessmark.wheel.model import Layout
from witnessmark.wheel.passes import CREEPING


@dataclass(frozen=True)
class _Gone:
    """A tooth whose edge fails, with the stray edges beside it that may be the tooth itself, moved.

    drawn: it moved only because the next tooth ran into it, and is sound.
    """

    at: Standout
    moved: Cluster | None
    drawn: bool = False


STALLED_MOST = 0.45  # a hint


def find(m: Measured, earlier: Outcome) -> Outcome:
    """Everything at single teeth; explained teeth and stray edges are named for the families that follow."""
    if m.layout is None or m.teeth < 2:
        return Outcome(not_assessed=(_no_wheel(m),))
    least = m.limits["tooth.log_bayes_min"]
    groups = clusters(m, m.limits["tooth.extra.window"], least)
    out_of_line = standing_out(m.missing, m, least)
    slow = with_compressions(m, out_of_line)
    gone = _with_moves([at for at in out_of_line if at.tooth not in slow], groups, m)
    out = Outcome(teeth=frozenset(g.at.tooth for g in gone))
    taken: set[int] = set()
    for g in gone:
        block = valley.merged(m, g.at)
        if block is not None:
            out += block
        elif g.moved is not None:
            taken.update(int(r) for r in g.moved.rows)
            out += Outcome(() if g.drawn else (displaced.moved(m, g.at, g.moved),))
        else:
            out += Outcome((_gone_or_weak(m, g.at),))
    out += Outcome(extras=frozenset(taken))
    left = [c for c in groups if not taken.intersection(int(r) for r in c.rows)]
    out += extra.find(m, left)
    disturbed = out.teeth | extra.neighbours(m, left)
    out += valley.find(m, disturbed)
    disturbed |= out.teeth
    out += weak.find(m, out.teeth, _beside_gone(m, gone))
    out += displaced.find(m, disturbed | out.teeth)
    return _bounded(m, _doubted(m, out + _open_sides(m, out)))


def _open_sides(m: Measured, out: Outcome) -> Outcome:
    """Said plainly where it stays open which of two teeth is gone."""
    twins = [(f.slot, f.evidence["or_slot"]) for f in out.found if "or_slot" in f.evidence]
    if not twins:
        return Outcome()
    why = "both leave the same pattern of teeth"
    if m.engine.side is not None:
        why += f"; {m.engine.side.because}"
    needs = "the setup's tdc_slot and the cam's edges_deg with the cam recorded, or a look at both teeth"
    return Outcome(not_assessed=(NotAssessed(f"Is slot {twins[0][0]} gone or slot {twins[0][1]}?", why, needs),))


def _doubted(m: Measured, out: Outcome) -> Outcome:
    """Several places wrong on a wheel that no setup names, or one on few vanes: rather another wheel."""
    told = m.layout is not None and m.layout.source == "setup"
    places = [f for f in out.found if f.kind in ("tooth-absent", "tooth-weak", "tooth-extra") and f.stated]
    if told or not places:
        return out
    why = "with so many places the wheel itself is in doubt"
    if _unlisted(m):
        why = "the wheel is in no list, and its edges fit it too loosely to tell"
    elif len(places) < m.limits["tooth.places_doubted"]:
        if m.layout is None or m.layout.slots > m.limits["tooth.vanes"] or not _even_without(m.layout, places):
            return out
        why = "the teeth left repeat within the turn, as on a wheel of few vanes that is meant so"
    found = tuple(
        replace(
            f,
            confidence=0.45,
            statement=f"{f.statement.rstrip('.')}; {why}.",
        )
        if f in places
        else f
        for f in out.found
    )
    return replace(out, found=found)


def _unlisted(m: Measured) -> bool:
    """Whether the wheel was made up from the edges, and explains them little better than no pattern does."""
    if m.layout is None or m.layout.source == "catalogue" or m.wheel.nats_per_turn is None:
        return False
    return m.wheel.nats_per_turn < m.limits["tooth.unlisted_nats"] * m.teeth


def _even_without(layout: Layout, places: list[Finding]) -> bool:
    """Whether the wheel without these teeth repeats within the turn, which no damage does on purpose."""
    gone = {f.slot for f in places if f.kind == "tooth-absent"}
    teeth = np.array([a for a, s in zip(layout.teeth_deg, layout.tooth_slots, strict=True) if s not in gone])
    if not gone or teeth.size < 2:
        return False
    steps = np.diff(np.append(teeth, teeth[0] + 360.0))
    return any(np.allclose(steps, np.roll(steps, k), atol=1.0) for k in range(1, teeth.size))


def _no_wheel(m: Measured) -> NotAssessed:
    why = m.wheel.why_not or "no crank line in the record"
    return NotAssessed(
        "Is every tooth of the crank wheel sound?", why, "a record in which the crank line can be decoded"
    )


def _with_moves(out: list[Standout], groups: list[Cluster], m: Measured) -> list[_Gone]:
    """Each tooth without an edge with the stray edge that is the tooth itself, moved.

    A stray edge is one tooth at most, the nearest. Where on a variable-reluctance line the next tooth stays without an
    edge, two pulses ran together into that one: the tooth that left its place is the one without.
    """
    owner: dict[int, int] = {}
    for number, c in enumerate(groups):
        near = [(abs(off), at.tooth) for at in out if (off := _away(at, c, m)) is not None]
        if near:
            owner[min(near)[1]] = number
    gone = [_Gone(at, groups[owner[at.tooth]] if at.tooth in owner else None) for at in out]
    if not m.is_vr:
        return gone
    without = {g.at.tooth for g in gone if g.moved is None}
    n = m.teeth
    beside = {(tooth + d) % n for tooth in without for d in (-1, 1)}
    return [replace(g, drawn=g.moved is not None and g.at.tooth in beside) for g in gone]


def _away(at: Standout, c: Cluster, m: Measured) -> float | None:
    """Degrees from the place of a tooth to stray edges less than a pitch away in about as many turns; else None."""
    assert m.layout is not None
    off = (c.angle_deg - m.layout.teeth_deg[at.tooth] + 180.0) % 360.0 - 180.0
    near = abs(off) < m.layout.pitch_deg and 0.5 * at.hits <= c.hits <= 1.5 * at.hits + 1
    return off if near else None


def _beside_gone(m: Measured, gone: list[_Gone]) -> frozenset[int]:
    """Teeth within two of one without its edge: on variable-reluctance lines its missing flux changes their pulses."""
    if not m.is_vr:
        return frozenset()
    return frozenset((g.at.tooth + d) % m.teeth for g in gone for d in (-2, -1, 1, 2))


def _gone_or_weak(m: Measured, at: Standout) -> Finding:
    """A tooth whose edge is missing: always and without a trace (absent), or sometimes or with a stub left (weak)."""
    tooth = next(t for t in m.wheel.teeth if t.slot == _slot(m, at.tooth))
    left = tooth.residual
    clean = left is None or left < m.limits["tooth.absent.residual_max"]
    p = m.wheel.passes
    mine = p.used & (p.tooth == at.tooth)
    sure = mine & m.settled
    # before the gap has passed once a tooth may be counted wrongly, so an edge seen there is none of this tooth
    where = sure if sure.sum() >= 3 else mine
    seen = float(np.mean(p.edge[where] >= 0))
    found = _absent(m, at, left) if seen <= m.limits["tooth.absent.present_max"] and clean else weak.fails(m, at, left)
    # where the crank all but stalls at this tooth in most turns, the few that count are hardly different ones
    stalling = int(np.sum((p.tooth == at.tooth) & (p.reason == CREEPING)))
    return replace(found, confidence=min(found.confidence, STALLED_MOST)) if stalling >= mine.sum() else found


def _absent(m: Measured, at: Standout, residual: float | None) -> Finding:
    slot = _slot(m, at.tooth)
    rows = np.flatnonzero(m.missing & (m.wheel.passes.tooth == at.tooth))
    confidence = from_odds(at.log10_bf + m.limits["tooth.log_prior_odds"]) * _enough(at.passages)
    also, two = twin_words(m, slot, same_without(m, at.tooth))
    evidence = _numbers(m, at, rows) | {"residual": residual} | two
    trace = (
        "" if residual is None or not m.is_vr else f", {max(residual, 0.0):.0%} of a neighbour's pulse is left there"
    )
    return Finding(
        "", "tooth-absent", m.channel, "wheel",
        f"{slot_name(m, slot)} gave no edge in {at.hits} of {at.passages} turns "
        f"{speeds(m.wheel.passes.speed_rpm[rows])}"
        f"{trace}; the other teeth missed {at.elsewhere} of {at.elsewhere_passages}{also}.",
        confidence, m.at_passes(rows), slot, start_s=float(m.wheel.passes.time_s[rows[0]]),
        end_s=float(m.wheel.passes.time_s[rows[-1]]), value=1.0 - at.hits / at.passages, unit="share of passages",
        evidence=evidence,
    )  # fmt: skip


def _enough(passages: int) -> float:
    """One passage proves nothing, two little: a tooth must fail again."""
    return {0: 0.0, 1: 0.3, 2: 0.8}.get(passages, 1.0)


def _numbers(m: Measured, at: Standout, rows: Rows) -> dict[str, object]:
    low, high = clopper_pearson(at.hits, at.passages)
    return {
        "missed": at.hits, "passages": at.passages, "missed_low_95": low, "missed_high_95": high,
        "elsewhere_missed": at.elsewhere, "elsewhere_passages": at.elsewhere_passages,
        "log10_bayes_factor": at.log10_bf,
        "beside_gap": beside(m, at.tooth),
    }  # fmt: skip


def _slot(m: Measured, tooth: int) -> int:
    assert m.layout is not None
    return m.layout.tooth_slots[tooth]


def _bounded(m: Measured, out: Outcome) -> Outcome:
    """What "no tooth accused" is worth, said in turns."""
    turns = max((t.passages for t in m.wheel.teeth if t.expected), default=0)
    if turns == 0:
        none = NotAssessed(
            "Is every tooth of the crank wheel sound?",
            "all decoded passages lie in start-up, run-down or lost stretches",
            "a record with several turns of steady cranking or running",
        )
        return replace(out, not_assessed=(*out.not_assessed, none))
    if out.teeth or any(f.kind.startswith("tooth") and f.stated for f in out.found):
        return out
    rate = 1.0 - 0.05 ** (1.0 / turns)
    return replace(
        out,
        bounds=(
            *out.bounds,
            f"Every tooth was seen in up to {turns} turns: a tooth that failed in more than {rate:.1%} of its passages "
            "would have shown (95 %).",
        ),
    )


FAMILY = Family(
    "teeth",
    ("tooth-absent", "tooth-weak", "tooth-displaced", "tooth-extra"),
    ("passages of every tooth", "stray edges", "pulse amplitudes", "lateness of every edge"),
    (
        "tooth.log_bayes_min", "tooth.places_doubted", "tooth.log_prior_odds", "tooth.absent.present_max",
        "tooth.vanes", "tooth.unlisted_nats", "tooth.absent.residual_max", "tooth.weak.amplitude",
        "tooth.weak.robust_z",
        "tooth.weak.passages_min", "tooth.displaced.least_deg",
        "tooth.displaced.least_pitch", "tooth.displaced.cranking_pitch", "tooth.displaced.scatter",
        "tooth.displaced.alone", "tooth.displaced.standard_errors", "tooth.displaced.gap_pitch",
        "tooth.displaced.second_pitch", "tooth.displaced.gap_cranking_pitch", "tooth.displaced.second_cranking_pitch",
        "tooth.displaced.steadiness", "tooth.displaced.model_turns", "tooth.displaced.most_pitch",
        "tooth.displaced.gap_learnt", "tooth.displaced.least_teeth", "tooth.displaced.merged_pitch",
        "tooth.displaced.off_gap_pitch",
        "tooth.extra.window", "tooth.extra.amplitude", "tooth.extra.gap_amplitude",
        "tooth.extra.gap_turns", "tooth.extra.amplitude_max",
        "tooth.extra.share", "tooth.extra.valley", "tooth.extra.drawn_pitch", "tooth.extra.merged_pitch",
        "tooth.extra.merged_amplitude", "tooth.extra.even_sides",
    ),
    "beta-binomial Bayes factor for one tooth against one rate everywhere; robust deviation from the other teeth",
    find,
)  # fmt: skip
