"""Pool the analyses of several recordings of one case: a pure function over them.

The recordings are taken to show one state of the vehicle; before and after a repair are compared, not pooled.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence

from witnessmark.causes.engines import engine_facts
from witnessmark.causes.observations import Observation
from witnessmark.causes.weigh import Context, weigh
from witnessmark.findings.model import Findings, NotAssessed
from witnessmark.findings.statistics import upper_rate_of_none
from witnessmark.pool.join import joined, steady
from witnessmark.pool.model import Member, Pooled, PooledFinding, PooledTooth
from witnessmark.report import collect
from witnessmark.report.model import Analysis
from witnessmark.report.words import plural
from witnessmark.wheel.model import Layout

# Two whole turns, as for one recording: with fewer nothing can be said of a slot.
JUDGED_TURNS = 2.0


def pool(
    analyses: Sequence[Analysis],
    *,
    observations: Sequence[Observation] = (),
    closed: Mapping[str, int] | None = None,
) -> Pooled:
    """Counts, bounds and balance over all recordings. Raises ValueError without any."""
    if not analyses:
        raise ValueError("nothing to pool: give at least one analysis")
    once, twice = _once(analyses)
    marked = tuple((f"R{n}", a) for n, a in enumerate(once, start=1))
    found = joined(marked)
    teeth, apart = _teeth(marked)
    bounds = _bounds(marked, found, teeth)
    findings = Findings(tuple(p.finding for p in found), _not_assessed(once), bounds)
    verdict = weigh(findings, context_over(once), observations=observations, closed=closed)
    return Pooled(
        members=tuple(_member(mark, a) for mark, a in marked),
        findings=found,
        teeth=teeth,
        turns=sum(_turns(a) for a in once),
        bounds=bounds,
        verdict=verdict,
        cautions=(*twice, *apart, *_cautions(marked, found), *verdict.cautions),
    )


def _once(analyses: Sequence[Analysis]) -> tuple[list[Analysis], tuple[str, ...]]:
    """Every file once: the same record given twice is no second witness."""
    kept: dict[str, Analysis] = {}
    told = []
    for analysis in analyses:
        path = os.path.realpath(analysis.recording.path)
        if path in kept:
            told.append(f"{os.path.basename(path)} was given more than once and is counted once.")
        kept.setdefault(path, analysis)
    return list(kept.values()), tuple(dict.fromkeys(told))


def _turns(analysis: Analysis) -> float:
    return analysis.wheel.angle.turns if analysis.wheel.layout is not None else 0.0


def _member(mark: str, analysis: Analysis) -> Member:
    return Member(
        mark=mark,
        path=analysis.recording.path,
        turns=_turns(analysis),
        turning=analysis.in_motion,
        stated=sum(f.stated for f in analysis.findings.found),
    )


def context_over(analyses: Sequence[Analysis]) -> Context:
    """What the causes are weighed against, over all recordings."""
    lines = [[line for line in a.signals.lines if line.name == a.wheel.channel] for a in analyses]
    sensors = {found[0].sensor for found in lines if found}
    turns = sum(_turns(a) for a in analyses)
    shares = [(collect.judged_share(a.wheel, a.engine), collect.turning_s(a.wheel, a.engine) or 0.0) for a in analyses]
    weight = sum(s for share, s in shares if share is not None)
    judged = sum(share * s for share, s in shares if share is not None) / weight if weight > 0.0 else None
    setup = next((a.setup for a in analyses if a.setup_path is not None), analyses[0].setup)
    moves = [a.in_motion for a in analyses]
    words = [t for a in analyses for t in (a.setup.vehicle.complaint, a.setup.vehicle.description) if t]
    first = next((a for a in analyses if a.wheel.layout is not None), analyses[0])
    return Context(
        sensor=sensors.pop() if len(sensors) == 1 else None,
        has_setup_wheel=any(a.wheel.source == "setup" for a in analyses),
        roles=frozenset(line.role for a in analyses for line in a.signals.lines),
        crank_channel=first.wheel.channel,
        crank_judged=any(a.wheel.layout is not None and a.wheel.angle.turns >= JUDGED_TURNS for a in analyses),
        polarity=first.wheel.polarity,
        tdc_known=any(a.engine.phase.known for a in analyses),
        history=". ".join(dict.fromkeys(words)),
        codes=tuple(dict.fromkeys(c for a in analyses for c in a.setup.vehicle.codes or ())),
        turning_s=sum(s for _, s in shares),
        turns=turns or None,
        motion=True if True in moves else (None if None in moves else False),
        judged=judged,
        runs=any(t.started for t in tries) if (tries := [t for a in analyses for t in a.engine.attempts]) else None,
        engine=engine_facts(setup, next((a.engine.cylinders for a in analyses if a.engine.cylinders), None)),
    )


def _not_assessed(analyses: Sequence[Analysis]) -> tuple[NotAssessed, ...]:
    """Questions that no recording answers."""
    open_in = [{n.question: n for n in a.findings.not_assessed} for a in analyses]
    every = set.intersection(*(set(o) for o in open_in))
    return tuple(n for q, n in open_in[0].items() if q in every)


def _same(layout: Layout) -> tuple[object, ...]:
    return (layout.slots, layout.missing, () if layout.regular else tuple(round(d, 2) for d in layout.teeth_deg))


def _teeth(marked: Sequence[tuple[str, Analysis]]) -> tuple[tuple[PooledTooth, ...], tuple[str, ...]]:
    """Every slot over the recordings whose wheel and counting are those of most of them; and what was left apart."""
    groups: dict[tuple[object, ...], list[tuple[str, Analysis]]] = {}
    for mark, analysis in marked:
        if analysis.wheel.layout is not None:
            key = (*_same(analysis.wheel.layout), analysis.wheel.slot_reference)
            groups.setdefault(key, []).append((mark, analysis))
    if not groups:
        return (), ()
    chosen = max(groups.values(), key=lambda group: (sum(_turns(a) for _, a in group), len(group)))
    apart = [mark for group in groups.values() if group is not chosen for mark, _ in group]
    by_slot: dict[int, list[tuple[str, int, int, bool]]] = {}
    for mark, analysis in chosen:
        for tooth in analysis.wheel.teeth:
            by_slot.setdefault(tooth.slot, []).append((mark, tooth.seen, tooth.passages, tooth.expected))
    teeth = tuple(
        PooledTooth(
            slot=slot,
            expected=any(e for *_, e in rows),
            seen=sum(s for _, s, _, _ in rows),
            passages=sum(n for _, _, n, _ in rows),
            each=tuple((mark, s, n) for mark, s, n, _ in rows),
        )
        for slot, rows in sorted(by_slot.items())
    )
    why = "another wheel, or slots counted from elsewhere; its teeth are not pooled with the others'"
    return teeth, (f"{', '.join(apart)}: {why}.",) if apart else ()


def _bounds(
    marked: Sequence[tuple[str, Analysis]], found: tuple[PooledFinding, ...], teeth: tuple[PooledTooth, ...]
) -> tuple[str, ...]:
    """What the recordings together exclude: the 95 % upper rate of what was never seen in n turns."""
    out = []
    whole = [t for t in teeth if t.expected and t.passages and t.seen == t.passages]
    if whole and not any(t.seen < t.passages for t in teeth if t.expected):
        turns = min(t.passages for t in whole)
        upper = 100.0 * upper_rate_of_none(turns)
        out.append(
            f"Every tooth gave its edge in all of {plural(turns, 'turn')} over {plural(len(marked), 'recording')}: a "
            f"tooth that fails in more than {upper:.2g} % of the turns would have shown with 95 %."
        )
    for one in found:
        if one.hits is not None and one.chances and one.low_95 is not None and one.high_95 is not None:
            out.append(
                f"{one.finding.id}: {one.hits} in {one.chances} over {', '.join(one.judged)}, that is "
                f"{100.0 * one.hits / one.chances:.2g} % ({100.0 * one.low_95:.2g} to {100.0 * one.high_95:.2g} % with "
                "95 %)."
            )
    return tuple(out)


def _cautions(marked: Sequence[tuple[str, Analysis]], found: tuple[PooledFinding, ...]) -> tuple[str, ...]:
    """What speaks against pooling, and recordings that add nothing."""
    out = []
    still = [mark for mark, a in marked if a.in_motion is False]
    if still:
        out.append(f"{', '.join(still)}: nothing turns in it, so it adds nothing.")
    for one in found:
        without = [mark for mark in one.judged if mark not in one.found_in]
        if one.finding.stated and without and steady(one.finding):
            out.append(
                f"{one.finding.id} was found in {', '.join(one.found_in)} and not in {', '.join(without)}, though it "
                "does not come and go: were they made in one state of the vehicle? Before and after are compared, not "
                "pooled."
            )
    return tuple(out)
