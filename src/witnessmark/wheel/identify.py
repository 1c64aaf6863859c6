"""Which wheel is it: layouts compared on the same edges.

Every candidate is aligned to the same windows of marks. Its score is the log likelihood of the marks, aware of damage:
a tooth that is missing (or an extra edge that comes) at one place turn after turn is paid for once, as a damaged wheel
at its prior, and not again every turn. So a sound rare design and a common design with a fault compete on fair terms.
"""

from __future__ import annotations

import numpy as np

from witnessmark.threads import each
from witnessmark.wheel import ripple
from witnessmark.wheel.candidates import shortlist, uneven
from witnessmark.wheel.damage import FLANKS, SOUND, Damage, is_even
from witnessmark.wheel.lattice import Tempo
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout
from witnessmark.wheel.spelt import with_damage
from witnessmark.wheel.weighing import FEW_TEETH, Candidate, Fit, fit, tempos_of, weigh, windows_of

LOOK = 200  # marks of the first pass: three turns of 60-2
CRANK_MISS, CRANK_EXTRA = Tempo().log_missed, Tempo().log_extra
HOPE = 60.0  # nats a candidate may lie behind before its damage is spelt out (36 seen for a tooth gone beside the gap)

MANY = 16  # layouts looked at on the whole record where the speed swings from tooth to tooth, 10 else
RIPPLED = 1.3  # nats a mark below which speed changes hide much of the pattern (smooth running has two and more)


def _roughness(marks: Marks) -> float:
    """Median step between neighbouring log intervals: small where teeth pass evenly."""
    steps = np.abs(np.diff(np.log(np.maximum(np.diff(marks.time_s), 1e-9))))
    return float(np.median(steps)) if steps.size else np.inf


def compare(marks: Marks, extra: list[Layout] | None = None) -> list[Candidate]:
    """All candidates for these marks, best first.

    A first pass on the most regular window thins the list; windows in which even the best candidate fits
    much worse than elsewhere (standing engine, sampling too slow) are left out for all alike.
    """
    windows = windows_of(marks)
    look = min(windows, key=_roughness).window(0, LOOK)
    tries = shortlist(look) + list(extra or ())
    tempo = tempos_of(look)
    first = each(lambda lay: max((fit(look, lay, tempo, d) for d in _flanks(look, lay)), key=_score), tries)
    quick = list(zip(first, tries, strict=True))
    ranked = sorted((weigh(lay, [f]).score, i) for i, (f, lay) in enumerate(quick))[::-1]
    keep = [quick[i][1] for rank, (s, i) in enumerate(ranked) if s > ranked[0][0] - 80.0 or rank < 6][
        : MANY if uneven(look.time_s) else 10
    ]
    keep += [
        quick[i][1] for s, i in ranked if quick[i][1] not in keep and s > ranked[0][0] - 150.0 and _common(quick[i][1])
    ]
    keep += [lay for lay in extra or () if lay not in keep]
    tempi = each(tempos_of, windows)
    bends = each(lambda lay: _best_flank(lay, windows, tempi), keep)
    table = each(lambda row: _on_each(*row, windows, tempi), zip(keep, bends, strict=True))
    per_window = [max(row[w].per_mark for row in table) for w in range(len(windows))]
    good = [w for w, value in enumerate(per_window) if value > max(per_window) - 1.2]
    used = [windows[w] for w in good]
    found = [weigh(lay, [row[w] for w in good], d) for lay, row, d in zip(keep, table, bends, strict=True)]
    found.sort(key=lambda c: -c.score)
    tempos = [tempi[w] for w in good]
    # what a candidate could reach if every miss and extra edge were explained, and then some: a tooth beside the gap is
    # put on either side by different windows, which costs more than its misses
    hope = [c.score - CRANK_MISS * int(c.tally.missed.sum()) - CRANK_EXTRA * len(c.tally.extra_deg) for c in found]
    least = found[0].score - HOPE
    spelt = each(
        lambda one: with_damage(one[0], used, tempos) if one[1] > least or is_even(one[0].layout) else one[0],
        zip(found, hope, strict=True),
    )
    top = max(spelt, key=lambda c: c.score)
    # a pattern learnt as it is may be ripple locked to the turn
    doubt = uneven(look.time_s) or (top.layout.source == "learnt" and top.layout.regular)
    if doubt and top.likelihood < RIPPLED * top.marks:
        # few vanes have any spacing, which ripple over many teeth can imitate: only a named wheel stands against them
        few = len(top.layout.teeth_deg) <= FEW_TEETH
        open_to = [c for c in spelt if not few or c.layout.source == "setup"]
        spelt = [c for c in spelt if c not in open_to] + ripple.explained(open_to, used)
    return sorted(spelt, key=lambda c: -c.score)


def _score(fitted: Fit) -> float:
    return fitted.path.score


def _on_each(layout: Layout, damage: Damage, windows: list[Marks], tempos: list[tuple[Tempo, ...]]) -> list[Fit]:
    """The layout with this damage aligned to every window."""
    return [fit(w, layout, t, damage) for w, t in zip(windows, tempos, strict=True)]


def _common(layout: Layout) -> bool:
    """A wheel met often enough to be tried on the whole record even when one window speaks against it."""
    return layout.source == "catalogue" and layout.prior >= 4.0


def _flanks(marks: Marks, layout: Layout) -> tuple[Damage, ...]:
    """The drawn flanks worth trying: none but on a pick-up's gaps."""
    if not (marks.vr and layout.regular and layout.missing):
        return (SOUND,)
    return tuple(Damage(flank=f) for f in FLANKS)


def _best_flank(layout: Layout, windows: list[Marks], tempos: list[tuple[Tempo, ...]]) -> Damage:
    """The drawn flank that suits two of the windows best."""
    tries = _flanks(windows[0], layout)
    if len(tries) == 1:
        return tries[0]
    some = list(zip(windows, tempos, strict=True))[:: max(1, len(windows) // 2)][:2]
    return max(tries, key=lambda d: sum(fit(w, layout, t, d).path.score for w, t in some))
