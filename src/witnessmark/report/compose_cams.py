"""The cams in the report: where each edge is against where it should be, and what moved against what."""

from __future__ import annotations

import numpy as np

from witnessmark.engine.facts import facts_from
from witnessmark.engine.model import Cam
from witnessmark.report import cam_edges
from witnessmark.report.compose_parts import measured, ranges_of
from witnessmark.report.figures import Pictures
from witnessmark.report.model import Analysis, Section, Sentence, Table
from witnessmark.report.words import degrees, listed, plural

DASH = "–"
TITLE = "The cams against the crank"
CAM_KINDS = ("cam-offset", "wheel-shifted", "cam-wander", "cam-edge-absent")
# Cams off by amounts nearer to each other than this (or a quarter of it) moved together.
ALIKE_DEG = 4.0


def cams_section(analysis: Analysis, drawn: Pictures) -> Section:
    """Offset of each cam and the place of each edge; empty where no cam line shows a pattern."""
    cams = cam_edges.shown_cams(analysis)
    if not cams:
        return Section("cams", TITLE)
    shown = (drawn.cams,) if drawn.cams is not None else ()
    text = moved(analysis)
    said = [_sentence(analysis, text)] if text else []
    turned = [c.channel for c in cams if c.inverted]
    if turned:
        text = f"{listed(turned)}: the line is the other way up than the setup describes it; the edges are compared so."
        said.append(measured(analysis, text[0].upper() + text[1:]))
    return Section("cams", TITLE, tuple(said), shown, (_whole(analysis, cams), _edges(analysis, cams)))


def _sentence(analysis: Analysis, text: str) -> Sentence:
    ids = tuple(f.id for f in analysis.findings.found if f.stated and f.kind in CAM_KINDS)
    return Sentence(text, ids, ranges_of(analysis, ids)) if ids else measured(analysis, text)


# --- what moved against what -----------------------------------------------------------------------------------------


def moved(analysis: Analysis) -> str:
    """What moved against what in one sentence; empty where no cam could be compared with the setup."""
    judged = [c for c in cam_edges.shown_cams(analysis) if c.offset_deg is not None]
    if not judged:
        return ""
    off = [c for c in judged if abs(c.offset_deg or 0.0) > cam_edges.tolerance_deg(c)]
    if not off:
        return _in_place(analysis, judged)
    if not any(cam_edges.parked(c) for c in off):
        return (
            f"{_amounts(off)} against the setup, measured only while running, where a phaser may have moved "
            f"{'it' if len(off) == 1 else 'them'}."
        )
    if len(off) < len(judged):
        still = [c for c in judged if c not in off]
        are = "which is" if len(still) == 1 else "which are"
        return f"{_amounts(off)} against the crank wheel and against {listed(_names(still))}, {are} in place."
    return _all_off(analysis, off)


def _all_off(analysis: Analysis, off: list[Cam]) -> str:
    if _wheel_moved(analysis):
        return (
            f"{_amounts(off)} against the crank wheel, and TDC by compression with {_them(off)}: the wheel has moved "
            f"against crankshaft and cams; {_them(off)} {'has' if len(off) == 1 else 'have'} not moved against the "
            "crankshaft."
        )
    if len(off) == 1 or _alike(off):
        return (
            f"{_amounts(off)} against the crank wheel{'' if len(off) == 1 else ', together'}; {_told(analysis, off)}."
        )
    return f"{_amounts(off)} against the crank wheel, by different amounts: the cams have moved against each other."


def _wheel_moved(analysis: Analysis) -> bool:
    return any(f.kind == "wheel-shifted" and f.stated for f in analysis.findings.found)


def _told(analysis: Analysis, off: list[Cam]) -> str:
    """Whether TDC by compression says which of wheel and cams moved."""
    told = [f for f in analysis.findings.found if f.kind == "cam-offset" and f.evidence.get("tdc_in_place")]
    if told:
        return f"TDC by compression is in its place, so {_them(off)} moved and not the wheel"
    return f"whether {_them(off)} moved or the wheel, only TDC by compression could tell"


def _them(cams: list[Cam]) -> str:
    return "the cam" if len(cams) == 1 else "the cams"


def _in_place(analysis: Analysis, judged: list[Cam]) -> str:
    worst = max(judged, key=lambda c: abs(c.offset_deg or 0.0))
    size = degrees(abs(worst.offset_deg or 0.0))
    names = listed(_names(judged))
    tolerance = degrees(min(cam_edges.tolerance_deg(c) for c in judged))
    worst_one = f"{worst.channel}, " if len(judged) > 1 else ""
    most = f", {'the most ' if len(judged) > 1 else ''}{size} off ({worst_one}{tolerance} allowed)"
    head = "No cam has moved" if len(judged) > 1 else "The cam has not moved"
    text = f"{head} as a whole: {names} {'stand' if len(judged) > 1 else 'stands'} in place{most}"
    single = _single_edges(analysis, judged)
    return f"{text}, {'but ' + listed(single) if single else 'and so does each of the edges'}."


def _single_edges(analysis: Analysis, judged: list[Cam]) -> list[str]:
    """Edges out of their own place on a cam that stands in place, in words."""
    out = []
    for cam in judged:
        for row in cam_edges.rows_of(analysis, cam):
            if row.expected_deg is None:
                continue
            which = f"the {row.kind} edge of {cam.channel} due at {degrees(row.expected_deg)}"
            if row.found is None or row.late_deg is None:
                out.append(f"{which} is not seen")
            elif abs(row.late_deg) > cam_edges.tolerance_deg(cam):
                out.append(f"{which} comes {degrees(abs(row.late_deg))} {_way(row.late_deg)}")
    return out


def _names(cams: list[Cam]) -> list[str]:
    return [c.channel for c in cams]


def _alike(cams: list[Cam]) -> bool:
    angles = np.array([c.offset_deg for c in cams], dtype=np.float64)
    return float(np.ptp(angles)) < max(ALIKE_DEG, 0.25 * abs(float(np.median(angles))))


def _amounts(cams: list[Cam]) -> str:
    """``Cam in is 18° late``; cams off alike are told together."""
    offsets = [c.offset_deg or 0.0 for c in cams]
    if len(cams) > 1 and np.ptp(offsets) < 1.0:
        text = f"{listed(_names(cams))} stand {degrees(abs(float(np.median(offsets))))} {_way(offsets[0])}"
    else:
        text = listed([f"{c.channel} stands {degrees(abs(x))} {_way(x)}" for c, x in zip(cams, offsets, strict=True)])
    return text[0].upper() + text[1:]


def _way(offset_deg: float) -> str:
    return "late" if offset_deg > 0 else "early"


# --- tables ----------------------------------------------------------------------------------------------------------


def _whole(analysis: Analysis, cams: list[Cam]) -> Table:
    rows = tuple(_cam_row(c, _wheel_moved(analysis)) for c in cams)
    marked = tuple(
        i for i, c in enumerate(cams)
        if c.offset_deg is not None and abs(c.offset_deg) > cam_edges.tolerance_deg(c)
    )  # fmt: skip
    columns = ("Cam", "Bank", "Camshaft", "Offset", "Spread", "Allowed", "In chain teeth", "Running", "Cycles")
    caption = (
        "Each cam as a whole: offset positive when late, phaser parked (cranking, or the first turns), with its spread "
        "from cycle to cycle. In chain teeth: crank sprockets of common size of which whole teeth (360°/z each) make "
        f"up the offset. Running: where the cam is then, 90 in 100 cycles. {DASH} where the record or the setup does "
        "not tell."
    )
    return Table("cams", columns, rows, marked, caption)


def _cam_row(cam: Cam, wheel_moved: bool) -> tuple[str, ...]:
    spread, run = cam_edges.spread_deg(cam), cam_edges.running_range_deg(cam)
    known = cam.offset_deg is not None
    return (
        cam.channel,
        DASH if cam.bank is None else str(cam.bank),
        cam.camshaft or DASH,
        DASH if cam.offset_deg is None else _signed(cam.offset_deg),
        DASH if spread is None else f"{spread:.1f}°",
        f"{cam_edges.tolerance_deg(cam):g}°" if known else DASH,
        DASH if wheel_moved else _in_teeth(cam),
        DASH if run is None else f"{_signed(run[0])} to {_signed(run[1])}",
        str(cam.cycles),
    )


def _signed(angle_deg: float) -> str:
    """An angle with its sign; nothing that rounds to zero has one."""
    text = f"{angle_deg:+.1f}°"
    return "0.0°" if text in ("+0.0°", "-0.0°") else text


def _in_teeth(cam: Cam) -> str:
    """The offset in whole teeth of crank sprockets of common size, fitting ones together: ``1 tooth of 19, 20, 21``."""
    if cam.offset_deg is None or abs(cam.offset_deg) <= cam_edges.tolerance_deg(cam):
        return DASH
    by_teeth: dict[int, list[int]] = {}
    for teeth, z in cam_edges.chain_teeth(cam.offset_deg):
        by_teeth.setdefault(teeth, []).append(z)
    parts = [
        f"{plural(teeth, 'tooth', 'teeth')} of {', '.join(str(z) for z in sorted(sizes))}"
        for teeth, sizes in sorted(by_teeth.items())
    ]
    return "; ".join(parts) or "no whole teeth"


def _edges(analysis: Analysis, cams: list[Cam]) -> Table:
    rows: list[tuple[str, ...]] = []
    marked: list[int] = []
    compared = any(cam_edges.expected_edges(analysis, c) for c in cams)
    for cam in cams:
        for row in cam_edges.rows_of(analysis, cam):
            if row.late_deg is not None and abs(row.late_deg) > cam_edges.tolerance_deg(cam):
                marked.append(len(rows))
            cells = _edge_row(cam, row)
            rows.append(cells if compared else cells[:-2])
    reference = cam_edges.reference(analysis.engine.phase, facts_from(analysis.setup))
    columns = ("Cam", "Edge", "Found at", "Spread", "Seen", *(("Expected", "Late") if compared else ()))
    caption = f"Each edge over the cycle. Angles: {reference.rstrip('.')}. Seen: share of the cycles with the edge."
    caption += " Expected: by the setup, phaser parked." if compared else ""
    return Table("cam-edges", columns, tuple(rows), tuple(marked), caption)


def _edge_row(cam: Cam, row: cam_edges.CamRow) -> tuple[str, ...]:
    found = row.found
    return (
        cam.channel,
        row.kind,
        "not seen" if found is None else f"{found.angle_deg:.1f}°",
        DASH if found is None else f"{found.sd_deg:.1f}°",
        DASH if found is None else f"{100.0 * found.present:.0f} %",
        DASH if row.expected_deg is None else f"{row.expected_deg:.1f}°",
        DASH if row.late_deg is None else _signed(row.late_deg),
    )
