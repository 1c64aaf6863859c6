"""All working cycles laid over each other: cam edges, sparks, injections and dead centres in crank degrees."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.facts import facts_from
from witnessmark.engine.unroll import cycle_deg
from witnessmark.report import cam_edges, collect
from witnessmark.report.words import ROLES, listed, plural
from witnessmark.workbench.views.arrays import number, numbers

if TYPE_CHECKING:
    from witnessmark.engine.model import Cam, Output
    from witnessmark.report.model import Analysis

FLOATS = NDArray[np.float64]
MOST_EVENTS = 1600  # events drawn of one line; of more, the odd ones stay and every so manieth of the others
ODD_DEG = 5.0  # an event further than this from all places where its like gather is odd
BIN_DEG = 4.0
GATHERS = 0.1  # share of the fullest bin from which a bin is a place where events gather


def cycle_view(analysis: Analysis) -> dict[str, Any]:
    """Angles run 0 to ``cycle_deg``; ``why_not`` says what is missing where nothing can be laid over anything."""
    phase, facts = analysis.engine.phase, facts_from(analysis.setup)
    whole = (phase.known and phase.turn_known) or facts.strokes == 2
    out: dict[str, Any] = {
        "why_not": "",
        "known": bool(phase.known),
        "turn_known": bool(phase.turn_known),
        "cycle_deg": facts.cycle_deg if whole and phase.known else 360.0,
        "tdc_deg": number(phase.tdc_deg) if phase.known else None,
        "reference": phase.reference,
        "cam_reference": cam_edges.reference(phase, facts),
        "tdcs": [
            {"cylinder": c, "angle_deg": number(a)}
            for c, a in sorted(cam_edges.firing_tdcs(analysis).items(), key=lambda row: row[1])
        ],
        "cams": [_cam(analysis, c, facts.cycle_deg) for c in analysis.engine.cams],
        "outputs": [_output(o, analysis) for o in analysis.engine.outputs],
        "pressures": _pressures(analysis),
    }
    if analysis.wheel.layout is None:
        out["why_not"] = "no crank angle: the wheel could not be decoded"
    elif not out["cams"] and not out["outputs"]:
        out["why_not"] = "no cam, coil or injector line was recorded"
    out["says"] = _says(analysis, out)
    return out


def _cam(analysis: Analysis, cam: Cam, cycle: float) -> dict[str, Any]:
    """One cam line: where each of its edges lies on average and expected to, and every edge of the record."""
    line = analysis.signals.line(cam.channel)
    edges = line.edges
    angle = cycle_deg(analysis.wheel.angle, analysis.engine.phase, edges.time_s)
    good = np.flatnonzero(np.isfinite(angle))
    kept = good[_kept(angle[good])]
    speed = analysis.wheel.angle.rpm(edges.time_s[kept], 360.0) if len(kept) else np.zeros(0)
    findings = [f.id for f in analysis.findings.found if f.channel == cam.channel]
    return {
        "channel": cam.channel,
        "label": line.label or cam.channel,
        "bank": cam.bank,
        "camshaft": cam.camshaft,
        "cycles": int(cam.cycles),
        "offset_deg": number(collect.cam_offset_deg(analysis, cam)),
        "tolerance_deg": number(cam_edges.tolerance_deg(cam)),
        "cycle_deg": cycle,
        "edges": _mean_edges(analysis, cam),
        "one_kind": len({e.kind for e in cam.edges}) < 2,
        "each": {
            "angle_deg": numbers(angle[kept], 1),
            "time_s": numbers(edges.time_s[kept], 4),
            "rpm": numbers(speed, 0),
            "rising": "".join("1" if r else "0" for r in edges.rising[kept]),
            "left_out": len(good) - len(kept),
        },
        "findings": findings,
    }


def _mean_edges(analysis: Analysis, cam: Cam) -> list[dict[str, Any]]:
    out = []
    for row in cam_edges.rows_of(analysis, cam):
        found = row.found
        out.append(
            {
                "kind": row.kind,
                "angle_deg": None if found is None else number(found.angle_deg),
                "sd_deg": None if found is None else number(found.sd_deg),
                "present": None if found is None else number(found.present, 6),
                "expected_deg": number(row.expected_deg),
                "late_deg": number(row.late_deg),
                "outside": row.late_deg is not None and abs(row.late_deg) > cam_edges.tolerance_deg(cam),
            }
        )
    return out


def _output(output: Output, analysis: Analysis) -> dict[str, Any]:
    """Every command of one line: where it begins and ends."""
    known = [e for e in output.events if e.start_deg is not None and e.end_deg is not None]
    # a spark comes where its command ends; an injection is placed by where it begins
    place = np.array([e.end_deg if output.role == "coil" else e.start_deg for e in known], dtype=np.float64)
    kept = [known[i] for i in _kept(place)]
    length = np.array([e.end_s - e.start_s for e in output.events])
    return {
        "channel": output.channel,
        "label": analysis.signals.line(output.channel).label or output.channel,
        "role": output.role,
        "role_words": ROLES[output.role],
        "cylinder": output.cylinder,
        "events": len(output.events),
        "no_angle": len(output.events) - len(known),
        "length_ms": number(1e3 * float(np.median(length)), 2) if len(length) else None,
        "start_deg": [number(e.start_deg, 1) for e in kept],
        "end_deg": [number(e.end_deg, 1) for e in kept],
        "time_s": [number(e.start_s, 4) for e in kept],
        "left_out": len(known) - len(kept),
        "findings": [f.id for f in analysis.findings.found if f.channel == output.channel],
    }


def _pressures(analysis: Analysis) -> list[dict[str, Any]]:
    """Where each measured cylinder's pressure puts its firing TDC, after cylinder 1's."""
    phase = analysis.engine.phase
    if not phase.known or phase.tdc_deg is None or not phase.turn_known:
        return []
    return [
        {
            "channel": p.channel,
            "cylinder": p.cylinder,
            "tdc_deg": number((p.tdc_deg - phase.tdc_deg) % 720.0),
            "sd_deg": number(p.tdc_sd_deg),
        }
        for p in analysis.engine.pressures
        if p.tdc_deg is not None
    ]


def _kept(angle_deg: FLOATS) -> NDArray[np.int64]:
    """Places of at most about MOST_EVENTS events: all odd ones, and of the others every so manieth."""
    n = len(angle_deg)
    if n <= MOST_EVENTS:
        return np.arange(n)
    counts, borders = np.histogram(angle_deg, np.arange(0.0, 720.0 + BIN_DEG, BIN_DEG))
    centres = (borders[:-1] + BIN_DEG / 2.0)[counts >= GATHERS * counts.max()]
    away = np.abs(np.mod(angle_deg[:, None] - centres[None, :] + 360.0, 720.0) - 360.0).min(axis=1)
    odd = np.flatnonzero(away > ODD_DEG)[:MOST_EVENTS]
    every = np.arange(0, n, -(-n // MOST_EVENTS))
    return np.union1d(odd, every).astype(np.int64)


def _says(analysis: Analysis, view: dict[str, Any]) -> str:
    """What the picture shows, in two or three sentences."""
    if view["why_not"]:
        return f"No cycle is drawn: {view['why_not']}."
    phase = analysis.engine.phase
    if phase.known and (phase.turn_known or view["cycle_deg"] == 360.0 == facts_from(analysis.setup).cycle_deg):
        head = f"All cycles laid over each other, {view['cycle_deg']:g} degrees from left to right"
    else:
        head = "All turns laid over each other, 360 degrees from left to right, since " + (
            "which of the cycle's two turns fires is not known" if phase.known else "cylinder 1's TDC is not known"
        )
    parts = [plural(len(view["cams"]), "cam line")] if view["cams"] else []
    for role, name in (("coil", "coil line"), ("injector", "injector line")):
        count = sum(o["role"] == role for o in view["outputs"])
        parts += [plural(count, name)] if count else []
    off = [c for c in view["cams"] if any(e["outside"] for e in c["edges"])]
    gone = [o["label"] for o in view["outputs"] if not o["events"]]
    told = [f"{c['label']} stands outside its tolerance" + _late(c["offset_deg"]) for c in off]
    unseen = [c["label"] for c in view["cams"] if any(e["angle_deg"] is None for e in c["edges"])]
    told += [f"{listed(unseen)}: an edge that the setup describes was not seen"] if unseen else []
    told += [f"{listed(gone)} gave no command"] if gone else []
    expected = any(e["expected_deg"] is not None for c in view["cams"] for e in c["edges"])
    if not told and expected:
        told = ["nothing stands out, every cam edge lies where the setup expects it"]
    elif not told and view["cams"]:
        told = ["nothing to judge the cams by: no setup says where their edges belong"]
    tail = f" {'; '.join(told)[:1].upper()}{'; '.join(told)[1:]}." if told else ""
    return f"{head}: {listed(parts)}.{tail}"


def _late(offset_deg: float | None) -> str:
    if offset_deg is None:
        return ""
    return f", {abs(offset_deg):.1f} degrees {'late' if offset_deg > 0 else 'early'}"
