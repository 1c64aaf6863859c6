"""Numbers of an analysis against the truth, compression, cam offset, tooth error, and whether they were given."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from witnessmark.engine.cylinder_work import FEWEST_TEETH
from witnessmark.report import collect
from witnessmark.report.model import Analysis

# A number is held to its limit where the record carries it: the stated spread is half the limit or less.
COMPRESSION, CAM_DEG, TOOTH_DEG = 0.03, 1.0, 0.15
# Fewer than four cycles of cranking without a spark carry no comparison of compressions (DOMAIN: more than four); the
# first 0.4 s belong to the starter.
CRANKED_TURNS = 10.0


@dataclass
class Measures:
    """Errors of one case against truth by quantity, and how many numbers there could have been."""

    compression: list[float] = field(default_factory=list)
    compression_asked: int = 0
    cam_deg: list[float] = field(default_factory=list)
    cam_asked: int = 0
    tooth_deg: list[float] = field(default_factory=list)
    tooth_asked: int = 0


def measure(truth: dict[str, Any], analysis: Analysis) -> Measures:
    """Compare what was measured with what the simulator did; keys the truth lacks ask for nothing."""
    out = Measures()
    _compression(truth, analysis, out)
    _cams(truth, analysis, out)
    _teeth(truth, analysis, out)
    return out


def _compression(truth: dict[str, Any], analysis: Analysis, out: Measures) -> None:
    true = {int(k): float(v) for k, v in (truth.get("compression_rel") or {}).items()}
    said = {c.cylinder: c for c in getattr(analysis.engine, "cylinder_results", ()) if c.cylinder is not None}
    cranked = [a["turns"] if a["turns_to_sync"] is None else a["turns_to_sync"] for a in truth.get("attempts") or []]
    layout = analysis.wheel.layout
    told = analysis.setup.engine.cylinders is not None
    if not true or not told or max(cranked, default=0.0) <= CRANKED_TURNS:
        return
    if layout is None or len(layout.teeth_deg) < FEWEST_TEETH:
        return  # a wheel of few teeth does not follow one compression
    out.compression_asked = len(true)
    for cylinder, value in true.items():
        got = said.get(cylinder)
        if got is None or got.compression_rel is None:
            continue
        if got.compression_sd is None or got.compression_sd <= COMPRESSION / 2:
            out.compression.append(got.compression_rel - value)


def _cams(truth: dict[str, Any], analysis: Analysis, out: Measures) -> None:
    said = {c.channel: c for c in analysis.engine.cams}
    for cam in truth.get("cams") or []:
        got = said.get(str(cam.get("name")))
        if got is None or cam.get("offset_deg") is None:
            continue
        out.cam_asked += 1
        late = collect.cam_offset_deg(analysis, got)
        if late is not None:
            out.cam_deg.append(late - float(cam["offset_deg"]))


def _teeth(truth: dict[str, Any], analysis: Analysis, out: Measures) -> None:
    true = {int(k): float(v) for k, v in (truth.get("tooth_error_deg") or {}).items()}
    layout = analysis.wheel.layout
    fitted = truth.get("fitted") or {}
    if not true or layout is None or not layout.regular or layout.slots != fitted.get("slots"):
        return
    if list(layout.missing) != list(fitted.get("missing") or []):
        return
    slots, error, sd = tooth_table(analysis)
    out.tooth_asked = len(true)
    pairs = [(e, true[s]) for s, e, d in zip(slots, error, sd, strict=True) if s in true and d <= TOOTH_DEG / 2]
    if len(pairs) < 3:
        return
    # a wheel's errors are known up to their mean: where slot 1 itself stands is not told by the wheel
    off = np.array([a - b for a, b in pairs])
    out.tooth_deg += [float(x) for x in off - np.median(off)]


def tooth_table(analysis: Analysis) -> tuple[list[int], list[float], list[float]]:
    """Slot, error and the error's own uncertainty in degrees of every tooth with an error in the table."""
    teeth = analysis.wheel.teeth
    rows = [(t.slot, t.error_deg, t.error_se_deg) for t in teeth if t.error_deg is not None]
    return (
        [s for s, _, _ in rows], [float(e) for _, e, _ in rows],
        [float("inf") if d is None else float(d) for _, _, d in rows],
    )  # fmt: skip
