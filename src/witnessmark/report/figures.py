"""The report's pictures, each with the sentence that says what it shows. matplotlib is loaded when drawing begins."""

from __future__ import annotations

from dataclasses import dataclass

from witnessmark.report import collect
from witnessmark.report.cam_edges import expected_edges, shown_cams
from witnessmark.report.draw_strip import View, strip
from witnessmark.report.model import Analysis, Picture, Sentence
from witnessmark.report.words import KINDS, TOOTH_KINDS, degrees, plural, wheel_words


@dataclass(frozen=True)
class Pictures:
    """The pictures there was something to draw for."""

    strip: Picture | None = None
    turn_map: Picture | None = None
    wheel: Picture | None = None
    attempts: Picture | None = None
    cams: Picture | None = None


def pictures(analysis: Analysis) -> Pictures:
    """All pictures of one analysis as self-contained SVG."""
    return Pictures(_strip(analysis), _turn_map(analysis), _wheel(analysis), _attempts(analysis), _cams(analysis))


def _strip(analysis: Analysis) -> Picture | None:
    drawn = strip(analysis)
    if drawn is None:
        return None
    finding, views = drawn.finding, drawn.views
    if finding is None:
        where = "around the start of a turn" if views[0].turn is not None else "in the middle of the record"
        caption = f"The crank signal {where}; teeth are numbered above the trace."
        basis_text = Sentence(caption, (), drawn.ranges, "measurement" if views[0].turn is not None else "record")
        return Picture("strip", drawn.svg, basis_text)
    if finding.kind in TOOTH_KINDS and finding.slot is not None and views[0].due_s is not None:
        first, second = _view_words(views[0], finding.slot), _view_words(views[1], finding.slot) if views[1:] else ""
        caption = f"Above: {first}. Below: {second}." if second else f"{first[0].upper()}{first[1:]}."
    else:
        turn = f" in turn {views[0].turn + 1}" if views[0].turn is not None else ""
        caption = f"The crank signal{turn}, at {views[0].start_s:.4f} s: {KINDS[finding.kind]}."
    return Picture("strip", drawn.svg, Sentence(caption, (finding.id,), drawn.ranges))


def _view_words(view: View, slot: int) -> str:
    at = f" at {view.speed_rpm:.0f} rpm" if view.speed_rpm is not None else ""
    which = f"turn {view.turn + 1}" if view.turn is not None else "a turn"
    if view.weak:
        return f"{which}{at}, where slot {slot}'s pulse stays under a control unit's nominal threshold"
    if view.late_deg is not None:
        way = "late" if view.late_deg > 0 else "early"
        return f"{which}{at}: slot {slot}'s edge comes {degrees(abs(view.late_deg), 2)} {way} on average of all turns"
    return f"{which}{at}, where slot {slot} " + ("gives its edge" if view.seen else "is due and gives no edge")


def _turn_map(analysis: Analysis) -> Picture | None:
    from witnessmark.report.draw_turn_map import turn_map

    drawn = turn_map(analysis)
    if drawn is None:
        return None
    found = [
        f
        for f in collect.stated(analysis)
        if f.kind in (*TOOTH_KINDS, "edges-dropped", "edges-spurious", "signal-lost")
    ]
    counts = f"{plural(drawn.missed, 'missing edge')} and {plural(drawn.extra, 'extra edge')}"
    lead = "Each turn from left to right, slots upwards; grey: edge seen, cross or square: missing, triangle: extra"
    lead += ", diamond: displaced" if any(f.kind == "tooth-displaced" for f in found) else ""
    lead += f", hollow square: pulse under a control unit's nominal threshold ({drawn.weak})" if drawn.weak else ""
    lead += ", dot: missing but not counted, at a start-up or run-down" if drawn.apart else ""
    shared = f"; one mark stands for up to {drawn.per_mark} turns" if drawn.per_mark > 1 else ""
    if found:
        reading = "a level line is a fault that turns with the wheel, scattered or upright marks are not"
        caption = f"{lead} ({counts}{shared}): {reading}."
        return Picture(
            "turn-map",
            drawn.svg,
            Sentence(caption, tuple(f.id for f in found), tuple(r for f in found for r in f.ranges)),
        )
    return Picture(
        "turn-map",
        drawn.svg,
        Sentence(f"{lead} ({counts}{shared}).", (), collect.decoded_ranges(analysis), "measurement"),
    )


def _wheel(analysis: Analysis) -> Picture | None:
    from witnessmark.report.draw_wheel import wheel_picture

    svg = wheel_picture(analysis)
    if svg is None or analysis.wheel.layout is None:
        return None
    suspects = set(collect.suspects(analysis))
    spots = [w for w in analysis.whereabouts if w.slot in suspects]
    name = wheel_words(analysis.wheel.layout.name)
    if not spots:
        caption = f"The {name} drawn to angle with slot 1 under the sensor; no tooth of it is suspected."
        return Picture("wheel", svg, Sentence(caption, (), collect.decoded_ranges(analysis), "measurement"))
    ids = tuple(f.id for f in collect.stated(analysis) if f.slot in suspects)
    ranges = tuple(r for f in collect.stated(analysis) if f.slot in suspects for r in f.ranges)
    moves = ", ".join(f"slot {w.slot} by {degrees(w.angle_from_slot1_deg)}" for w in spots[:3])
    caption = f"The {name} with slot 1 under the sensor: to reach the sensor, bar {moves} in the normal direction."
    return Picture("wheel", svg, Sentence(caption, ids, ranges))


def _attempts(analysis: Analysis) -> Picture | None:
    from witnessmark.report.draw_attempts import attempts_picture

    svg = attempts_picture(analysis)
    if svg is None:
        return None
    attempts = analysis.engine.attempts
    ran = sum(a.started for a in attempts)
    if attempts:
        caption = (
            f"Speed over the whole record with {plural(len(attempts), 'start attempt')} (shaded), of which {ran} ran."
        )
    else:
        caption = "Speed over the whole record; it holds no start attempt."
    return Picture("attempts", svg, Sentence(caption, (), collect.decoded_ranges(analysis), "measurement"))


def _cams(analysis: Analysis) -> Picture | None:
    from witnessmark.report.draw_cams import cams_picture

    svg = cams_picture(analysis)
    if svg is None:
        return None
    expected = any(expected_edges(analysis, c) for c in analysis.engine.cams)
    lead = "Each cam line over one cycle as found (ink: the line is high where the trace is high"
    marks = "; diamond: where the setup expects the edge, pale: its tolerance; square: outside it; cross: not seen"
    caption = f"{lead}{marks if expected else ''})."
    ranges = tuple(r for c in shown_cams(analysis) for r in collect.whole_record(analysis, c.channel))
    return Picture("cams", svg, Sentence(caption, (), ranges, "measurement"))
