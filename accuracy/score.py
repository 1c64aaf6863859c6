"""One case run and judged against its truth."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from accuracy.cases import Case
from accuracy.memory import recording_of
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.setup import Setup, load_setup
from witnessmark.report.model import Analysis
from witnessmark.simulate.run import Simulated, simulate
from witnessmark.simulate.truth import setup_toml
from witnessmark.wheel.model import Layout

TOOTH_KINDS = ("tooth-absent", "tooth-weak", "tooth-displaced", "tooth-extra")


@dataclass
class Score:
    """What came out for one case. None where a question does not apply."""

    id: str
    kind: str
    severity: float
    value: float
    truth: str
    first: str
    probability: float
    cause_right: bool
    layout_right: bool | None
    layout: str
    slot_right: bool | None
    slots: list[int]
    stated: list[str] = field(default_factory=list)
    hints: list[str] = field(default_factory=list)
    note: str = ""
    with_setup: bool = False


def setup_of(simulated: Simulated) -> Setup:
    """The simulated engine's setup, read back as a user's file would be."""
    with tempfile.NamedTemporaryFile("w", suffix=".toml", delete=False, encoding="utf-8") as file:
        file.write(setup_toml(simulated.setup))
    try:
        return load_setup(file.name)
    finally:
        os.unlink(file.name)


def run(case: Case) -> Score:
    """Simulate, analyse and judge."""
    made = simulate(case.scenario)
    analysis = analyze_recording(recording_of(made), setup_of(made) if case.with_setup else Setup())
    return judge(case, made.truth, analysis)


def judge(case: Case, truth: dict[str, Any], analysis: Analysis) -> Score:
    """Compare an analysis with the truth of its case."""
    first = analysis.verdict.causes[0]
    found = analysis.findings.found
    layout = analysis.wheel.layout
    slots = [f.slot for f in found if f.kind in TOOTH_KINDS and f.stated and f.slot is not None]
    return Score(
        id=case.id,
        kind=case.kind,
        severity=case.severity,
        value=case.value,
        truth=str(truth["cause"]),
        first=first.id,
        probability=first.probability,
        cause_right=first.id == truth["cause"] or (case.undecidable and _named(analysis, str(truth["cause"]))),
        layout_right=_layout_right(case, truth["fitted"], analysis),
        layout=layout.name if layout else f"none ({analysis.wheel.why_not})",
        slot_right=_slot_right(case, analysis, slots),
        slots=slots,
        stated=[f"{f.kind}{'' if f.slot is None else ' ' + str(f.slot)} {f.confidence:.2f}" for f in found if f.stated],
        hints=[
            f"{f.kind}{'' if f.slot is None else ' ' + str(f.slot)} {f.confidence:.2f}" for f in found if not f.stated
        ],
        note=analysis.wheel.undecidable,
        with_setup=case.with_setup,
    )


def _named(analysis: Analysis, cause: str) -> bool:
    """Undecidable cases are right when the truth is kept alive: among the causes, or the design is said to be open."""
    others = [c for c in analysis.verdict.causes if c.id == cause and c.probability > 0.02]
    return bool(others) or bool(analysis.wheel.undecidable) or any(a.damaged_slots for a in analysis.wheel.alternatives)


def same(layout: Layout, fitted: dict[str, Any]) -> bool:
    """Whether a layout is the fitted one: slots and gaps, or the cyclic order of unequal teeth within 2 degrees."""
    if layout.regular and not fitted.get("teeth_deg"):
        return layout.slots == fitted["slots"] and list(layout.missing) == list(fitted["missing"])
    teeth = fitted.get("teeth_deg") or []
    if len(teeth) != len(layout.teeth_deg):
        return False
    a = np.diff(np.append(layout.teeth_deg, layout.teeth_deg[0] + 360.0))
    b = np.diff(np.append(teeth, teeth[0] + 360.0))
    return any(np.allclose(np.roll(a, k), b, atol=2.0) for k in range(len(a)))


def _layout_right(case: Case, fitted: dict[str, Any], analysis: Analysis) -> bool | None:
    """None where no record could tell: an even wheel with neither setup nor cam, or a stated ambiguity kept open."""
    layout = analysis.wheel.layout
    even = not fitted.get("teeth_deg") and not fitted["missing"]
    if even and not case.with_setup and not analysis.signals.by_role("cam"):
        return None
    if layout is None:
        return False
    if same(layout, fitted):
        return True
    if case.undecidable and any(same(a.layout, fitted) for a in analysis.wheel.alternatives):
        return None
    return False


def _slot_right(case: Case, analysis: Analysis, slots: list[int]) -> bool | None:
    """Every true slot named and no other; None where the case has none or the record cannot tell.

    Where two slots would leave the same ring, a finding that names one as the other's twin names both.
    """
    true = [int(s) for s in case.truth.get("slots") or []]
    if case.kind not in TOOTH_KINDS or not true or case.undecidable:
        return None
    if case.read_twice:
        twins = [f.evidence.get("or_slot") for f in analysis.findings.found if f.kind in TOOTH_KINDS and f.stated]
        return None if set(true) <= {*slots, *twins} and len(slots) == len(true) else False
    if not slots:
        return False
    modulo = case.slot_modulo
    if modulo:
        return {s % modulo for s in slots} == {s % modulo for s in true}
    return set(slots) == set(true)
