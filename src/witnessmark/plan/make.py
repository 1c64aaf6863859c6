"""A plan for one test, from what is known of the engine and which causes are still open."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from witnessmark.causes.catalogue import Knowledge, load_knowledge
from witnessmark.causes.engines import EngineFacts, engine_facts
from witnessmark.causes.ids import MEASUREMENT, NONE_FOUND, NONE_OF_THESE
from witnessmark.causes.model import Share
from witnessmark.causes.next_test import shows_per_turn
from witnessmark.causes.observations import find_test
from witnessmark.causes.weigh import Context
from witnessmark.plan import amounts
from witnessmark.plan.catalogue import Capture, Lead, PlanKnowledge, State, load_plan_knowledge
from witnessmark.plan.expect import OF_EDGES, Engine, pictures
from witnessmark.plan.model import Plan, PlannedLine
from witnessmark.recording.setup import Setup
from witnessmark.report.model import Analysis
from witnessmark.report.words import ROLES

# What every capture warns of, by what the engine does meanwhile, whatever else the test warns of.
WHILE: dict[State, tuple[str, ...]] = {"cranking": ("rotation", "battery"), "running": ("rotation", "exhaust")}
OPEN_ABOVE = 0.02  # a cause below this is not worth a picture
PICTURED = 3
BELONGING = frozenset({"sensor-supply", "sensor-ground", "second-tap"})
USUAL = {"slots": 60, "missing": [59, 60]}  # where neither setup nor record tells the wheel
# Half wave at 200 rpm, generously: 0.3 to 2 V peak to peak while cranking (common practice), more beside a gap.
VR_PEAK_V = 2.5
RANGES_V = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)


@dataclass(frozen=True, slots=True)
class Told:
    """What a plan is made from.

    sensor, cam_sensor: kind where known. wheel: as in the setup. open_causes: most probable first. slot: the suspect.
    shows_per_turn: share of the turns in which the fault shows, where counted.
    """

    setup: Setup
    sensor: Literal["hall", "vr"] | None = None
    cam_sensor: Literal["hall", "vr"] | None = None
    cylinders: int | None = None
    wheel: dict[str, Any] | None = None
    open_causes: tuple[Share, ...] = ()
    slot: int | None = None
    shows_per_turn: float | None = None


def told_by(setup: Setup, analysis: Analysis | None = None) -> Told:
    """What the setup says, and what an analysis adds."""
    wheel = _setup_wheel(setup)
    kinds = {c.role: c.sensor for c in setup.channel if c.sensor in ("hall", "vr")}
    sensor, cam, count = kinds.get("crank"), kinds.get("cam"), setup.engine.cylinder_count
    if analysis is None:
        return Told(setup, sensor, cam, count, wheel)
    lines = {line.role: line.sensor for line in reversed(analysis.signals.lines) if line.sensor in ("hall", "vr")}
    layout = analysis.wheel.layout
    if wheel is None and layout is not None:
        wheel = (
            {"slots": layout.slots, "missing": list(layout.missing)}
            if layout.regular
            else {"teeth_deg": list(layout.teeth_deg)}
        )
    causes = tuple(
        Share(c.id, c.probability, c.with_)
        for c in sorted(analysis.verdict.causes, key=lambda c: -c.probability)
        if c.id not in (NONE_FOUND, NONE_OF_THESE) and c.probability >= OPEN_ABOVE
    )
    slots = [f.slot for f in analysis.findings.found if f.stated and f.slot is not None]
    context = Context(turns=analysis.wheel.angle.turns if layout is not None else None)
    return Told(
        setup=setup,
        sensor=sensor or lines.get("crank"),
        cam_sensor=cam or lines.get("cam"),
        cylinders=count or analysis.engine.cylinders,
        wheel=wheel,
        open_causes=causes,
        slot=slots[0] if slots else None,
        shows_per_turn=shows_per_turn(analysis.findings, context),
    )


def _setup_wheel(setup: Setup) -> dict[str, Any] | None:
    said = setup.crank_wheel
    if said is None or (said.slots is None and not said.teeth_deg):
        return None
    tdc = {} if said.tdc_slot is None else {"tdc_slot": said.tdc_slot}
    if said.teeth_deg:
        widths = {} if not said.widths_deg else {"widths_deg": list(said.widths_deg)}
        return {"teeth_deg": list(said.teeth_deg), **widths, **tdc}
    return {"slots": said.slots, "missing": list(said.missing or ()), **tdc}


def plan_for(
    test: str,
    told: Told,
    *,
    with_pictures: bool = True,
    knowledge: Knowledge | None = None,
    captures: PlanKnowledge | None = None,
) -> Plan:
    """The capture for one test; without lines where the test needs no recording.

    Raises BadObservation (one line) for a test that is not in the catalogue.
    """
    known, leads = knowledge or load_knowledge(), captures or load_plan_knowledge()
    row = find_test(test, known, "plan")
    facts = engine_facts(told.setup, told.cylinders)
    wording = next((w for w in row.wording if w.engine.fits(facts)), None)
    statement = row.statement if wording is None else wording.statement
    dangers = list(row.cautions if wording is None or wording.cautions is None else wording.cautions)
    capture = leads.capture_of(test)
    equipment = tuple(known.equipment[e] for e in row.equipment)
    filled = statement.replace("{slot}", str(told.slot or "the one suspected"))
    filled = filled.replace("{channel}", "the crank line").replace("{needs}", "")
    if capture is None:
        cautions = known.caution_texts(dangers, facts)
        return Plan(test, filled, (), None, 0.0, 0.0, 0.0, 0, 0.0, 0, 0.0, "", "", (), cautions, equipment, ())
    dangers += [c for c in WHILE[capture.state] if c not in dangers]
    lines, left_out = _lines(capture, told, facts, leads)
    for line in lines:
        dangers += [c for c in leads.lead_of(line.role, line.sensor or None).cautions if c not in dangers]
    engine, assumed = _engine(told)
    names = [(c, _name(c, known)) for c in _pictured(told, row.chance)]
    drawn = pictures(engine, lines, capture.state, _drawn_rpm(capture), names, leads) if with_pictures else ()
    return _planned(test, filled, capture, lines, told, known.caution_texts(dangers, facts), equipment, drawn,
                    left_out, assumed)  # fmt: skip


def _planned(
    test: str,
    statement: str,
    capture: Capture,
    lines: tuple[PlannedLine, ...],
    told: Told,
    cautions: tuple[str, ...],
    equipment: tuple[str, ...],
    drawn: tuple[Any, ...],
    left_out: tuple[str, ...],
    assumed: tuple[str, ...],
) -> Plan:
    """The amounts: rate, turns, attempts, length."""
    rate = max(line.rate_hz for line in lines)
    turns = amounts.turns_for(capture.turns, told.shows_per_turn)
    cranked = capture.state == "cranking"
    turning_s = max(60.0 * turns / (amounts.CRANKING_RPM if cranked else amounts.IDLE_RPM), capture.seconds or 0.0)
    attempts = amounts.attempts_for(turning_s, capture.attempts) if cranked else 0
    fine = amounts.deg_per_sample(rate, capture.up_to_rpm)
    seldom = told.shows_per_turn is not None and turns > capture.turns
    share = f"{100.0 * told.shows_per_turn:.2g} %" if told.shows_per_turn is not None else ""
    why_turns = (
        f"the fault showed in {share} of the turns, and {turns} show it at least once with 95 %"
        if seldom
        else f"a fault that shows in {100.0 * (1.0 - 0.05 ** (1.0 / turns)):.2g} % of them or more is seen with 95 %"
    )
    return Plan(
        test=test,
        statement=statement,
        lines=lines,
        state=capture.state,
        up_to_rpm=capture.up_to_rpm,
        rate_hz=rate,
        deg_per_sample=fine,
        turns=turns,
        turning_s=turning_s,
        attempts=attempts,
        record_s=amounts.record_seconds(turning_s, attempts),
        why_rate=f"at {capture.up_to_rpm:.0f} rpm a sample is then {fine:.2g} degrees, the question needs "
        f"{capture.resolution_deg:g}",
        why_turns=why_turns,
        do=tuple(capture.do),
        cautions=cautions,
        equipment=equipment,
        pictures=drawn,
        left_out=left_out,
        assumed=assumed,
    )


def _drawn_rpm(capture: Capture) -> float:
    return amounts.IDLE_RPM if capture.state == "running" else amounts.CRANKING_RPM


def _name(cause: Share, knowledge: Knowledge) -> str:
    return knowledge.cause_row(cause.id).name


def _pictured(told: Told, chance: dict[str, list[float]]) -> tuple[Share, ...]:
    """Causes still open, most probable first; where nothing is known yet, those that the test is about."""
    if told.open_causes:
        single = {c.id: c for c in reversed(told.open_causes)}
        return tuple(sorted(single.values(), key=lambda c: -c.probability))[:PICTURED]
    return tuple(Share(c, 0.0) for c in chance if c not in (NONE_FOUND, NONE_OF_THESE, MEASUREMENT))[:PICTURED]


def _lines(
    capture: Capture, told: Told, facts: EngineFacts, leads: PlanKnowledge
) -> tuple[tuple[PlannedLine, ...], tuple[str, ...]]:
    """The lines that this engine has, and why others are left out."""
    out, left = [], []
    for line in capture.lines:
        why = _does_not_apply(line.role, line.of, told, facts)
        if why:
            left.append(f"{ROLES[line.role]}: {why}")
            continue
        sensor = {"crank": told.sensor or "hall", "second-tap": told.sensor or "hall",
                  "cam": told.cam_sensor or "hall"}.get(line.role, "")  # fmt: skip
        lead = leads.lead_of(line.role, sensor or None)
        edges = line.role in OF_EDGES or line.role in ("coil", "injector")
        need = amounts.rate_for(capture.resolution_deg, capture.up_to_rpm) if edges else 0.0
        low, high = _range(lead, sensor, line.role, capture.up_to_rpm)
        label = _label(line.role, line.of, line.why)
        out.append(
            PlannedLine(
                role=line.role, label=label, why=line.why, pick_up=lead.pick_up, lead=lead.lead, low=low, high=high,
                unit=lead.unit, rate_hz=max(need, lead.least_rate_hz), sensor=sensor,
                of=line.of if line.role in BELONGING else "", resting=lead.resting,
                working=lead.working, one_sided=lead.one_sided,
            )
        )  # fmt: skip
    return tuple(out), tuple(left)


def _label(role: str, of: str, why: str) -> str:
    """What a line is called; a point that has no role of its own by what it is for."""
    words = {"other": why, "second-tap": "other end of the line"}.get(role, ROLES[role])
    return f"{words} (cam)" if of == "cam" else words


def _does_not_apply(role: str, of: str, told: Told, facts: EngineFacts) -> str:
    """Why a line is not recorded on this engine; empty where it is."""
    if "cam" in (role, of) and facts.strokes == 2:
        return "a two-stroke engine has no cam"
    if role == "coil" and facts.ignition == "compression":
        return "an engine of compression ignition has no coil"
    if role == "starter-current" and facts.cranked_by == "motor":
        return "a motor turns this engine, and its lines are never probed"
    if role == "sensor-supply" and (told.cam_sensor if of == "cam" else told.sensor) == "vr":
        return "a variable-reluctance sensor has no supply"
    return ""


def _range(lead: Lead, sensor: str, role: str, rpm: float) -> tuple[float, float]:
    """Input range: the lead's own, or for variable reluctance what the pulse reaches at the highest speed."""
    if sensor != "vr" or role not in OF_EDGES:
        return lead.low, lead.high
    need = VR_PEAK_V * rpm / amounts.CRANKING_RPM
    top = next((r for r in RANGES_V if r >= need), math.inf)
    return (-top, top) if math.isfinite(top) else (-RANGES_V[-1], RANGES_V[-1])


def _engine(told: Told) -> tuple[Engine, tuple[str, ...]]:
    """What the pictures are drawn from, and what had to be assumed."""
    assumed = []
    if told.wheel is None:
        assumed.append("the wheel is not known: a 60-2 wheel is drawn")
    if told.sensor is None:
        assumed.append("the crank sensor's kind is not known: a two-level one is taken")
    if told.cylinders is None:
        assumed.append("the number of cylinders is not known: four are drawn")
    engine = Engine(
        told.setup, told.sensor or "hall", told.cam_sensor or "hall", told.cylinders or 4, told.wheel or dict(USUAL),
        told.slot,
    )  # fmt: skip
    return engine, tuple(assumed)
