"""The wheel drawn to angle: its teeth as designed, each as it was seen, the suspects and how far to bar to them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from witnessmark.report import collect
from witnessmark.report.analysis_json import teeth as teeth_json
from witnessmark.report.compose_parts import where_text
from witnessmark.report.where import CAUTIONS, slot_angle_deg, tdc_angle_deg, tooth_number
from witnessmark.report.words import KINDS, degrees, plural, wheel_words
from witnessmark.workbench.views.arrays import number

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis, Whereabouts
    from witnessmark.wheel.model import Layout

WIDEST_DEG = 20.0  # a tooth whose width is not known is drawn half a pitch wide, and no wider than this


def wheel_view(analysis: Analysis) -> dict[str, Any]:
    """Angles in crank degrees from slot 1's marking edge, in the direction of rotation; why not without a wheel."""
    wheel = analysis.wheel
    layout = wheel.layout
    if layout is None:
        return {"why_not": wheel.why_not or "the wheel could not be decoded", "undecidable": wheel.undecidable}
    tdc = tdc_angle_deg(wheel, analysis.engine, analysis.setup)
    return {
        "why_not": "",
        "undecidable": wheel.undecidable,
        "name": wheel_words(layout.name),
        "source": wheel.source,
        "belief": number(wheel.belief, 6),
        "channel": wheel.channel,
        "slots": int(layout.slots),
        "missing": [int(s) for s in layout.missing],
        "slot_reference": wheel.slot_reference,
        "widths_known": layout.widths_deg is not None,
        "teeth": _teeth(analysis, layout),
        "tdc": None if tdc is None else {"angle_deg": number(tdc[0]), "words": tdc[1]},
        "spots": [_spot(layout, w) for w in analysis.whereabouts],
        "cautions": list(CAUTIONS),
        "alternatives": [
            {"name": wheel_words(a.layout.name), "probability": number(a.probability, 6), "because": a.because}
            for a in wheel.alternatives
        ],
        "says": _says(analysis, layout),
    }


def _teeth(analysis: Analysis, layout: Layout) -> list[dict[str, Any]]:
    """Every slot of the design as the analysis has it, with its angle, its drawn width and what is said of it."""
    drawn = dict(zip(layout.tooth_slots, range(len(layout.teeth_deg)), strict=True))
    said: dict[int, list[tuple[str, str, bool]]] = {}
    for finding in collect.by_weight(analysis):
        if finding.slot is not None:
            said.setdefault(finding.slot, []).append((finding.id, KINDS[finding.kind], finding.stated))
    out = []
    for tooth in teeth_json(analysis.wheel, layout):
        slot = tooth["slot"]
        width = min(layout.pitch_deg / 2.0, WIDEST_DEG)
        if slot in drawn and layout.widths_deg is not None:
            width = layout.widths_deg[drawn[slot]]
        out.append(
            {
                **tooth,
                "angle_deg": number(layout.teeth_deg[drawn[slot]] if slot in drawn else slot_angle_deg(layout, slot)),
                "width_deg": number(width),
                "findings": [f for f, _, _ in said.get(slot, [])],
                "said": [words if stated else f"hint: {words}" for _, words, stated in said.get(slot, [])],
                "suspect": any(stated for _, _, stated in said.get(slot, [])),
            }
        )
    return out


def _spot(layout: Layout, spot: Whereabouts) -> dict[str, Any]:
    """The barring guide of one suspect slot."""
    return {
        "slot": int(spot.slot),
        "angle_deg": number(spot.angle_from_slot1_deg),
        "angle_atdc_deg": number(spot.angle_atdc_deg),
        "instead_of": spot.instead_of,
        "tooth": tooth_number(layout, spot.slot),
        "guides": [{"reference": reference, "bar_deg": number(bar)} for reference, bar in spot.guides],
        "says": where_text(spot),
    }


def _says(analysis: Analysis, layout: Layout) -> str:
    name = wheel_words(analysis.wheel.layout.name) if analysis.wheel.layout is not None else ""
    suspects = collect.suspects(analysis)
    spots = [w for w in analysis.whereabouts if w.slot in suspects and w.instead_of is None]
    head = f"The {name} drawn to angle, slot 1 under the sensor, normal rotation clockwise"
    if not spots:
        return (
            f"{head}: nothing stands out, no tooth of {plural(len(layout.teeth_deg), 'tooth', 'teeth')} is suspected."
        )
    moves = ", ".join(f"{degrees(w.angle_from_slot1_deg)} for slot {w.slot}" for w in spots[:3])
    return f"{head}. To bring the suspect under the sensor from there, bar in the normal direction: {moves}."
