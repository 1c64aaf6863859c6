"""A candidate's damage spelt out: dead and displaced teeth and foreign metal, paid for once a place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from witnessmark.wheel import pitch
from witnessmark.wheel.damage import Damage, flank_shift, is_even
from witnessmark.wheel.lattice import Tempo
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout
from witnessmark.wheel.weighing import (
    DAMAGE_PRIOR,
    EXTRA_PRIOR,
    FURTHER_EXTRA,
    GAP_SHARE,
    Candidate,
    Tally,
    clusters,
    fills_gap,
    fit,
    near,
    unrolled,
    weigh,
)


def with_damage(candidate: Candidate, windows: list[Marks], tempos: list[tuple[Tempo, ...]]) -> Candidate:
    """The candidate with its damage spelt out and paid for once a place, where that explains the marks better.

    Without this a layout could buy a displaced tooth off as an extra edge beside an invented gap, and windows could
    put one missing tooth now on this, now on that side of the gap.
    """
    layout = candidate.layout
    if is_even(layout):
        return _one_gone(candidate, windows, tempos)
    if len(layout.teeth_deg) < 5:
        return candidate
    seen = _in_one_phase(candidate, windows, tempos)
    tries = {_damage_seen(seen, candidate.damage, grid) for grid in (2, 1)}
    if candidate.likelihood > CLEAR * candidate.marks:
        tries |= set(filled(layout, candidate.damage.flank))
    return max((_spelt_out(candidate, windows, tempos, d) for d in tries), key=lambda c: c.score)


def _in_one_phase(candidate: Candidate, windows: list[Marks], tempos: list[tuple[Tempo, ...]]) -> Candidate:
    """The candidate, on a pattern that repeats within the turn as the middle window alone shows it.

    Sound, such a pattern fits a window in as many ways as it repeats, and each window takes any of them: what is wrong
    at one tooth would be put on several. Spelt out from one window it brings the others into step.
    """
    if candidate.layout.periods == 1 or len(windows) == 1:
        return candidate
    middle = len(windows) // 2
    one = fit(windows[middle], candidate.layout, tempos[middle], candidate.damage)
    return weigh(candidate.layout, [one], candidate.damage)


def filled(layout: Layout, flank: float) -> list[Damage]:
    """One slot of the gap filled: the aligner must be told where to look, for it rather takes the gap for a loss.

    A gap of one slot is looked for in the setup's wheel only: filled, it is any other's wheel without a gap.
    """
    least = {"setup": 1, "catalogue": 2}.get(layout.source, 9)
    gap = layout.missing[-1] - layout.missing[0] + 1 if layout.missing else 0
    if gap != len(layout.missing) or not least <= gap <= 2:
        return []
    return [Damage(extra=(((slot - 1) * layout.pitch_deg, 0.97),), flank=flank) for slot in layout.missing]


def _spelt_out(
    candidate: Candidate, windows: list[Marks], tempos: list[tuple[Tempo, ...]], damage: Damage
) -> Candidate:
    """The candidate with this damage, and what then shows beside it, where that explains the marks better."""
    best = candidate
    for _ in range(2):
        shift: tuple[float, ...] = ()
        if candidate.likelihood > CLEAR * candidate.marks:
            shift = _shifts(candidate, windows, tempos, damage)
        tries = [_apart(candidate.layout, replace(damage, shift_deg=shift))] if any(shift) else [damage]
        if any(shift) and candidate.likelihood < SHARP * candidate.marks:
            tries.append(damage)  # ripple may pass for teeth out of place
        again = max(
            (_paid(candidate.layout, windows, tempos, d) for d in tries if d and d.count <= MOST_DAMAGE),
            key=lambda c: c.score,
            default=None,
        )
        if again is None or again.score <= best.score:
            break
        best = again
        damage = _damage_seen(again, replace(again.damage, shift_deg=()))
    return best


def _apart(layout: Layout, damage: Damage) -> Damage:
    """The damage less any extra edge where a displaced tooth stands: one piece of metal makes one edge."""
    places = np.asarray(layout.teeth_deg) + np.asarray(damage.shift_deg)
    reach = 0.15 * layout.pitch_deg
    extra = tuple(e for e in damage.extra if np.abs((places - e[0] + 180.0) % 360.0 - 180.0).min() > reach)
    return replace(damage, extra=extra)


def _paid(layout: Layout, windows: list[Marks], tempos: list[tuple[Tempo, ...]], damage: Damage) -> Candidate:
    """The layout with this damage, paid for."""
    again = weigh(layout, [fit(w, layout, t, damage) for w, t in zip(windows, tempos, strict=True)], damage)
    cost = damage_cost(layout, damage, again.tally, again.turns)
    return replace(again, score=again.score + cost, likelihood=again.likelihood + cost, damage=damage)


def in_gap(layout: Layout, damage: Damage) -> list[int]:
    """Slots empty by design in which this damage puts an edge."""
    if not layout.regular:
        return []
    slots = [round(angle / layout.pitch_deg, 3) % layout.slots + 1 for angle, _ in damage.extra]
    return [int(s) for s in slots if s in layout.missing]


def damage_cost(layout: Layout, damage: Damage, tally: Tally, turns: float) -> float:
    """Log prior of this damage in nats, with the turns in which it does not show (0 or below)."""
    if is_even(layout):
        return float(np.log(DAMAGE_PRIOR)) + int(tally.seen[0]) * float(np.log(0.03))
    cost = (damage.count - len(damage.extra)) * float(np.log(DAMAGE_PRIOR / len(layout.teeth_deg)))
    inside = len(in_gap(layout, damage))
    cost += (len(damage.extra) - inside) * float(np.log(EXTRA_PRIOR * 0.5 * layout.pitch_deg / 360.0))
    cost += inside * float(np.log(EXTRA_PRIOR * GAP_SHARE / max(1, len(layout.missing))))
    cost -= FURTHER_EXTRA * max(0, len(damage.extra) - 1)
    cost -= 0.5 * (damage.count - inside) * float(np.log(max(turns, 2.0)))  # a slot is no fitted place
    # passes in which a dead tooth shows, or a fixed extra edge comes, are paid at the share assumed for them
    cost += sum(int(tally.seen[i]) * float(np.log(1.0 - share)) for i, share in damage.dead)
    cost += sum(share * turns * float(np.log(share)) for _, share in damage.extra)
    return cost


# Nats a mark below which speed ripple hides more than a tooth's place shows (a scatter of 0.1 in log interval): there
# only what is missing or extra in most turns counts as damage.
SHARP = 0.8
CLEAR = 0.3  # the same for gaps and dead teeth, which are larger than a tooth's displacement


def _one_gone(candidate: Candidate, windows: list[Marks], tempos: list[tuple[Tempo, ...]]) -> Candidate:
    """A wheel without a gap, with one tooth gone: then that tooth is the reference, whichever it is."""
    layout = candidate.layout
    if len(layout.teeth_deg) < 12:
        return candidate
    damage = Damage(dead=((0, 0.97),))
    again = weigh(layout, [fit(w, layout, t, damage) for w, t in zip(windows, tempos, strict=True)], damage)
    cost = damage_cost(layout, damage, again.tally, again.turns)
    if again.score + cost <= candidate.score:
        return candidate
    return replace(again, score=again.score + cost, likelihood=again.likelihood + cost)


MOST_DAMAGE = 8  # more broken places than this is another wheel, or no wheel


def _damage_seen(candidate: Candidate, known: Damage, grid: int = 2) -> Damage:
    """Dead teeth and fixed extra edges as the tally shows them.

    An edge near a slot (grid 1) or half way between two (grid 2) is taken to be where it would be made, not where
    ripple puts it. Debris between teeth keeps to no grid, so both are tried.
    """
    layout, t = candidate.layout, candidate.tally
    total = t.seen + t.missed
    share = np.where(total >= 3, t.missed / np.maximum(total, 1), 0.0)
    sharp = candidate.likelihood / candidate.marks >= SHARP
    least = 0.3 if sharp else 0.6
    # a tooth missed in nearly all passes is gone: the odd pass with an edge is a slip of one window
    dead = [(int(i), 0.97 if share[i] > 0.85 else float(share[i])) for i in np.flatnonzero(share > least)]
    ends = [d for d in dead if d[0] in (0, len(layout.teeth_deg) - 1)]
    if len(ends) == 2 and ends[0][1] + ends[1][1] < 1.3:
        # one tooth beside the gap, put on either side by different windows: keep the side met more often
        dead = [d for d in dead if d not in ends] + [(max(ends, key=lambda d: d[1])[0], 0.97)]
    extra = list(known.extra)
    gone = [layout.teeth_deg[tooth] for tooth, _ in dead]
    alive = np.setdiff1d(np.asarray(layout.teeth_deg), gone)
    for angle, hits, _ in clusters(t.extra_deg, layout.pitch_deg / 4.0):
        drawn = np.round(angle / layout.pitch_deg * grid) / grid * layout.pitch_deg
        if abs(angle - drawn) < (0.12 if sharp else 0.26) * layout.pitch_deg and drawn % 360.0 not in gone:
            angle = float(drawn)
        places = np.asarray([*alive, *(a for a, _ in extra)])  # beside a dead tooth it is that tooth, displaced
        beside = np.abs((places - angle + 180.0) % 360.0 - 180.0).min() < 0.15 * layout.pitch_deg
        if (
            hits >= max(3.0, (least - 0.05) * candidate.turns)
            and not beside
            and not fills_gap(layout, angle)
            and not near(angle, known, layout.pitch_deg / 4.0)
        ):
            extra.append((angle, float(np.clip(hits / max(candidate.turns, 1.0), 0.03, 0.97))))
    return _displaced(layout, Damage((), tuple(dead), tuple(extra), known.flank))


def _displaced(layout: Layout, damage: Damage) -> Damage:
    """A dead tooth with an extra edge within 0.6 pitches of it is one tooth in the wrong place."""
    teeth = np.asarray(layout.teeth_deg)
    shift = np.zeros(teeth.size)
    dead, extra = list(damage.dead), list(damage.extra)
    for tooth in list(dead):
        near = [e for e in extra if abs((e[0] - teeth[tooth[0]] + 180.0) % 360.0 - 180.0) < 0.6 * layout.pitch_deg]
        if near:
            off = float((near[0][0] - teeth[tooth[0]] + 180.0) % 360.0 - 180.0)
            shift[tooth[0]] = np.clip(off, -0.45 * layout.pitch_deg, 0.45 * layout.pitch_deg)
            dead.remove(tooth)
            extra.remove(near[0])
    places = tuple(float(x) for x in shift) if shift.any() else ()
    return replace(damage, shift_deg=places, dead=tuple(dead), extra=tuple(extra))


def _shifts(
    candidate: Candidate, windows: list[Marks], tempos: list[tuple[Tempo, ...]], damage: Damage
) -> tuple[float, ...]:
    """How far the teeth that stand out are displaced, in degrees; zeros elsewhere."""
    layout = candidate.layout
    rows_t, rows_a, rows_g, rows_i = [], [], [], []
    alone = len(windows) // 2 if layout.periods > 1 and not damage else None  # see _in_one_phase
    for number, part in enumerate(windows):
        if alone not in (None, number):
            continue
        path = fit(part, layout, tempos[number], damage).path
        edge, angle, piece = unrolled(path, layout)
        rows_t.append(part.time_s[edge])
        rows_a.append(angle)
        rows_g.append(piece + 1000 * number)
        rows_i.append(path.tooth)
    got = pitch.measure(
        layout,
        np.concatenate(rows_i),
        np.concatenate(rows_a),
        np.concatenate(rows_t),
        np.concatenate(rows_g),
        0.01 * layout.pitch_deg,
    )
    shift = np.array(damage.shift_deg) if damage.shift_deg else np.zeros(len(layout.teeth_deg))
    # on a coarse wheel ripple moves teeth as much as damage does: only wheels fine enough may have displaced teeth here
    drawn = shift.copy()
    drawn[list(got.suspects)] = got.mean_deg[list(got.suspects)]
    natural = flank_shift(layout, damage.flank, tuple(t for t, share in damage.dead if share > 0.6), drawn)
    for i in got.suspects[: shift.size // 14]:
        shift[i] = np.clip(got.mean_deg[i] - natural[i], -0.45 * layout.pitch_deg, 0.45 * layout.pitch_deg)
    return tuple(float(x) for x in shift)
