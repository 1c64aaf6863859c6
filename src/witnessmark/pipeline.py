"""From a recording to its analysis: the only module that knows every stage.

    recording -> signals -> wheel -> engine -> findings -> causes -> where to look
                                     scan   -> findings ┘

Each stage gets what the stages before it made, and none changes its input.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from witnessmark.causes.engines import engine_facts
from witnessmark.causes.model import Verdict
from witnessmark.causes.observations import Observation
from witnessmark.causes.weigh import Context, weigh
from witnessmark.engine.examine import examine
from witnessmark.engine.model import EngineResult
from witnessmark.engine.phase import slot_angle_deg
from witnessmark.engine.sides import doubtful, find_side
from witnessmark.errors import BadObservation
from witnessmark.findings.find import find
from witnessmark.findings.model import Findings, NotAssessed
from witnessmark.plan.model import Hookup, Plan
from witnessmark.provenance import Step
from witnessmark.recording.model import Recording
from witnessmark.recording.open import kept_setup, open_recording
from witnessmark.recording.setup import Setup, load_setup
from witnessmark.report import collect
from witnessmark.report.model import Analysis
from witnessmark.report.where import whereabouts
from witnessmark.signals.extract import extract
from witnessmark.signals.model import Signals
from witnessmark.wheel.decode import decode_wheel
from witnessmark.wheel.model import WheelResult
from witnessmark.wheel.renumber import can_be_renumbered, renumbered, repeats_to_slot, repeats_to_tdc

if TYPE_CHECKING:
    from witnessmark.scan.model import ScanSnapshot

# Two whole turns: with fewer, a fault of the wheel cannot be told from an accident of one turn (a slot is judged by
# what it does again).
JUDGED_TURNS = 2.0
# Lines that only a turning engine moves.
TURNING_ROLES = frozenset({"crank", "cam"})
KEY_EDGES = 2  # a line that rises at key-on and falls at key-off has not turned
STILL = "nothing turns in this record"
Told = Callable[[str, float], None]
"""Is told the stage that begins and the share of an analysis done by then, 0 to 1."""
# Share of an analysis that is done when a stage begins: measured on the demo's recording, warm.
SHARES = {"lines": 0.0, "wheel": 0.02, "engine": 0.88, "findings": 0.97, "causes": 0.99}


def analyze(
    recording_path: str | os.PathLike[str],
    setup_path: str | os.PathLike[str] | None = None,
    *,
    observations: Sequence[Observation] = (),
    closed: Mapping[str, int] | None = None,
    told: Told | None = None,
) -> Analysis:
    """Read a recording (and a setup, where there is one) and analyse it.

    A working store may hold a setup of its own, which is used where none is given. observations: what was seen by
    hand. closed: the shop's own closed cases by cause. told: hears of each stage.

    Raises a :class:`~witnessmark.errors.WitnessmarkError`
    of one line for a recording or setup that cannot be used.
    """
    setup_path = _setup_for(recording_path, setup_path)
    setup = Setup() if setup_path is None else load_setup(setup_path)
    recording = open_recording(recording_path, setup)
    return analyze_recording(recording, setup, setup_path, observations=observations, closed=closed, told=told)


def analyze_recording(
    recording: Recording,
    setup: Setup | None = None,
    setup_path: str | None = None,
    *,
    observations: Sequence[Observation] = (),
    closed: Mapping[str, int] | None = None,
    told: Told | None = None,
) -> Analysis:
    """Analyse an open recording, whatever it holds; the setup's scales are taken to be in the recording already."""
    known = Setup() if setup is None else setup
    tell = _teller(told)
    tell("lines")
    signals = extract(recording, known)
    wheel, engine = _read(signals, known, recording, tell)
    tell("findings")
    motion = in_motion(signals, wheel, engine)
    if motion is False:
        wheel = replace(wheel, why_not=STILL)
        findings = _nothing_moves()
    else:
        findings = find(signals, wheel, engine, known, recording)
        wheel = collect.as_found(wheel, findings.found)
    tell("causes")
    context = context_of(signals, wheel, engine, known, motion)
    verdict = weigh(findings, context, observations=observations, closed=closed)
    analysis = Analysis(
        recording=recording,
        setup=known,
        setup_path=setup_path,
        signals=signals,
        wheel=wheel,
        engine=engine,
        findings=findings,
        verdict=verdict,
        whereabouts=(),
        steps=(*_steps(recording), _weighed(findings, verdict)),
        in_motion=motion,
    )
    return replace(analysis, whereabouts=whereabouts(wheel, engine, known, collect.suspects(analysis)))


def _teller(told: Told | None) -> Callable[[str], None]:
    def tell(stage: str) -> None:
        if told is not None:
            told(stage, SHARES[stage])

    return tell


def with_scan(
    analysis: Analysis,
    *snapshots: ScanSnapshot,
    observations: Sequence[Observation] = (),
    closed: Mapping[str, int] | None = None,
) -> Analysis:
    """The analysis with what control units of the same vehicle said: their findings after its own, weighed anew.

    Several snapshots, oldest first, count as :func:`witnessmark.scan.judge.together` puts them.
    """
    from witnessmark.scan.judge import beside, judge, together  # most analyses have no snapshot

    said, _ = together([judge(s) for s in snapshots])
    findings = beside(analysis.findings, said)
    known = context_of(analysis.signals, analysis.wheel, analysis.engine, analysis.setup, analysis.in_motion)
    units = [unit for s in snapshots for unit in s.units]
    stored = {code for unit in units for code in unit.codes}
    about = replace(known, codes=tuple(sorted({*known.codes, *stored})))
    verdict = weigh(findings, about, observations=observations, closed=closed)
    read = Step(
        "scan",
        "codes and live data taken in",
        {"from": ", ".join(s.source.kind for s in snapshots), "control_units": len(units), "codes": len(stored)},
        used=len(said.found),
    )
    steps = (*analysis.steps[:-1], read, _weighed(findings, verdict))
    again = replace(analysis, findings=findings, verdict=verdict, steps=steps)
    spots = whereabouts(again.wheel, again.engine, again.setup, collect.suspects(again))
    return replace(again, whereabouts=spots)


def plan_for(
    recording_path: str | os.PathLike[str] | None, setup_path: str | os.PathLike[str] | None, test: str | None
) -> Plan:
    """The capture plan for a test, by default for the next test that a recording asks for.

    Raises a :class:`~witnessmark.errors.WitnessmarkError` of one line for input that cannot be used, and where neither
    a test is named nor the recording asks for one.
    """
    from witnessmark.plan.catalogue import load_plan_knowledge
    from witnessmark.plan.make import plan_for as planned
    from witnessmark.plan.make import told_by

    setup_path = _setup_for(recording_path, setup_path)
    setup = Setup() if setup_path is None else load_setup(setup_path)
    analysis = None if recording_path is None else analyze(recording_path, setup_path)
    tests = () if analysis is None else analysis.verdict.next_tests
    if test is None:
        if not tests:
            raise BadObservation("no test is asked for; name one with --test (witnessmark tests lists them)")
        test = tests[0].id
    made = planned(test, told_by(setup, analysis))
    if made.lines:
        return made
    records = load_plan_knowledge()
    return replace(made, instead=next((t.id for t in tests if records.capture_of(t.id) is not None), ""))


def hookup_of(recording_path: str | os.PathLike[str], setup_path: str | os.PathLike[str] | None, test: str) -> Hookup:
    """The first seconds of a record against the plan for a test. Raises as :func:`plan_for`."""
    from witnessmark.plan.hookup import check
    from witnessmark.plan.make import plan_for as planned
    from witnessmark.plan.make import told_by

    setup_path = _setup_for(recording_path, setup_path)
    setup = Setup() if setup_path is None else load_setup(setup_path)
    analysis = analyze(recording_path, setup_path)
    return check(planned(test, told_by(setup, analysis), with_pictures=False), analysis)


def _setup_for(recording_path: str | os.PathLike[str] | None, setup_path: str | os.PathLike[str] | None) -> str | None:
    """The setup that is given, else the one that a working store keeps; None where there is neither."""
    if setup_path is not None:
        return os.fspath(setup_path)
    return None if recording_path is None else kept_setup(recording_path)


def _read(
    signals: Signals, setup: Setup, recording: Recording, tell: Callable[[str], None]
) -> tuple[WheelResult, EngineResult]:
    """Wheel and engine; read again where the cams say that the other of two teeth is the one gone."""
    tell("wheel")
    wheel = decode_wheel(signals, setup, recording)
    tell("engine")
    engine = examine(signals, wheel, setup, recording)
    side = find_side(signals, wheel, engine, setup)
    if side is not None and side.gone == side.other:
        again = decode_wheel(signals, setup, recording, doubtful(wheel))
        reading = doubtful(again)
        if reading is not None and again.layout is not None and again.layout.tooth_slots[reading.gone] == side.gone:
            wheel, engine = again, examine(signals, again, setup, recording)
    if side is not None and side.gone is not None:
        both = {f"slot {side.slot}", f"slot {side.other}"}
        told = all(words in wheel.undecidable for words in both)
        wheel = replace(wheel, undecidable="" if told else wheel.undecidable)
    if side is None:
        counted = _from_tdc(wheel, engine, setup)
        if counted is not wheel:
            wheel, engine = counted, examine(signals, counted, setup, recording)
    return wheel, replace(engine, side=side)


def _from_tdc(wheel: WheelResult, engine: EngineResult, setup: Setup) -> WheelResult:
    """A wheel that repeats within a turn, counted from the tooth nearest after cylinder 1's TDC where that is known.

    A TDC slot in the setup says which tooth is counted as first, too.
    """
    layout, phase = wheel.layout, engine.phase
    if layout is None or not phase.known or phase.tdc_deg is None or not can_be_renumbered(wheel):
        return wheel
    kind = "no gap on this wheel" if layout.periods == len(layout.teeth_deg) else (
        f"the pattern repeats {layout.periods} times a turn"
    )  # fmt: skip
    said = setup.crank_wheel
    slots = None if said is None else said.slots or (len(said.teeth_deg) if said.teeth_deg else None)
    if said is not None and said.tdc_slot is not None and slots == layout.slots:
        repeats = repeats_to_slot(layout, phase.tdc_deg, slot_angle_deg(layout, said.tdc_slot))
        return renumbered(wheel, repeats, f"{kind}: slot 1 is counted from the setup's TDC slot {said.tdc_slot:g}")
    first = "tooth" if layout.periods == len(layout.teeth_deg) else "first tooth of the repeat"
    repeats = repeats_to_tdc(layout, phase.tdc_deg)
    return renumbered(wheel, repeats, f"{kind}: slot 1 is the {first} nearest after cylinder 1's TDC")


def in_motion(signals: Signals, wheel: WheelResult, engine: EngineResult) -> bool | None:
    """Whether the engine turns anywhere in the record; None where lines move that need not mean rotation."""
    if wheel.layout is not None or wheel.motions or engine.attempts:
        return True
    if any(line.role in TURNING_ROLES and len(line.edges) > KEY_EDGES for line in signals.lines):
        return True
    return None if any(line.levels.moving for line in signals.lines) else False


def context_of(
    signals: Signals, wheel: WheelResult, engine: EngineResult, setup: Setup, motion: bool | None
) -> Context:
    """What the causes are weighed against beside the findings."""
    crank = next((line for line in signals.lines if line.name == wheel.channel), None)
    vehicle = setup.vehicle
    return Context(
        sensor=None if crank is None else crank.sensor,
        has_setup_wheel=wheel.source == "setup",
        roles=frozenset(line.role for line in signals.lines),
        crank_channel=wheel.channel,
        crank_judged=wheel.layout is not None and wheel.angle.turns >= JUDGED_TURNS,
        polarity=wheel.polarity,
        tdc_known=engine.phase.known,
        history=". ".join(text for text in (vehicle.complaint, vehicle.description) if text),
        codes=vehicle.codes or (),
        turning_s=collect.turning_s(wheel, engine),
        turns=wheel.angle.turns if wheel.layout is not None else None,
        motion=motion,
        judged=collect.judged_share(wheel, engine),
        engine=engine_facts(setup, engine.cylinders),
        runs=any(a.started for a in engine.attempts) if engine.attempts else None,
    )


def _nothing_moves() -> Findings:
    return Findings(
        (),
        (
            NotAssessed(
                "Is anything wrong with wheel, sensor or engine?",
                STILL,
                "a record that begins before the starter turns and lasts until it stops",
            ),
        ),
    )


def _steps(recording: Recording) -> tuple[Step, ...]:
    lost = len(collect.gaps(recording))
    return (
        Step(
            "recording",
            "file read",
            {"format": recording.format, "channels": len(recording.channels), "gaps": lost},
            used=sum(c.samples for c in recording.channels),
            because="" if not recording.left_out else f"without numbers: {', '.join(recording.left_out)}",
        ),
    )


def _weighed(findings: Findings, verdict: Verdict) -> Step:
    stated = sum(f.stated for f in findings.found)
    return Step("causes", "findings weighed", {"causes": len(verdict.causes)}, used=stated, seen=len(findings.found))
