"""The control-unit replay over the recorded cranking, as recorded and with the suspect teeth put right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.model import Attempt
from witnessmark.engine.replay import Outcome, Train, run_all
from witnessmark.findings.measured import Measured
from witnessmark.findings.model import Finding
from witnessmark.findings.replay_model import Replay, ReplayedAttempt, ReplayedRule

Floats = NDArray[np.float64]

SUSPECT_KINDS = ("tooth-absent", "tooth-weak", "tooth-displaced", "tooth-extra")
# Turns a start position must have left for the counter: two turns and one to spare, less in short records.
AHEAD_TURNS, LEAST_TURNS = 3.0, 2.5


@dataclass(frozen=True)
class _Edges:
    """Passages and extras of one attempt's cranking, as a control unit sees them and on a good wheel."""

    recorded: Train
    restored: Train


def replay(m: Measured, found: Sequence[Finding]) -> Replay | None:
    """The replay over all attempts with enough decoded cranking; None where nothing can be replayed."""
    if m.layout is None or m.wheel.passes.time_s.size == 0:
        return None
    suspects = [f for f in found if f.kind in SUSPECT_KINDS and f.slot is not None and f.stated]
    cams = [x.edges.time_s for x in m.signals.by_role("cam") if len(x.edges)]
    cam = np.sort(cams[0]) if cams else None
    attempts: list[ReplayedAttempt] = []
    rows: dict[str, list[tuple[Outcome, Outcome]]] = {}
    for n, a in enumerate(m.engine.attempts, start=1):
        edges = _edges(m, a, suspects)
        turns = (edges.recorded.deg[-1] - edges.recorded.deg[0]) / 360.0 if len(edges.recorded.deg) > 3 else 0.0
        if turns < LEAST_TURNS:
            continue
        ahead = min(AHEAD_TURNS, 0.6 * turns)
        now = run_all(edges.recorded, m.layout, ahead, cam)
        good = {o.rule.id: o for o in run_all(edges.restored, m.layout, ahead, cam)}
        pairs = [(o, good[o.rule.id]) for o in now if o.rule.id in good]
        if not pairs:
            continue
        for pair in pairs:
            rows.setdefault(pair[0].rule.id, []).append(pair)
        first = [float(o.turns[0]) if np.isfinite(o.turns[0]) else None for o, _ in pairs]
        attempts.append(ReplayedAttempt(n, float(turns), a.turns_to_sync, tuple(first)))
    if not rows:
        return None
    rules = tuple(_rule(pairs) for pairs in rows.values())
    slots = tuple(sorted({f.slot for f in suspects if f.slot is not None}))
    return Replay(slots, tuple(attempts), rules)


def _rule(pairs: list[tuple[Outcome, Outcome]]) -> ReplayedRule:
    def merged(outs: list[Outcome]) -> Outcome:
        return replace(outs[0], turns=np.concatenate([o.turns for o in outs]))

    now, good = merged([p[0] for p in pairs]), merged([p[1] for p in pairs])
    return ReplayedRule(
        now.rule.id, now.rule.words, len(now.turns), now.median, now.synced,
        float(np.mean([p[0].wrong for p in pairs])), good.median, good.synced,
    )  # fmt: skip


def _edges(m: Measured, a: Attempt, suspects: Sequence[Finding]) -> _Edges:
    """Edges of the cranking part of an attempt (of the longest decoded stretch in it)."""
    assert m.layout is not None
    p, x = m.wheel.passes, m.wheel.extras
    end = _until_s(m, a)
    inside = (p.time_s >= a.start_s) & (p.time_s <= end) & (m.segment >= 0)
    numbers, counts = np.unique(m.segment[inside], return_counts=True)
    nothing = Train(np.empty(0), np.empty(0), np.empty(0, np.int64))
    if len(numbers) == 0:
        return _Edges(nothing, nothing)
    number = int(numbers[int(np.argmax(counts))])
    seg = m.wheel.angle.segments[number]
    inside &= m.segment == number
    margin_ok = ~(p.arm_margin < 1.0) if m.is_vr else np.ones(p.time_s.size, bool)
    seen = inside & (p.edge >= 0) & margin_ok
    extra = (x.time_s >= max(a.start_s, seg.start_s)) & (x.time_s <= min(end, seg.end_s))
    slots = [f.slot for f in suspects if f.kind != "tooth-extra" and f.slot is not None]
    bad = np.isin(np.asarray(m.layout.tooth_slots)[p.tooth], slots)
    step = np.where(np.isfinite(p.error_deg), p.error_deg, 0.0) / (6.0 * np.maximum(p.speed_rpm, 1.0))
    nominal = np.where(p.edge >= 0, p.time_s - np.where(np.isfinite(step), step, 0.0), p.time_s)
    back = inside & (seen | bad)
    times = np.where(bad, nominal, p.time_s)
    kept = extra & ~_of_extra_tooth(m, suspects)
    return _Edges(
        _train(p.time_s[seen], m.angle_deg[seen], p.tooth[seen], x.time_s[extra], x.angle_deg[extra]),
        _train(times[back], m.angle_deg[back], p.tooth[back], x.time_s[kept], x.angle_deg[kept]),
    )


def _until_s(m: Measured, a: Attempt) -> float:
    """Cranking and the two turns after the first firing: an engine that fires at once cranks for too few turns."""
    if a.cranking_end_s is None:
        return a.end_s
    rpm = float(m.wheel.angle.rpm(np.asarray([a.cranking_end_s]))[0])
    return min(a.end_s, a.cranking_end_s + (120.0 / rpm if np.isfinite(rpm) and rpm > 60.0 else 0.0))


def _of_extra_tooth(m: Measured, suspects: Sequence[Finding]) -> NDArray[np.bool_]:
    """Extras that belong to a stated extra tooth: within half a pitch of its slot [x]."""
    assert m.layout is not None
    at = np.mod(m.wheel.extras.angle_deg, 360.0)
    out = np.zeros(at.size, bool)
    for f in suspects:
        if f.kind == "tooth-extra" and f.slot is not None:
            deg = f.evidence.get("angle_deg")
            centre = float(deg) if isinstance(deg, int | float) else (f.slot - 1) * m.layout.pitch_deg
            out |= np.abs(np.mod(at - centre + 180.0, 360.0) - 180.0) <= 0.5 * m.layout.pitch_deg
    return out


def _train(time: Floats, deg: Floats, tooth: NDArray[np.int32], extra_s: Floats, extra_deg: Floats) -> Train:
    times = np.concatenate((time, extra_s))
    order = np.argsort(times, kind="stable")
    teeth = np.concatenate((tooth.astype(np.int64), np.full(extra_s.size, -1, np.int64)))
    return Train(times[order], np.concatenate((deg, extra_deg))[order], teeth[order])


# --- what the replay adds to findings ---------------------------------------------------------------------------------


def told(found: Sequence[Finding], result: Replay | None) -> tuple[Finding, ...]:
    """The findings with what the replay says beside a late synchronisation."""
    if result is None:
        return tuple(found)
    return tuple(_told(f, result) if f.kind == "late-sync" else f for f in found)


def _told(f: Finding, r: Replay) -> Finding:
    low, high = r.range_recorded
    evidence = f.evidence | {
        "replay_turns_low": low, "replay_turns_high": high, "replay_never_rules": r.never_recorded,
        "replay_rules": len(r.rules), "replay_explains": None if r.explains is None else float(r.explains),
        "replay_restored_low": r.range_restored[0], "replay_restored_high": r.range_restored[1],
    }  # fmt: skip
    return replace(f, evidence=evidence, statement=f"{f.statement} {r.sentence}")
