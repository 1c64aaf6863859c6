"""What the analysis of a good recording teaches about engines of its kind."""

from __future__ import annotations

import os
from datetime import UTC, datetime

import numpy as np

from witnessmark import __version__
from witnessmark.engine.model import Cam
from witnessmark.errors import BadRecording, BadSetup
from witnessmark.findings.model import Finding
from witnessmark.learn.model import Lesson, Plain, Table, Value
from witnessmark.learn.teeth import Teeth, teeth_of
from witnessmark.report.model import Analysis
from witnessmark.report.words import listed, wheel_words
from witnessmark.signals.model import Line
from witnessmark.signals.role_words import hint
from witnessmark.wheel.model import Layout

# Fewer turns teach an accident of one turn as if it were the design (common practice, no source).
LEAST_TURNS = 6.0
# A role that was inferred less surely is left to be inferred again.
SURE_ROLE = 0.6
# A cam line is learnt from this many working cycles on, each edge seen in this share of them.
LEAST_CYCLES, SURE_PRESENT = 3, 0.9
# Cam edges that scatter more than a healthy chain's wander are no pattern to judge others by (memory: 2 to 3 degrees).
MOST_SPREAD_DEG = 4.0
# How far a good engine's cam may stand off the learnt place: chain and parts of another engine of the kind (memory:
# whole cam edge chain 2 to 3 crank degrees); the same engine comes back to within its own spread.
KIND_TOLERANCE_DEG, SAME_TOLERANCE_DEG = 3.0, 1.5
# Valve events by pressure against those of another engine of the kind (common practice: a known twin, 5 degrees).
VALVES_TOLERANCE_DEG, VALVES_RPM = 5.0, 450.0
DEVIATIONS = 3.0  # standard deviations within a tolerance
BELIEVED = 0.9  # a design less probable than this is open
CAM_KINDS = ("cam-offset", "cam-wander", "cam-edge-absent", "cam-signal-lost")


def learn(analysis: Analysis, *, same_engine: bool = False) -> Lesson:
    """The setup this recording teaches. Raises BadRecording (one line) where there is nothing to learn."""
    layout = analysis.wheel.layout
    where = analysis.recording.path
    if layout is None:
        why = analysis.wheel.why_not or "no wheel pattern stands out"
        raise BadRecording(
            f"{where}: the crank wheel could not be decoded ({why}), so there is nothing to learn; "
            "give a recording of a good engine turning for ten turns or more"
        )
    turns = analysis.wheel.angle.turns
    if turns < LEAST_TURNS:
        raise BadRecording(
            f"{where}: only {turns:.1f} turns were decoded, at least {LEAST_TURNS:g} are needed to learn from; "
            "record the engine cranking and running for longer"
        )
    if analysis.setup.learnt is not None or layout.learnt_deg is not None or layout.learnt_amplitude is not None:
        raise BadSetup(
            f"{analysis.setup_path}: a base setup that was learnt itself would be taken off what is learnt now; give "
            "one written by hand, or none"
        )
    stated = [f for f in analysis.findings.found if f.stated and not f.kind.startswith("record-")]
    hints = [f for f in analysis.findings.found if not f.stated]
    teeth = teeth_of(analysis, same_engine, frozenset(f.slot for f in stated if f.slot is not None))
    wheel, left_out = _wheel(analysis, layout, teeth)
    cams, without = _cams(analysis, same_engine, stated)
    against = [_fault(f) for f in stated] + _open_design(analysis)
    tables = [_vehicle(analysis), _engine(analysis), wheel, *cams, *_channels(analysis)]
    tables.append(_origin(analysis, same_engine, against))
    return Lesson(
        tables=tuple(t for t in tables if t.values),
        head=_head(analysis, same_engine, against),
        believed=tuple(_believed(analysis, layout, teeth, cams, same_engine)),
        stated=tuple(against),
        hints=tuple(_fault(f) for f in hints),
        left_out=(*left_out, *without),
    )


def _fault(finding: Finding) -> str:
    return f"{finding.kind}: {finding.statement.rstrip('.')} (confidence {finding.confidence:.2f})"


def _open_design(analysis: Analysis) -> list[str]:
    """A design that the record leaves open is no knowledge to hand on without a look at the wheel."""
    wheel = analysis.wheel
    if wheel.source == "setup":
        return []
    if wheel.undecidable:
        return [f"design open: {wheel.undecidable.rstrip('.')}"]
    if wheel.belief < BELIEVED:
        others = listed([f"{a.layout.name} ({a.probability:.2f})" for a in wheel.alternatives[:3]])
        return [f"design open: the wheel is believed with {wheel.belief:.2f} only, it could also be {others}"]
    return []


# --- tables ----------------------------------------------------------------------------------------------------------


def _given(table: str, analysis: Analysis) -> dict[str, Plain]:
    """What the base setup says in a table."""
    said: dict[str, dict[str, Plain]] = analysis.setup.model_dump(exclude_unset=True, exclude_none=True)
    return dict(said.get(table) or {})


def _vehicle(analysis: Analysis) -> Table:
    """Only what is true of every engine of the kind: no number, no complaint, no codes."""
    said = analysis.setup.vehicle.description
    return Table("vehicle", () if said is None else (Value("description", said),))


def _engine(analysis: Analysis) -> Table:
    given = _given("engine", analysis)
    values = [Value(k, v, "as the base setup says") for k, v in given.items()]
    counted = analysis.engine.counted
    if counted is not None and counted.source == "inferred" and counted.of_even:  # uneven firing needs its angles too
        values.append(Value("cylinders", counted.of_even, counted.because))
    if not given.keys() & {"exhaust_opens_deg", "intake_closes_deg"}:
        values += _valves(analysis)
    return Table("engine", tuple(values))


def _valves(analysis: Analysis) -> list[Value]:
    """Valve timing by the pressure in a cylinder, cranked (the phasers stand parked); nothing where it is in doubt."""
    accused = {f.channel for f in analysis.findings.found if f.stated}
    for p in analysis.engine.pressures:
        opens, closes = p.exhaust_opens, p.intake_closes
        seen = min((e.cycles for e in (opens, closes) if e is not None), default=0)
        slow = p.rpm is not None and p.rpm < VALVES_RPM
        if opens is None or closes is None or seen < LEAST_CYCLES or not slow or p.channel in accused:
            continue
        note = f"{p.channel}: {p.used} compressions at {p.rpm:.0f} rpm"
        return [
            Value("exhaust_opens_deg", round(opens.deg, 1), f"{note}, spread {opens.sd_deg:.1f}"),
            Value("intake_closes_deg", round(closes.deg + 720.0, 1), f"spread {closes.sd_deg:.1f}"),
            Value("valve_tolerance_deg", VALVES_TOLERANCE_DEG, "another engine of the kind"),
        ]
    return []


def _wheel(analysis: Analysis, layout: Layout, teeth: Teeth) -> tuple[Table, list[str]]:
    w = analysis.wheel
    how = "as the base setup says" if w.source == "setup" else f"inferred, probability {w.belief:.2f}"
    how = f"{how}; {w.angle.turns:.1f} turns"
    values: list[Value] = []
    if layout.regular:
        values += [Value("slots", layout.slots, how), Value("missing", tuple(layout.missing))]
    else:
        drawn = np.asarray(layout.teeth_deg)
        values.append(Value("teeth_deg", _rounded(drawn, 2), how))
        if layout.widths_deg is not None:
            values.append(Value("widths_deg", _rounded(np.asarray(layout.widths_deg), 2)))
    values.append(Value("edge", "rising" if w.marking_rising else "falling"))
    tdc, left_out = _tdc(analysis, layout)
    values += tdc
    if teeth.error_deg is not None:
        note = f"degrees late by tooth from slot 1, known to {teeth.se_deg:.3f}"
        values.append(Value("teeth_error_deg", _rounded(teeth.error_deg, 3), note))
    if teeth.tolerance_deg is not None:
        values.append(Value("teeth_tolerance_deg", round(teeth.tolerance_deg, 3), "one standard deviation"))
    if teeth.amplitude is not None:
        values.append(Value("teeth_amplitude", _rounded(teeth.amplitude, 3), "of the median tooth's pulse"))
    if teeth.runout is not None:
        values.append(Value("runout_deg", round(teeth.runout[0], 3), f"known to {teeth.runout[2]:.3f}"))
        values.append(Value("runout_phase_deg", round(teeth.runout[1] % 360.0, 1) % 360.0))
    if teeth.why_not:
        left_out.append(f"The single teeth's errors: {teeth.why_not}; ten turns of steady running would tell them.")
    return Table("crank_wheel", tuple(values)), left_out


def _tdc(analysis: Analysis, layout: Layout) -> tuple[list[Value], list[str]]:
    """Slot at cylinder 1's TDC, where it can be known; else what is missing."""
    said, phase = analysis.setup.crank_wheel, analysis.engine.phase
    if said is not None and said.tdc_slot is not None and phase.tdc_source == "setup":
        values = [Value("tdc_slot", said.tdc_slot, "as the base setup says")]
        if said.tdc_tolerance_deg is not None:
            values.append(Value("tdc_tolerance_deg", said.tdc_tolerance_deg))
        return values, []
    if layout.periods > 1:
        return [], ["The TDC slot: the wheel repeats within a turn, so no slot is unique."]
    if not phase.known or phase.tdc_deg is None or phase.tdc_doubt_deg is None:
        need = "no line tells cylinder 1's TDC; record coil 1, or give tdc_slot in a base setup"
        return [], [f"The TDC slot, and with it the cam edges: {need}."]
    slot = slot_at(layout, phase.tdc_deg % 360.0)
    doubt = min(max(phase.tdc_doubt_deg, 0.1), 30.0)
    source = "ripple of cranking" if phase.tdc_source == "ripple" else f"{phase.tdc_source} line"
    note = f"from the {source}, good to {doubt:g} degrees"
    return [Value("tdc_slot", round(slot, 3), note), Value("tdc_tolerance_deg", round(doubt, 1))], []


def slot_at(layout: Layout, deg: float) -> float:
    """Fractional slot position whose marking edge passes ``deg`` after slot 1's."""
    if layout.regular:
        return 1.0 + (deg % 360.0) / layout.pitch_deg
    teeth = np.append(np.asarray(layout.teeth_deg), layout.teeth_deg[0] + 360.0)
    return float(np.interp(deg % 360.0, teeth, np.arange(1, teeth.size + 1)))


def _cams(analysis: Analysis, same_engine: bool, stated: list[Finding]) -> tuple[list[Table], list[str]]:
    """One table for each cam line whose edges are known, and why the others are not learnt."""
    given = {row["channel"]: row for row in _rows("cam_wheel", analysis) if "channel" in row}
    faulty = {f.channel for f in stated if f.kind in CAM_KINDS}
    tables, without = [], []
    for cam in analysis.engine.cams:
        line = analysis.signals.line(cam.channel)
        base = next((given[n] for n in (line.name, line.label, str(line.info.position)) if n in given), {})
        why = "a fault of it is stated" if cam.channel in faulty else _unfit(analysis, cam, base)
        if why:
            kept = "; the base setup's edges are kept" if base else ""
            without.append(f"The edges of {cam.channel}: {why}{kept}.")
            if base:
                tables.append(Table("cam_wheel", tuple(Value(k, v) for k, v in base.items()), True))
            continue
        tables.append(Table("cam_wheel", tuple(_cam_values(cam, base, same_engine)), True))
    named = {v.value for t in tables for v in t.values if v.key == "channel"}
    tables += [
        Table("cam_wheel", tuple(Value(k, v) for k, v in row.items()), True)
        for name, row in given.items()
        if name not in named
    ]
    return tables, without


def _rows(table: str, analysis: Analysis) -> list[dict[str, Plain]]:
    said = analysis.setup.model_dump(exclude_unset=True, exclude_none=True)
    return [dict(row) for row in said.get(table) or ()]


def _unfit(analysis: Analysis, cam: Cam, base: dict[str, Plain]) -> str:
    """Why a cam line teaches nothing; empty where it does."""
    phase = analysis.engine.phase
    if not (phase.known and phase.turn_known) or analysis.setup.engine.strokes == 2:
        return "cylinder 1's firing TDC is not known"
    if cam.cycles < LEAST_CYCLES or not cam.edges:
        return f"{cam.cycles} working cycles are too few"
    if base.get("phaser_range_deg") and not analysis.engine.attempts:
        return "the engine runs from the start of the record on, so the phaser need not stand parked"
    if any(e.present < SURE_PRESENT for e in cam.edges):
        return "not every edge comes in every cycle"
    if max(e.sd_deg for e in cam.edges) > MOST_SPREAD_DEG:
        return f"they scatter by {max(e.sd_deg for e in cam.edges):.1f} degrees"
    angles = [round(e.angle_deg, 2) % 720.0 for e in cam.edges]
    return "two edges stand at one angle" if len(set(angles)) < len(angles) else ""


def _cam_values(cam: Cam, base: dict[str, Plain], same_engine: bool) -> list[Value]:
    spread = max(e.sd_deg for e in cam.edges)
    least = SAME_TOLERANCE_DEG if same_engine else KIND_TOLERANCE_DEG
    tolerance = float(np.hypot(least, DEVIATIONS * spread / np.sqrt(cam.cycles)))
    edges = tuple((round(e.angle_deg, 2) % 720.0, e.kind) for e in cam.edges)
    values = [Value("channel", cam.channel)]
    bank, shaft = base.get("bank", cam.bank), base.get("camshaft", cam.camshaft)
    values += [Value("bank", bank)] if bank is not None else []
    values += [Value("camshaft", shaft)] if shaft is not None else []
    spreads = ", ".join(f"{e.sd_deg:.2f}" for e in cam.edges)
    values.append(Value("edges_deg", edges, f"{cam.cycles} cycles; spread of each {spreads} degrees"))
    values.append(Value("tolerance_deg", round(tolerance, 1), "parts of another engine of the kind in it" if not
                        same_engine else "the same engine's return"))  # fmt: skip
    if "phaser_range_deg" in base:
        values.append(Value("phaser_range_deg", base["phaser_range_deg"], "as the base setup says"))
    return values


def _channels(analysis: Analysis) -> list[Table]:
    """One table for each line whose role is known; what the base setup says of it stays."""
    out = []
    for line in analysis.signals.lines:
        said = analysis.setup.channel_for(line.name, line.info.position)
        base: dict[str, Plain] = {} if said is None else said.model_dump(exclude_unset=True, exclude_none=True)
        if said is None and (line.role == "other" or line.role_confidence < SURE_ROLE):
            continue
        out.append(Table("channel", tuple(_channel_values(line, base)), True))
    return out


def _channel_values(line: Line, base: dict[str, Plain]) -> list[Value]:
    how = "" if line.role_source == "setup" else f"inferred, {line.role_confidence:.2f}: {line.role_reason}"
    values = [Value("name", base.pop("name", line.name)), Value("role", base.pop("role", line.role), how)]
    if line.role in ("crank", "cam"):
        values.append(Value("sensor", base.pop("sensor", line.sensor)))
    if line.cylinder is not None and "cylinder" not in base:
        values.append(Value("cylinder", line.cylinder))
    if line.bank is not None and "bank" not in base:
        values.append(Value("bank", line.bank))
    return values + [Value(k, v) for k, v in base.items()]


def _origin(analysis: Analysis, same_engine: bool, against: list[str]) -> Table:
    values = [
        Value("recording", os.path.basename(analysis.recording.path)),
        Value("turns", round(analysis.wheel.angle.turns, 1)),
        Value("same_engine", same_engine),
    ]
    if against:
        values.append(Value("despite", tuple(a.split(" (confidence")[0] for a in against)))
    return Table("learnt", tuple(values))


# --- words -----------------------------------------------------------------------------------------------------------


def _head(analysis: Analysis, same_engine: bool, against: list[str]) -> tuple[str, ...]:
    when = datetime.now(UTC).strftime("%Y-%m-%d")
    whom = "this one engine" if same_engine else "the kind of engine"
    lines = [
        f"Setup of {whom} in {os.path.basename(analysis.recording.path)}, learnt by witnessmark {__version__} "
        f"on {when}.",
        f"From {analysis.wheel.angle.turns:.1f} turns in {analysis.recording.duration_s:.1f} s; behind each value "
        "stands what it rests on.",
        "A recording shows a wheel, not its drawing: what was wrong with it, and nobody saw, stands here as if drawn.",
    ]
    if against:
        lines.append("Learnt although these were seen in it:")
        lines += [f"  {a}" for a in against]
    return tuple(lines)


def _believed(analysis: Analysis, layout: Layout, teeth: Teeth, cams: list[Table], same_engine: bool) -> list[str]:
    w = analysis.wheel
    source = "named by the base setup" if w.source == "setup" else f"inferred, probability {w.belief:.2f}"
    out = [f"Crank wheel: {wheel_words(layout.name)} on channel {w.channel}, {source}, {w.angle.turns:.1f} turns."]
    others = [f"{a.layout.name} ({a.probability:.2f})" for a in w.alternatives if a.probability >= 0.005][:3]
    if others:
        out.append(f"It could also be {listed(others)}.")
    if teeth.error_deg is not None:
        worst = int(np.argmax(np.abs(teeth.error_deg)))
        what = "Teeth's own errors" if same_engine else "Teeth beside a gap, shifted by the sensor's field"
        out.append(
            f"{what}: largest {teeth.error_deg[worst]:+.2f} degrees at slot {layout.tooth_slots[worst]}, "
            f"known to {teeth.se_deg:.3f}."
        )
    for table in cams:
        by_key = {v.key: v for v in table.values}
        if "edges_deg" in by_key:
            edges = by_key["edges_deg"]
            count = len(edges.value) if isinstance(edges.value, tuple) else 0
            note = f" ({edges.note})" if edges.note else ""
            out.append(f"Cam line {by_key['channel'].value}: {count} edges{note}.")
    roles = listed([f"{line.name} ({line.role})" for line in analysis.signals.lines if line.role != "other"])
    out.append(f"Channels: {roles}.")
    unnamed = [line.name for line in analysis.signals.lines if line.role_source == "inferred" and _says_nothing(line)]
    if unnamed:
        them = f"{listed(unnamed)} {'says' if len(unnamed) == 1 else 'say'}"
        out.append(f"The name of {them} nothing: that role holds where the next recording is hooked up alike.")
    return out


def _says_nothing(line: Line) -> bool:
    return line.role != "other" and line.role_confidence >= SURE_ROLE and hint(line.name) is None


def _rounded(values: np.ndarray, digits: int) -> tuple[float, ...]:
    return tuple(round(float(v), digits) + 0.0 for v in values)
