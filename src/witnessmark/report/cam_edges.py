"""The cams' edges as found beside what the setup expects, and in words what the degrees count from."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from witnessmark.engine import circular
from witnessmark.engine.cams import PARKED_RPM
from witnessmark.engine.facts import Facts, facts_from
from witnessmark.engine.model import Cam, CamEdge, Phase
from witnessmark.findings.valves import SPROCKETS
from witnessmark.recording.setup import CamWheel
from witnessmark.report.model import Analysis

SAME_EDGE_DEG = 12.0  # a found edge this near to where a described one was measured is that edge
MOVED_DEG = 2.0  # a cam that is on average this far from its parked place has moved
WHOLE_TEETH_DEG = 1.0  # an offset this near to whole teeth of a sprocket may be those teeth
USUAL_TOLERANCE_DEG = 6.0  # what the setup's tolerance is where it names none (limits.toml, cam.tolerance_deg)


@dataclass(frozen=True, slots=True)
class CamRow:
    """One edge of a cam: found (None: not seen), expected (None: not described) and late_deg between the two."""

    kind: str
    found: CamEdge | None
    expected_deg: float | None
    late_deg: float | None


def shown_cams(analysis: Analysis) -> list[Cam]:
    """Cams whose line shows edges that repeat with the cycle."""
    return [c for c in analysis.engine.cams if c.edges]


def described(analysis: Analysis, cam: Cam) -> CamWheel | None:
    """The setup's cam wheel for this line; None without one, or where it could not be compared."""
    if cam.offset_deg is None:
        return None
    return facts_from(analysis.setup).cam_for(analysis.signals.line(cam.channel))


def expected_edges(analysis: Analysis, cam: Cam) -> tuple[tuple[float, str], ...]:
    """(crank degrees after cylinder 1's firing TDC, kind) as the setup describes them; empty where not comparable."""
    said = described(analysis, cam)
    return () if said is None or not said.edges_deg else tuple((float(a), str(k)) for a, k in said.edges_deg)


def rows_of(analysis: Analysis, cam: Cam) -> list[CamRow]:
    """Every edge once, found or expected, in order of angle; found where it stands with the phaser parked."""
    left, moved = list(cam.edges), _moved_deg(cam)
    out: list[CamRow] = []
    late = cam.late_deg or (float("nan"),) * len(expected_edges(analysis, cam))
    for (angle, kind), off in zip(expected_edges(analysis, cam), late, strict=False):
        near = [
            e
            for e in left
            if (e.kind == kind) != cam.inverted and abs(_apart(e.angle_deg, angle + off + moved)) <= SAME_EDGE_DEG
        ]
        if not np.isfinite(off) or not near:
            out.append(CamRow(_seen_as(kind, cam), None, angle, None))
            continue
        mine = min(near, key=lambda e: abs(_apart(e.angle_deg, angle + off + moved)))
        left.remove(mine)
        if moved:
            mine = replace(mine, angle_deg=(angle + off) % 720.0)
        out.append(CamRow(mine.kind, mine, angle, float(off)))
    out += [CamRow(e.kind, e, None, None) for e in left]
    return sorted(out, key=lambda r: r.found.angle_deg if r.found is not None else (r.expected_deg or 0.0))


def _moved_deg(cam: Cam) -> float:
    """How far a phaser at work takes the mean of each edge from where it stands parked; 0 where it does not."""
    if cam.motion is None or not len(cam.motion.shift_deg):
        return 0.0
    slow = cam.motion.rpm < PARKED_RPM
    rest = cam.motion.shift_deg[slow] if slow.any() else cam.motion.shift_deg[:3]
    moved = float(np.mean(cam.motion.shift_deg) - np.median(rest))
    return moved if abs(moved) > MOVED_DEG else 0.0


def _seen_as(kind: str, cam: Cam) -> str:
    """The kind of a described edge as the line shows it."""
    return {"rising": "falling", "falling": "rising"}[kind] if cam.inverted else kind


def _apart(a_deg: float, b_deg: float) -> float:
    return float(circular.signed(a_deg - b_deg, 720.0))


def tolerance_deg(cam: Cam) -> float:
    """How far the cam may be off in degrees."""
    return cam.tolerance_deg or USUAL_TOLERANCE_DEG


def spread_deg(cam: Cam) -> float | None:
    """Robust standard deviation of the cam as a whole from cycle to cycle, parked where cranking shows it."""
    if cam.motion is None:
        return None
    slow = cam.motion.rpm < PARKED_RPM
    use = cam.motion.shift_deg[slow] if slow.sum() >= 3 else cam.motion.shift_deg
    return float(1.4826 * np.median(np.abs(use - np.median(use)))) if len(use) >= 3 else None


def parked(cam: Cam) -> bool:
    """Whether the record shows the cam at cranking speed, where a phaser stands parked."""
    return cam.motion is not None and bool(np.any(cam.motion.rpm < PARKED_RPM))


def running_range_deg(cam: Cam) -> tuple[float, float] | None:
    """(5, 95 % quantile) of how late the cam is while running, against its place by the setup, else parked."""
    if cam.motion is None:
        return None
    run = cam.motion.rpm >= PARKED_RPM
    if run.sum() < 5:
        return None
    slow = ~run
    rest = float(np.median(cam.motion.shift_deg[slow])) if slow.any() else float(np.median(cam.motion.shift_deg[:3]))
    low, high = np.quantile(cam.motion.shift_deg[run] - rest + (cam.offset_deg or 0.0), [0.05, 0.95])
    return float(low), float(high)


def chain_teeth(offset_deg: float) -> list[tuple[int, int]]:
    """(teeth, sprocket's count) whose 360/z each make up the offset within a degree; common counts only, nearest
    first."""
    fits = []
    for z in SPROCKETS:
        teeth = round(abs(offset_deg) * z / 360.0)
        miss = abs(abs(offset_deg) - teeth * 360.0 / z)
        if teeth and miss < WHOLE_TEETH_DEG:
            fits.append((miss, teeth, z))
    return [(teeth, z) for _, teeth, z in sorted(fits)]


def reference(phase: Phase, facts: Facts) -> str:
    """What the degrees of cam edges count from: a cam line tells the cycle even where nothing tells the firing turn."""
    if facts.strokes == 2 or (phase.known and phase.turn_known):
        return phase.reference
    if phase.known:
        return "0 to 720 after a TDC of cylinder 1 (which of the cycle's two turns fires is not known)"
    return "0 to 720 from slot 1 in one of the cycle's two turns: cylinder 1's TDC is not known"


def firing_tdcs(analysis: Analysis) -> dict[int, float]:
    """Cylinder -> its firing TDC in degrees after cylinder 1's; empty where the firing turn is not known.

    Cylinder 1's alone where the setup does not say the order in which the others fire.
    """
    phase, facts = analysis.engine.phase, facts_from(analysis.setup)
    if not phase.known or not (phase.turn_known or facts.strokes == 2):
        return {}
    whole = len(facts.firing_deg) == analysis.engine.cylinders
    return {c: float(a) for c, a in facts.firing_deg.items() if c == 1 or whole}
